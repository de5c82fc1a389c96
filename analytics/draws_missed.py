"""Draws of hot water: where each begins, and what gaps between readings may have hidden of them."""

from math import sqrt

import numpy as np
from numpy.typing import NDArray

from analytics.courses import sum_of_known
from analytics.derived import root_of_squares, unheard_at_mean
from analytics.doubt import GAPS, Doubt, from_limit
from analytics.segments import Pieces

__all__ = ["draw_begins", "missed_m3", "untold_doubt", "untold_part"]

_PAUSE_S = 30.0  # taps closed for less than this do not end a draw; common practice


def draw_begins(pieces: Pieces) -> NDArray[np.intp]:
    """Index of the piece with which each draw begins."""
    if len(pieces.start_s) == 0:
        return np.zeros(0, np.intp)
    return np.concatenate(([0], (pieces.start_s[1:] - pieces.end_s[:-1] > _PAUSE_S).nonzero()[0] + 1))


def missed_m3(pieces: Pieces, volume_m3: NDArray[np.float64], hidden_m3: float, *, part: float) -> float:
    """
    What gaps may have hidden, as a standard uncertainty [m3].

    Draws come at random and are of very different sizes: their number in a gap is taken as Poisson's, each as any of
    the day's, so what is missed has mean L m and variance L (m^2 + s^2), L draws being expected in the gap. A tap
    that was open at a gap's edge may have run through all of it, but not for longer than a quarter of an hour; a gap
    of hours may hold a day's use of which nothing was heard.

    Args:
        pieces, volume_m3: Those in which water moved, and how much. Shape (pieces,)
        hidden_m3: The most that the gaps can have hidden by their edges or their length.
        part: Of the day that was heard.
    """
    begins = draw_begins(pieces)
    if part >= 1 or len(begins) == 0:
        return from_limit(hidden_m3)
    squares = float(np.add.reduce(np.add.reduceat(volume_m3, begins) ** 2))
    lost = (1 - part) / part
    return root_of_squares([(float(volume_m3.sum()) * lost, 1), (sqrt(squares * lost), 1), (hidden_m3, 3)])


def untold_part(volume_m3: NDArray[np.float64], heat_j: NDArray[np.float64]) -> float:
    """Of the water that moved, the part whose heat is not known. Shapes (pieces,)"""
    known = ~np.isnan(heat_j)
    return 1.0 - float(volume_m3[known].sum()) / max(float(volume_m3.sum()), 1e-12) if len(heat_j) else 0.0


def untold_doubt(meter: str, volume_m3: NDArray[np.float64], heat_j: NDArray[np.float64]) -> Doubt:
    """Doubt of the heat of water that a meter counted while its temperatures were not known. [J]"""
    part = untold_part(volume_m3, heat_j)
    gap_j = unheard_at_mean(sum_of_known(heat_j), 1.0 - part) if part < 1.0 else 0.0
    return Doubt({}, {f"{GAPS} of the temperatures beside {meter}": from_limit(gap_j)})
