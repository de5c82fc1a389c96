"""
A hot-water sensor that answers slowly, as the beginnings of draws show.

A sensor in a pocket needs some ten seconds for most of a change. A short draw is over before it shows how warm the
water was, and its heat is told too small: by some percent of a day's hot water in a house of many short draws. The
water itself may come late as well, cooled by the pipe; the readings do not tell the one from the other.
"""

import numpy as np
from numpy.typing import NDArray

from analytics.compiled import compiled
from analytics.draws_missed import draw_begins
from analytics.plant import Signal
from analytics.segments import Pieces, value_at

__all__ = ["late_k"]

Array = NDArray[np.float64]
Places = NDArray[np.intp]

# Common practice, without source, all of them.
_EARLY = 4  # pieces of a draw after which a sensor that is read every ten seconds shows the water as it is
_LONG = 6  # pieces of a draw whose end shows that
_LEAST_K = 5.0  # warmer than the sensor at rest: of less its answer is not read
_MOST_PART = 0.9


def late_k(signal: Signal, run: Pieces, degc: Array) -> float:
    """
    How much less than the water's a sensor's temperature is, as a mean over all water drawn. [K]

    Which part of its way from rest to the water's temperature it still has before it in the first, second, third and
    fourth piece, long draws tell; by that the ends of all draws tell how warm the water was.

    Args:
        run: The pieces in which water moves, in order.
        degc: The sensor's mean in each. (pieces,)
    """
    begins = draw_begins(run)
    if len(begins) == 0 or signal.point.sampling != "instant":
        return 0.0
    rest_degc, total = value_at(signal, run.start_s[begins]), float(run.amount.sum())
    return _missing(begins, rest_degc, degc, run.amount) / total if total > 0 else 0.0


@compiled
def _missing(begins: Places, rest_degc: Array, degc: Array, amount: Array) -> float:
    """What the temperatures lack of the water's, times the water's amounts, in all; of what is not known nothing."""
    way_k2, told_k2, lacking, n_draws = 0.0, np.zeros(_EARLY), 0.0, len(begins)
    for n in range(n_draws):
        begin, end = begins[n], (begins[n + 1] if n + 1 < n_draws else len(degc)) - 1
        gap_k = degc[end] - rest_degc[n]
        if end - begin >= _LONG - 1 and gap_k > _LEAST_K:
            way_k2 += gap_k**2
            for piece in range(_EARLY):
                told_k2[piece] += gap_k * (degc[end] - degc[begin + piece])
    if way_k2 == 0.0:
        return 0.0
    for n in range(n_draws):
        begin, end = begins[n], (begins[n + 1] if n + 1 < n_draws else len(degc)) - 1
        gap_k, n_pieces = degc[end] - rest_degc[n], end - begin + 1
        if gap_k > _LEAST_K:
            whole_k = gap_k / (1.0 - _part(told_k2[n_pieces - 1] / way_k2)) if n_pieces <= _EARLY else gap_k
            for piece in range(min(n_pieces, _EARLY)):
                lacks = _part(told_k2[piece] / way_k2) * whole_k * amount[begin + piece]
                lacking += 0.0 if np.isnan(lacks) else lacks
    return lacking


@compiled
def _part(told: float) -> float:
    return min(max(told, 0.0), _MOST_PART)
