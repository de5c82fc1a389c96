"""Starts and stops of a loop that is read at instants, by temperatures that turn at that moment."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.compiled import compiled
from analytics.plant import Signal
from analytics.segments import Pieces

__all__ = ["Turns", "turns_by_warmth"]

Array = NDArray[np.float64]
Places = NDArray[np.intp]

_BARE_VARIANCE = 1.0 / 12.0  # of a moment within an interval, of which nothing else is known
_MEETING = 5.0  # variance of how far two lines lie apart where they meet, in those of the readings that make them
_LEAST_VARIANCE = 4e-4  # of a moment: pumps run up and down for a second or two (common practice)


@dataclass(frozen=True, slots=True)
class Turns:
    """
    Pieces within which a loop started or stopped, and what is known of the moment.

    Args:
        at: Which pieces. (k,)
        ran: The part of each for which fluid moved, 0 to 1. (k,)
        doubt: What is left in doubt of the moment, as a part of what a bare interval leaves, 0 to 1. (k,)
    """

    at: Places
    ran: Array
    doubt: Array


def turns_by_warmth(pieces: Pieces, *, pipes: Sequence[Signal], tank: Sequence[Signal]) -> Turns:
    """
    When a loop that is read at instants started and stopped, by temperatures that turn at that moment.

    At rest a pipe goes its own way, to the room's temperature or up in the sun; while fluid moves it follows the tank
    or the source. A tank's sensor rises while the loop warms it. Where the lines through the readings before and
    after meet, the fluid began to move or came to rest. How far readings lie from such lines says how well that is
    known: each sensor, and the bare interval, count by the inverse of their variances.

    Args:
        pieces: Of the flow.
        pipes: The loop's entering and leaving sensors. They tell stops only: at a start they leap.
        tank: Sensors of the tank that the loop heats.
    """
    at = _turning(pieces)
    weight = np.full(len(at), 1.0 / _BARE_VARIANCE)
    before = 0.5 * weight
    if len(at):
        is_stop = pieces.last[at] == 0
        always = np.ones(len(at), bool)
        for signal, tells in [*((pipe, is_stop) for pipe in pipes), *((sensor, always) for sensor in tank)]:
            if signal.point.sampling == "instant" and len(signal.time_s) > 5:
                told, part = _lines_meet(signal.time_s, signal.value, pieces.start_s, pieces.end_s, at)
                told = np.where(tells, told, 0.0)
                weight += told
                before += told * part
    before = before / weight
    ran = np.where(pieces.last[at] == 0, before, 1.0 - before)
    return Turns(at, ran, np.sqrt(1.0 / _BARE_VARIANCE / weight))


def _turning(pieces: Pieces) -> Places:
    """The pieces in which a loop that had rested starts, or one that had run stops, for two pieces and more."""
    if len(pieces.start_s) < 5 or not pieces.is_unbroken:
        return np.zeros(0, dtype=np.intp)
    moving = np.concatenate((pieces.first, pieces.last[-1:])) != 0
    before, after = moving[2:-3], moving[3:-2]
    lasts = (moving[:-5] == before) & (moving[1:-4] == before) & (moving[4:-1] == after) & (moving[5:] == after)
    return np.asarray(((before != after) & lasts).nonzero()[0] + 2)


@compiled
def _lines_meet(time_s: Array, value: Array, start_s: Array, end_s: Array, at: Places) -> tuple[Array, Array]:
    """
    How well the lines through a sensor's readings tell where they meet, by the inverse of its variance and none where
    they do not, and the part of each piece before that.
    """
    part, variance, bends_k2 = np.full(len(at), np.nan), np.full(len(at), np.nan), np.full(len(at), np.nan)
    for n, piece in enumerate(at):
        last = np.searchsorted(time_s, start_s[piece], side="right") - 1
        first = np.searchsorted(time_s, end_s[piece])
        if last < 2 or first + 2 >= len(time_s):
            continue
        if time_s[last - 2] < start_s[piece - 2] or time_s[first + 2] > end_s[piece + 2]:
            continue
        slope_before = (value[last] - value[last - 1]) / (time_s[last] - time_s[last - 1])
        slope_after = (value[first + 1] - value[first]) / (time_s[first + 1] - time_s[first])
        climbed_k = slope_after * (time_s[first] - start_s[piece]) + slope_before * (start_s[piece] - time_s[last])
        turned_k = (slope_before - slope_after) * (end_s[piece] - start_s[piece])
        before_k = value[last - 2] - 2 * value[last - 1] + value[last]
        after_k = value[first] - 2 * value[first + 1] + value[first + 2]
        bends_k2[n] = before_k**2 + after_k**2
        part[n] = (value[first] - value[last] - climbed_k) / turned_k
        variance[n] = _MEETING / 12.0 / turned_k**2
    usual_k2 = np.nanmedian(bends_k2)
    told, before = np.zeros(len(at)), np.zeros(len(at))
    for n in range(len(at)):
        variance[n] *= max(bends_k2[n], usual_k2)
        if np.isfinite(part[n]) and np.isfinite(variance[n]):
            told[n], before[n] = 1.0 / (variance[n] + _LEAST_VARIANCE), min(max(part[n], 0.0), 1.0)
    return told, before
