"""
What proves that a heat meter's counter, or a flow meter, which stands still is broken, or a part beside it that is
said to rest.

Heat meters run on batteries of their own and end without a word. The count then says that a stage gives nothing. Two
things tell otherwise: the tank grows warmer while the loop's pump alone works on it, or the other side of the heat
pump counts heat, which must have come from somewhere and gone somewhere. And what a heat meter counts a pump has
moved, and a compressor where it is taken out of the ground. Limits are common practice, without source.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import NDArray

from analytics.count_step import last_place
from analytics.heard import Heard
from analytics.heats_now import fresh, may_heat, mean_degc, others_of
from analytics.inputs import is_running
from analytics.plant import MOVES_M3_S
from analytics.rounding import least_step
from analytics.site import HeatPump, Loop, Point, Site, Tank

__all__ = ["CounterAtRest", "FlowAtRest", "RestsBesideCounter", "Warmed", "meters_at_rest"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Span = tuple[float, float]

_REST_S = 4 * 3600.0
_STEP_S = 1800.0  # over which a tank's sensors are read against each other
_LEAST_RISE_K = 0.3  # of a tank's mean in such a step; less is noise, and layers that even out
_GIVES_K = 1.0  # beyond a pair's limits of error (common practice)
_J_PER_L_K = 4.13e3  # of water at some 50 degC
_UNSEEN_STEPS = 3.0
_LEAST_J = 3.0 * 3.6e6


@dataclass(frozen=True, slots=True)
class Warmed:
    """A tank with what tells that the counted loop's pump runs, and that nothing else heats it."""

    tank: Tank
    pump: Point
    pump_power_w: float | None
    others: tuple[Point, ...]

    def given_s(self, heard: Heard, span: Span, needed_j: float, *, by: tuple[str, str] | None = None) -> float:
        """
        When within a span the tank had been given so much heat while the loop's pump alone worked.

        Args:
            by: The loop's pipes, of which the second must be warmer than the first.
        """
        if heard.swing(self.pump.id, span) <= 0:
            return inf
        time_s = np.arange(span[0], span[1], _STEP_S)
        if len(time_s) < 2:
            return inf
        alone = _is_on(heard, self.pump, time_s, self.pump_power_w) & ~may_heat(heard, self.others, time_s)
        if by is not None:
            alone &= fresh(heard, by[1], time_s) - fresh(heard, by[0], time_s) >= _GIVES_K
        rise_k = np.diff(mean_degc(heard, self.tank.temperatures, time_s))
        counts = alone[1:] & alone[:-1] & (rise_k >= _LEAST_RISE_K)
        gained_j = np.cumsum(np.where(counts, rise_k, 0.0)) * self.tank.volume_l * _J_PER_L_K
        return _first(time_s[1:], gained_j >= needed_j)


@dataclass(frozen=True, slots=True)
class FlowAtRest:
    """
    A loop's flow meter must not show nothing while the loop's pump alone warms its tank and its fluid leaves
    warmer than it enters.

    Not this: a pump that runs and moves nothing (`loop-no-flow`), as no tank grows warmer by it; a tank that other
    stages warm, or whose layers even out.
    """

    point: str
    warmed: Warmed
    entering: str
    leaving: str
    shortest_s: float = _REST_S
    above: float = -inf

    def has_moved(self, _heard: Heard, _span: Span, *, days_before: bool) -> bool:
        return True  # one that was wired wrongly needs no past

    def proved_s(self, heard: Heard, span: Span) -> float:
        stands = heard.within(self.point, span)[1][:1]
        if not len(stands) or abs(stands[0]) > MOVES_M3_S:
            return inf
        return max(
            self.warmed.given_s(heard, span, _LEAST_J, by=(self.entering, self.leaving)), span[0] + self.shortest_s
        )


@dataclass(frozen=True, slots=True)
class CounterAtRest:
    """
    A loop's heat counter must not stand still while heat passes that is more than a few of its steps.

    Not this: a tank that other stages warm, or whose layers even out; a heat pump that cools, of which a meter of heat
    counts nothing; a pump that runs and moves nothing (`loop-no-flow`), as no tank grows warmer by it.

    Args:
        warmed: The tank that the loop heats, if it tells.
        other: The energy counter of the heat pump's other side, if that tells, and how to take from its heat what
            passed here: `spent` is the compressor's power, of which the load's heat holds the work.
    """

    counter: Point
    warmed: Warmed | None
    other: str | None = None
    spent: Point | None = None
    shortest_s: float = _REST_S
    above: float = -inf

    @property
    def point(self) -> str:
        return self.counter.id

    def has_moved(self, _heard: Heard, _span: Span, *, days_before: bool) -> bool:
        return True  # one whose battery was never put in needs no past

    def proved_s(self, heard: Heard, span: Span) -> float:
        needed_j = _needed_j(heard, self.counter, span)
        warmed_s = self.warmed.given_s(heard, span, needed_j) if self.warmed is not None else inf
        found_s = min(warmed_s, self._passed_s(heard, span, needed_j))
        return max(found_s, span[0] + self.shortest_s)

    def _passed_s(self, heard: Heard, span: Span, needed_j: float) -> float:
        """When the heat pump's other side had counted so much, less the compressor's work."""
        time_s, value = heard.within(self.other, span)
        if len(time_s) < 2:
            return inf
        passed_j = np.cumsum(np.maximum(np.diff(value), 0.0))
        if self.spent is not None:
            at_s, power_w = heard.within(self.spent.id, span)
            if len(at_s) < 2:
                return inf
            spent_j = np.cumsum(power_w[1:] * np.diff(at_s))
            passed_j = passed_j - np.interp(time_s[1:], at_s[1:], spent_j)
        return _first(time_s[1:], passed_j >= needed_j)


@dataclass(frozen=True, slots=True)
class RestsBesideCounter:
    """
    A pump or a compressor must not be said to rest while the heat meter of its loop counts on.

    Not this: a step or two that a meter shows late.
    """

    part: Point
    counter: Point
    nominal_w: float | None = None
    shortest_s: float = _REST_S
    above: float = -inf

    @property
    def point(self) -> str:
        return self.part.id

    def has_moved(self, _heard: Heard, _span: Span, *, days_before: bool) -> bool:
        return True  # a contact that was never wired needs no past

    def proved_s(self, heard: Heard, span: Span) -> float:
        stands = heard.within(self.point, span)[1][:1]
        time_s, value = heard.within(self.counter.id, span)
        if len(time_s) < 2 or not len(stands) or is_running(stands, self.nominal_w, self.part.quantity)[0] > 0:
            return inf
        counted_s = _first(time_s, value - value[0] >= _needed_j(heard, self.counter, span))
        return max(counted_s, span[0] + self.shortest_s)


def _needed_j(heard: Heard, counter: Point, span: Span) -> float:
    """More heat than a counter's steps may hide."""
    value = heard.values[counter.id]
    step_j = least_step(value[~np.isnan(value)])
    if step_j == inf:
        within = heard.within(counter.id, span)[1]
        step_j = last_place(counter, float(within[0])) if len(within) else inf
    return max(_LEAST_J, _UNSEEN_STEPS * step_j)


def meters_at_rest(site: Site) -> Iterator[CounterAtRest | FlowAtRest | RestsBesideCounter]:
    """One rule for each loop's meter of which something else can tell, and for what works beside its counter."""
    for loop in site.loops.values():
        warmed = _warmed(site, loop)
        if warmed is not None and loop.flow and loop.entering and loop.leaving:
            yield FlowAtRest(loop.flow, warmed, loop.entering, loop.leaving)
        if loop.energy is None or site.points[loop.energy].sampling != "counter":
            continue
        for part, nominal_w in _works_beside(site, loop):
            yield RestsBesideCounter(part, site.points[loop.energy], nominal_w)
        other, spent = _other_side(site, loop)
        if warmed is not None or other is not None:
            yield CounterAtRest(site.points[loop.energy], warmed, other, spent)


def _works_beside(site: Site, loop: Loop) -> Iterator[tuple[Point, float | None]]:
    """The loop's pump, and the compressor that takes heat out of it."""
    if loop.pump and site.points[loop.pump].quantity in ("power", "status"):
        yield site.points[loop.pump], loop.pump_power_w
    for pump in site.heat_pumps.values():
        if loop.id == pump.source_loop and site.points[pump.power].quantity == "power":
            yield site.points[pump.power], None


def _warmed(site: Site, loop: Loop) -> Warmed | None:
    stage = next((each for each in site.stages.values() if each.loop == loop.id and each.tank), None)
    if stage is None or loop.pump is None or not site.tanks[stage.tank or ""].temperatures:
        return None
    others = others_of(site, stage)
    if others is None:
        return None
    return Warmed(site.tanks[stage.tank or ""], site.points[loop.pump], loop.pump_power_w, others)


def _other_side(site: Site, loop: Loop) -> tuple[str | None, Point | None]:
    """
    The counter of a heat pump's other side, and the compressor's power where its work is in that side's heat.

    Heat taken out of the source may leave by a desuperheater instead of the load.
    """
    for pump in site.heat_pumps.values():
        if loop.id == pump.source_loop:
            return _counted_load(site, pump)
        if loop.id == pump.load_loop and not pump.desuperheater_loop:
            return site.loops[pump.source_loop].energy, None
    return None, None


def _counted_load(site: Site, pump: HeatPump) -> tuple[str | None, Point | None]:
    load = site.loops[pump.load_loop].energy if pump.load_loop else None
    power = site.points[pump.power]
    return (load, power) if power.quantity == "power" else (None, None)


def _is_on(heard: Heard, point: Point, time_s: Array, nominal_w: float | None) -> Flags:
    value = np.nan_to_num(fresh(heard, point.id, time_s))
    return np.asarray(is_running(value, nominal_w, point.quantity) > 0)


def _first(time_s: Array, flags: Flags) -> float:
    at = np.flatnonzero(flags)
    return float(time_s[at[0]]) if len(at) else inf
