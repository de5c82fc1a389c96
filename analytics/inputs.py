"""What is put in: the electricity of circulators, and the electricity or fuel of heaters."""

from collections.abc import Mapping
from dataclasses import replace
from math import nan

import numpy as np
from numpy.typing import NDArray

from analytics.compiled import compiled
from analytics.count_step import counted_to
from analytics.derived import quotient, root_of_squares, spread, stated, unheard_at_mean
from analytics.doubt import GAPS, Doubt, from_limit
from analytics.figures import Basis
from analytics.frame import DayFrame, relative_limit
from analytics.plant import MOVES_M3_S, UNKNOWN, Course, HeaterDay, Signal, Total, not_known
from analytics.segments import Pieces, gap_amount, pieces_of, sum_over
from analytics.site import Heater, Loop, Site
from analytics.tank_room import heater_at_most
from analytics.unheard import AtMost, of_pump

__all__ = ["is_running", "meter_heater", "meter_pump", "pump_signal"]

Array = NDArray[np.float64]

_RUNNING_PART = 0.1  # of the nominal pump power, or ...
_RUNNING_W = 3.0  # ... this, where no nominal power is known
_RATED_PART = 0.05  # limit of error of a heater's rated power; common practice
_STEP_W = 1.0  # a power sensor's smallest step; common practice
_PUMP_PART = 0.1  # the same of a pump's; common practice


def is_running(value: Array, nominal_w: float | None, quantity: str) -> Array:
    """1 where a pump's status or power says that it runs, else 0; a status in between is kept as a part."""
    if quantity == "status":
        return np.clip(value, 0.0, 1.0)
    return (value > _runs_above_w(nominal_w)).astype(float)


def _runs_above_w(nominal_w: float | None) -> float:
    return max(_RUNNING_PART * nominal_w if nominal_w else 0.0, _RUNNING_W)


@compiled
def _run_s(first: Array, last: Array, length_s: Array, covered: NDArray[np.bool_], above: float) -> Array:
    """How long a pump ran in each piece: above a power, or, where that is not a number, as its status says. [s]"""
    run_s = np.zeros(len(first))
    for n in range(len(first)):
        if covered[n] and np.isnan(above):
            run_s[n] = 0.5 * length_s[n] * (min(max(first[n], 0.0), 1.0) + min(max(last[n], 0.0), 1.0))
        elif covered[n]:
            run_s[n] = 0.5 * length_s[n] * ((1.0 if first[n] > above else 0.0) + (1.0 if last[n] > above else 0.0))
    return run_s


def pump_signal(loop: Loop, signals: Mapping[str, Signal]) -> Signal | None:
    """
    What says when a loop's circulator runs: its own point, or where the site file names none but states its power, the
    loop's flow meter, taken as a status. None where nothing does.
    """
    if loop.pump is not None or loop.pump_power_w is None:
        return signals.get(loop.pump or "")
    flow = signals.get(loop.flow or "")
    if flow is None:
        return None
    return replace(
        flow, point=replace(flow.point, quantity="status"), value=np.where(flow.value > MOVES_M3_S, 1.0, 0.0)
    )


def meter_pump(loop: Loop, signals: Mapping[str, Signal], *, frame: DayFrame) -> tuple[Course, Course, Total]:
    """Part of each cell in which the pump runs, its power, and its electricity over the day."""
    signal = pump_signal(loop, signals)
    if signal is None or len(signal.time_s) == 0:
        return frame.unknown(), frame.unknown(), UNKNOWN
    # The frame knows a flow meter's pieces as flow.
    pieces = frame.pieces(signal) if loop.pump else pieces_of(signal, start_s=0.0, end_s=frame.until_s)
    covered = pieces.covered(signal.max_gap_s)
    if not covered.any():
        return frame.unknown(), frame.unknown(), not_known(f"{signal.point.id} gave no usable reading.")
    quantity, is_power = signal.point.quantity, signal.point.quantity == "power"
    is_known = is_power or loop.pump_power_w is not None
    part = float(np.add.reduce(np.where(covered, pieces.length_s, 0.0))) / frame.until_s
    above = _runs_above_w(loop.pump_power_w) if is_power else nan
    run_s = _run_s(pieces.first, pieces.last, pieces.length_s, covered, above)
    energy = pieces.amount if is_power else run_s * (loop.pump_power_w or 0.0)
    total_j = float(np.add.reduce(energy)) if is_known else nan
    on, power = frame.course(pieces, np.array((run_s, energy)), covered)
    power = power if is_known else frame.unknown()
    runs = "run time" if loop.pump else "time of flow"
    why = "" if quantity == "power" else f"The pump of loop {loop.id} counts by {runs} times its stated power."
    doubt = _pump_doubt(loop, signal, pieces, total_j=total_j, covered=covered, end_s=frame.until_s)
    basis: Basis = ("measured" if quantity == "power" else "estimated") if is_known else "unavailable"
    if not is_known:
        why = f"The power of the pump of loop {loop.id} is not stated (pump_power_w)."
    # That fluid moves proves no pump: what is held against the flow must not follow from it.
    return on if loop.pump else frame.unknown(), power, Total(total_j, doubt, part, basis, why)


def _pump_doubt(
    loop: Loop, signal: Signal, pieces: Pieces, *, total_j: float, covered: NDArray[np.bool_], end_s: float
) -> Doubt:
    if signal.point.quantity == "power":
        running_s = sum_over(pieces.length_s, (pieces.first > 0) | (pieces.last > 0))
        steady = {
            signal.point.id: from_limit(total_j * relative_limit(signal, 50.0)),
            f"steps of {signal.point.id}": from_limit(stated(0.5 * _STEP_W, "W") * running_s),
        }
    else:
        steady = {f"pump_power_w of {loop.id}": from_limit(total_j * stated(_PUMP_PART))}
    nominal_w = loop.pump_power_w or 0.0
    drawn_w = None if signal.point.quantity == "power" else (pieces.first * nominal_w, pieces.last * nominal_w)
    gap_j = gap_amount(pieces, covered, end_s=end_s, at_most=of_pump(loop), ends=drawn_w)
    passing = {f"{GAPS} of {signal.point.id}": from_limit(gap_j)} if gap_j > 0 else {}
    if signal.point.sampling != "instant":
        return Doubt(steady, passing)
    sampled = spread(pieces.amount - pieces.length_s * pieces.first, over=3)
    if signal.point.quantity == "status":
        sampled *= nominal_w
    return Doubt(steady, {f"moments of {signal.point.id}": sampled} | passing)


def meter_heater(site: Site, heater: Heater, signals: Mapping[str, Signal], *, frame: DayFrame) -> HeaterDay:
    """A heater's input (electricity or fuel) and the heat that it makes of it."""
    signal = signals.get(heater.power or heater.status or "")
    if signal is None or len(signal.time_s) == 0:
        why = f"{heater.power or heater.status} gave no usable reading."
        unknown = not_known(why)
        return HeaterDay(heater=heater.id, input_w=frame.unknown(), heat_w=frame.unknown(), input=unknown, heat=unknown)
    pieces = frame.pieces(signal)
    is_status = heater.power is None
    if is_status:  # rated power while the status says that it is on
        rated_w = heater.rated_w or nan
        pieces = Pieces(pieces.start_s, pieces.end_s, pieces.first * rated_w, pieces.last * rated_w)
    short = pieces.covered(signal.max_gap_s)
    amount = np.where(short | (signal.point.sampling == "counter"), pieces.amount, 0.0)
    course = frame.course(pieces, amount, short)
    total = _heater_total(
        heater, signal, pieces, amount=amount, frame=frame, at_most=heater_at_most(site, heater, signals)
    )
    efficiency = quotient(heater.efficiency, 1.0, f"Efficiency of heater {heater.id}")
    heat = replace(total, amount=total.amount * heater.efficiency, doubt=total.doubt.times(efficiency))
    return HeaterDay(heater=heater.id, input_w=course, heat_w=course * heater.efficiency, input=total, heat=heat)


def _heater_total(
    heater: Heater, signal: Signal, pieces: Pieces, *, amount: Array, frame: DayFrame, at_most: AtMost
) -> Total:
    total, short = float(amount.sum()), pieces.covered(signal.max_gap_s)
    part = sum_over(pieces.length_s, short) / frame.until_s
    known = short | (signal.point.sampling == "counter")  # it counts through gaps
    if not known.any():
        return not_known(f"{signal.point.id} gave no usable reading.")
    is_status, is_counter = heater.power is None, signal.point.sampling == "counter"
    typical = max(float(pieces.first.max(initial=0.0)), 1.0)
    source, limit = (
        ("rated_w", stated(_RATED_PART)) if is_status else (signal.point.id, relative_limit(signal, typical))
    )
    heard = sum_over(pieces.length_s, known) / frame.until_s
    average = unheard_at_mean(total, heard) if heard < 1 else 0.0
    gap = max(average, gap_amount(pieces, known, end_s=frame.until_s, at_most=at_most))
    sampled = (
        root_of_squares(counted_to(signal, pieces))
        if is_counter
        else spread(pieces.length_s * (pieces.last - pieces.first))
    )
    moments, gaps = {f"moments of {signal.point.id}": sampled}, {f"{GAPS} of {signal.point.id}": from_limit(gap)}
    steady = {source: from_limit(total * limit)}
    doubt = Doubt(steady, gaps, moments) if is_counter else Doubt(steady, moments | gaps)
    if is_status:
        return Total(total, doubt, part, "estimated", "Rated power while the status says that it is on.")
    return Total(total, doubt, part)
