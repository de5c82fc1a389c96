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
    edges_s = signal.edges_s
    pieces = pieces_of(signal, start_s=edges_s[0], end_s=edges_s[-1])
    amount, covered_s = cells_of(pieces, pieces.amount, edges_s), _covered(signal, pieces)
    full = covered_s >= _COVERED_PART * (edges_s[1] - edges_s[0])
    return np.where(full, amount / np.maximum(covered_s, 1e-9), np.nan)


def _covered(signal: "Signal", pieces: Pieces) -> Array:
    """Seconds of each cell that the pieces cover."""
    edges_s, start, end = signal.edges_s, pieces.start_s, pieces.end_s
    if len(start) and signal.is_gapless and pieces.is_unbroken:
        edges_s = np.minimum(np.maximum(edges_s, start[0]), end[-1])
        return np.asarray(edges_s[1:] - edges_s[:-1])
    return cells_of(pieces, np.where(pieces.covered(signal.max_gap_s), end - start, 0.0), edges_s)
