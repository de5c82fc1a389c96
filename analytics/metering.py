"""
Metering: the heat of each loop, the input of each heater and the electricity of each pump over one day.

Everything is integrated on the readings' own times, piece by piece, and only then gathered into cells, so that a
day's total does not depend on how a day is cut.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from analytics.accuracy import limit_of_error
from analytics.figures import Basis
from analytics.fluids import Fluid, fluid_of, heat_per_volume
from analytics.plant import UNKNOWN, Course, HeaterDay, LoopDay, Signal, Total
from analytics.segments import Pieces, cells_of, pieces_of, value_at
from analytics.site import Heater, Loop, Site

__all__ = ["DayFrame", "is_running", "meter_heater", "meter_loop", "temperature_limit_k", "to_course", "while_flowing"]

Array = NDArray[np.float64]

# Standard uncertainty of the heat coefficient: 0.2 % (IF97 against IAPWS-95 and pressure); mixtures 1 % (their fits
# differ by 0.4 to 1.3 % from ASHRAE-based ones).
_U_WATER = 0.002
_U_MIXTURE = 0.01
_U_ASSUMED_FLOW = 0.15  # standard; common practice for a nominal flow of a circulator's sheet
_OFF_PART = 0.05  # of its highest mean power: below it a drive rests
_RUNNING_PART = 0.1  # of the nominal pump power, or ...
_RUNNING_W = 3.0  # ... this, where no nominal power is known


@dataclass(frozen=True, slots=True)
class DayFrame:
    """The stretch of time metered: cells from the day's start; what lies after `until_s` has not happened yet."""

    edges_s: Array
    until_s: float

    @property
    def n_cells(self) -> int:
        return len(self.edges_s) - 1

    def unknown(self) -> Course:
        return np.full(self.n_cells, nan)

    def pieces(self, signal: Signal) -> Pieces:
        return pieces_of(signal, start_s=0.0, end_s=self.until_s)


def to_course(frame: DayFrame, amount: Array, covered_s: Array) -> Course:
    """Mean rate of each cell from amounts and covered seconds; NaN where less than half a cell is covered."""
    lengths_s = np.diff(frame.edges_s)
    return np.where(covered_s >= 0.5 * lengths_s, amount / np.maximum(covered_s, 1e-9), nan)


def is_running(value: Array, nominal_w: float | None, quantity: str) -> Array:
    """1 where a pump's status or power says that it runs, else 0; a status in between is kept as a part."""
    if quantity == "status":
        return np.clip(value, 0.0, 1.0)
    return (value > max(_RUNNING_PART * nominal_w if nominal_w else 0.0, _RUNNING_W)).astype(float)


def temperature_limit_k(signal: Signal, at_degc: float) -> float:
    """Half-width of a temperature sensor's limits of error [K] at a temperature."""
    point = signal.point
    return float(limit_of_error(point.accuracy, at_degc, quantity="temperature", unit=point.unit))


def _relative_limit(signal: Signal, typical: float) -> float:
    """Half-width of a sensor's limits of error as a part of a typical value, both in SI."""
    point = signal.point
    half = float(limit_of_error(point.accuracy, typical, quantity=point.quantity, unit=point.unit))
    return half / typical if typical > 0 else 0.0


def while_flowing(first: Array, last: Array, flow: Array) -> tuple[Array, Array]:
    """
    Temperatures at the ends of pieces of mean flow, taken while water moves.

    In the piece in which a draw begins, the temperature at its start is of water at rest; so the one at its end
    stands for both; in the piece in which it ends, the one at its start.
    """
    begins = np.concatenate(([True], flow[:-1] <= 0))
    ends = np.concatenate((flow[1:] <= 0, [True]))
    return np.where(begins, last, first), np.where(ends & ~begins, first, last)


def meter_loop(site: Site, loop: Loop, signals: Mapping[str, Signal], *, frame: DayFrame) -> LoopDay:
    """A loop's heat by temperatures and flow, or by its energy counter, and its pump."""
    pump_on, pump_w, pump_total = _pump(loop, signals, frame)
    by_flow = _by_flow(site, loop, signals, frame)
    by_counter = _by_counter(loop, signals, frame)
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
    silent = [point for point in named if point and point not in signals]
    why = f"{' and '.join(silent)} gave no usable reading." if silent else f"Loop {loop.id} has no way to be metered."
    return Total(nan, nan, 0.0, "unavailable", why)


def _by_counter(loop: Loop, signals: Mapping[str, Signal], frame: DayFrame) -> _Metered | None:
    signal = signals.get(loop.energy) if loop.energy else None
    if signal is None or len(signal.time_s) == 0:
        return None
    pieces = frame.pieces(signal)
    amount = pieces.amount
    covered = np.where(pieces.covered(signal.max_gap_s), pieces.length_s, 0.0)
    cells, cells_s = cells_of(pieces, np.stack((amount, covered)), frame.edges_s)
    total = float(amount.sum())
    # The counter is read at the day's edges to within one interval at the power that ran there.
    edge_j = float(np.hypot(amount[0], amount[-1])) / sqrt(12) if len(amount) else 0.0
    u = sqrt((total * _relative_limit(signal, max(total, 1.0))) ** 2 / 3 + edge_j**2)
    part = float(covered.sum()) / frame.until_s
    heat = Total(total, u, part)
    why = "A heat meter's energy counter does not count backwards."
    return _Metered(to_course(frame, cells, cells_s), heat, Total(nan, nan, 0.0, "unavailable", why))


@dataclass(frozen=True, slots=True)
class _Flow:
    """Pieces of flow with which parts are usable; `relative_limit` of the meter (0 for an assumed flow)."""

    pieces: Pieces
    covered: NDArray[np.bool_]
    sampling: str
    relative_limit: float
    is_assumed: bool


def _flow_of(loop: Loop, signals: Mapping[str, Signal], frame: DayFrame) -> _Flow | None:
    signal = signals.get(loop.flow) if loop.flow else None
    if signal is not None and len(signal.time_s):
        pieces = frame.pieces(signal)
        typical = float(signal.value.max(initial=0.0))
        limit = _relative_limit(signal, typical)
        return _Flow(pieces, pieces.covered(signal.max_gap_s), signal.point.sampling, limit, False)
    pump = signals.get(loop.pump) if loop.pump else None
    if loop.flow or loop.assumed_flow_l_per_s is None or pump is None or len(pump.time_s) == 0:
        return None
    running = frame.pieces(pump)
    scale = loop.assumed_flow_l_per_s / 1e3
    first = is_running(running.first, loop.pump_power_w, pump.point.quantity) * scale
    last = is_running(running.last, loop.pump_power_w, pump.point.quantity) * scale
    pieces = Pieces(running.start_s, running.end_s, first, last)
    return _Flow(pieces, pieces.covered(pump.max_gap_s), pump.point.sampling, 0.0, True)


def _by_flow(site: Site, loop: Loop, signals: Mapping[str, Signal], frame: DayFrame) -> _Metered | None:
    flow = _flow_of(loop, signals, frame)
    entering = signals.get(loop.entering) if loop.entering else None
    leaving = signals.get(loop.leaving) if loop.leaving else None
    if flow is None or entering is None or leaving is None:
        return None
    mix = site.fluids[loop.fluid]
    fluid = fluid_of(mix.kind, mix.mass_percent)
    rates = _rates(flow, entering, leaving, fluid=fluid, loop=loop)
    drive = _drive(site, loop, signals) if flow.sampling == "instant" else None
    weight = (
        np.full(len(flow.pieces.start_s), 0.5)
        if drive is None
        else end_weight(flow.pieces, rates.last, drive, frame=frame)
    )
    limit_k = _pair_limit_k(entering, leaving)
    u_fluid = _U_WATER if mix.kind == "water" else _U_MIXTURE
    return _integrate(flow, rates, weight=weight, frame=frame, limit_k=limit_k, u_fluid=u_fluid)


def _pair_limit_k(entering: Signal, leaving: Signal) -> float:
    return hypot(
        *(temperature_limit_k(s, float(np.median(s.value))) if len(s.value) else 0.0 for s in (entering, leaving))
    )


def _drive(site: Site, loop: Loop, signals: Mapping[str, Signal]) -> Signal | None:
    """What makes the loop give heat, if its power is known as a mean: the compressor, else the pump."""
    pumps = site.heat_pumps.values()
    powers = [p.power for p in pumps if loop.id in (p.source_loop, p.load_loop, p.desuperheater_loop)]
    for point in (*powers, loop.pump):
        signal = signals.get(point) if point else None
        if signal is not None and len(signal.time_s) and signal.point.sampling != "instant":
            return signal
    return None


def end_weight(pieces: Pieces, rate_last: Array, drive: Signal, *, frame: DayFrame) -> Array:
    """
    How much of each piece goes by its end's heat rate rather than by its start's: a half, unless the drive tells.

    Where the drive starts or stops within a piece, its mean power beside that of the piece after (or before) says
    for which part of the piece it ran. That takes the doubt of a whole interval out of every start and stop. After
    a start the heat rate climbs; how far it had come at the piece's end shows in how it climbs on.

    Args:
        pieces: The loop's pieces. (n,)
        rate_last: Heat rate at each piece's end [W]. (n,)
        drive: The compressor's or pump's power as means or counts.
        frame: The day.
    Returns:
        Weights, 0 to 1. (n,)
    """
    powered = frame.pieces(drive)
    edges = np.append(pieces.start_s, pieces.end_s[-1:])
    running = np.concatenate(([0.0], np.cumsum(powered.amount)))
    knots = np.concatenate((powered.start_s[:1], powered.end_s))
    weight = np.full(len(pieces.start_s), 0.5)
    if len(weight) < 3 or len(knots) < 3:
        return weight
    power = np.diff(np.interp(edges, knots, running)) / np.maximum(np.diff(edges), 1e-9)
    off_w = _OFF_PART * float(power.max())
    before, here, after = power[:-2], power[1:-1], power[2:]
    starts = (before <= off_w) & (after > off_w) & (here <= after) & (here > 0)
    stops = (before > off_w) & (after <= off_w) & (here <= before) & (here > 0)
    # A compressor's power climbs too: its level in the first piece lies below that of the second by their slope.
    later = np.concatenate((after[1:], after[-1:]))
    level = np.where(later > off_w, after - (later - after), after)
    ran = np.where(starts, here / np.maximum(level, 1e-9), here / np.maximum(before, 1e-9))
    ran = np.clip(ran, 0.0, 1.0)
    # A pump that runs on carries the rest of the heat away while the rate falls; one that stops carries none.
    tail = np.where(rate_last[1:-1] != 0, 0.5, 1.0) * (1.0 - ran)
    weight[1:-1] = np.where(starts, ran, np.where(stops, tail, 0.5))
    first = np.flatnonzero(starts[:-1]) + 1
    weight[first] *= _mean_of_climb(rate_last[first], rate_last[first + 1], rate_last[first + 2], ran=weight[first])
    return weight


def _mean_of_climb(first: Array, second: Array, third: Array, *, ran: Array) -> Array:
    """
    Mean of a heat rate since its start, as a part of what it had reached at the first reading.

    Three readings an interval apart fix an exponential approach; it is followed back over the part `ran` of an
    interval before the first. A rate that stands at once gives 1, one that climbs straight from nothing a half, one
    that begins high with the heat left from the run before more than 1.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        kept = np.clip((third - second) / (second - first), 0.02, 0.98)
        to_come = (second - first) / (1.0 - kept) / first
        back = np.exp(-np.log(kept) * ran) - 1.0
        mean = 1.0 + to_come * (1.0 - back / (-np.log(kept) * ran))
    return np.clip(np.where(np.isfinite(mean), mean, 1.0), 0.3, 2.0)


@dataclass(frozen=True, slots=True)
class _Rates:
    """Heat rate at both ends of each piece [W], NaN unknown, and heat per kelvin of error [W/K]."""

    first: Array
    last: Array
    per_k: Array


def _rates(flow: _Flow, entering: Signal, leaving: Signal, *, fluid: Fluid, loop: Loop) -> _Rates:
    pieces = flow.pieces
    ends = []
    moving = (pieces.first > 0) | (pieces.last > 0)
    temperatures = [value_at(s, at[moving]) for s in (entering, leaving) for at in (pieces.start_s, pieces.end_s)]
    entering_ends, leaving_ends = temperatures[:2], temperatures[2:]
    if flow.sampling != "instant":
        level = pieces.first[moving]
        entering_ends = list(while_flowing(entering_ends[0], entering_ends[1], level))
        leaving_ends = list(while_flowing(leaving_ends[0], leaving_ends[1], level))
    for value, e, lv in zip((pieces.first, pieces.last), entering_ends, leaving_ends, strict=True):
        rate = np.zeros(len(value))
        per_volume = heat_per_volume(e, lv, fluid=fluid, flow_side=loop.flow_side)
        rate[moving] = np.where(value[moving] > 0, value[moving] * per_volume, 0.0)
        ends.append(rate)
    middle = float(np.nanmedian(entering_ends[0])) if moving.any() and not np.isnan(entering_ends[0]).all() else 20.0
    capacity = float(fluid.density(middle) * fluid.capacity(middle))
    return _Rates(ends[0], ends[1], 0.5 * (pieces.first + pieces.last) * capacity)


def _integrate(
    flow: _Flow, rates: _Rates, *, weight: Array, frame: DayFrame, limit_k: float, u_fluid: float
) -> _Metered:
    length_s = flow.pieces.length_s
    known = flow.covered & ~np.isnan(rates.first + rates.last)
    first, last = np.where(known, rates.first, 0.0), np.where(known, rates.last, 0.0)
    by_first, by_last = (1.0 - weight) * length_s, weight * length_s
    gained = by_first * np.maximum(first, 0) + by_last * np.maximum(last, 0)
    lost = -by_first * np.minimum(first, 0) - by_last * np.minimum(last, 0)
    covered_s = np.where(known, length_s, 0.0)
    cells, cells_s = cells_of(flow.pieces, np.stack((gained - lost, covered_s)), frame.edges_s)
    # The day's heat goes with the fluid: unknown temperatures count by the fluid that passed meanwhile.
    moved = (np.where(flow.covered, rates.per_k, 0.0) * length_s).sum()
    heard = float((np.where(known, rates.per_k, 0.0) * length_s).sum() / moved) if moved > 0 else 1.0
    part = min(float(covered_s.sum()) / frame.until_s, heard)
    # Between instant readings a change may have come at any moment: a rectangular doubt over the piece, unless the
    # drive's mean power told when (then a tenth of it is left).
    moment = np.where(weight == 0.5, 1.0, 0.1) * length_s * (last - first)
    sampled = float(np.sum(moment**2)) / 12 if flow.sampling == "instant" else 0.0
    is_gain = gained >= lost
    totals = []
    for amount, mask in ((gained, is_gain), (lost, ~is_gain)):
        total = float(amount.sum())
        joule_per_k = float(np.sum((rates.per_k * length_s)[mask & known]))
        meter = (total * flow.relative_limit) ** 2 / 3 + (total * _U_ASSUMED_FLOW if flow.is_assumed else 0.0) ** 2
        pair = (joule_per_k * limit_k) ** 2 / 3
        gap = (total / part * (1 - part)) ** 2 / 3 if 0 < part < 1 else 0.0
        u = sqrt(meter + pair + (total * u_fluid) ** 2 + sampled * (total > 0) + gap)
        totals.append(_judged_total(total, u, part=part, flow=flow))
    return _Metered(to_course(frame, cells, cells_s), totals[0], totals[1])


def _judged_total(total: float, u: float, *, part: float, flow: _Flow) -> Total:
    if part == 0:
        return Total(nan, nan, 0.0, "unavailable", "Its sensors gave no usable readings together.")
    if flow.is_assumed:
        return Total(
            total, u, part, "estimated", "There is no flow meter; the nominal flow is assumed while the pump runs."
        )
    return Total(total, u, part)


def _pump(loop: Loop, signals: Mapping[str, Signal], frame: DayFrame) -> tuple[Course, Course, Total]:
    """Part of each cell in which the pump runs, its power, and its electricity over the day."""
    signal = signals.get(loop.pump) if loop.pump else None
    if signal is None or len(signal.time_s) == 0:
        return frame.unknown(), frame.unknown(), UNKNOWN
    pieces = frame.pieces(signal)
    covered = np.where(pieces.covered(signal.max_gap_s), pieces.length_s, 0.0)
    quantity = signal.point.quantity
    run_s = 0.5 * covered * sum(is_running(v, loop.pump_power_w, quantity) for v in (pieces.first, pieces.last))
    energy = pieces.amount if quantity == "power" else run_s * (nan if loop.pump_power_w is None else loop.pump_power_w)
    on, elec, seconds = cells_of(pieces, np.stack((run_s, np.nan_to_num(energy), covered)), frame.edges_s)
    part = float(covered.sum()) / frame.until_s
    is_known = quantity == "power" or loop.pump_power_w is not None
    total_j = float(energy.sum()) if is_known else nan
    power = to_course(frame, elec, seconds) if is_known else frame.unknown()
    why = "" if quantity == "power" else "Run time times the pump's nominal power."
    u = abs(total_j) * (_relative_limit(signal, 50.0) if quantity == "power" else 0.1) / sqrt(3)
    basis: Basis = ("measured" if quantity == "power" else "estimated") if is_known else "unavailable"
    if not is_known:
        why = f"The power of the pump of loop {loop.id} is not stated (pump_power_w)."
    return to_course(frame, on, seconds), power, Total(total_j, u, part, basis, why)


def meter_heater(heater: Heater, signals: Mapping[str, Signal], *, frame: DayFrame) -> HeaterDay:
    """A heater's input (electricity or fuel) and the heat that it makes of it."""
    signal = signals.get(heater.power or heater.status or "")
    if signal is None or len(signal.time_s) == 0:
        why = f"{heater.power or heater.status} gave no usable reading."
        unknown = Total(nan, nan, 0.0, "unavailable", why)
        return HeaterDay(heater=heater.id, input_w=frame.unknown(), heat_w=frame.unknown(), input=unknown, heat=unknown)
    pieces = frame.pieces(signal)
    is_status = heater.power is None
    amount = pieces.amount * (heater.rated_w or nan) if is_status else pieces.amount
    usable = pieces.covered(signal.max_gap_s) | (signal.point.sampling == "counter")
    covered = np.where(pieces.covered(signal.max_gap_s), pieces.length_s, 0.0)
    amount = np.where(usable, amount, 0.0)
    cells, cells_s = cells_of(pieces, np.stack((amount, covered)), frame.edges_s)
    course = to_course(frame, cells, cells_s)
    total = _heater_total(signal, pieces, amount=amount, part=float(covered.sum()) / frame.until_s, is_status=is_status)
    heat = Total(total.amount * heater.efficiency, total.u * heater.efficiency, total.covered, total.basis, total.why)
    return HeaterDay(heater=heater.id, input_w=course, heat_w=course * heater.efficiency, input=total, heat=heat)


def _heater_total(signal: Signal, pieces: Pieces, *, amount: Array, part: float, is_status: bool) -> Total:
    total = float(amount.sum())
    rate = amount / np.maximum(pieces.length_s, 1e-9)
    sampled = float(np.sum((np.diff(rate, prepend=rate[:1]) * pieces.length_s) ** 2)) / 12
    limit = 0.05 if is_status else _relative_limit(signal, max(float(rate.max(initial=0.0)), 1.0))
    gap = (total / part * (1 - part)) ** 2 / 3 if 0 < part < 1 else 0.0
    u = sqrt((total * limit) ** 2 / 3 + (sampled if signal.point.sampling == "instant" else 0.0) + gap)
    if part == 0 and signal.point.sampling != "counter":
        return Total(nan, nan, 0.0, "unavailable", f"{signal.point.id} gave no usable reading.")
    if is_status:
        return Total(total, u, part, "estimated", "Rated power while the status says that it is on.")
    return Total(total, u, part)
