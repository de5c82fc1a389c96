"""
Sensors judged: which readings of a day are not to be believed, and why.

Raw readings stay as they are; what is judged bad is left out of the figures and named. A wrong "stuck" would cost
good figures, so a level reading counts as stuck only where something beside it proves that it should have moved.
Limits here are common practice, without source, unless a line says otherwise.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analytics.by_site import once_a_site
from analytics.compiled import compiled
from analytics.plant import NOTHING_STANDS, SensorFault, Standing
from analytics.site import Point, Site
from analytics.stuck import Heard, StuckRule, level_rows, row_at, stuck_rules

__all__ = ["RANGES", "Unrolled", "find_bad", "unroll"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# What a working sensor in a house's plant can say, in SI (degC). Codes such as -127 and 850 lie outside.
RANGES: Mapping[str, tuple[float, float]] = {
    "temperature": (-50.0, 250.0),
    "flow": (-1e-6, 0.01),
    "power": (-50.0, 100e3),
    "energy": (0.0, np.inf),
    "volume": (0.0, np.inf),
    "status": (0.0, 1.0),
    "irradiance": (-20.0, 1600.0),
    "speed": (-1e-6, 1e4),
}
# Water in tanks and taps' pipes: relief valves open at 99 degC, and what is frozen does not flow.
_WATER_DEGC = (-10.0, 120.0)
# Vacuum tubes at rest in full sun pass 250 degC, and 300 in some (makers state 200 to 300, from memory).
_COLLECTOR_DEGC = (-50.0, 340.0)
_EITHER_WAY_M3_S = (-0.01, 0.01)
_SPIKE_K = 30.0  # away from both neighbours ...
_SPIKE_NEIGHBOURS_K = 5.0  # ... which agree with each other
# Water drawn: 20 mm of pipe pass 38 l/min at 2 m/s, fast for a house (design velocity, EN 806-3, from memory) ...
_BURST_M3_S = 40.0 / 60e3
_BURST_TIMES = 2.0  # ... and so many times what the day's draws showed for two readings in a row
# The most that a counter of a house can gain: 100 kW, 2 l/s.
_FASTEST = {"energy": 100e3, "volume": 0.002}
_STANDS_S = 1800.0  # from here on the next day is told that a sensor stands still
_RESTART_PART = 0.5  # a meter that begins again has far less than it had
_ROLLS_OVER_AT = [float(10**n) for n in range(3, 13)] + [float(2**n) for n in (16, 24, 31, 32)]


@dataclass(frozen=True, slots=True)
class Unrolled:
    """A counter made to rise for good; `sentences` tell of restarts and exchanges, `broken` marks unknown steps."""

    value: Array
    sentences: tuple[str, ...]


def unroll(time_s: Array, value: Array, *, scale: float, quantity: str) -> Unrolled:
    """
    Join a counter over roll-overs, restarts at zero and exchanges of the meter.

    A fall from near a round number or a power of two is a roll-over; another fall, by more than half, is a restart at
    zero, whose new count is counted in full; a smaller one (a gateway that rounds or nets), or a step that no house can
    make (either way), counts as nothing.

    Args:
        time_s, value: Readings, the value in the point's unit. Shape (n,)
        scale: SI per unit.
        quantity: "energy" or "volume".
    Returns:
        The count from the first reading on, in SI, never falling.
    """
    if len(value) < 2:
        return Unrolled(np.zeros(len(value)), ())
    step = np.diff(value)
    most = _FASTEST.get(quantity, np.inf) * np.maximum(np.diff(time_s), 60.0) / scale
    sentences: list[str] = []
    for index in np.flatnonzero((step < 0) | (step > most)):
        step[index], sentence = _joined(value[index], value[index + 1], most[index])
        sentences.append(sentence)
    return Unrolled(np.concatenate(([0.0], np.cumsum(step))) * scale, tuple(sentences))


def _joined(before: float, after: float, most: float) -> tuple[float, str]:
    for modulus in _ROLLS_OVER_AT:
        if before < modulus and 0 <= after < before and modulus - before + after <= most:
            return modulus - before + after, f"rolled over from {before:g} to {after:g}"
    if 0 <= after < _RESTART_PART * before and after <= most:
        return after, f"began again at zero ({before:g}, then {after:g})"
    how = "was exchanged or set, or stepped back" if after < before else "was exchanged or set"
    return 0.0, f"{how} ({before:g}, then {after:g}); what passed between the two is not known"


def find_bad(
    site: Site, times_s: Mapping[str, Array], values: Mapping[str, Array], *, before: Standing = NOTHING_STANDS
) -> tuple[dict[str, Flags], list[SensorFault], Standing]:
    """
    Readings to leave out.

    Args:
        site: Tells which sensors stand beside which.
        times_s, values: Per point, seconds from the day's start and SI values, all of them. Shape (n,) each
        before: Points that stood still at the end of the day before; until they move they still do.
    Returns:
        Per point, True where a reading is bad (points without bad readings are absent), the faults as sentences, and
        the points that stand still at the end.
    """
    bad: dict[str, Flags] = {}
    faults: list[SensorFault] = []

    def note(point: str, flags: Flags, kind: str, proved_s: float = np.nan) -> None:
        if flags.any():
            bad[point] = bad[point] | flags if point in bad else flags
            fault = _fault(site.points[point], kind, times_s[point][flags], values[point][flags])
            faults.append(fault if kind != "stuck" else replace(fault, proved_s=proved_s))

    special = _special_ranges(site)
    for point, value in values.items():
        quantity = site.points[point].quantity
        low, high = special.get(point, RANGES[quantity])
        lowest, highest, farthest_step = _extremes(value)
        if lowest < low or highest > high:
            note(point, np.asarray((value < low) | (value > high)), "range")
        if quantity == "temperature" and farthest_step > _SPIKE_K:
            note(point, _spikes(value), "spike")
        if highest > _BURST_M3_S and site.hot_water is not None and point == site.hot_water.flow:
            note(point, _lone_bursts(value), "spike")
    after = Standing({}, {})
    believed = {p: np.where(bad[p], np.nan, value) if p in bad else value for p, value in values.items()}
    heard = Heard(times_s, believed, doubted=frozenset(bad))
    for rule in stuck_rules(site):
        if rule.point in believed:
            found = _stuck(rule, heard, before=before, after=after)
            if found is not None:
                note(rule.point, found[0], "stuck", found[1])
    return bad, faults, after


@once_a_site
def _special_ranges(site: Site) -> Mapping[str | None, tuple[float, float]]:
    """Temperatures of fluid in collectors, and of water that is stored or drawn; loops' flows, which may turn."""
    loops = [site.loops[collector.loop] for collector in site.collectors.values()]
    in_collectors = [point for loop in loops for point in (loop.entering, loop.leaving)]
    path = site.hot_water
    in_path = (path.cold, *path.between, path.hot, path.heated, path.mixed) if path else ()
    in_tanks = (point for tank in site.tanks.values() for point in tank.temperatures)
    in_loops = (loop.flow for loop in site.loops.values())
    return {
        **dict.fromkeys(in_collectors, _COLLECTOR_DEGC),
        **dict.fromkeys((*in_path, *in_tanks), _WATER_DEGC),
        **dict.fromkeys(in_loops, _EITHER_WAY_M3_S),
    }


@compiled
def _extremes(value: Array) -> tuple[float, float, float]:
    """The lowest and the highest of one reading or more, and the farthest step from one to the next."""
    lowest = highest = value[0]
    farthest = 0.0
    for n in range(1, len(value)):
        lowest, highest = min(lowest, value[n]), max(highest, value[n])
        farthest = max(farthest, abs(value[n] - value[n - 1]))
    return lowest, highest, farthest


_TOLD_IN = {"temperature": (1.0, " degC"), "flow": (6e4, " l/min"), "power": (1.0, " W"), "irradiance": (1.0, " W/m2")}


def _fault(sensor: Point, kind: str, time_s: Array, value: Array) -> SensorFault:
    scale, unit = _TOLD_IN.get(sensor.quantity, (1.0, ""))
    point, n = sensor.id, len(value)
    first, farthest = scale * float(value[0]), scale * float(value[np.argmax(np.abs(value))])
    hours = float(time_s[-1] - time_s[0]) / 3600.0
    times, readings = ("once", "a reading") if n == 1 else (f"{n} times", f"{n} readings")
    sentence = {
        "range": f"{point} gave {readings} that no such sensor can give (as far as {farthest:g}{unit}); left out.",
        "spike": f"{point} jumped away and straight back {times} (as far as {farthest:g}{unit}); left out.",
        "stuck": f"{point} stood still at {first:g}{unit} for {hours:.1f} h while what it measures moved; left out.",
    }[kind]
    return SensorFault(point, kind, float(time_s[0]), float(time_s[-1]), n, sentence)


def _spikes(value: Array) -> Flags:
    flags = np.zeros(len(value), bool)
    is_far = np.abs(value[1:] - value[:-1]) > _SPIKE_K
    at = (is_far[1:] & is_far[:-1]).nonzero()[0] + 1
    up, down = value[at] - value[at - 1], value[at] - value[at + 1]
    flags[at] = (up * down > 0) & (np.abs(value[at + 1] - value[at - 1]) < _SPIKE_NEIGHBOURS_K)
    return flags


def _lone_bursts(value: Array) -> Flags:
    """Single readings of a flow that no draw of the day comes near; where no draw lasted, none is told."""
    sustained = float(np.minimum(value[1:], value[:-1]).max(initial=0.0))
    limit = max(_BURST_M3_S, _BURST_TIMES * sustained)
    return (value > limit) if sustained > 0 else np.zeros(len(value), bool)


def _stuck(rule: StuckRule, heard: Heard, *, before: Standing, after: Standing) -> tuple[Flags, float] | None:
    """
    Readings of a point that is stuck and when that was first proved; None where it is not.

    What stands still at the end is noted in `after`.
    """
    time_s, value = heard.times_s[rule.point], heard.values[rule.point]
    if len(value) < 3:
        return None
    days_before = before.since_it_moved(rule.point) == value[0]
    proved = {}
    if before.stuck.get(rule.point) == value[0]:
        proved[row_at(value, 0)] = float(time_s[0])
    for row in level_rows(rule, time_s, value):
        span = float(time_s[row[0]]), float(time_s[row[1] - 1])
        moved = rule.has_moved(heard, span, days_before=days_before and row[0] == 0)
        if moved and (at_s := rule.proved_s(heard, span)) < np.inf:
            proved.setdefault(row, at_s)
    newest = value[-1]
    if newest > rule.above and value[time_s.searchsorted(time_s[-1] - _STANDS_S)] == newest:
        _note_standing(rule, heard, proved, days_before=days_before, after=after)
    if not proved:
        return None
    flags = np.zeros(len(value), bool)
    for start, stop in proved:
        flags[start:stop] = True
    return flags, min(proved.values())


def _note_standing(
    rule: StuckRule, heard: Heard, proved: Mapping[tuple[int, int], float], *, days_before: bool, after: Standing
) -> None:
    time_s, value = heard.times_s[rule.point], heard.values[rule.point]
    row = row_at(value, len(value) - 1)
    span = float(time_s[row[0]]), float(time_s[-1])
    moved = rule.has_moved(heard, span, days_before=days_before and row[0] == 0)
    if moved and span[1] - span[0] >= _STANDS_S:
        (after.stuck if row in proved else after.still)[rule.point] = float(value[-1])
