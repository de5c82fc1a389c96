"""
What proves that a level reading should have moved.

A sensor that stands still may measure something steady. It is stuck only where something beside it shows that it
should have moved: a loop's other pipe, a tank's other heights, water drawn past it after rests, a pump that stopped
and started again. What stands at nothing has modules of its own: `dry_meter` (hot water), `stuck_at_rest` (pumps and
heaters), `element_at_rest`, `counter_at_rest` (heat meters). Limits are common practice, without source, unless a line
says otherwise.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import inf
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from analytics.by_site import once_a_site
from analytics.compiled import compiled
from analytics.counter_at_rest import meters_at_rest
from analytics.dry_meter import DryMeter
from analytics.element_at_rest import elements_at_rest
from analytics.heard import Heard
from analytics.outlet_pairs import outlets
from analytics.rounding import COARSE_K, least_step
from analytics.site import HeatPump, HotWater, Loop, Site
from analytics.stuck_at_rest import rules_at_rest

__all__ = ["Heard", "StuckRule", "level_rows", "row_at", "stuck_rules"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Span = tuple[float, float]
Row = tuple[int, int]

_LOOP_S = 3 * 3600.0  # a loop's sensor, while fluid moved past it and its partner changed
_TANK_S = 8 * 3600.0  # a tank's sensor, while its neighbours changed
_LOOP_PARTNER_K = 5.0
_TANK_PARTNER_K = 8.0
_LOOP_RAN_S = 1080.0  # and that for so long in all, however short each run is
_WRONG_SIDE_K = 3.0  # two sensors' limits of error, rounding, and water that a coil is turning over
_PARTNER_STEPS = 20.0  # of a coarse sensor's own smallest steps

_WATER_S = 6 * 3600.0  # a sensor in the taps' path, while water was drawn past it after rests
_DRAWS = 3
_DRAWN_M3 = 0.02
_PAUSE_S = 1200.0  # taps closed for so long: what stands in the pipe is on its way to the room's temperature
_SWINGS_K = 8.0  # what one of its neighbours did meanwhile
_TOP_MOVES_K = 5.0  # and a tank's top, which does not cool between draws
_OWN_SWING_K = 2.0  # what itself did before
_OWN_STEPS = 10.0  # in smallest steps of its own: a coarse sensor stands still where a fine one moves

_PUMPED_S = 4 * 3600.0  # a flow or a compressor's power, while pumps stopped and started
_RESTED_S = 1800.0
_WORKED_S = 600.0
_PUMP_ON_W = 3.0
_COMPRESSOR_W = 50.0
_FROM_GROUND_K = 1.5  # fluid leaves so much colder: only a compressor does that
_TO_WATER_K = 3.0  # water leaves so much warmer
_LONGEST_STEP_S = 600.0


class StuckRule(Protocol):
    """
    How one point is judged.

    `shortest_s` is how long it must have stood; `proved_s` is when it was proved within a span of standing still that
    it should have moved (infinite where not); only rows above `above` are judged; `has_moved` is whether it is known to
    move when there is cause, by its readings outside the span, or, where the span begins with the first reading, by
    days before; a proof that needs no such past says yes.
    """

    @property
    def point(self) -> str: ...
    @property
    def shortest_s(self) -> float: ...
    @property
    def above(self) -> float: ...
    def has_moved(self, heard: Heard, span: Span, *, days_before: bool) -> bool: ...
    def proved_s(self, heard: Heard, span: Span) -> float: ...


def level_rows(rule: StuckRule, time_s: Array, value: Array) -> list[Row]:
    """First index and the one after the last of each row of equal readings that is long enough to be judged."""
    if len(value) < 3 or not _may_stand(time_s, value, 0.5 * rule.shortest_s):
        return []
    return [(start, stop) for start, stop in _level_rows(time_s, value, rule.shortest_s, rule.above).tolist()]


@compiled
def _may_stand(time_s: Array, value: Array, half_s: float) -> bool:
    """Of moments half as far apart as the shortest row, two lie in any row that is long enough."""
    at_s, before = time_s[0], np.nan
    while at_s < time_s[-1]:
        now = value[np.searchsorted(time_s, at_s, side="right") - 1]
        if now == before:
            return True
        at_s, before = at_s + half_s, now
    return False


@compiled
def _level_rows(time_s: Array, value: Array, shortest_s: float, above: float) -> NDArray[np.int64]:
    """The same as an array, shape (rows, 2)."""
    rows = np.empty((int((time_s[-1] - time_s[0]) / shortest_s) + 1, 2), np.int64)
    n_rows, start = 0, 0
    for n in range(1, len(value) + 1):
        if n < len(value) and value[n] == value[start]:
            continue
        if value[start] > above and time_s[n - 1] - time_s[start] >= shortest_s:
            rows[n_rows, 0], rows[n_rows, 1] = start, n
            n_rows += 1
        start = n
    return rows[:n_rows]


def row_at(value: Array, index: int) -> Row:
    """First index and the one after the last of the readings equal to one and unbroken around it."""
    before, after = value[index::-1] != value[index], value[index:] != value[index]
    start, stop = int(before.argmax()), int(after.argmax())
    return (index - start + 1 if start else 0), (index + stop if stop else len(value))


@dataclass(frozen=True, slots=True)
class _Beside:
    """
    `point` must not come to stand still for `shortest_s` while one of `partners` moves by `least_k`, both while
    `mover` runs. One that never moved may measure something steady.

    `row` are the sensors of a tank, top to bottom. In a tank at rest a coarse one stands still for a night beside
    others that move: it is stuck only where one above it got colder than it, or one below it warmer.
    """

    point: str
    partners: tuple[str, ...]
    mover: str | None
    shortest_s: float
    least_k: float
    above: float = -inf
    row: tuple[str, ...] = ()

    def has_moved(self, heard: Heard, span: Span, *, days_before: bool) -> bool:
        return days_before or not _begins(heard, self.point, span)

    def proved_s(self, heard: Heard, span: Span) -> float:
        ran_s = self._ran_s(heard, span)
        if ran_s == inf:
            return inf
        step_k = least_step(heard.values[self.point])
        # A sensor of coarse steps may stand still longer beside a partner that moves.
        far_k = max(self.least_k, _PARTNER_STEPS * step_k) if step_k < inf else self.least_k
        moved_s = min((self._moved_s(heard, other, span, far_k=far_k) for other in self.partners), default=inf)
        if self.row and COARSE_K <= step_k < inf:
            moved_s = max(moved_s, self._passed_s(heard, span))
        return max(moved_s, ran_s, span[0] + self.shortest_s)

    def _passed_s(self, heard: Heard, span: Span) -> float:
        """When a sensor of the row lay clearly on the wrong side of the one that stands still."""
        stands, at = heard.within(self.point, span)[1][0], self.row.index(self.point)
        found = inf
        for index, other in enumerate(self.row):
            time_s, value = heard.within(other, span)
            wrong_k = (stands - value if index < at else value - stands) if index != at else np.full(len(value), -inf)
            wrong = np.flatnonzero(wrong_k >= _WRONG_SIDE_K)
            found = min(found, float(time_s[wrong[0]])) if len(wrong) else found
        return found

    def _ran_s(self, heard: Heard, span: Span) -> float:
        """When the loop had run for long enough, short runs added up; without a mover there is nothing to ask."""
        if self.mover is None:
            return span[0]
        time_s, value = heard.within(self.mover, span)
        return _lasted_s(time_s, value > 0, _LOOP_RAN_S) if len(time_s) > 1 else inf

    def _moved_s(self, heard: Heard, point: str, span: Span, *, far_k: float) -> float:
        """When a point had gone as far as it must, while the mover ran."""
        time_s, value = heard.within(point, span)
        if self.mover is not None and len(time_s):
            runs = heard.newest(self.mover, time_s) > 0
            time_s, value = time_s[runs], value[runs]
        far = np.flatnonzero(np.maximum.accumulate(value) - np.minimum.accumulate(value) > far_k)
        return float(time_s[far[0]]) if len(far) else inf


@dataclass(frozen=True, slots=True)
class _InWater:
    """
    A sensor in the taps' path must not come to stand still while water is drawn past it again and again.

    Between draws pipes go toward the room's temperature, and its neighbours show that they did. A sensor that moves
    in coarse steps, or hardly moved before, is left alone: it may have cause to stand still. So may a coarse one behind
    a tank whose top (`source`) stays about as warm as it.
    """

    point: str
    meter: str
    is_counter: bool
    neighbours: tuple[str, ...]
    top: str | None
    source: str | None = None
    shortest_s: float = _WATER_S
    above: float = -inf

    def has_moved(self, heard: Heard, span: Span, *, days_before: bool) -> bool:
        if _begins(heard, self.point, span):
            return days_before
        value = _outside(heard, self.point, span)
        step_k = least_step(value)
        return step_k < inf and float(value.max() - value.min()) >= max(_OWN_SWING_K, _OWN_STEPS * step_k)

    def proved_s(self, heard: Heard, span: Span) -> float:
        swings = any(heard.swing(each, span) >= _SWINGS_K for each in self.neighbours)
        if not swings and (self.top is None or heard.swing(self.top, span) < _TOP_MOVES_K):
            return inf
        if self._is_like_source(heard, span):
            return inf
        return max(self._drawn_s(heard, span), span[0] + self.shortest_s)

    def _is_like_source(self, heard: Heard, span: Span) -> bool:
        """Whether a coarse sensor shows all along what its tank gives, as near as both can tell."""
        if self.source is None or not COARSE_K <= least_step(heard.values[self.point]) < inf:
            return False
        stands, gives = heard.within(self.point, span)[1][0], heard.within(self.source, span)[1]
        return len(gives) > 0 and bool((np.abs(gives - stands) < _WRONG_SIDE_K).all())

    def _drawn_s(self, heard: Heard, span: Span) -> float:
        """When enough had been drawn, in enough draws that followed a rest."""
        time_s, value = heard.within(self.meter, span)
        if len(time_s) < 2:
            return inf
        length_s = np.minimum(np.diff(time_s), _LONGEST_STEP_S)
        drawn_m3 = np.diff(value) if self.is_counter else value[1:] * length_s
        at_s, drawn_m3 = time_s[1:][drawn_m3 > 0], drawn_m3[drawn_m3 > 0]
        draws = np.cumsum(np.diff(at_s, prepend=span[0]) >= _PAUSE_S)
        enough = np.flatnonzero((draws >= _DRAWS) & (np.cumsum(drawn_m3) >= _DRAWN_M3))
        return float(at_s[enough[0]]) if len(enough) else inf


@dataclass(frozen=True, slots=True)
class _Flow:
    """A flow must not stand still above zero while its pump stops and starts."""

    point: str
    pump: str
    is_power: bool
    shortest_s: float = _PUMPED_S
    above: float = 0.0

    def has_moved(self, heard: Heard, span: Span, *, days_before: bool) -> bool:
        return days_before or not _begins(heard, self.point, span)

    def proved_s(self, heard: Heard, span: Span) -> float:
        time_s, on = heard.within(self.pump, span)
        return max(_alternated_s(time_s, on > (_PUMP_ON_W if self.is_power else 0.0)), span[0] + self.shortest_s)


@dataclass(frozen=True, slots=True)
class _Compressor:
    """
    A compressor's power must not stand still above rest while its source pump stops and starts, nor at rest while
    heat that only a compressor can move is moved: out of a colder source, or into warm water.
    """

    point: str
    source: Loop
    hot: Loop | None
    shortest_s: float = _PUMPED_S
    is_power: bool = True
    above: float = -inf

    def has_moved(self, _heard: Heard, _span: Span, *, days_before: bool) -> bool:
        return True  # a clamp that was never closed needs no past

    def proved_s(self, heard: Heard, span: Span) -> float:
        stands_w = heard.within(self.point, span)[1]
        if stands_w[0] > _COMPRESSOR_W:
            time_s, on = heard.within(self.source.pump or self.source.flow, span)
            least = _PUMP_ON_W if self.source.pump and self.is_power else 0.0
            moved_s = _alternated_s(time_s, on > least)
        else:
            moved_s = self._worked_s(heard, self.source, span, sign=-1.0, least_k=_FROM_GROUND_K)
            if self.hot is not None:
                moved_s = min(moved_s, self._worked_s(heard, self.hot, span, sign=1.0, least_k=_TO_WATER_K))
        return max(moved_s, span[0] + self.shortest_s)

    def _worked_s(self, heard: Heard, loop: Loop, span: Span, *, sign: float, least_k: float) -> float:
        """When a loop had been moving heat the compressor's way for long enough."""
        mover = loop.flow or loop.pump
        if mover is None or loop.entering is None or heard.swing(mover, span) <= 0:
            return inf  # an idle compressor's hours end here
        time_s, leaving = heard.within(loop.leaving, span)
        if len(time_s) < 2:
            return inf
        gain_k = (leaving - heard.newest(loop.entering, time_s)) * sign
        works = (gain_k >= least_k) & (heard.newest(mover, time_s) > 0)
        return _lasted_s(time_s, works, _RESTED_S)


def _begins(heard: Heard, point: str, span: Span) -> bool:
    """Whether a span begins with the first reading that is known."""
    return bool(heard.times_s[point][0] >= span[0])


def _outside(heard: Heard, point: str, span: Span) -> Array:
    """A point's believed readings before and after a span."""
    time_s, value = heard.times_s[point], heard.values[point]
    return value[((time_s < span[0]) | (time_s > span[1])) & ~np.isnan(value)]


def _lasted_s(time_s: Array, flags: Flags, least_s: float) -> float:
    """When what is flagged had lasted so long in all; infinite where it did not."""
    lasted_s = np.cumsum(np.where(flags[:-1] & flags[1:], np.minimum(np.diff(time_s), _LONGEST_STEP_S), 0.0))
    enough = np.flatnonzero(lasted_s >= least_s)
    return float(time_s[enough[0] + 1]) if len(enough) else inf


def _alternated_s(time_s: Array, on: Flags) -> float:
    """When a pump had rested and had run for long enough each; infinite where it did not."""
    if len(time_s) < 2:
        return inf
    return max(_lasted_s(time_s, ~on, _RESTED_S), _lasted_s(time_s, on, _WORKED_S))


@once_a_site
def stuck_rules(site: Site) -> Sequence[StuckRule]:
    """One rule for each sensor of which something beside it can tell; a sensor may have two."""
    return tuple(_rules(site))


def _rules(site: Site) -> Iterator[StuckRule]:
    for loop in site.loops.values():
        yield from _of_loop(site, loop)
    for tank in site.tanks.values():
        for point in tank.temperatures if len(tank.temperatures) > 1 else ():
            others = tuple(other for other in tank.temperatures if other != point)
            yield _Beside(point, others, None, _TANK_S, _TANK_PARTNER_K, row=tuple(tank.temperatures))
    if site.hot_water is not None:
        yield from _of_water(site, site.hot_water)
    for pump in site.heat_pumps.values():
        yield from _of_compressor(site, pump)
    yield from rules_at_rest(site)
    yield from meters_at_rest(site)
    yield from elements_at_rest(site)


def _of_loop(site: Site, loop: Loop) -> Iterator[StuckRule]:
    if loop.entering and loop.leaving:
        mover = loop.flow or loop.pump
        yield _Beside(loop.entering, (loop.leaving,), mover, _LOOP_S, _LOOP_PARTNER_K)
        yield _Beside(loop.leaving, (loop.entering,), mover, _LOOP_S, _LOOP_PARTNER_K)
    if loop.flow and loop.pump:
        yield _Flow(loop.flow, loop.pump, site.points[loop.pump].quantity == "power")


def _of_water(site: Site, path: HotWater) -> Iterator[StuckRule]:
    meter = path.flow or path.volume
    if meter is None:
        return
    row = [each for each in (path.cold, *path.between, path.hot, path.heated, path.mixed) if each]
    tops = [site.tanks[tank].temperatures[:1] for tank in path.tanks]
    sources = {outlet: (*site.tanks[tank].temperatures, None)[0] for tank, outlet in outlets(path)}
    is_counter = site.points[meter].sampling == "counter"
    for point in row:
        others = tuple(other for other in row if other != point)
        top = tops[-1][0] if tops and tops[-1] and point == path.hot else None
        yield _InWater(point, meter, is_counter, others, top, sources.get(point))
    warm = tuple(each for each in (path.hot, path.heated, path.mixed) if each)
    if path.cold and warm:
        yield DryMeter(meter, path.cold, warm, site.points[meter])


def _of_compressor(site: Site, pump: HeatPump) -> Iterator[StuckRule]:
    source, hot = site.loops.get(pump.source_loop), site.loops.get(pump.desuperheater_loop or "")
    if source is not None and site.points[pump.power].quantity == "power":
        is_power = bool(source.pump) and site.points[source.pump or ""].quantity == "power"
        yield _Compressor(pump.power, source, hot, is_power=is_power)
