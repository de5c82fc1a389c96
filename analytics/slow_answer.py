"""
A hot-water sensor that answers slowly, as the beginnings of draws show.

A sensor in a pocket needs some ten seconds for most of a change. A short draw is over before it shows how warm the
water was, and its heat is told too small: by some percent of a day's hot water in a house of many short draws. The
water itself may come late as well, cooled by the pipe; the readings do not tell the one from the other.
"""

import numpy as np
from numpy.typing import NDArray

from analytics.draws_missed import draw_begins
from analytics.plant import Signal
from analytics.segments import Pieces, value_at

__all__ = ["late_k"]

Array = NDArray[np.float64]

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
    pieces = np.concatenate((begins[1:], [len(run.start_s)])) - begins
    rest_degc = value_at(signal, run.start_s[begins])
    end_degc = degc[begins + pieces - 1]
    # A draw's first pieces, one row each; what lies beyond its end counts for nothing.
    place = begins[:, None] + np.arange(_EARLY)
    inside = np.arange(_EARLY) < pieces[:, None]
    place = np.minimum(place, len(degc) - 1)
    gap_k = end_degc - rest_degc
    is_long = (pieces >= _LONG) & (gap_k > _LEAST_K)
    if not is_long.any():
        return 0.0
    short_k = end_degc[is_long, None] - degc[place[is_long]]
    part = (gap_k[is_long, None] * short_k).sum(axis=0) / (gap_k[is_long] ** 2).sum()
    part = np.minimum(np.maximum(part, 0.0), _MOST_PART)
    at_end = np.concatenate((part, [0.0]))[np.minimum(pieces, _EARLY + 1) - 1]
    whole_k = gap_k / (1.0 - at_end)
    missing = np.where(inside & (gap_k > _LEAST_K)[:, None], part * whole_k[:, None] * run.amount[place], 0.0)
    total = float(run.amount.sum())
    return float(np.nansum(missing)) / total if total > 0 else 0.0
