"""Starts and stops: when, within the interval between two readings, a loop began or ceased to give heat."""

import numpy as np
from numpy.typing import NDArray

from analytics.frame import DayFrame
from analytics.plant import Signal
from analytics.segments import Pieces

__all__ = ["end_weight"]

Array = NDArray[np.float64]
Places = NDArray[np.intp]

_OFF_PART = 0.05  # of its highest mean power: below it a drive rests
_AFTER_START = np.arange(1, 6)  # pieces; then less than 1 % is left of a climb of a minute, read once a minute
_AFTER_STOP = np.arange(1, 4)  # pumps run on for a minute or two; common practice
_LEAST_FALL = 1e-3  # of a rate that falls less the mean is halfway


def end_weight(pieces: Pieces, rate: Array, drive: Signal, *, frame: DayFrame) -> Array:
    """
    How much of each piece goes by its end's heat rate rather than by its start's: a half, unless the drive tells.

    Where the drive starts or stops within a piece, its mean power beside that of the piece after (or before) says
    for which part of the piece it ran. That takes the doubt of a whole interval out of every start and stop. After
    a start the heat rate climbs (or falls, where heat was left from the run before); how far it had come at the
    piece's end shows in how it goes on. A pump that runs on after a stop carries the rest away by the same law.

    Args:
        pieces: The loop's pieces. (n,)
        rate: Heat rate at each piece's start and end [W]. (2, n)
        drive: The compressor's or pump's power as means or counts.
        frame: The day.
    Returns:
        Weights, 0 to 1. (n,)
    """
    weight = np.full(len(pieces.start_s), 0.5)
    powered = frame.pieces(drive)
    if len(weight) < 3 or len(powered.start_s) < 2:
        return weight
    power = _mean_power(powered, np.concatenate((pieces.start_s, pieces.end_s[-1:])))
    off_w = _OFF_PART * float(np.maximum.reduce(power))
    on = power > off_w
    goes_on = np.concatenate((on[3:], [False]))
    starts = (~on[:-2] & on[2:] & ((power[2:] >= power[1:-1]) | goes_on)).nonzero()[0] + 1
    stops = (on[:-2] & ~on[2:] & (power[1:-1] <= power[:-2])).nonzero()[0] + 1
    weight[starts] = _ran(power[starts], _level(power, starts, off_w=off_w))
    weight[stops] = 1.0 - _ran(power[stops], power[stops - 1])
    lasts = rate[1] != 0
    if np.logical_or.reduce(lasts[stops]):
        weight[stops] *= np.where(lasts[stops], _end_of_decay(rate[:, stops]), 1.0)
        runs_on, _ = _following(stops, lasts & ~on, _AFTER_STOP)
        weight[runs_on] = _end_of_decay(rate[:, runs_on])
    first = starts[on[starts] & (starts < len(weight) - 2)]
    kept, mean = _climb(rate[1, first], rate[1, first + 1], rate[1, first + 2], ran=weight[first])
    weight[first] = np.where(rate[0, first] == 0, weight[first] * mean, np.minimum(weight[first] * mean, 1.0))
    climbs, which = _following(first, on & np.concatenate((on[1:], [False])), _AFTER_START)
    known = kept[which] > 0
    weight[climbs[known]] = _end_of_climb(kept[which][known])
    return weight


def _following(places: Places, goes_on: NDArray[np.bool_], most: Places) -> tuple[Places, Places]:
    """The pieces after each place, one after the other as long as it goes on, and to which place each belongs."""
    pieces = np.minimum(places[:, None] + most, len(goes_on) - 1)
    within = np.logical_and.accumulate(goes_on[pieces], axis=1)
    return pieces[within], within.nonzero()[0]


def _end_of_decay(rate: Array) -> Array:
    """The same for pieces of a rate that falls by a constant part in equal times: its mean is the logarithmic one."""
    first, last = rate
    with np.errstate(divide="ignore", invalid="ignore"):
        fallen = 1.0 - last / first
        weight = 1.0 / fallen + 1.0 / np.log1p(-fallen)
    return np.where((fallen > _LEAST_FALL) & (fallen < 1.0), weight, 0.5)


def _end_of_climb(kept: Array) -> Array:
    """The same for whole pieces of an exponential approach that keeps such a part of its way through each."""
    return np.asarray(1.0 / (1.0 - kept) + 1.0 / np.log(kept))


def _mean_power(powered: Pieces, edges_s: Array) -> Array:
    """Mean power between instants. [W]"""
    running = np.concatenate(([0.0], np.add.accumulate(powered.amount)))
    total = np.interp(edges_s, np.concatenate((powered.start_s[:1], powered.end_s)), running)
    return np.asarray((total[1:] - total[:-1]) / np.maximum(edges_s[1:] - edges_s[:-1], 1e-9))


def _level(power: Array, starts: Places, *, off_w: float) -> Array:
    """What the power was when it began: it climbs or falls, so that lies beside the next piece's by the slope there."""
    last = len(power) - 1
    after, later, latest = (power[np.minimum(starts + n, last)] for n in (1, 2, 3))
    return np.where((later > off_w) & (latest > off_w), after - (later - after), after)


def _ran(mean_power: Array, level: Array) -> Array:
    """The part of a piece for which the drive ran. [-]"""
    return np.asarray(np.minimum(np.maximum(mean_power / np.maximum(level, 1e-9), 0.0), 1.0))


def _climb(first: Array, second: Array, third: Array, *, ran: Array) -> tuple[Array, Array]:
    """
    A heat rate since its start: what it keeps of its way in each interval (none where it is no approach), and its mean
    since then, as a part of what it had reached at the first reading.

    Three readings an interval apart fix an exponential approach; it is followed back over the part `ran` of an
    interval before the first. A rate that stands at once gives a mean of 1, one that climbs straight from nothing a
    half, one that begins high with the heat left from the run before more than 1.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        found = (third - second) / (second - first)
        kept = np.minimum(np.maximum(np.where(np.isfinite(found), found, 0.0), 0.02), 0.98)
        to_come = (second - first) / (1.0 - kept) / first
        back = np.exp(-np.log(kept) * ran) - 1.0
        mean = 1.0 + to_come * (1.0 - back / (-np.log(kept) * ran))
    is_approach = (found > 0) & (found < 1) & (first != 0)
    return np.where(is_approach, kept, 0.0), np.minimum(np.maximum(np.where(np.isfinite(mean), mean, 1.0), 0.3), 2.0)
