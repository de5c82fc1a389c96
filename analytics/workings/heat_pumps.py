"""A heat pump in numbers: run by run, its heat and electricity; ratios from their sums."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import isnan

import numpy as np
from numpy.typing import NDArray

from analytics.expected.above_sheet import above_sheet
from analytics.heat_pump import Exchanged, exchanged
from analytics.plant import CELL_S, HeatPumpDay, PlantDay, Total
from analytics.units import kwh_from_j
from analytics.workings.loops import loop_working
from analytics.workings.rows import largest_and_rest
from analytics.workings.stretches import clock, gap_remarks
from analytics.workings.temperature_bins import bins_tables
from analytics.workings.written import Number, Step, Table, Working, added, amount, kwh, multiplied, written

__all__ = ["cop_working", "heat_pump_working", "runs_of", "useful_parts"]

Array = NDArray[np.float64]

_NAMES = {"source": "source", "load": "load loop", "desuperheater": "desuperheater", "compressor": "compressor"}
_KWH_PER_W_CELL = CELL_S / 3.6e6


@dataclass(frozen=True, slots=True)
class _Runs:
    """
    A heat pump's runs in one mode.

    Args:
        cells: Cells of the mode.
        heard: Of them, those with the loops' and the compressor's word.
        run: Index of the run of each cell.
        elec_w: Electricity of the runs, without what the heat pump takes at rest.
        parts: What the useful heat is added up from: sign and course [W] by name.
    """

    cells: NDArray[np.bool_]
    heard: NDArray[np.bool_]
    run: NDArray[np.intp]
    elec_w: Array
    parts: Mapping[str, tuple[float, Array]]


def runs_of(plant: PlantDay, pump: HeatPumpDay, *, heating: bool) -> _Runs:
    """The runs in heating, or in cooling, with what the useful heat is made of."""
    found = exchanged(plant.site.heat_pumps[pump.heat_pump], pump, plant.loops)
    cells = np.asarray(found.mode > 0 if heating else found.mode < 0) & ~np.isnan(pump.elec_w)
    parts = _heating_parts(found) if heating else _cooling_parts(found)
    heard = cells.copy()
    for name, (_, course) in parts.items():
        if name != "desuperheater":
            heard &= ~np.isnan(course)
    return _Runs(cells, heard, found.run, found.elec_w, parts)


def _heating_parts(found: Exchanged) -> dict[str, tuple[float, Array]]:
    if "load" in found.heat_w:
        return {name: (1.0, found.heat_w[name]) for name in ("load", "desuperheater") if name in found.heat_w}
    if "source" not in found.heat_w:
        return {}
    return {"source": (1.0, found.heat_w["source"]), "compressor": (1.0, found.elec_w)}


def _cooling_parts(found: Exchanged) -> dict[str, tuple[float, Array]]:
    if "source" not in found.heat_w:
        return {}
    parts = {"source": (1.0, -found.heat_w["source"])}
    if "desuperheater" in found.heat_w:
        parts["desuperheater"] = (1.0, found.heat_w["desuperheater"])
    return parts | {"compressor": (-1.0, found.elec_w)}


def _sum_kwh(course: Array, cells: NDArray[np.bool_]) -> float:
    return float(np.nansum(course[cells])) * _KWH_PER_W_CELL


def _groups(runs: _Runs, weight: Array) -> list[tuple[str, NDArray[np.bool_]]]:
    """The runs as (name, cells); the largest and the rest as one where there are many."""
    each = np.unique(runs.run[runs.cells])
    cells = [runs.cells & (runs.run == k) for k in each]
    alone, rest = largest_and_rest([_sum_kwh(weight, mask) for mask in cells])
    groups = [("", cells[k]) for k in alone]
    if rest:
        groups.append((f"{len(rest)} smaller", np.logical_or.reduce([cells[k] for k in rest])))
    return groups


def _started(plant: PlantDay, pump: HeatPumpDay, cells: NDArray[np.bool_]) -> str:
    running = np.flatnonzero(cells & (np.nan_to_num(pump.is_on) > 0))
    return clock(plant, float(running[0] if len(running) else np.flatnonzero(cells)[0]) * CELL_S)


def useful_parts(runs: _Runs, *, heating: bool) -> list[tuple[float, Number]]:
    """What the useful heat of the time that was heard is added up from."""
    way = "while heating" if heating else "while cooling"
    words = {
        "source": "Heat from the source" if heating else "Heat given to the source",
        "load": "Heat of the load loop",
    }
    words |= {"desuperheater": "Heat of the desuperheater", "compressor": "The compressor's electricity"}
    return [
        (sign, kwh(_sum_kwh(course, runs.heard), name=f"{words[name]} {way}", source="runs, below"))
        for name, (sign, course) in runs.parts.items()
    ]


def heat_pump_working(plant: PlantDay, pump: HeatPumpDay, path: str) -> Working:
    """Any of a heat pump's figures but its performance factors."""
    heating, name = ".heating." in path, path.rpartition(".")[2]
    if name == "source_heat":
        return _source_working(plant, pump, path)
    if name in ("run_hours", "starts"):
        return _time_working(plant, pump, path)
    runs = runs_of(plant, pump, heating=heating)
    if name == "electricity":
        return _electricity_working(plant, pump, path, runs=runs)
    return _useful_working(plant, pump, path, runs=runs) if name != "cop" else cop_working(plant, pump, path)


def _useful_working(plant: PlantDay, pump: HeatPumpDay, path: str, *, runs: _Runs) -> Working:
    heating = ".heating." in path
    total = pump.heating if heating else pump.cooling
    terms = useful_parts(runs, heating=heating)
    step = Step("Heat made" if heating else "Useful cooling", added(terms), kwh(kwh_from_j(total.amount)))
    loops = [_loop_day(plant, pump, name, runs=runs, heating=heating) for name in runs.parts if name != "compressor"]
    inputs = [*(n for loop in loops for n in loop.inputs), *(n for _, n in terms)]
    steps = [*(s for loop in loops for s in loop.steps), step]
    remarks = [*_remarks(plant, pump, runs), *(r for loop in loops for r in loop.remarks)]
    return Working(path, inputs, [_heat_table(plant, pump, runs)], steps, list(dict.fromkeys(remarks)))


def _loop_day(plant: PlantDay, pump: HeatPumpDay, name: str, *, runs: _Runs, heating: bool) -> Working:
    """A loop's heat over the whole day by its meters, and how much of it does not fall into runs of this mode."""
    day = plant.loops[getattr(plant.site.heat_pumps[pump.heat_pump], f"{name}_loop")]
    counts_one_way = isnan(day.reverse.amount)
    gives = counts_one_way or name != "source" or not heating
    whole = loop_working(plant, day, "", gives=gives)
    sign, course = runs.parts[name]
    apart = whole.value - sign * _sum_kwh(course, runs.heard)
    said = f"Of loop {day.loop}'s heat of the day {apart:.3f} kWh lie outside of these runs, or went the other way."
    which = f"loop {day.loop}, whole day"
    return Working("", _inputs(whole, which), (), _named(whole, which), [said] if abs(apart) >= 5e-4 else [])


def _heat_table(plant: PlantDay, pump: HeatPumpDay, runs: _Runs) -> Table:
    rows = []
    for name, cells in _groups(runs, runs.elec_w):
        here = cells & runs.heard
        values = [_sum_kwh(course, here) for _, course in runs.parts.values()]
        whole = sum(sign * value for (sign, _), value in zip(runs.parts.values(), values, strict=True))
        rows.append((name or _started(plant, pump, cells), *(written(v, 3) for v in (*values, whole))))
    signs = " ".join(f"{'+' if sign > 0 else '−'} {_NAMES[name]}" for name, (sign, _) in runs.parts.items())
    return Table(
        "Runs of the compressor",
        ("Started", *(f"{_NAMES[name]} kWh" for name in runs.parts), "useful kWh"),
        rows,
        f"useful = {signs.removeprefix('+ ')}; each run with the minutes just before and after it.",
    )


def _remarks(plant: PlantDay, pump: HeatPumpDay, runs: _Runs) -> list[str]:
    said = gap_remarks(plant, pump.elec.covered)
    unheard = _sum_kwh(runs.elec_w, runs.cells & ~runs.heard)
    if unheard >= 5e-4:
        said.append(
            f"While its loops were not heard the compressor used {unheard:.3f} kWh; no heat is counted for them."
        )
    return said


def _electricity_working(plant: PlantDay, pump: HeatPumpDay, path: str, *, runs: _Runs) -> Working:
    total = pump.heating_elec if ".heating." in path else pump.cooling_elec
    rows, terms = [], []
    for name, cells in _groups(runs, runs.elec_w):
        used, minutes = _sum_kwh(runs.elec_w, cells), float(np.nansum(pump.is_on[cells]))
        mean = amount(used * 60_000 / minutes if minutes else 0.0, "").text
        when = name or _started(plant, pump, cells)
        rows.append((when, written(minutes, 2), mean, written(used, 3)))
        terms.append((1.0, kwh(used)))
    table = Table(
        f"Runs of the compressor by {plant.site.heat_pumps[pump.heat_pump].power}",
        ("Started", "min", "mean W", "kWh"),
        rows,
        "min ÷ 60 × mean W ÷ 1000 = kWh, of the run's minutes and the one before and after it.",
    )
    step = Step("Electricity", added(terms) if terms else "0.000 kWh", kwh(kwh_from_j(total.amount)))
    return Working(path, (), [table] if rows else [], [step], gap_remarks(plant, pump.elec.covered))


def cop_working(plant: PlantDay, pump: HeatPumpDay, path: str) -> Working:
    """Useful heat ÷ the electricity of the same time."""
    heating = ".heating." in path
    heat, cop = (pump.heating, pump.heating_cop) if heating else (pump.cooling, pump.cooling_cop)
    runs = runs_of(plant, pump, heating=heating)
    parent, what = (
        f"heat_pumps.{pump.heat_pump}.{'heating' if heating else 'cooling'}",
        "heat" if heating else "cooling",
    )
    above = kwh(kwh_from_j(heat.amount), name="Heat made" if heating else "Useful cooling", source=f"{parent}.{what}")
    below = kwh(
        _sum_kwh(runs.elec_w, runs.heard),
        name="Electricity of the time in which its loops were heard",
        source=f"{parent}.electricity",
    )
    step = Step("COP", multiplied([above], [below]), amount(cop.amount, "1"))
    tables = bins_tables(plant, pump, heating=heating)
    above_it = above_sheet(plant, plant.site.heat_pumps[pump.heat_pump], "heating" if heating else "cooling")
    said = [] if above_it is None else [above_it.sentence]
    return Working(path, [above, below], tables, [step], [*_remarks(plant, pump, runs), *said])


def _time_working(plant: PlantDay, pump: HeatPumpDay, path: str) -> Working:
    """Run hours and starts of one mode, from its runs."""
    found = exchanged(plant.site.heat_pumps[pump.heat_pump], pump, plant.loops)
    heating = ".heating." in path
    on = np.where(found.mode == (1.0 if heating else -1.0), np.nan_to_num(pump.is_on), 0.0)
    run, n_starts = _ran(pump, heating=heating)
    every = _Runs(on > 0, on > 0, found.run, found.elec_w, {})
    groups = _groups(every, every.elec_w)
    minutes = [float(on[cells].sum()) for _, cells in groups]
    rows = [
        (name or _started(plant, pump, cells), written(m, 2)) for (name, cells), m in zip(groups, minutes, strict=True)
    ]
    note = "In the minute of a start or stop, the part that its mean power tells."
    table = Table("Runs of the compressor", ("Started", "min"), rows, note)
    remarks = [*([run.why] if run.why else []), *gap_remarks(plant, pump.elec.covered)]
    if path.endswith("starts"):
        n_runs = len(np.unique(found.run[on > 0]))
        steps = [Step("Starts", f"{n_runs}", Number(float(n_runs), 0))]
        if n_runs != n_starts:
            remarks.append("The first run was under way at midnight, so it did not start today.")
            steps = [Step("Starts", f"{n_runs} − {n_runs - n_starts}", Number(float(n_starts), 0))]
        return Working(path, (), [table] if rows else [], steps, remarks)
    total = Number(sum(minutes), 2, "min")
    steps = [
        Step("Minutes", added([(1.0, Number(m, 2, "min")) for m in minutes]) if minutes else "0.00 min", total),
        Step("Run time", multiplied([total], [Number(60, 0, "min/h")]), amount(run.amount / 3600.0, "h")),
    ]
    return Working(path, (), [table] if rows else [], steps, remarks)


def _ran(pump: HeatPumpDay, *, heating: bool) -> tuple[Total, int]:
    """Its run time and starts in one mode."""
    if heating:
        return pump.heating_run, pump.n_heating_starts
    return pump.cooling_run, pump.n_cooling_starts


def _source_working(plant: PlantDay, pump: HeatPumpDay, path: str) -> Working:
    """Heat taken from the source − heat given to it, over the whole day."""
    loop = plant.loops[plant.site.heat_pumps[pump.heat_pump].source_loop]
    given = loop_working(plant, loop, path, gives=True)
    if isnan(loop.reverse.amount):  # an energy counter counts one way
        return given
    taken = loop_working(plant, loop, path, gives=False)
    heat = kwh(kwh_from_j(pump.source.amount))
    both = [(1.0, kwh(taken.value)), (-1.0, kwh(given.value))]
    step = Step("Heat from the source: taken − given", added(both), heat)
    if not given.inputs:
        last = replace(taken.steps[-1], what="Heat from the source")
        return Working(path, taken.inputs, (), [*taken.steps[:-1], last], taken.remarks)
    remarks = list(dict.fromkeys([*taken.remarks, *given.remarks]))
    inputs = [*_inputs(taken, "taken"), *_inputs(given, "given")]
    return Working(path, inputs, (), [*_named(taken, "taken"), *_named(given, "given"), step], remarks)


def _named(working: Working, which: str) -> list[Step]:
    return [Step(f"{step.what} ({which})", step.expression, step.result) for step in working.steps]


def _inputs(working: Working, which: str) -> list[Number]:
    return [replace(number, name=f"{number.name} ({which})") for number in working.inputs]
