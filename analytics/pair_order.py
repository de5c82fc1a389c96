"""
The sign that physics gives to a pair: what is heated leaves warmer, and warm water lies above cold.

Each check is the day's mean of what should be warmer minus what should be cooler, over the moments in which the sign
is beyond doubt from other evidence than the pair itself. A boiler's loop that runs for minutes only is judged while it
burns.
"""

from collections.abc import Iterator
from functools import lru_cache
from math import hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from analytics.accuracy import limit_of_error
from analytics.boiler_loop import fuel_w
from analytics.loop_warmth import gives_warmth
from analytics.pair_check import ONE_ROOM_K, PairCheck
from analytics.plant import CELL_S, MOVES_M3_S, Course, PlantDay
from analytics.site import Accuracy, HeatPump, Loop, Site, Tank

__all__ = ["is_beyond_classes", "neighbours", "order_checks", "pair_limit_k"]

_SUNNY_W_M2 = 300.0  # a running collector gains (common practice: it does from 100 to 200)
_HEATS_BELOW_DEGC = 10.0  # outdoors: below it no house is cooled
_COOLS_ABOVE_DEGC = 26.0  # outdoors: above it no house is heated
_LAYERED_K = 1.0  # beyond the limits of error: then the two heights are not the same water
_LEAST_S = 1200.0
# A boiler heats its tank in runs of some minutes. What it gives its water in them is 10 K and more (common practice).
_SHORT_S, _SHORT_K = 180.0, 5.0
_LIGHTS_CELLS = 2  # until it has lit, and what stood in its pipes has gone
_BURNS_W = 100.0
_TANK_STRIDE = 5  # a tank's layers move slowly: every fifth cell will do
_AT_DEGC = 40.0
_INVERTED_S = 7200.0  # a day: warm water below cold rises within minutes (common practice)
_HIGH_END = 0.9
_LEAST_U_K = 0.05
_EXPANDED = 2.0  # coverage factor for 95 %, GUM 6.3.3 (from memory)
_PIPE_PART = 0.15  # of a tank's warmth beside a pipe at rest, as a standard uncertainty (common practice)
_ROOM_K = 0.03  # what pipes at rest in one room may differ by, as a standard uncertainty (common practice)


def pair_limit_k(site: Site, first: str, second: str) -> float:
    """How far two sensors within their limits of error may differ. [K]"""
    return sum(_limit_k(site.points[point].accuracy, site.points[point].unit) for point in (first, second))


def is_beyond_classes(site: Site, check: PairCheck) -> bool:
    """Whether a day's difference of a pair that must read the same is more than its classes and all doubt allow."""
    doubt_k = check.rounding_k + _EXPANDED * hypot(check.u_k, _ROOM_K, *(_PIPE_PART * each for each in check.beside_k))
    is_collector = any(collector.loop == check.component for collector in site.collectors.values())
    if is_collector and check.method == "rest" and abs(check.difference_k) > ONE_ROOM_K:
        return False
    known = check.first in site.points and check.second in site.points
    return known and abs(check.difference_k) - doubt_k > pair_limit_k(site, check.first, check.second)


@lru_cache
def _limit_k(accuracy: Accuracy | None, unit: str) -> float:
    return float(limit_of_error(accuracy, _AT_DEGC, "temperature", unit=unit))


def order_checks(plant: PlantDay) -> Iterator[PairCheck]:
    """One check for each pair whose sign the day shows."""
    for loop in plant.site.loops.values():
        if loop.entering and loop.leaving and loop.id in plant.loops:
            yield from _loop(plant, loop)
    for tank in plant.site.tanks.values():
        yield from _tank(plant, tank)


def neighbours(plant: PlantDay, tank: Tank) -> list[tuple[str, str]]:
    """Neighbouring sensors of a tank, upper and lower, that both said something."""
    pairs = zip(tank.temperatures, tank.temperatures[1:], strict=False)
    return [(first, second) for first, second in pairs if first in plant.signals and second in plant.signals]


def _loop(plant: PlantDay, loop: Loop) -> Iterator[PairCheck]:
    sign = _sign(plant, loop)
    if sign is None:
        return
    day, pair = plant.loops[loop.id], (loop.entering or "", loop.leaving or "")
    moves = day.flow_m3_s > MOVES_M3_S
    counted = ((sign != 0) & moves).nonzero()[0]
    gain_k = (day.leaving_degc[counted] - day.entering_degc[counted]) * sign[counted]
    known = ~np.isnan(gain_k)
    if known.sum() * CELL_S >= _LEAST_S:
        yield from _check(loop.id, pair, gain_k[known], counted[known] * np.float64(CELL_S))
        return
    burns = fuel_w(plant, loop.id)
    if burns is not None:
        burning = _lit((burns >= _BURNS_W) & moves) & np.isfinite(day.leaving_degc - day.entering_degc)
        at = np.flatnonzero(burning)
        gain_k = day.leaving_degc[at] - day.entering_degc[at]
        if len(at) * CELL_S >= _SHORT_S and abs(float(gain_k.mean())) >= _SHORT_K:
            yield from _check(loop.id, pair, gain_k, at * np.float64(CELL_S), least_s=_SHORT_S)


def _lit(burns: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The cells of each run but its first ones. Shape as given"""
    index = np.arange(len(burns))
    rested = np.maximum.accumulate(np.where(burns, -1, index))
    return np.asarray(burns & (index - rested > _LIGHTS_CELLS))


def _check(
    component: str,
    pair: tuple[str, str],
    warmer_k: Course,
    at_s: NDArray[np.float64],
    *,
    every_s: float = CELL_S,
    least_s: float = _LEAST_S,
) -> Iterator[PairCheck]:
    """The check of samples of a difference at seconds of the day, each standing for `every_s`."""
    if len(warmer_k) * every_s < least_s:
        return
    mean_k = float(warmer_k.sum()) / len(warmer_k)
    away_k = warmer_k - mean_k
    yield PairCheck(
        component=component,
        first=pair[0],
        second=pair[1],
        method="order",
        difference_k=mean_k,
        u_k=sqrt(float(away_k @ away_k) / len(warmer_k)),
        minutes=len(warmer_k) * every_s / 60,
        start_s=float(at_s[0]),
        end_s=float(at_s[-1]) + every_s,
        wrong_part=float(np.count_nonzero(warmer_k < 0)) / len(warmer_k),
    )


def _sign(plant: PlantDay, loop: Loop) -> Course | None:
    """
    +1 where the fluid must leave warmer, -1 where colder, 0 where it is not known; None where it never is.

    A collector without a sun sensor gains where its fluid is warmer than its tank.
    """
    collector = next((c for c in plant.site.collectors.values() if c.loop == loop.id), None)
    if collector is not None:
        sun = plant.signals.get(collector.irradiance or "")
        return (gives_warmth(plant, loop) if sun is None else sun.course > _SUNNY_W_M2).astype(np.float64)
    for pump in plant.site.heat_pumps.values():
        if loop.id in (pump.source_loop, pump.load_loop, pump.desuperheater_loop) and pump.id in plant.heat_pumps:
            on = _works(plant, pump).astype(np.float64)
            return on if loop.id == pump.desuperheater_loop else _of_season(plant, pump, loop, on)
    return np.ones(len(plant.loops[loop.id].heat_w))


def _works(plant: PlantDay, pump: HeatPump) -> NDArray[np.bool_]:
    """Where the compressor runs and its load takes the heat: without that, none comes from the source either."""
    is_on = plant.heat_pumps[pump.id].is_on >= 1.0
    load = plant.loops.get(pump.load_loop or "")
    return is_on if load is None else is_on & ~(load.flow_m3_s <= MOVES_M3_S)


def _of_season(plant: PlantDay, pump: HeatPump, loop: Loop, on: Course) -> Course | None:
    """Source and load turn round between heating and cooling: told by the tank that is heated, else by the weather."""
    side = -1.0 if loop.id == pump.source_loop else 1.0
    if any(stage.loop == pump.load_loop for stage in plant.site.stages.values() if stage.loop):
        return on * side
    outdoor = next((s for c in plant.site.collectors.values() if (s := plant.signals.get(c.outdoor or ""))), None)
    if outdoor is None:
        return None
    heats = np.where(outdoor.course < _HEATS_BELOW_DEGC, 1.0, np.where(outdoor.course > _COOLS_ABOVE_DEGC, -1.0, 0.0))
    return on * side * heats


def _tank(plant: PlantDay, tank: Tank) -> Iterator[PairCheck]:
    """Neighbours of a tank while they are far apart: the upper must be the warmer one."""
    every_s = _TANK_STRIDE * CELL_S
    for first, second in neighbours(plant, tank):
        warmer_k = plant.signals[first].course[::_TANK_STRIDE] - plant.signals[second].course[::_TANK_STRIDE]
        least_k = pair_limit_k(plant.site, first, second) + _LAYERED_K
        apart = (np.abs(warmer_k) > least_k).nonzero()[0]
        yield from _check(tank.id, (first, second), warmer_k[apart], apart * np.float64(every_s), every_s=every_s)
        inverted = apart[warmer_k[apart] < 0]
        if len(inverted) * every_s >= _INVERTED_S:
            yield _inverted(tank.id, (first, second), -warmer_k[inverted], inverted * np.float64(every_s))


def _inverted(tank: str, pair: tuple[str, str], colder_k: Course, at_s: Course) -> PairCheck:
    """By how much a lower sensor read more than the one above it: layers only hide of it, so its high end counts."""
    return PairCheck(
        component=tank,
        first=pair[0],
        second=pair[1],
        method="inverted",
        difference_k=float(np.quantile(colder_k, _HIGH_END)),
        u_k=max(float(np.std(colder_k)), _LEAST_U_K),
        minutes=len(colder_k) * _TANK_STRIDE * CELL_S / 60,
        start_s=float(at_s[0]),
        end_s=float(at_s[-1]) + _TANK_STRIDE * CELL_S,
    )
