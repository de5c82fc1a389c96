"""
Sensors that belong together, compared in the moments in which they must read the same.

Four kinds of moments: a loop's pipes after a long rest; a loop whose pump runs while its component exchanges nothing;
a tank whose water is being turned over by a coil at its bottom; hot water passing a heater that is off. Beside them,
for each pair, the sign that physics gives: what is heated leaves warmer, and warm water lies above cold.

A collector's pair at rest is compared at the end of a night, and only where the morning shows that the outlet sensor
stands indoors: the sun that drives the pump does not warm it before the pump does.

What cannot be judged here: a collector's pair at rest whose outlet sensor stands on the roof; a tank that no coil
heats from below. Limits without a source are common practice.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import ceil, hypot, inf, sqrt

import numpy as np
from numpy.typing import NDArray

from analytics.beside_tank import moments_beside
from analytics.compiled import compiled
from analytics.courses import sum_of_known
from analytics.fluids import fluid_of
from analytics.outlet_pairs import outlet_checks
from analytics.pair_check import PairCheck, PairMethod
from analytics.pair_order import neighbours, order_checks
from analytics.plant import CELL_S, MOVES_M3_S, Course, LoopDay, PlantDay
from analytics.roof_rest import roof_check
from analytics.rounding import coarse_step_k
from analytics.site import Collector, Loop, Tank

__all__ = ["check_pairs"]

Flags = NDArray[np.bool_]

_STILL_M3_S = 0.02e-3 / 60  # a meter's creep
_OFF_PART = 0.01
_REST_CELLS = 150  # pipes of a house lose what they hold in 30 to 60 minutes: three times and more
_TAIL_CELLS = 60
_LEVEL_K = 0.5  # what a pipe may still move over the tail
_DRIFT_K = 0.15  # what the difference may still move over it
_TRANSIT_CELLS = 10  # until the fluid that the pump found has passed both sensors
_CIRCULATES_CELLS = 20
_EDGE_CELLS = 2  # the mean of a cell may hold a little of what begins next
_DARK_W_M2 = 10.0
_NIGHT_DRIFT_K = 0.05  # half to half: a pipe in an attic or outdoors follows the night
_START_J_M2 = 40e3  # sun before the pump starts: by then its controller has felt a warm collector
_MORNING_J_M2 = 200e3  # sun after which a resting collector, 10 to 20 kJ/(m2 K), is warmer by 7 K and more
_WARMS_K = 0.5
_LEAST_U_K = 0.005  # rounding of what readings carry


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two courses that must read the same in some moments, and what they are called."""

    component: str
    first: str
    second: str
    first_degc: Course
    second_degc: Course
    kwh_per_k: float = 0.0


def check_pairs(plant: PlantDay) -> tuple[PairCheck, ...]:
    """What the day tells of each pair of the site, in the order of the site file; nothing where it tells nothing."""
    checks: list[PairCheck] = []
    for loop in plant.site.loops.values():
        day = plant.loops.get(loop.id)
        if day is not None and loop.entering and loop.leaving:
            checks += _loop(plant, loop, day)
    for tank in plant.site.tanks.values():
        if len(tank.temperatures) > 1:
            checks += _mixed(plant, tank)
    checks += _passing(plant)
    return _with_rounding(plant, [*checks, *order_checks(plant), *outlet_checks(plant)])


def _with_rounding(plant: PlantDay, checks: Sequence[PairCheck]) -> tuple[PairCheck, ...]:
    """The same with what coarse steps of the sensors may add to their differences."""
    points = {point for check in checks for point in (check.first, check.second)} & plant.signals.keys()
    half_k = {point: 0.5 * coarse_step_k(plant.signals[point].value) for point in points}
    return tuple(
        replace(check, rounding_k=rounding_k)
        if (rounding_k := half_k.get(check.first, 0.0) + half_k.get(check.second, 0.0))
        else check
        for check in checks
    )


def _loop(plant: PlantDay, loop: Loop, day: LoopDay) -> Iterator[PairCheck]:
    pair = _Pair(
        loop.id, loop.entering or "", loop.leaving or "", day.entering_degc, day.leaving_degc, _kwh_per_k(plant, loop)
    )
    collector = next((c for c in plant.site.collectors.values() if c.loop == loop.id), None)
    still, idle = _still(loop, day), _idle(plant, loop, collector)
    rest = None
    if still is not None and collector is None:
        rest = _rest(pair, still)
    elif still is not None and idle is not None and collector is not None:
        rest = _night(plant, pair, collector, still=still, dark=idle)
        if (roof := roof_check(plant, loop, day, collector, still & idle)) is not None:
            yield replace(roof, kwh_per_k=pair.kwh_per_k)
    if rest is not None:
        cells = slice(round(rest.start_s / CELL_S), round(rest.end_s / CELL_S))
        first_degc = round(float(np.mean(pair.first_degc[cells])), 3)
        beside_k = _beside_k(plant, pair, cells)
        pipes = (pair.first_degc, pair.second_degc)
        moments = moments_beside(plant, loop.id, pipes, still) if beside_k and still is not None else ()
        yield replace(rest, beside_k=beside_k, first_degc=first_degc, moments=moments)
    if idle is not None and (circulation := _circulation(plant, pair, day, idle=idle, collector=collector)) is not None:
        yield circulation


def _kwh_per_k(plant: PlantDay, loop: Loop) -> float:
    """Heat that one kelvin makes of the day's flow."""
    moved_m3 = sum_of_known(plant.loops[loop.id].flow_m3_s) * CELL_S
    if not moved_m3 > 0:
        return 0.0
    mix = plant.site.fluids[loop.fluid]
    return moved_m3 * fluid_of(mix.kind, mix.mass_percent).heat_j_m3k(30.0) / 3.6e6


def _still(loop: Loop, day: LoopDay) -> Flags | None:
    """Cells in which nothing moves by every sign that there is; None where there is no sign."""
    by_flow = day.flow_m3_s <= _STILL_M3_S if loop.flow else None
    by_pump = day.pump_on <= _OFF_PART if loop.pump else None
    return by_pump if by_flow is None else by_flow if by_pump is None else by_flow & by_pump


@compiled
def _longest(flags: Flags) -> tuple[int, int]:
    """First cell and the one after the last of the longest unbroken row of flagged cells, the first of such."""
    longest, start = (0, 0), 0
    for stop in range(len(flags) + 1):
        if stop < len(flags) and flags[stop]:
            continue
        if stop - start > longest[1] - longest[0]:
            longest = (start, stop)
        start = stop + 1
    return longest


def _rest(pair: _Pair, still: Flags) -> PairCheck | None:
    """The two pipes at the end of the day's longest rest, if it was long and both had become level."""
    start, stop = _longest(still)
    if stop - start < _REST_CELLS:
        return None
    tail = slice(max(start + _REST_CELLS - _TAIL_CELLS, stop - 2 * _TAIL_CELLS), stop - _EDGE_CELLS)
    return _compared(pair, tail, "rest")


def _night(plant: PlantDay, pair: _Pair, collector: Collector, *, still: Flags, dark: Flags) -> PairCheck | None:
    """A collector's two pipes at the end of the night, if both stand indoors by what the night and the morning show."""
    forenoon = len(still) // 2
    check = _rest(pair, (still & dark)[:forenoon])
    if check is None or check.u_k > _NIGHT_DRIFT_K:
        return None
    night = int(check.end_s / CELL_S)
    morning = slice(night, night + int(np.append(still[night:], False).argmin()))
    sun = plant.signals[collector.irradiance or ""].course[morning]
    if not sum_of_known(sun) * CELL_S >= (_START_J_M2 if morning.stop < len(still) else _MORNING_J_M2):
        return None
    leaving_degc = pair.second_degc[morning]
    return check if abs(float(leaving_degc[-_EDGE_CELLS] - leaving_degc[0])) <= _WARMS_K else None


def _beside_k(plant: PlantDay, pair: _Pair, cells: slice) -> tuple[float, ...]:
    """How much warmer a tank's water was at the loop's two ports than the cooler pipe; empty where not known."""
    stage = next((each for each in plant.site.stages.values() if each.loop == pair.component and each.tank), None)
    tank = None if stage is None else plant.tanks.get(stage.tank or "")
    if stage is None or tank is None or not len(tank.sensors_degc):
        return ()
    pipe_degc = min(float(np.mean(course[cells])) for course in (pair.first_degc, pair.second_degc))
    row_degc = tank.sensors_degc[:, cells].mean(axis=1)[::-1]
    heights = (np.arange(len(row_degc)) + 0.5) / len(row_degc)
    low, high = stage.height
    # Of a loop without a coil only the level is told at which its water comes back: it is taken from the bottom.
    warmer_k = np.interp((high, low if low < high else 0.0), heights, row_degc) - pipe_degc
    return tuple(warmer_k.tolist()) if np.isfinite(warmer_k).all() else ()


def _compared(pair: _Pair, cells: slice, method: PairMethod, *, expected_k: float = 0.0) -> PairCheck | None:
    """Mean difference over some cells less what is expected; its doubt is how much it moved from half to half."""
    halves = [_halves(course[cells]) for course in (pair.first_degc, pair.second_degc)]
    (first_early, first_late), (second_early, second_late) = halves
    early_k, late_k = second_early - first_early, second_late - first_late
    drift_k = abs(late_k - early_k)
    moved_k = max(abs(late - early) for early, late in halves)
    if not (moved_k <= _LEVEL_K and drift_k <= _DRIFT_K):  # nor where one is not known
        return None
    return PairCheck(
        component=pair.component,
        first=pair.first,
        second=pair.second,
        method=method,
        # Of a rest the second half: the pipes are levelling still.
        difference_k=(late_k if method == "rest" else (early_k + late_k) / 2) - expected_k,
        u_k=hypot(drift_k, 0.3 * expected_k, _LEAST_U_K),
        minutes=(cells.stop - cells.start) * CELL_S / 60,
        start_s=cells.start * CELL_S,
        end_s=cells.stop * CELL_S,
        kwh_per_k=pair.kwh_per_k,
    )


def _halves(course: Course) -> tuple[float, float]:
    """Means of the first and of the second half."""
    half = len(course) // 2
    early, late = (float(np.add.reduce(part)) for part in (course[:half], course[half:]))
    return early / half, late / (len(course) - half)


def _idle(plant: PlantDay, loop: Loop, collector: Collector | None) -> Flags | None:
    """Cells in which the loop's component can neither give nor take heat, as far as that is known."""
    for pump in plant.site.heat_pumps.values():
        if loop.id in (pump.source_loop, pump.load_loop, pump.desuperheater_loop) and pump.id in plant.heat_pumps:
            return np.asarray(plant.heat_pumps[pump.id].is_on <= 0)
    sun = plant.signals.get(collector.irradiance) if collector is not None and collector.irradiance else None
    return None if sun is None else np.asarray(sun.course < _DARK_W_M2)


def _circulation(
    plant: PlantDay, pair: _Pair, day: LoopDay, *, idle: Flags, collector: Collector | None
) -> PairCheck | None:
    """The longest time for which fluid moved without heat exchange, once it had passed both sensors."""
    start, stop = _longest((day.flow_m3_s > MOVES_M3_S) & idle)
    if stop - start < _CIRCULATES_CELLS:
        return None
    cells = slice(start + _TRANSIT_CELLS, stop - _EDGE_CELLS)
    expected_k = 0.0 if collector is None else _lost_k(plant, pair, cells, collector=collector)
    # A dark collector cools what passes it; where that is more than half a kelvin, it is no quiet moment.
    return _compared(pair, cells, "circulation", expected_k=expected_k) if abs(expected_k) <= 0.5 else None


def _lost_k(plant: PlantDay, pair: _Pair, cells: slice, *, collector: Collector) -> float:
    """What a dark collector's own loss takes from the fluid that passes (ISO 9806); infinite where not known. [K]"""
    outdoor = plant.signals.get(collector.outdoor) if collector.outdoor else None
    moved_m3 = sum_of_known(plant.loops[pair.component].flow_m3_s) * CELL_S
    if outdoor is None or collector.a1 is None or not moved_m3 > 0:
        return inf
    excess_k = float(np.mean(pair.first_degc[cells] - outdoor.course[cells]))
    loss_w = collector.area_m2 * (collector.a1 + (collector.a2 or 0.0) * abs(excess_k)) * excess_k
    flow_m3_s = float(np.mean(plant.loops[pair.component].flow_m3_s[cells]))
    return -loss_w / (flow_m3_s * pair.kwh_per_k * 3.6e6 / moved_m3)


# A tank's cells are taken in blocks, windows are half an hour of them.
_BLOCK, _WINDOW = 5, 6
_PER_HOUR = 3600.0 / (_WINDOW * _BLOCK * CELL_S)
_BOTTOM_COIL = 0.35  # a coil that ends here heats from below
_COIL_W = 200.0
_NOTHING_W = 50.0
_RISES_K_H = 1.0
_EQUAL_PART, _EQUAL_K_H = 0.15, 0.15
_LEAST_WINDOWS = 4
_MIXED_SPREAD_K = 0.15


def _mixed(plant: PlantDay, tank: Tank) -> Iterator[PairCheck]:
    """
    Neighbours in a tank while a coil below turns its water over.

    Both rise at the same rate then, and only then: water lying in layers does not warm from above and below at once.
    """
    quiet = _turned_over(plant, tank)
    if quiet is None or not quiet.any():
        return
    for first, second in neighbours(plant, tank):
        upper_degc, lower_degc = (_blocks(plant.signals[point].course) for point in (first, second))
        above, below = ((degc[_WINDOW:] - degc[:-_WINDOW]) * _PER_HOUR for degc in (upper_degc, lower_degc))
        least = np.minimum(above, below)
        equal = quiet & (least > _RISES_K_H) & (np.abs(above - below) < _EQUAL_PART * least + _EQUAL_K_H)
        at = np.flatnonzero(equal)
        if len(at) < _LEAST_WINDOWS:
            continue
        difference = (lower_degc - upper_degc)[_WINDOW // 2 + at]
        spread_k = _scatter_k(difference)
        if spread_k < _MIXED_SPREAD_K:
            start, stop = _longest(equal)
            yield PairCheck(
                component=tank.id,
                first=first,
                second=second,
                method="mixed",
                difference_k=_median(difference),
                u_k=float(hypot(spread_k / sqrt(max(len(at) / _WINDOW, 1.0)), _LEAST_U_K)),
                minutes=len(at) * _BLOCK * CELL_S / 60,
                start_s=start * _BLOCK * CELL_S,
                end_s=(stop + _WINDOW) * _BLOCK * CELL_S,
            )


def _blocks(course: Course) -> Course:
    return np.asarray(np.add.reduce(course.reshape(-1, _BLOCK), axis=1) / _BLOCK)


def _turned_over(plant: PlantDay, tank: Tank) -> Flags | None:
    """Windows in which a coil at the bottom heats all the time, nothing else does, and no water is drawn."""
    if plant.hot_water is None or len(plant.hot_water.flow_m3_s) % _BLOCK:
        return None
    calm: Flags | None = None
    others = plant.hot_water.flow_m3_s <= _STILL_M3_S
    for stage in plant.site.stages.values():
        if stage.tank != tank.id:
            continue
        heat_w = _heat_w(plant, stage.loop, stage.heater)
        if stage.loop and stage.height[1] <= _BOTTOM_COIL:
            calm = heat_w > _COIL_W if calm is None else calm | (heat_w > _COIL_W)
        else:
            others &= ~(heat_w > _NOTHING_W)
    if calm is None:
        return None
    blocks = (calm & others).reshape(-1, _BLOCK).all(axis=1)
    counted = np.concatenate(([0], np.cumsum(blocks)))
    return np.asarray(counted[_WINDOW + 1 :] - counted[1:-_WINDOW] == _WINDOW)


def _heat_w(plant: PlantDay, loop: str | None, heater: str | None) -> Course:
    if loop is not None:
        return plant.loops[loop].heat_w
    return plant.heaters[heater or ""].input_w


_OPENING, _CLOSING = 2, 1  # cells of a draw that are left out
_LEAST_DRAWN = 3


def _passing(plant: PlantDay) -> Iterator[PairCheck]:
    """Water before and after a heater in passing, while it is off."""
    water, path = plant.hot_water, plant.site.hot_water
    heater = next((s.heater for s in plant.site.stages.values() if s.heater and s.tank is None), None)
    if water is None or path is None or not path.hot or not path.heated:
        return
    if heater is None or heater not in plant.heaters:
        return
    calm = (water.flow_m3_s > MOVES_M3_S) & (plant.heaters[heater].input_w <= 1.0)
    blurred = _blurred_cells(plant, path.flow or path.volume or "", (path.hot, path.heated))
    inside = _all_around(calm, before=_OPENING + blurred, after=_CLOSING + blurred)
    difference = (water.heated_degc - water.hot_degc)[inside]
    difference = difference[~np.isnan(difference)]
    if len(difference) < _LEAST_DRAWN:
        return
    start, stop = _longest(inside)
    moved_m3 = sum_of_known(water.flow_m3_s) * CELL_S
    yield PairCheck(
        component="hot_water",
        first=path.hot,
        second=path.heated,
        method="circulation",
        difference_k=_median(difference),
        u_k=hypot(_scatter_k(difference) / sqrt(len(difference)), _LEAST_U_K),
        minutes=len(difference) * CELL_S / 60,
        start_s=start * CELL_S,
        end_s=stop * CELL_S,
        kwh_per_k=moved_m3 * 4.12e6 / 3.6e6,  # water at 50 degC: 988 kg/m3 x 4.18 kJ/(kg K)
    )


def _blurred_cells(plant: PlantDay, meter: str, sensors: Sequence[str]) -> int:
    """How many cells more at each end of a draw may not be all of it, where means of many cells tell of it."""
    return _cells_beyond(plant, meter) + max(_cells_beyond(plant, sensor) for sensor in sensors)


def _cells_beyond(plant: PlantDay, point: str) -> int:
    """By how many cells a point's mean is longer than one; 0 for readings of a moment."""
    each = plant.site.points[point]
    return ceil(each.interval_s / CELL_S) - 1 if each.sampling == "mean" else 0


def _all_around(flags: Flags, *, before: int, after: int) -> Flags:
    """Cells that are flagged as so many before and behind them are. Shape as given"""
    counted = np.concatenate(([0], np.cumsum(flags)))
    width = before + 1 + after
    around = np.zeros(len(flags), bool)
    around[before : len(flags) - after] = counted[width:] - counted[:-width] == width
    return around


def _median(values: Course) -> float:
    ordered, n = np.sort(values), len(values)
    return float(ordered[(n - 1) // 2] + ordered[n // 2]) / 2


def _scatter_k(difference_k: Course) -> float:
    """Standard deviation by the median of the distances, which a minute in which the heater came on does not move."""
    return 1.4826 * _median(np.abs(difference_k - _median(difference_k)))
