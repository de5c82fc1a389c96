"""From traces as read to signals in SI: calibrated, judged, counters unrolled, each with its course over the day."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.compiled import compiled
from analytics.judge import find_bad, unroll
from analytics.on_change import LONG_INTERVALS, held_until_change
from analytics.plant import CELL_S, MOVES_M3_S, SensorFault, Signal, Standing
from analytics.site import Point, Site
from analytics.sun_judge import judge_sun
from analytics.trace import LocalDay, Trace
from analytics.units import to_si

__all__ = ["Readings", "cell_edges", "read_signals"]

Array = NDArray[np.float64]

_GAP_INTERVALS = 5
_GAP_S = 600.0


@dataclass(frozen=True, slots=True)
class Readings:
    """A day's signals by point, what was left out, when each point last spoke, and which stand still at its end."""

    signals: Mapping[str, Signal]
    faults: list[SensorFault]
    last_s: Mapping[str, float]
    standing: Standing


def cell_edges(day: LocalDay) -> Array:
    """Edges of the day's cells, in seconds from its start."""
    n_cells = round(day.seconds / CELL_S)
    return np.arange(n_cells + 1, dtype=np.float64) * CELL_S


def read_signals(
    site: Site, traces: Mapping[str, Trace], day: LocalDay, *, until_s: float, before: Standing
) -> Readings:
    """Every point of the site that said anything in the traces, as a judged signal."""
    spoke = {p: trace for p in site.points if (trace := traces.get(p)) is not None and len(trace.time_ms)}
    times_s = {p: _seconds(trace.time_ms, day.start_ms) for p, trace in spoke.items()}
    values: dict[str, Array] = {}
    faults: list[SensorFault] = []
    for p, trace in spoke.items():
        values[p] = _in_si(site.points[p], times_s[p], trace.value, faults=faults)
    bad, found, standing = find_bad(site, times_s, values, before=before)
    for p, flags, fault in judge_sun(site, times_s, values, start_ms=day.start_ms, before=before, after=standing):
        bad[p] = bad[p] | flags if p in bad else flags
        found.append(fault)
    edges_s = cell_edges(day)
    signals = {p: _signal(site.points[p], times_s[p], values[p], bad=bad.get(p), edges_s=edges_s) for p in spoke}
    faults += found + _missing(site, times_s, until_s)
    last_s = {p: float(times_s[p][-1]) for p in spoke}
    return Readings(signals, faults, last_s, standing)


@compiled
def _seconds(time_ms: NDArray[np.int64], start_ms: int) -> Array:
    """Since an instant; whole milliseconds of any time that can be meant are exact in floating point."""
    time_s = np.empty(len(time_ms))
    for n in range(len(time_ms)):
        time_s[n] = (time_ms[n] - start_ms) / 1000.0
    return time_s


def _in_si(point: Point, time_s: Array, value: Array, *, faults: list[SensorFault]) -> Array:
    scale, shift = to_si(point.quantity, point.unit)
    if point.sampling == "counter":
        unrolled = unroll(time_s, value, scale=scale, quantity=point.quantity)
        faults += [
            SensorFault(point.id, "counter", float(time_s[0]), float(time_s[-1]), 1, f"{point.id} {sentence}.")
            for sentence in unrolled.sentences
        ]
        # It goes on from what the meter shows at first, so that its own figures can be compared.
        return np.asarray((unrolled.value + value[0] * scale) * point.gain)
    if point.gain == 1.0 and point.offset == 0.0 and scale == 1.0 and shift == 0.0:
        return value
    return (value * point.gain + point.offset) * scale + shift


def _signal(point: Point, time_s: Array, value: Array, *, bad: NDArray[np.bool_] | None, edges_s: Array) -> Signal:
    if bad is not None:
        time_s, value = time_s[~bad], value[~bad]
    if point.quantity in ("flow", "speed"):
        # Little below zero is noise at rest; more is fluid that runs backwards.
        value = np.where(value >= -MOVES_M3_S, np.maximum(value, 0.0), value)
    max_gap_s = max(_GAP_INTERVALS * point.interval_s, _GAP_S)
    signal = Signal(point, time_s, value, max_gap_s, edges_s)
    if point.sampling == "counter" or signal.longest_gap_s <= LONG_INTERVALS * point.interval_s:
        return signal
    return Signal(point, *held_until_change(point, time_s, value), max_gap_s, edges_s)


def _missing(site: Site, times_s: Mapping[str, Array], until_s: float) -> list[SensorFault]:
    """Points that said nothing from the day's start to now, while at least one other did."""

    def spoke(point: str) -> bool:
        if point not in times_s:
            return False
        first = int(times_s[point].searchsorted(0.0))
        return first < len(times_s[point]) and bool(times_s[point][first] <= until_s)

    silent = [p for p in site.points if not spoke(p)]
    if len(silent) == len(site.points):
        return []
    return [SensorFault(p, "missing", 0.0, until_s, 0, f"{p} said nothing all day.") for p in silent]
