"""Courses: a signal's readings as means over the day's cells."""

from math import isnan
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analytics.compiled import compiled
from analytics.segments import cells_of, covered_cells, pieces_of

if TYPE_CHECKING:
    from analytics.plant import Signal

__all__ = ["course_of", "mean_of_known", "sum_of_known", "unknown_as_none"]

Array = NDArray[np.float64]

# Part of a cell that must be covered for its course to be known; common practice.
_COVERED_PART = 0.5


def course_of(signal: "Signal") -> Array:
    """A signal's mean over each cell (of a counter: its rate), NaN where less than half of the cell is covered."""
    edges_s, time_s = signal.edges_s, signal.time_s
    spans = len(time_s) > 1 and time_s[0] <= edges_s[0] and time_s[-1] >= edges_s[-1]
    if spans and signal.is_gapless and signal.point.sampling == "instant":
        return _straight(time_s, signal.value, edges_s)
    pieces = pieces_of(signal, start_s=edges_s[0], end_s=edges_s[-1])
    amount = cells_of(pieces, pieces.amount, edges_s)
    covered_s = covered_cells(pieces, pieces.covered(signal.max_gap_s), edges_s)
    full = covered_s >= _COVERED_PART * (edges_s[1] - edges_s[0])
    return np.where(full, amount / np.maximum(covered_s, 1e-9), np.nan)


def unknown_as_none(course: Array) -> Array:
    """For sums in which what is not known counts as none; the course itself where all of it is known."""
    return np.where(np.isnan(course), 0.0, course) if isnan(_sum(course)) else course


def sum_of_known(course: Array) -> float:
    """The sum of what is known."""
    total = _sum(course)
    return _sum(np.where(np.isnan(course), 0.0, course)) if isnan(total) else total


def mean_of_known(values: Array, *, otherwise: float) -> float:
    """The mean of what is known, and a number that stands in where nothing is."""
    total = _sum(values)
    if isnan(total):  # most often all is known, and one sum tells so
        values = values[~np.isnan(values)]
        total = _sum(values)
    return total / values.size if values.size else otherwise


def _sum(values: Array) -> float:
    return float(np.add.reduce(values, axis=None))


@compiled
def _straight(time_s: Array, value: Array, edges_s: Array) -> Array:
    """The same where readings of instants leave nothing open: most signals on most days."""
    course, last = np.empty(len(edges_s) - 1), len(time_s) - 1
    cell_s = edges_s[1] - edges_s[0]
    at, before, after, slope, total_before = -1, 0.0, 0.0, 0.0, 0.0
    for edge in range(len(edges_s)):
        while at < last and time_s[at + 1] <= edges_s[edge]:
            at, before = at + 1, after
            if at < last:
                length_s = time_s[at + 1] - time_s[at]
                after = before + (value[at + 1] + value[at]) * 0.5 * length_s
                slope = (after - before) / length_s
        total = before + slope * (edges_s[edge] - time_s[at]) if at < last else before
        if edge > 0:
            course[edge - 1] = (total - total_before) / cell_s
        total_before = total
    return course
