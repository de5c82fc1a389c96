"""
Sensors judged: which readings of a day are not to be believed, and why.

Raw readings stay as they are; what is judged bad is left out of the figures and named. A wrong "stuck" would cost
good figures, so a level reading counts as stuck only where something beside it proves that it should have moved.
Limits here are common practice, without source, unless a line says otherwise.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.plant import NOTHING_STANDS, SensorFault, Standing
from analytics.site import Site

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
_SPIKE_K = 30.0  # away from both neighbours ...
_SPIKE_NEIGHBOURS_K = 5.0  # ... which agree with each other
_STUCK_LOOP_S = 3 * 3600.0  # a loop's sensor, while fluid moved past it and its partner changed
_STUCK_TANK_S = 8 * 3600.0  # a tank's sensor, while its neighbours changed
_STUCK_LOOP_PARTNER_K = 5.0
_STUCK_TANK_PARTNER_K = 8.0
# The most that a counter of a house can gain: 100 kW, 2 l/s.
_FASTEST = {"energy": 100e3, "volume": 0.002}
_STANDS_S = 1800.0  # from here on the next day is told that a sensor stands still
_ROLLS_OVER_AT = [float(10**n) for n in range(3, 13)] + [float(2**n) for n in (16, 24, 31, 32)]


@dataclass(frozen=True, slots=True)
class Unrolled:
    """A counter made to rise for good; `sentences` tell of restarts and exchanges, `broken` marks unknown steps."""

    value: Array
    sentences: tuple[str, ...]


def unroll(time_s: Array, value: Array, *, scale: float, quantity: str) -> Unrolled:
    """
    Join a counter over roll-overs, restarts at zero and exchanges of the meter.

    A fall from near a round number or a power of two is a roll-over; another fall is a restart at zero, whose new
    count is counted in full; a step that no house can make (either way) is an exchange and counts as nothing.

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
    if 0 <= after < before and after <= most:
        return after, f"began again at zero ({before:g}, then {after:g})"
    return 0.0, f"was exchanged or set ({before:g}, then {after:g}); what passed between the two is not known"


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

    def note(point: str, flags: Flags, kind: str) -> None:
        if flags.any():
            bad[point] = bad[point] | flags if point in bad else flags
            faults.append(_fault(point, kind, times_s[point][flags], values[point][flags]))

    for point, value in values.items():
        quantity = site.points[point].quantity
        low, high = RANGES[quantity]
        if np.minimum.reduce(value) < low or np.maximum.reduce(value) > high:
            note(point, np.asarray((value < low) | (value > high)), "range")
        if quantity == "temperature" and len(value) > 2 and _farthest_step(value) > _SPIKE_K:
            note(point, _spikes(value), "spike")
    after = Standing({}, {})
    believed = {p: np.where(bad[p], np.nan, value) if p in bad else value for p, value in values.items()}
    for rule in _stuck_rules(site):
        if rule.point in values:
            rows = _rows(believed[rule.point])
            flags = _stuck(rule, times_s, believed, rows=rows, before=before)
            note(rule.point, flags, "stuck")
            _note_standing(after, rule, times_s, believed, rows=rows, flags=flags, before=before)
    return bad, faults, after


def _farthest_step(value: Array) -> float:
    steps = value[1:] - value[:-1]
    return float(max(np.maximum.reduce(steps), -np.minimum.reduce(steps)))


def _fault(point: str, kind: str, time_s: Array, value: Array) -> SensorFault:
    n, farthest = len(value), float(value[np.argmax(np.abs(value))])
    hours = float(time_s[-1] - time_s[0]) / 3600.0
    times, readings = ("once", "a reading") if n == 1 else (f"{n} times", f"{n} readings")
    sentence = {
        "range": f"{point} gave {readings} that no such sensor can give (as far as {farthest:g}); left out.",
        "spike": f"{point} jumped away and straight back {times} (as far as {farthest:g}); left out.",
        "stuck": f"{point} stood still at {value[0]:g} for {hours:.1f} h while what it measures moved; left out.",
    }[kind]
    return SensorFault(point, kind, float(time_s[0]), float(time_s[-1]), n, sentence)


def _spikes(value: Array) -> Flags:
    up = value[1:-1] - value[:-2]
    down = value[1:-1] - value[2:]
    flags = np.zeros(len(value), bool)
    far = np.minimum(np.abs(up), np.abs(down)) > _SPIKE_K
    flags[1:-1] = far & (up * down > 0) & (np.abs(value[2:] - value[:-2]) < _SPIKE_NEIGHBOURS_K)
    return flags


@dataclass(frozen=True, slots=True)
class _StuckRule:
    """
    `point` must not come to stand still for `shortest_s` while one of `partners` moves by `least_k`, both while
    `mover` runs. One that never moved may measure something steady.
    """

    point: str
    partners: tuple[str, ...]
    mover: str | None
    shortest_s: float
    least_k: float


def _stuck_rules(site: Site) -> list[_StuckRule]:
    rules: list[_StuckRule] = []
    for loop in site.loops.values():
        if loop.entering and loop.leaving:
            for point, partner in ((loop.entering, loop.leaving), (loop.leaving, loop.entering)):
                mover = loop.flow or loop.pump
                rules.append(_StuckRule(point, (partner,), mover, _STUCK_LOOP_S, _STUCK_LOOP_PARTNER_K))
    for tank in site.tanks.values():
        for point in tank.temperatures:
            others = tuple(other for other in tank.temperatures if other != point)
            rules.append(_StuckRule(point, others, None, _STUCK_TANK_S, _STUCK_TANK_PARTNER_K))
    return rules


def _rows(value: Array) -> NDArray[np.intp]:
    """Where each row of equal readings begins, and one past the last."""
    return np.concatenate(([0], (value[1:] != value[:-1]).nonzero()[0] + 1, [len(value)]))


def _note_standing(
    after: Standing, rule: _StuckRule, times_s: Mapping[str, Array], values: Mapping[str, Array], *,
    rows: NDArray[np.intp], flags: Flags, before: Standing,
) -> None:  # fmt: skip
    point, time_s, value = rule.point, times_s[rule.point], values[rule.point]
    has_moved = len(rows) > 2 or before.since_it_moved(point) == value[0]
    if has_moved and float(time_s[-1] - time_s[rows[-2]]) >= _STANDS_S:
        (after.stuck if flags[-1] else after.still)[point] = float(value[-1])


def _stuck(
    rule: _StuckRule, times_s: Mapping[str, Array], values: Mapping[str, Array], *,
    rows: NDArray[np.intp], before: Standing,
) -> Flags:  # fmt: skip
    time_s, value = times_s[rule.point], values[rule.point]
    flags = np.zeros(len(value), bool)
    if len(value) < 3:
        return flags
    starts, ends = rows[:-1], rows[1:] - 1
    stood = before.since_it_moved(rule.point) == value[0]
    if before.stuck.get(rule.point) == value[0]:
        flags[: ends[0] + 1] = True
    for index in (time_s[ends] - time_s[starts] >= rule.shortest_s).nonzero()[0]:
        span = (float(time_s[starts[index]]), float(time_s[ends[index]]))
        if (index == 0 and not stood) or not _ran(rule.mover, span, times_s, values):
            continue
        if any(
            _moved(other, rule.mover, span, times_s=times_s, values=values) > rule.least_k for other in rule.partners
        ):
            flags[starts[index] : ends[index] + 1] = True
    return flags


def _moved(
    point: str,
    mover: str | None,
    span: tuple[float, float],
    *,
    times_s: Mapping[str, Array],
    values: Mapping[str, Array],
) -> float:
    """How far a point's believed readings went within the span, while the mover ran."""
    if point not in values:
        return 0.0
    time_s = times_s[point]
    inside = (time_s >= span[0]) & (time_s <= span[1])
    if mover is not None:
        last = np.searchsorted(times_s[mover], time_s, side="right") - 1
        inside &= (last >= 0) & (values[mover][np.maximum(last, 0)] > 0)
    believed = values[point][inside & ~np.isnan(values[point])]
    return float(np.ptp(believed)) if len(believed) else 0.0


def _ran(
    mover: str | None, span: tuple[float, float], times_s: Mapping[str, Array], values: Mapping[str, Array]
) -> bool:
    """Whether the loop ran for at least a tenth of the span; without a mover in the rule there is nothing to ask."""
    if mover is None:
        return True
    if mover not in values:
        return False
    inside = values[mover][(times_s[mover] >= span[0]) & (times_s[mover] <= span[1])]
    return len(inside) > 0 and float(np.mean(inside > 0)) >= 0.1
