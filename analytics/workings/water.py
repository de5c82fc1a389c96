"""Hot water in numbers: draw by draw, and what leaves each tank with the water."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import nan

import numpy as np
from numpy.typing import NDArray

from analytics.hot_water import Passage, water_passed
from analytics.plant import PlantDay
from analytics.units import kwh_from_j
from analytics.workings.inputs import Part
from analytics.workings.loops import counter_steps
from analytics.workings.rows import largest_and_rest
from analytics.workings.stretches import clock, counted, frame_of, gap_remarks
from analytics.workings.written import (
    Number,
    Step,
    Table,
    Working,
    added,
    amount,
    difference,
    exact,
    kwh,
    multiplied,
    written,
)

__all__ = ["left_part", "passage_of", "volume_working", "water_heat_working"]

Array = NDArray[np.float64]

_LITRE = 1000.0
_KJ = 1000.0


@dataclass(frozen=True, slots=True)
class _Row:
    """One draw, or several: litres and mass metered, mass with known temperatures, their means, and heat."""

    when: str
    litres: float
    kg: float
    cold_degc: float
    hot_degc: float
    heat_j: float

    @property
    def rise_k(self) -> float:
        return self.hot_degc - self.cold_degc

    @property
    def capacity_j_kg_k(self) -> float:
        return self.heat_j / (self.kg * self.rise_k) if self.kg * self.rise_k else nan


def passage_of(plant: PlantDay) -> Passage:
    """
    The day's moved water.

    Raises:
        ValueError: If no meter tells of it; its figures are unavailable then.
    """
    found = water_passed(plant.site, plant.signals, frame=frame_of(plant))
    if found is None:
        raise ValueError(f"no meter tells of the water of {plant.site.id} on {plant.day.date}")
    return found


def _row(passage: Passage, spot: str, which: NDArray[np.intp], *, when: str = "") -> _Row:
    """Some pieces as one row; masses and temperatures are of those whose temperatures are known."""
    litres = float(passage.volume_m3[which].sum()) * _LITRE
    heat = passage.heat_j[spot][which]
    known = ~np.isnan(heat)
    kg = passage.kg[spot][which][known]
    if not kg.sum() > 0:
        return _Row(when, litres, 0.0, nan, nan, 0.0)
    cold, hot = (float(kg @ passage.degc[name][which][known] / kg.sum()) for name in ("cold", spot))
    return _Row(when, litres, float(kg.sum()), cold, hot, float(heat[known].sum()))


def _draw_rows(plant: PlantDay, passage: Passage, spot: str) -> list[_Row]:
    """The draws; the largest and the rest in one row where there are many."""
    edges = [*passage.draws.tolist(), len(passage.volume_m3)]
    pieces = [np.arange(a, b) for a, b in pairwise(edges)]
    alone, rest = largest_and_rest([float(passage.volume_m3[p].sum()) for p in pieces])
    rows = [_row(passage, spot, pieces[k], when=clock(plant, passage.pieces.start_s[pieces[k][0]])) for k in alone]
    if rest:
        rows.append(_row(passage, spot, np.concatenate([pieces[k] for k in rest]), when=f"{len(rest)} smaller"))
    return rows


def volume_working(plant: PlantDay, path: str) -> Working:
    """The day's water: a counter's two readings, or the draws added up."""
    water, passage = plant.site.hot_water, passage_of(plant)
    assert water is not None
    assert plant.hot_water is not None
    point = water.flow or water.volume or ""
    litres = Number(plant.hot_water.volume.amount * _LITRE, 1, "l")
    covered = plant.hot_water.volume.covered
    if plant.signals[point].point.sampling == "counter":
        reading = counted(plant.signals[point], frame_of(plant))
        numbers, text = counter_steps(plant, point, reading, unit="l", scale=_LITRE, digits=1)
        return Working(path, numbers, (), [Step("Water drawn", text, litres)], gap_remarks(plant, covered, counts=True))
    draws = _volumes(plant, passage)
    table = Table(
        f"Draws by {point}",
        ("Opened", "l", "min"),
        [(when, written(volume, 2), written(minutes, 1)) for when, volume, minutes in draws],
        "Flow × time, from reading to reading; a pause of 30 s and more parts two draws.",
    )
    terms = [(1.0, Number(volume, 2, "l")) for _, volume, _ in draws]
    return Working(path, (), [table], [Step("Water drawn", added(terms) if terms else "0.0 l", litres)],
                   gap_remarks(plant, covered))  # fmt: skip


def _volumes(plant: PlantDay, passage: Passage) -> list[tuple[str, float, float]]:
    """Draws with their litres and minutes."""
    if not len(passage.draws):
        return []
    litres = np.add.reduceat(passage.volume_m3, passage.draws) * _LITRE
    minutes = np.add.reduceat(passage.pieces.length_s, passage.draws) / 60.0
    alone, rest = largest_and_rest(litres.tolist())
    rows = [
        (clock(plant, passage.pieces.start_s[passage.draws[k]]), float(litres[k]), float(minutes[k])) for k in alone
    ]
    if rest:
        rows.append((f"{len(rest)} smaller", float(litres[rest].sum()), float(minutes[rest].sum())))
    return rows


def _heat_table(plant: PlantDay, rows: Sequence[_Row], *, meter: str, spot: str, cold: str) -> Table:
    cells = [
        (
            row.when, written(row.litres, 2), amount(row.kg, "").text, written(row.cold_degc, 3),
            written(row.hot_degc, 3), amount(row.capacity_j_kg_k / _KJ, "").text, written(kwh_from_j(row.heat_j), 3),
        )
        for row in rows
    ]  # fmt: skip
    return Table(
        f"Draws: water by {meter}, cold by {cold}, hot by {spot}",
        ("Opened", "l", "kg", "cold °C", "hot °C", "kJ/(kg K)", "kWh"),
        cells,
        "kg × kJ/(kg K) × (hot − cold) ÷ 3600 = kWh; kg is litres × the density of water by the fluid table, the "
        "specific heat is its enthalpy difference per kelvin; temperatures are means over the water that passed.",
    )


def water_heat_working(plant: PlantDay, path: str) -> Working:
    """Hot-water heat, draw by draw."""
    water, passage = plant.site.hot_water, passage_of(plant)
    assert water is not None
    assert plant.hot_water is not None
    total = plant.hot_water.heat
    rows = _draw_rows(plant, passage, passage.spot)
    meter, cold = water.flow or water.volume or "", water.cold or "an assumed temperature"
    table = _heat_table(plant, rows, meter=meter, spot=_sensor(plant, passage.spot), cold=cold)
    heat = kwh(kwh_from_j(total.amount))
    terms = [(1.0, kwh(kwh_from_j(row.heat_j))) for row in rows]
    remarks = gap_remarks(plant, total.covered)
    late = [row for row in rows if row.kg == 0.0]
    if late:
        remarks.append("A draw without temperatures counts as no heat.")
    step = Step("Heat in hot water", added(terms) if terms else "0.000 kWh", heat)
    return Working(path, (), [table] if rows else [], [step], remarks)


def _sensor(plant: PlantDay, spot: str) -> str:
    """The point that stands at a spot of the water's path."""
    water = plant.site.hot_water
    assert water is not None
    if spot in ("hot", "heated", "mixed"):
        return getattr(water, spot) or spot
    index = list(water.tanks).index(spot)
    outlets = [*water.between[: len(water.tanks) - 1]]
    outlets += [""] * (len(water.tanks) - 1 - len(outlets)) + [water.hot or ""]
    return outlets[index] or next(iter(plant.site.tanks[spot].temperatures), spot)


def left_part(plant: PlantDay, tank: str) -> Part:
    """Heat above cold water that left a tank with the water over the day."""
    passage, water = passage_of(plant), plant.site.hot_water
    assert water is not None
    # Behind a mixing valve that alone is metered, the last tank gave what the valve passes on.
    spot = "mixed" if passage.spot == "mixed" and tank == water.tanks[-1] else tank
    row = _row(passage, spot, np.arange(len(passage.volume_m3)))
    what = f"Heat with the water that left {tank}"
    heat = kwh(kwh_from_j(row.heat_j), name=what, source=_sensor(plant, spot))
    if row.kg == 0.0:
        return Part([], [Step(what, "0.000 kWh", heat)], heat, [])
    kg = amount(row.kg, "kg", name=f"Water that passed {tank}", source=water.flow or water.volume or "")
    hot = Number(row.hot_degc, 3, "°C", f"Leaving {tank}, mean by mass", _sensor(plant, spot))
    cold = Number(row.cold_degc, 3, "°C", "Cold water, mean by mass", water.cold or "assumed")
    rise = Number(row.rise_k, 3, "K")
    capacity = amount(row.capacity_j_kg_k / _KJ, "kJ/(kg K)", name="Specific heat", source="fluid table, water")
    steps = [
        Step(f"Rise in {tank} above cold", difference(hot, cold), rise),
        Step(what, multiplied([kg, capacity, rise], [exact(3600, "kJ/kWh")]), heat),
    ]
    return Part([kg, hot, cold, capacity], steps, heat, [])
