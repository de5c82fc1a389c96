"""Courses: a signal's readings as means over the day's cells."""

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analytics.segments import Pieces, cells_of, pieces_of

if TYPE_CHECKING:
    from analytics.plant import Signal

__all__ = ["course_of"]

Array = NDArray[np.float64]

# Part of a cell that must be covered for its course to be known; common practice.
_COVERED_PART = 0.5


def course_of(signal: "Signal") -> Array:
    """A signal's mean over each cell (of a counter: its rate), NaN where less than half of the cell is covered."""
    edges_s, time_s = signal.edges_s, signal.time_s
    spans = len(time_s) > 1 and time_s[0] <= edges_s[0] and time_s[-1] >= edges_s[-1]
    if spans and signal.is_gapless and signal.point.sampling == "instant":
        return _straight(signal)
    pieces = pieces_of(signal, start_s=edges_s[0], end_s=edges_s[-1])
    amount, covered_s = cells_of(pieces, pieces.amount, edges_s), _covered(signal, pieces)
    full = covered_s >= _COVERED_PART * (edges_s[1] - edges_s[0])
    return np.where(full, amount / np.maximum(covered_s, 1e-9), np.nan)


def _straight(signal: "Signal") -> Array:
    """The same where readings of instants leave nothing open: most signals on most days."""
    time_s, value, edges_s = signal.time_s, signal.value, signal.edges_s
    running = np.zeros(len(time_s))
    (0.5 * (value[1:] + value[:-1]) * (time_s[1:] - time_s[:-1])).cumsum(out=running[1:])
    total = np.interp(edges_s, time_s, running)
    return np.asarray((total[1:] - total[:-1]) / (edges_s[1] - edges_s[0]))


def _covered(signal: "Signal", pieces: Pieces) -> Array:
    """Seconds of each cell that the pieces cover."""
    edges_s, start, end = signal.edges_s, pieces.start_s, pieces.end_s
    if len(start) and signal.is_gapless and pieces.is_unbroken:
        edges_s = np.minimum(np.maximum(edges_s, start[0]), end[-1])
        return np.asarray(edges_s[1:] - edges_s[:-1])
    return cells_of(pieces, np.where(pieces.covered(signal.max_gap_s), end - start, 0.0), edges_s)
