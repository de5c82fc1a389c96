"""
Metering: the heat of each loop over one day.

Everything is integrated on the readings' own times, piece by piece, and only then gathered into cells, so that a
day's total does not depend on how a day is cut.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from math import hypot, inf, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from analytics.both_ways import heard_j_per_k, heats_j, slugs_j, this_way_j_per_k
from analytics.count_step import counted_to
from analytics.courses import mean_of_known
from analytics.derived import root_of_squares, shown_times, spread, stated, times_amount, unheard_at_mean
from analytics.doubt import GAPS, Doubt, from_limit
from analytics.ends_told import EndsTold, by_means, ends_told, ran_part
from analytics.fluids import Fluid, fluid_of, heat_per_volume
from analytics.frame import DayFrame, relative_limit, temperature_limit_k
from analytics.inputs import is_running, meter_pump
from analytics.moving_fluid import loop_temperatures, loop_temperatures_at_instants
from analytics.plant import UNKNOWN, Course, LoopDay, Signal, Total, not_known
from analytics.segments import Pieces, gap_amount
from analytics.site import Loop, Site
from analytics.tank_room import loop_at_most
from analytics.unheard import NOTHING, AtMost

__all__ = ["U_ASSUMED_FLOW", "assumed_flow_source", "meter_loop"]

Array = NDArray[np.float64]

# Standard uncertainty of the heat coefficient: 0.2 % (IF97 against IAPWS-95 and pressure); mixtures 0.5 % (their fits
# differ by 0.4 to 1.3 % from ASHRAE-based ones, which as the full width of a rectangle is about this).
_U_WATER = 0.002
_U_MIXTURE = 0.005
_NEAR_NOTHING_U = 2.0  # a rate within so many standard uncertainties of the temperatures may go the other way
_USUAL_DEGC = 20.0  # of a fluid whose temperature is not known, for doubts only
# Of what moments leave in doubt of heat that went the other way in slugs, what is alike on all days: readings miss the
# tips of them all. In fortnights of virtual boilers it was 0.5.
_ALIKE = 0.5
_ANEW = sqrt(1.0 - _ALIKE**2)
U_ASSUMED_FLOW = 0.15  # standard; common practice for a nominal flow of a circulator's sheet


def assumed_flow_source(loop: str) -> str:
    """The name of the doubt that a loop's assumed flow leaves."""
    return f"assumed flow of {loop}"


def meter_loop(site: Site, loop: Loop, signals: Mapping[str, Signal], *, frame: DayFrame) -> LoopDay:
    """A loop's heat by temperatures and flow, or by its energy counter, and its pump."""
    pump_on, pump_w, pump_total = meter_pump(loop, signals, frame=frame)
    by_flow = _by_flow(site, loop, signals, frame)
    by_counter = _by_counter(site, loop, signals, frame)
    metered = by_counter or by_flow or _Metered(frame.unknown(), _not_metered(loop, signals), UNKNOWN)
    reverse = by_flow.reverse if by_flow else metered.reverse
    if by_counter and by_flow:  # the counter says how much, temperatures and flow say which way
        turned = np.copysign(by_counter.heat_w, by_flow.heat_w)
        metered = _Metered(np.where(np.isnan(by_flow.heat_w), by_counter.heat_w, turned), by_counter.heat, reverse)
    return LoopDay(
        loop=loop.id,
        heat_w=metered.heat_w,
        flow_m3_s=_course(signals, loop.flow, frame)
        if loop.flow
        else pump_on * (loop.assumed_flow_l_per_s or nan) / 1e3,
        entering_degc=_course(signals, loop.entering, frame),
        leaving_degc=_course(signals, loop.leaving, frame),
        pump_on=pump_on,
        pump_elec_w=pump_w,
        flow_is_assumed=loop.flow is None and loop.energy is None,
        heat=metered.heat,
        reverse=reverse,
        pump_elec=pump_total,
    )


@dataclass(frozen=True, slots=True)
class _Metered:
    heat_w: Course
    heat: Total
    reverse: Total


def _course(signals: Mapping[str, Signal], point: str | None, frame: DayFrame) -> Course:
    signal = signals.get(point) if point else None
    return signal.course if signal else frame.unknown()


def _not_metered(loop: Loop, signals: Mapping[str, Signal]) -> Total:
    named = [loop.energy] if loop.energy else [loop.entering, loop.leaving, loop.flow or loop.pump]
    silent = [point for point in named if point and (point not in signals or not len(signals[point].time_s))]
    why = f"{' and '.join(silent)} gave no usable reading." if silent else f"Loop {loop.id} has no way to be metered."
    return not_known(why)


def _by_counter(site: Site, loop: Loop, signals: Mapping[str, Signal], frame: DayFrame) -> _Metered | None:
    signal = signals.get(loop.energy) if loop.energy else None
    if signal is None or len(signal.time_s) == 0:
        return None
    pieces = frame.pieces(signal)
    amount = pieces.amount
    if not len(amount):
        return _Metered(frame.unknown(), _not_metered(loop, {}), UNKNOWN)
    covered = pieces.covered(signal.max_gap_s)
    total = float(amount.sum())
    ends = {f"moments of {signal.point.id}": root_of_squares(counted_to(signal, pieces))}
    passing = {}
    # It counts through gaps, but what it counted before its first and after its last reading is not known.
    beyond_j = gap_amount(pieces, pieces.covered(inf), end_s=frame.until_s, at_most=loop_at_most(site, loop, signals))
    if beyond_j > 0:
        passing[f"{GAPS} of {signal.point.id}"] = from_limit(beyond_j)
    part = float(pieces.length_s[covered].sum()) / frame.until_s
    steady = {signal.point.id: from_limit(total * relative_limit(signal, max(total, 1.0)))}
    heat = Total(total, Doubt(steady, passing, ends), part)
    why = "A heat meter's energy counter does not count backwards."
    return _Metered(frame.course(pieces, amount, covered), heat, not_known(why))


@dataclass(frozen=True, slots=True)
class _Flow:
    """Pieces of flow with which parts are usable; where its doubt comes from, as a standard part of the flow."""

    pieces: Pieces
    covered: NDArray[np.bool_]
    sampling: str
    source: str
    u_part: float
    is_assumed: bool


def _flow_of(loop: Loop, signals: Mapping[str, Signal], frame: DayFrame) -> _Flow | None:
    signal = signals.get(loop.flow) if loop.flow else None
    if signal is not None and len(signal.time_s):
        pieces = frame.pieces(signal)
        typical = float(signal.value.max(initial=0.0))
        u_part = from_limit(relative_limit(signal, typical))
        return _Flow(pieces, pieces.covered(signal.max_gap_s), signal.point.sampling, signal.point.id, u_part, False)
    pump = signals.get(loop.pump) if loop.pump else None
    if loop.flow or loop.assumed_flow_l_per_s is None or pump is None or len(pump.time_s) == 0:
        return None
    running = frame.pieces(pump)
    scale = loop.assumed_flow_l_per_s / 1e3
    first = is_running(running.first, loop.pump_power_w, pump.point.quantity) * scale
    last = is_running(running.last, loop.pump_power_w, pump.point.quantity) * scale
    pieces = Pieces(running.start_s, running.end_s, first, last)
    source, u_part = assumed_flow_source(loop.id), stated(U_ASSUMED_FLOW)
    return _Flow(pieces, pieces.covered(pump.max_gap_s), pump.point.sampling, source, u_part, True)


def _by_flow(site: Site, loop: Loop, signals: Mapping[str, Signal], frame: DayFrame) -> _Metered | None:
    flow = _flow_of(loop, signals, frame)
    entering = signals.get(loop.entering) if loop.entering else None
    leaving = signals.get(loop.leaving) if loop.leaving else None
    if flow is None or entering is None or leaving is None:
        return None
    mix = site.fluids[loop.fluid]
    fluid = fluid_of(mix.kind, mix.mass_percent)
    tell = partial(ends_told, site, loop, signals, flow.pieces, sampling=flow.sampling, frame=frame)
    if by_means(flow.sampling, (entering, leaving)):
        told = tell(np.array((flow.pieces.first, flow.pieces.last)))
        rates = _rates(flow, entering, leaving, fluid=fluid, loop=loop, ran=ran_part(flow.pieces, told))
    else:
        rates = _rates(flow, entering, leaving, fluid=fluid, loop=loop)
        told = tell(rates.ends)
    doubts = _Doubts(
        pair_k={
            entering.point.id: -_u_temperature_k(entering, rates.entering_degc),
            leaving.point.id: _u_temperature_k(leaving, rates.leaving_degc),
        },
        fluid=loop.fluid,
        u_fluid=stated(_U_WATER if mix.kind == "water" else _U_MIXTURE),
        j_per_l_k=rates.j_per_l_k,
    )
    return _integrate(flow, rates, told=told, frame=frame, doubts=doubts, at_most=loop_at_most(site, loop, signals))


@dataclass(frozen=True, slots=True)
class _Doubts:
    """
    Standard uncertainty of each temperature, signed as it moves leaving - entering [K], and of the fluid.

    `j_per_l_k` is the heat that a litre of it gives per kelvin.
    """

    pair_k: Mapping[str, float]
    fluid: str
    u_fluid: float
    j_per_l_k: float

    @property
    def near_nothing_k(self) -> float:
        """How far apart the temperatures may be shown while they are the same."""
        return _NEAR_NOTHING_U * hypot(*self.pair_k.values())


def _u_temperature_k(signal: Signal, moving_degc: float) -> float:
    """At the temperature of the fluid while it moved: at night it may be far from that."""
    return from_limit(temperature_limit_k(signal, moving_degc)) if len(signal.value) else 0.0


@dataclass(frozen=True, slots=True)
class _Rates:
    """
    Heat rate at both ends of each piece (2, pieces) [W], NaN unknown; heat per kelvin of error [W/K], and of a litre.

    `entering_degc` and `leaving_degc` are means while the fluid moved.
    """

    ends: Array
    per_k: Array
    j_per_l_k: float
    entering_degc: float
    leaving_degc: float


def _rates(
    flow: _Flow, entering: Signal, leaving: Signal, *, fluid: Fluid, loop: Loop, ran: Array | None = None
) -> _Rates:
    pieces = flow.pieces
    moving = (pieces.first != 0) | (pieces.last != 0)
    run = pieces.only(moving)
    temperatures = loop_temperatures if flow.sampling != "instant" else loop_temperatures_at_instants
    if ran is not None:
        temperatures = partial(loop_temperatures_at_instants, ran=ran[moving])
    entering_degc, leaving_degc = (temperatures(signal, run) for signal in (entering, leaving))
    flow_m3_s = np.array((run.first, run.last))
    per_volume = heat_per_volume(entering_degc, leaving_degc, fluid=fluid, flow_side=loop.flow_side)
    ends = np.zeros((2, len(moving)))
    ends[:, moving] = np.where(flow_m3_s != 0, flow_m3_s * per_volume, 0.0)
    means_degc = [mean_of_known(degc, otherwise=_USUAL_DEGC) for degc in (entering_degc, leaving_degc)]
    per_m3 = float(fluid.heat_j_m3k(means_degc[0]))
    return _Rates(ends, 0.5 * (pieces.first + pieces.last) * per_m3, per_m3 / 1e3, *means_degc)


def _integrate(
    flow: _Flow, rates: _Rates, *, told: EndsTold, frame: DayFrame, doubts: _Doubts, at_most: AtMost
) -> _Metered:
    length_s, (first, last) = flow.pieces.length_s, rates.ends
    known = flow.covered & ~np.isnan(first + last)
    if not np.logical_and.reduce(known):
        first, last = np.where(known, rates.ends, 0.0)
    heats = heats_j(length_s, first, last, told.weight, told.left)
    gained_j, lost_j = (float(np.add.reduce(way)) for way in heats[:2])
    net = heats[2]
    # The day's heat goes with the fluid: unknown temperatures count by the fluid that passed meanwhile.
    of_flow, of_heat, known_s = heard_j_per_k(length_s, rates.per_k, flow.covered, known)
    part = min(known_s / frame.until_s, of_heat / of_flow if of_flow > 0 else 1.0)
    totals = []
    for total, sign, most in ((gained_j, 1.0, at_most), (lost_j, -1.0, NOTHING)):
        is_most = total == max(gained_j, lost_j)
        steps = heats[3] if is_most else slugs_j(length_s, first, last, told.left, sign)
        hidden, moments = _of_moments(flow.source, steps, is_most=is_most)
        near_k = -1.0 if is_most else doubts.near_nothing_k
        signed_j_per_k = sign * this_way_j_per_k(length_s, rates.per_k, net, known, sign, near_k)
        gap = unheard_at_mean(total, part) if part > 0 else 0.0
        if sign > 0 or heats[1].any():
            gap = max(gap, gap_amount(flow.pieces, known, end_s=frame.until_s, at_most=most, ends=(first, last)))
        passing = {**moments, f"{GAPS} of {flow.source}": from_limit(gap)}
        doubt = Doubt({**_steady(total, signed_j_per_k / doubts.j_per_l_k, flow, doubts), **hidden}, passing)
        totals.append(_judged_total(total, doubt, part=part, is_assumed=flow.is_assumed))
    return _Metered(frame.course(flow.pieces, net, known), totals[0], totals[1])


def _of_moments(source: str, steps_j: Array, *, is_most: bool) -> tuple[dict[str, float], dict[str, float]]:
    """
    Between instant readings (of the temperatures, where the flow is a mean) a change may have come at any moment: a
    rectangular doubt over the piece, of which less is left where the drive's mean power or temperatures told.

    Args:
        is_most: Whether it is of heat that went the day's main way, and not in slugs.
    Returns:
        By source, what of it is alike every day, and what comes anew.
    """
    moments = spread(steps_j)
    if is_most:
        return {}, {f"moments of {source}": moments}
    alike = shown_times(moments, _ALIKE, "{}", numbers=[_ALIKE])
    anew = shown_times(moments, _ANEW, "√(1 − {}²)", numbers=[_ALIKE])
    return {f"slugs of {source}": alike}, {f"moments of {source}": anew}


def _steady(total_j: float, litres: float, flow: _Flow, doubts: _Doubts) -> dict[str, float]:
    steady = {flow.source: total_j * flow.u_part, f"properties of {doubts.fluid}": total_j * doubts.u_fluid}
    for point, u_k in doubts.pair_k.items():
        steady[point] = steady.get(point, 0.0) + times_amount(u_k, litres, "l") * doubts.j_per_l_k
    return steady


def _judged_total(total: float, doubt: Doubt, *, part: float, is_assumed: bool) -> Total:
    if part == 0:
        return not_known("Its sensors gave no usable readings together.")
    if is_assumed:
        why = "There is no flow meter; the nominal flow is assumed while the pump runs."
        return Total(total, doubt, part, "estimated", why)
    return Total(total, doubt, part)
