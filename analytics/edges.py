"""Starts and stops: when, within the interval between two readings, a loop began or ceased to give heat."""

import numpy as np
from numpy.typing import NDArray

from analytics.frame import DayFrame
from analytics.plant import Signal
from analytics.segments import Pieces

__all__ = ["end_weight"]

Array = NDArray[np.float64]

_OFF_PART = 0.05  # of its highest mean power: below it a drive rests


def end_weight(pieces: Pieces, rate_last: Array, drive: Signal, *, frame: DayFrame) -> Array:
    """
    How much of each piece goes by its end's heat rate rather than by its start's: a half, unless the drive tells.

    Where the drive starts or stops within a piece, its mean power beside that of the piece after (or before) says
    for which part of the piece it ran. That takes the doubt of a whole interval out of every start and stop. After
    a start the heat rate climbs; how far it had come at the piece's end shows in how it climbs on.

    Args:
        pieces: The loop's pieces. (n,)
        rate_last: Heat rate at each piece's end [W]. (n,)
        drive: The compressor's or pump's power as means or counts.
        frame: The day.
    Returns:
        Weights, 0 to 1. (n,)
    """
    weight = np.full(len(pieces.start_s), 0.5)
    powered = frame.pieces(drive)
    if len(weight) < 3 or len(powered.start_s) < 2:
        return weight
    power = _mean_power(powered, np.append(pieces.start_s, pieces.end_s[-1:]))
    off_w = _OFF_PART * float(np.maximum.reduce(power))
    on, rises = power > off_w, power[1:] >= power[:-1]
    starts = (~on[:-2] & on[2:] & rises[1:]).nonzero()[0] + 1
    stops = (on[:-2] & ~on[2:] & (power[1:-1] <= power[:-2])).nonzero()[0] + 1
    weight[starts] = _ran(power[starts], _level(power, starts, off_w=off_w))
    # A pump that runs on carries the rest of the heat away while the rate falls; one that stops carries none.
    weight[stops] = np.where(rate_last[stops] != 0, 0.5, 1.0) * (1.0 - _ran(power[stops], power[stops - 1]))
    first = starts[starts < len(weight) - 2]
    if len(first):
        weight[first] *= _mean_of_climb(rate_last[first], rate_last[first + 1], rate_last[first + 2], ran=weight[first])
    return weight


def _mean_power(powered: Pieces, edges_s: Array) -> Array:
    """Mean power between instants. [W]"""
    running = np.concatenate(([0.0], powered.amount.cumsum()))
    total = np.interp(edges_s, np.concatenate((powered.start_s[:1], powered.end_s)), running)
    return np.asarray((total[1:] - total[:-1]) / np.maximum(edges_s[1:] - edges_s[:-1], 1e-9))


def _level(power: Array, starts: NDArray[np.intp], *, off_w: float) -> Array:
    """What the power was when it began: it climbs, so that lies below the next piece's by the slope from there on."""
    after, later = power[starts + 1], power[np.minimum(starts + 2, len(power) - 1)]
    return np.where(later > off_w, after - (later - after), after)


def _ran(mean_power: Array, level: Array) -> Array:
    """The part of a piece for which the drive ran. [-]"""
    return np.asarray(np.minimum(np.maximum(mean_power / np.maximum(level, 1e-9), 0.0), 1.0))


def _mean_of_climb(first: Array, second: Array, third: Array, *, ran: Array) -> Array:
    """
    Mean of a heat rate since its start, as a part of what it had reached at the first reading.

    Three readings an interval apart fix an exponential approach; it is followed back over the part `ran` of an
    interval before the first. A rate that stands at once gives 1, one that climbs straight from nothing a half, one
    that begins high with the heat left from the run before more than 1.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        kept = np.clip((third - second) / (second - first), 0.02, 0.98)
        to_come = (second - first) / (1.0 - kept) / first
        back = np.exp(-np.log(kept) * ran) - 1.0
        mean = 1.0 + to_come * (1.0 - back / (-np.log(kept) * ran))
    return np.clip(np.where(np.isfinite(mean), mean, 1.0), 0.3, 2.0)
