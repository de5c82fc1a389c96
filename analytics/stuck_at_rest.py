"""
What proves that a pump or a heater works although its power or status stands at rest.

A clamp that is not closed and a contact that was never wired show nothing, from a house's first day on; then the
electricity, and what the heat cost, would be too low without a word. The water tells: fluid that starts and stops of
itself as a pump makes it, water that leaves a heater warmer than it entered, a boiler's loop that gives heat. Limits
are common practice, without source, unless a line says otherwise.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import NDArray

from analytics.boiler_loop import boiler_behind
from analytics.heard import Heard
from analytics.inputs import is_running
from analytics.plant import MOVES_M3_S
from analytics.site import Heater, HotWater, Loop, Point, Site

__all__ = ["HeaterAtRest", "PumpAtRest", "rules_at_rest"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Span = tuple[float, float]

_REST_S = 4 * 3600.0
_STARTS = 4
_STILL_S = 600.0  # before a start; fluid that warmth alone moves comes and goes slowly
_START_S = 150.0  # from still to most of the day's flow
_MOST = 0.5
_WARMER_K = 5.0  # beyond two sensors' limits of error and what a pipe gains
_SETTLED_S = 60.0  # of a draw, or a run: the pipes hold its water
_DRAWN_S = 240.0  # of such draws in all; late in each, water as warm as it entered has reached the sensor behind
_RAN_S = 900.0  # of runs in all
_COMPRESSOR_W = 100.0
# With less, a collector 10 K warmer than the air loses all it takes up (3.5 W/(m2 K) of 0.75 x 50 W/m2).
_WARMS_W_M2 = 50.0
_LONGEST_STEP_S = 300.0
_FRESH_S = 900.0  # gateways that speak on change repeat a value at least so often


@dataclass(frozen=True, slots=True)
class PumpAtRest:
    """
    A pump must not be said to rest while its loop's meter tells of start after start, or of fluid that moves while the
    compressor or the boiler works (`drives`) that needs it.

    Not this: fluid that warmth alone moves, as through a check valve that leaks, by fits and starts through a cold
    collector: without `sun` nothing calls its pump; a pump that rests while another one, elsewhere, drives the loop all
    day.
    """

    pump: Point
    loop: Loop
    drives: tuple[Point, ...] = ()
    sun: str | None = None
    shortest_s: float = _REST_S
    above: float = -inf

    @property
    def point(self) -> str:
        return self.pump.id

    def has_moved(self, _heard: Heard, _span: Span, *, days_before: bool) -> bool:
        return True

    def proved_s(self, heard: Heard, span: Span) -> float:
        time_s, flow = heard.within(self.loop.flow, span)
        if len(flow) < 2 or flow.max() <= MOVES_M3_S or _works(self.pump, heard, span, self.loop.pump_power_w):
            return inf
        return max(
            min(self._started_s(heard, time_s, flow), self._driven_s(heard, time_s, flow)), span[0] + self.shortest_s
        )

    def _started_s(self, heard: Heard, time_s: Array, flow: Array) -> float:
        """When the fluid had started often enough."""
        high = flow >= _MOST * flow.max()
        moves = flow > MOVES_M3_S
        up = np.flatnonzero(high[1:] & ~high[:-1]) + 1
        if self.sun is not None:
            up = up[_fresh(heard, self.sun, time_s[up]) >= _WARMS_W_M2]
        starts = [float(time_s[at]) for at in up if _is_start(time_s, moves, at=int(at))]
        return starts[_STARTS - 1] if len(starts) >= _STARTS else inf

    def _driven_s(self, heard: Heard, time_s: Array, flow: Array) -> float:
        """When the fluid had moved with what needs it for long enough, and not more often without it."""
        moves, found = flow > MOVES_M3_S, inf
        for drive in self.drives:
            works = _is_on(heard, drive, time_s)
            if np.count_nonzero(moves & works) > np.count_nonzero(moves & ~works):
                found = min(found, _lasted_s(time_s, moves & works, _RAN_S))
        return found


def _is_on(heard: Heard, drive: Point, time_s: Array) -> Flags:
    value = _fresh(heard, drive.id, time_s)
    return np.asarray(value > (_COMPRESSOR_W if drive.quantity == "power" else 0.5))


def _is_start(time_s: Array, moves: Flags, *, at: int) -> bool:
    """Whether the fluid stood still for a while until shortly before a reading."""
    before = (time_s >= time_s[at] - _START_S - _STILL_S) & (time_s <= time_s[at] - _START_S)
    return bool(before.any()) and not moves[before].any()


@dataclass(frozen=True, slots=True)
class HeaterAtRest:
    """
    A heater in passing must not be said to rest while water leaves it warmer than it entered, draw after draw, nor a
    boiler while its loop gives heat, run after run.

    Not this: a pipe behind it that stays warm while nothing moves.

    Args:
        meter: Tells when the fluid moves.
        before, behind: Temperatures of the fluid that passes.
        least_s: So long in all.
    """

    heater: Point
    meter: str
    before: str
    behind: str
    least_s: float
    shortest_s: float = _REST_S
    above: float = -inf

    @property
    def point(self) -> str:
        return self.heater.id

    def has_moved(self, _heard: Heard, _span: Span, *, days_before: bool) -> bool:
        return True

    def proved_s(self, heard: Heard, span: Span) -> float:
        time_s, behind = heard.within(self.behind, span)
        if len(time_s) < 2 or heard.swing(self.meter, span) <= 0 or _works(self.heater, heard, span, None):
            return inf
        warmer = behind - _fresh(heard, self.before, time_s) >= _WARMER_K
        if not warmer.any():
            return inf
        return max(_lasted_s(time_s, warmer & _settled(heard, self.meter, time_s), self.least_s), span[0] + _REST_S)


def rules_at_rest(site: Site) -> Iterator[PumpAtRest | HeaterAtRest]:
    """One rule for each pump and heater of which the water can tell."""
    boiler = boiler_behind(site)
    for loop in site.loops.values():
        if loop.pump and loop.flow and site.points[loop.pump].quantity in ("power", "status"):
            by_boiler = (_point(site, boiler[0]),) if boiler is not None and boiler[1] is loop else ()
            drives = (*_compressors(site, loop), *by_boiler)
            yield PumpAtRest(site.points[loop.pump], loop, drives, sun=_sun_on(site, loop))
    path = site.hot_water
    in_passing = [site.heaters[stage.heater] for stage in site.stages.values() if stage.heater and stage.tank is None]
    if path is not None and len(in_passing) == 1:
        yield from _in_passing(site, path, in_passing[0])
    if boiler is not None and _tells_now(_point(site, boiler[0])):
        yield from _behind(site, *boiler)


def _sun_on(site: Site, loop: Loop) -> str | None:
    return next((each.irradiance for each in site.collectors.values() if each.loop == loop.id), None)


def _compressors(site: Site, loop: Loop) -> Iterator[Point]:
    for pump in site.heat_pumps.values():
        if loop.id in (pump.source_loop, pump.load_loop, pump.desuperheater_loop) and _tells_now(
            site.points[pump.power]
        ):
            yield site.points[pump.power]


def _in_passing(site: Site, path: HotWater, heater: Heater) -> Iterator[HeaterAtRest]:
    # A counter of volume tells in steps, long after what made them.
    if path.hot and path.heated and path.flow and _tells_now(_point(site, heater)):
        yield HeaterAtRest(_point(site, heater), path.flow, path.hot, path.heated, _DRAWN_S)


def _behind(site: Site, heater: Heater, loop: Loop) -> Iterator[HeaterAtRest]:
    meter = loop.flow or loop.pump
    if loop.entering and loop.leaving and meter:
        yield HeaterAtRest(_point(site, heater), meter, loop.entering, loop.leaving, _RAN_S)


def _point(site: Site, heater: Heater) -> Point:
    return site.points[heater.power or heater.status or ""]


def _tells_now(point: Point) -> bool:
    """Whether a point says what a part does, not how much it has done since it was built in."""
    return point.sampling != "counter" and point.quantity in ("power", "status")


def _works(point: Point, heard: Heard, span: Span, nominal_w: float | None) -> bool:
    """Whether what stands still through a span says that its part works."""
    stands = heard.within(point.id, span)[1][:1]
    return bool(len(stands)) and bool(is_running(stands, nominal_w, point.quantity)[0] > 0)


def _fresh(heard: Heard, point: str, time_s: Array) -> Array:
    """The newest reading of a point at some times; NaN where it has been silent for long."""
    return heard.fresh(point, time_s, within_s=_FRESH_S)


def _settled(heard: Heard, meter: str, time_s: Array) -> Flags:
    """The moments at which fluid moved, and had moved a little before."""
    return np.asarray((_fresh(heard, meter, time_s) > 0) & (_fresh(heard, meter, time_s - _SETTLED_S) > 0))


def _lasted_s(time_s: Array, flags: Flags, least_s: float) -> float:
    """When what is flagged had lasted long enough in all; infinite where it did not."""
    lasted_s = np.cumsum(np.where(flags[:-1] & flags[1:], np.minimum(np.diff(time_s), _LONGEST_STEP_S), 0.0))
    enough = np.flatnonzero(lasted_s >= least_s)
    return float(time_s[enough[0] + 1]) if len(enough) else inf
