"""
The water's path: what the taps took, draw by draw, and what leaves each tank with the water.

All heat is above the cold water that enters. The mass that passes is the same everywhere on the path; it is metered
once, in the cold feed or behind the mixing valve.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import isnan, nan

import numpy as np
from numpy.typing import NDArray

from analytics.count_step import hidden_by_steps
from analytics.courses import mean_of_known, unknown_as_none
from analytics.derived import quotient, root_of_squares, spread, stated, times_amount
from analytics.doubt import GAPS, NO_DOUBT, Doubt, combined, from_limit
from analytics.draws_missed import draw_begins, missed_m3, untold_doubt, untold_part
from analytics.figures import Basis
from analytics.fluids import water
from analytics.frame import DayFrame, relative_limit, temperature_limit_k, to_course
from analytics.moving_fluid import tap_temperatures, tap_temperatures_at_instants
from analytics.plant import Draw, HotWaterDay, Signal, Total, not_known
from analytics.segments import Pieces, cells_of, covered_cells, gap_amount, sum_over
from analytics.site import HotWater, Site
from analytics.slow_answer import late_k
from analytics.unheard import of_taps

__all__ = ["Passage", "meter_hot_water", "water_passed"]

Array = NDArray[np.float64]

_LONGEST_DRAW_S = 900.0  # a tap that stood open as a gap began was shut by then; common practice
_USUAL_J_M3 = 1.7e8  # warmed by 40 K; common practice
_ASSUMED_COLD_DEGC = 10.0  # where no cold sensor is installed: the EU tapping cycles' cold water, Reg. (EU) 812/2013
_U_ASSUMED_COLD_K = 3.0
_U_STAND_IN_K = 1.5  # a tank's top sensor in place of its outlet; common practice
_LOST_PART = 0.005  # of the water, from which a figure says that it lacks it
_U_WATER = 0.002
_CAPACITY_J_KG_K = 4180.0  # for doubts only


@dataclass(frozen=True)
class _Spot:
    """Temperature of the moving water at one spot, at both ends of each moving piece, and its doubt by source [K]."""

    first: Array
    last: Array
    u_k: Mapping[str, float]
    basis: Basis = "measured"
    why: str = ""

    @cached_property
    def mean(self) -> Array:
        return 0.5 * (self.first + self.last)

    @cached_property
    def enthalpy(self) -> Array:
        """Mean of both ends. [J/kg]"""
        return 0.5 * (water().enthalpy(self.first) + water().enthalpy(self.last))


@dataclass(frozen=True, slots=True)
class _Path:
    """The moving pieces: metered volume and mass, and the mass through the tanks (less where cold is mixed in)."""

    pieces: Pieces
    volume_m3: Array
    metered_kg: Array
    mass_kg: Array
    sampling: str


def meter_hot_water(site: Site, signals: Mapping[str, Signal], *, frame: DayFrame) -> HotWaterDay | None:
    """The path's day, None where the site has no hot-water table."""
    path = site.hot_water
    if path is None:
        return None
    meter = signals.get(path.flow or path.volume or "")
    if meter is None or len(meter.time_s) == 0:
        return _unmetered(path, signals, frame=frame)
    pieces = frame.pieces(meter)
    covered = pieces.covered(meter.max_gap_s)
    volume = np.where(covered | (meter.point.sampling == "counter"), pieces.amount, 0.0)
    moving = volume > 0
    run = pieces.only(moving)
    spots = _spots(site, path, signals, run=run, sampling=meter.point.sampling)
    water = _path(path, run, volume[moving], spots=spots, meter=meter)
    return _account(
        site,
        path,
        water,
        spots,
        meter=meter,
        frame=frame,
        signals=signals,
        covered=covered,
        all_pieces=pieces,
    )


def _sensors(path: HotWater, signals: Mapping[str, Signal]) -> Mapping[str, Signal]:
    named = {place: getattr(path, place) for place in ("cold", "hot", "heated", "mixed")}
    return {place: signals[point] for place, point in named.items() if point in signals}


def _unmetered(path: HotWater, signals: Mapping[str, Signal], *, frame: DayFrame) -> HotWaterDay:
    named = path.flow or path.volume
    why = f"{named} gave no usable reading." if named else "There is no flow or volume meter in the water's path."
    unknown = not_known(why)
    return HotWaterDay(
        flow_m3_s=frame.unknown(),
        sensors=_sensors(path, signals),
        heat_w=frame.unknown(),
        draws=(),
        volume=unknown,
        heat=unknown,
    )


def _spot(signal: Signal | None, run: Pieces, *, sampling: str, is_warmed: bool = True) -> _Spot | None:
    """The moving water's temperature by a sensor, which draws warm or cool; None where it is silent."""
    if signal is None or len(signal.time_s) == 0:
        return None
    temperatures = tap_temperatures_at_instants if sampling == "instant" else tap_temperatures
    first, last = temperatures(signal, run)
    u_k = {signal.point.id: from_limit(temperature_limit_k(signal, mean_of_known(first, otherwise=signal.mean)))}
    slow_k = late_k(signal, run, 0.5 * (first + last)) if is_warmed else 0.0
    if slow_k > 0:
        u_k[f"slow answer of {signal.point.id}"] = from_limit(stated(slow_k, "K"))
    return _Spot(first, last, u_k)


def _spots(
    site: Site, path: HotWater, signals: Mapping[str, Signal], *, run: Pieces, sampling: str
) -> dict[str, _Spot | None]:
    """Temperatures along the path: "cold", each tank's id, "heated", "mixed"."""
    level = np.full(len(run.start_s), _ASSUMED_COLD_DEGC)
    why = f"There is no cold-water sensor; {_ASSUMED_COLD_DEGC:g} degC is assumed."
    cold = _Spot(level, level, {"assumed cold water": stated(_U_ASSUMED_COLD_K, "K")}, "estimated", why)
    spots: dict[str, _Spot | None] = {
        "cold": _spot(signals.get(path.cold or ""), run, sampling=sampling, is_warmed=False) or cold
    }
    outlets = [*path.between[: max(len(path.tanks) - 1, 0)]]
    outlets += [""] * (len(path.tanks) - 1 - len(outlets)) + [path.hot or ""]
    for tank, outlet in zip(path.tanks, outlets, strict=False):
        spots[tank] = _spot(signals.get(outlet), run, sampling=sampling) or _top_of(site, tank, signals, run=run)
    for name, point in (("heated", path.heated), ("mixed", path.mixed)):
        spots[name] = _spot(signals.get(point or ""), run, sampling=sampling)
    if not path.tanks:
        spots["hot"] = _spot(signals.get(path.hot or ""), run, sampling=sampling)
    return spots


def _top_of(site: Site, tank: str, signals: Mapping[str, Signal], *, run: Pieces) -> _Spot | None:
    for point in site.tanks[tank].temperatures[:1]:
        spot = _spot(signals.get(point), run, sampling="instant", is_warmed=False)
        if spot is not None:
            why = f"No sensor stands where the water leaves {tank}; its top sensor stands in."
            u_k = {**spot.u_k, f"top of {tank} for its outlet": stated(_U_STAND_IN_K, "K")}
            return _Spot(spot.first, spot.last, u_k, "estimated", why)
    return None


def _last_spot(path: HotWater, spots: Mapping[str, _Spot | None]) -> _Spot | None:
    """Where the hot-water heat is taken: heated, else the last tank's outlet, else mixed."""
    outlet = spots.get(path.tanks[-1]) if path.tanks else spots.get("hot")
    by_sensor = outlet if outlet and outlet.basis == "measured" else None
    # Behind the valve more water passes than through the tanks, so its temperature goes with a meter that sees it all.
    sees_all = path.flow_at == "mixed" or not (path.hot or path.heated)
    return spots["heated"] or by_sensor or (spots["mixed"] if sees_all else None) or outlet


def _path(path: HotWater, run: Pieces, volume_m3: Array, *, spots: Mapping[str, _Spot | None], meter: Signal) -> _Path:
    # Of what a counter counted over a long gap nobody knows how warm it was.
    heard_m3 = np.where(run.covered(meter.max_gap_s), volume_m3, nan)
    cold, mixed = spots["cold"], spots["mixed"]
    hot = spots["heated"] or (spots.get(path.tanks[-1]) if path.tanks else spots.get("hot"))
    if path.flow_at == "mixed" and mixed is not None and cold is not None:
        mass = metered = heard_m3 * water().density(mixed.mean)
        if hot is not None:
            # Hot and cold make the mixed water: its heat above cold is all in the hot part.
            rise = water().enthalpy(hot.mean) - water().enthalpy(cold.mean)
            share = (water().enthalpy(mixed.mean) - water().enthalpy(cold.mean)) / np.where(rise > 0, rise, nan)
            mass = mass * np.clip(share, 0.0, 1.0)
        return _Path(run, volume_m3, metered, mass, meter.point.sampling)
    density_at = cold.mean if cold is not None else np.full(len(volume_m3), _ASSUMED_COLD_DEGC)
    mass = heard_m3 * water().density(density_at)
    return _Path(run, volume_m3, mass, mass, meter.point.sampling)


def _heat_above_cold(mass_kg: Array, spot: _Spot | None, cold: _Spot | None) -> Array:
    if spot is None or cold is None:
        return np.full(len(mass_kg), nan)
    return np.asarray(mass_kg * (spot.enthalpy - cold.enthalpy))


def _account(
    site: Site,
    path: HotWater,
    water: _Path,
    spots: Mapping[str, _Spot | None],
    *,
    meter: Signal,
    frame: DayFrame,
    signals: Mapping[str, Signal],
    covered: NDArray[np.bool_],
    all_pieces: Pieces,
) -> HotWaterDay:
    last, cold = _last_spot(path, spots), spots["cold"]
    is_mixed = last is not None and last is spots["mixed"]
    heat = _heat_above_cold(water.metered_kg if is_mixed else water.mass_kg, last, cold)
    outlets = [(water.mass_kg, spots[tank]) for tank in path.tanks]
    if outlets and is_mixed:
        outlets[-1] = (water.metered_kg, last)  # what the valve passes on, the last tank has given
    leaving = [heat if spot is last else _heat_above_cold(mass_kg, spot, cold) for mass_kg, spot in outlets]
    before = leaving[-1] if leaving else np.zeros(len(heat))
    passing = np.maximum(heat - before, 0.0) if spots["heated"] is not None else np.zeros(len(heat))
    cells = _by_cells(water.pieces, (water.volume_m3, heat, passing, *leaving), frame)
    for index, (_, spot) in enumerate(outlets):
        if spot is None:
            cells[3 + index] = nan
    known_s = covered_cells(all_pieces, covered, frame.edges_s)
    part = sum_over(all_pieces.length_s, covered) / frame.until_s
    heard = covered | (meter.point.sampling == "counter")  # it counts through gaps
    hidden_m3 = gap_amount(all_pieces, heard, end_s=frame.until_s, longest_s=_LONGEST_DRAW_S, at_most=of_taps())
    heard_part = sum_over(all_pieces.length_s, heard) / frame.until_s
    volume = _volume_total(meter, water, part, hidden_m3=hidden_m3, heard_part=heard_part)
    each = zip(outlets, leaving, strict=True)
    moved = [_moved_doubt(volume, mass_kg, heat_j, spot=spot, cold=cold) for (mass_kg, spot), heat_j in each]
    untold = [untold_doubt(meter.point.id, water.volume_m3, heat_j) for heat_j in leaving]
    left = [combined([(1.0, one), (1.0, other)]) for one, other in zip(moved, untold, strict=True)]
    total = _heat_total(meter, water, heat, last=last, cold=cold, volume=volume)
    return HotWaterDay(
        flow_m3_s=to_course(cells[0], known_s),
        sensors=_sensors(path, signals),
        heat_w=to_course(cells[1], known_s),
        draws=_draws(water, heat, last=last, cold=cold),
        volume=volume,
        heat=total if is_mixed else _told_without(total, site, path),
        leaving_j=cells[3:],
        leaving_doubt=left,
        passing_j=cells[2],
    )


def _by_cells(pieces: Pieces, amounts: Sequence[Array], frame: DayFrame) -> Array:
    """Amounts per piece by cells, what is not known as none; one that comes twice is spread once. (amounts, cells)"""
    once = {id(each): each for each in amounts}
    places = dict(zip(once, range(len(once)), strict=True))
    cells = cells_of(pieces, unknown_as_none(np.array(list(once.values()))), frame.edges_s)
    return cells[[places[id(each)] for each in amounts]]


def _volume_total(meter: Signal, water: _Path, part: float, *, hidden_m3: float, heard_part: float) -> Total:
    """The day's volume; `hidden_m3` is what gaps can have hidden of draws that stood open at their edges."""
    total = float(water.volume_m3.sum())
    typical = total if meter.point.quantity == "volume" else float(np.max(water.pieces.first, initial=0.0))
    if heard_part == 0:
        return not_known(f"{meter.point.id} gave no usable reading.")
    steady = {meter.point.id: from_limit(total * relative_limit(meter, typical))}
    passing = {f"{GAPS} of {meter.point.id}": missed_m3(water.pieces, water.volume_m3, hidden_m3, part=heard_part)}
    if meter.point.sampling == "instant":
        # A tap may have been opened or shut at any moment between two readings.
        changed_m3 = water.pieces.length_s * (water.pieces.last - water.pieces.first)
        passing[f"moments of {meter.point.id}"] = spread(changed_m3)
    is_counter = meter.point.sampling == "counter"
    ends = {f"whole steps of {meter.point.id}": root_of_squares(hidden_by_steps(meter))} if is_counter else {}
    return Total(total, Doubt(steady, passing, ends), part)


def _heat_total(
    meter: Signal, water: _Path, heat: Array, *, last: _Spot | None, cold: _Spot | None, volume: Total
) -> Total:
    if last is None or cold is None:
        return not_known("No sensor says how hot the water leaves.")
    part = volume.covered
    known = ~np.isnan(heat)
    total, lost = float(heat[known].sum()), untold_part(water.volume_m3, heat)
    covered = part * (1.0 - lost)
    if part == 0 or (len(heat) and not known.any()):
        return not_known("Its sensors gave no usable readings together.")
    moved = _moved_doubt(volume, water.metered_kg, heat, spot=last, cold=cold)
    doubt = combined([(1.0, moved), (1.0, untold_doubt(meter.point.id, water.volume_m3, heat))])
    stand_ins = [spot for spot in (last, cold) if spot.basis == "estimated"]
    if stand_ins:
        return Total(total, doubt, covered, "estimated", " ".join(spot.why for spot in stand_ins))
    why = f"{lost:.0%} of the water passed while its temperatures were not known." if lost > _LOST_PART else ""
    return Total(total, doubt, covered, "measured", why)


def _told_without(total: Total, site: Site, path: HotWater) -> Total:
    """Says that what a heater in passing adds is not in the heat, where no sensor stands behind it."""
    after = [stage.name or stage.id for stage in site.stages.values() if stage.tank is None]
    if not after or path.heated or isnan(total.amount):
        return total
    left = f"What {' and '.join(after)} adds in passing is not in it: no sensor stands after it (hot_water.heated)."
    return replace(total, why=f"{total.why} {left}".strip())


def _moved_doubt(volume: Total, mass_kg: Array, heat: Array, *, spot: _Spot | None, cold: _Spot | None) -> Doubt:
    """Doubt of a heat above cold water that passed a spot: the meter's, the two temperatures', the water's. [J]"""
    if spot is None or cold is None:
        return NO_DOUBT
    if not volume.amount > 0:
        return volume.doubt.of_gaps().times(quotient(_USUAL_J_M3, 1.0, "Heat of a usual m3 of hot water"))
    known = ~np.isnan(heat)
    total = sum_over(heat, known)
    return combined(
        [(total / volume.amount, volume.doubt), (1.0, _rise_doubt(mass_kg[known], total, known, last=spot, cold=cold))]
    )


def _rise_doubt(mass_kg: Array, total_j: float, known: NDArray[np.bool_], *, last: _Spot, cold: _Spot) -> Doubt:
    j_per_k = mass_kg * _CAPACITY_J_KG_K
    total_kg = float(mass_kg.sum())
    steady = {"properties of water": total_j * stated(_U_WATER)}
    for sign, spot in ((1.0, last), (-1.0, cold)):
        for source, u_k in spot.u_k.items():
            steady[source] = steady.get(source, 0.0) + times_amount(u_k, sign * total_kg, "kg") * _CAPACITY_J_KG_K
    # The sensors are read at the ends of a piece; within it the water may have been as the one or as the other.
    steps = [j_per_k * (spot.last - spot.first)[known] for spot in (last, cold)]
    return Doubt(steady, {"moments of the hot water": spread(*steps)})


def _draws(water: _Path, heat: Array, *, last: _Spot | None, cold: _Spot | None) -> Sequence[Draw]:
    pieces = water.pieces
    begins = draw_begins(pieces)
    if len(begins) == 0:
        return ()
    ends = np.concatenate((begins[1:], [len(pieces.start_s)])) - 1
    volume = np.add.reduceat(water.volume_m3, begins)
    heats = np.add.reduceat(unknown_as_none(heat), begins)
    degc = [
        np.add.reduceat(water.volume_m3 * spot.mean, begins) / volume if spot else np.full(len(begins), nan)
        for spot in (cold, last)
    ]
    columns = (pieces.start_s[begins], pieces.end_s[ends], volume, *degc, heats)
    return tuple(map(Draw, *(column.tolist() for column in columns)))


@dataclass(frozen=True, slots=True)
class Passage:
    """
    The water that moved, piece by piece: what the figures of a day can be worked out from again.

    Args:
        spot: Where the day's heat is taken: a tank's id for its outlet, "hot", "heated" or "mixed".
        kg: By spot, what passes it. Each of shape (pieces,)
        degc: By spot, and of "cold": mean temperature of each piece.
        heat_j: By spot: heat above cold water that passes it, NaN where a temperature is not known.
        draws: Index of the piece with which each draw begins.
    """

    spot: str
    pieces: Pieces
    volume_m3: Array
    kg: Mapping[str, Array]
    degc: Mapping[str, Array]
    heat_j: Mapping[str, Array]
    draws: NDArray[np.intp]


def water_passed(site: Site, signals: Mapping[str, Signal], *, frame: DayFrame) -> Passage | None:
    """The day's moved water; None where no meter tells."""
    path = site.hot_water
    meter = signals.get(path.flow or path.volume or "") if path is not None else None
    if path is None or meter is None or len(meter.time_s) == 0:
        return None
    pieces = frame.pieces(meter)
    volume = np.where(pieces.covered(meter.max_gap_s) | (meter.point.sampling == "counter"), pieces.amount, 0.0)
    run = pieces.only(volume > 0)
    spots = _spots(site, path, signals, run=run, sampling=meter.point.sampling)
    water = _path(path, run, volume[volume > 0], spots=spots, meter=meter)
    last, cold = _last_spot(path, spots), spots["cold"]
    known = {name: spot for name, spot in spots.items() if spot is not None}
    at = next((name for name, spot in known.items() if spot is last), "")
    kg = {name: water.metered_kg if name == "mixed" else water.mass_kg for name in known}
    return Passage(
        at,
        run,
        water.volume_m3,
        kg,
        {name: spot.mean for name, spot in known.items()},
        {name: _heat_above_cold(kg[name], spot, cold) for name, spot in known.items() if name != "cold"},
        draw_begins(run),
    )
