"""
Courses: a signal's readings as means over the day's cells.

Points of one gateway are mostly read at the same instants. Those are gathered together, which takes a fraction of the
time that one after the other would.
"""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from analytics.plant import Course, Signal
from analytics.segments import Pieces, cells_of, pieces_of

__all__ = ["courses_of"]

Array = NDArray[np.float64]

# Part of a cell that must be covered for its course to be known; common practice.
_COVERED_PART = 0.5
_LATE_MEAN = 1.5  # intervals from which a mean's reading counts as late


def courses_of(signals: Mapping[str, Signal], edges_s: Array) -> dict[str, Course]:
    """
    Each signal's mean over each cell (of a counter: its rate), NaN where less than half of the cell is covered.

    Args:
        signals: By point.
        edges_s: The cells' edges, evenly spaced. (cells + 1,)
    """
    found: dict[str, Course] = {}
    for group in _read_together(signals):
        if len(group) == 1 or len(group[0].time_s) < 2 or _has_late_mean(group[0]):
            found |= {signal.point.id: _course(signal, edges_s) for signal in group}
        else:
            found |= dict(zip((s.point.id for s in group), _together(group, edges_s), strict=True))
    return found


def _read_together(signals: Mapping[str, Signal]) -> list[list[Signal]]:
    """Signals in groups that share their instants and how they are read."""
    groups: dict[tuple[str, float, float, int], list[list[Signal]]] = {}
    for signal in signals.values():
        key = (signal.point.sampling, signal.point.interval_s, signal.max_gap_s, len(signal.time_s))
        alike = groups.setdefault(key, [])
        mine = next((group for group in alike if np.array_equal(group[0].time_s, signal.time_s)), None)
        if mine is None:
            alike.append([signal])
        else:
            mine.append(signal)
    return [group for alike in groups.values() for group in alike]


def _has_late_mean(signal: Signal) -> bool:
    steps_s = signal.time_s[1:] - signal.time_s[:-1]
    return signal.point.sampling == "mean" and bool((steps_s > _LATE_MEAN * signal.point.interval_s).any())


def _together(group: Sequence[Signal], edges_s: Array) -> Array:
    """Courses of signals with the same instants, (signals, cells)."""
    first = group[0]
    time_s, value = first.time_s, np.stack([signal.value for signal in group])
    if first.point.sampling == "mean":  # level over the interval that a reading closes
        time_s = np.concatenate((time_s[:1] - first.point.interval_s, time_s))
        amount = value * (time_s[1:] - time_s[:-1])
    elif first.point.sampling == "counter":
        amount = value[:, 1:] - value[:, :-1]
    else:
        amount = 0.5 * (value[:, 1:] + value[:, :-1]) * (time_s[1:] - time_s[:-1])
    length_s = time_s[1:] - time_s[:-1]
    near = length_s <= first.max_gap_s
    rows = np.vstack((np.where(near, length_s, 0.0), amount))
    cells = _gathered(time_s, rows, edges_s)
    return _means(cells[1:], cells[0], edges_s)


def _gathered(time_s: Array, rows: Array, edges_s: Array) -> Array:
    """Amounts between readings, spread evenly from the one to the next, gathered into cells. (rows, cells)"""
    running = np.zeros((len(rows), len(time_s)))
    np.cumsum(rows, axis=1, out=running[:, 1:])
    at = np.clip(np.searchsorted(time_s, edges_s, side="right") - 1, 0, len(time_s) - 2)
    part = np.clip((edges_s - time_s[at]) / (time_s[at + 1] - time_s[at]), 0.0, 1.0)
    total = running[:, at] + part * rows[:, at]
    return np.asarray(total[:, 1:] - total[:, :-1])


def _means(amount: Array, covered_s: Array, edges_s: Array) -> Array:
    full = covered_s >= _COVERED_PART * (edges_s[1] - edges_s[0]) - 1e-6
    return np.where(full, amount / np.maximum(covered_s, 1e-9), np.nan)


def _course(signal: Signal, edges_s: Array) -> Course:
    """The same for one signal alone, whatever its gaps."""
    pieces = pieces_of(signal, start_s=edges_s[0], end_s=edges_s[-1])
    return _means(cells_of(pieces, pieces.amount, edges_s), _covered(pieces, signal.max_gap_s, edges_s), edges_s)


def _covered(pieces: Pieces, max_gap_s: float, edges_s: Array) -> Array:
    """Seconds of each cell that the pieces cover."""
    start, end = pieces.start_s, pieces.end_s
    covered = pieces.covered(max_gap_s)
    if len(start) and covered.all() and pieces.is_unbroken:
        edges_s = np.minimum(np.maximum(edges_s, start[0]), end[-1])
        return edges_s[1:] - edges_s[:-1]
    return cells_of(pieces, np.where(covered, end - start, 0.0), edges_s)
