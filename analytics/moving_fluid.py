"""Temperatures of a fluid while it moves: what a sensor said at rest, just before or after, does not count."""

import numpy as np
from numpy.typing import NDArray

from analytics.plant import Signal
from analytics.segments import Pieces, value_at

__all__ = [
    "loop_temperatures",
    "loop_temperatures_at_instants",
    "tap_temperatures",
    "tap_temperatures_at_instants",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_TOUCH_S = 1e-6
# Of a pipe from one mean to the next, a minute later; what falls faster has other causes.
_MOST_FALL_K_S = 5.0 / 60.0
_MOST_GROWTH = 2.0  # of such a fall beside the next one; more is the noise of small falls
# Of the way from rest to what an instant sensor says at the end of a run's first piece, which the fluid of a loop has
# gone on the mean while it moved; seen in two virtual plants.
_RISEN_PART = 0.3
_LEAST_RAN = 0.05  # of a piece: from less, nothing is told of how warm the fluid was


def tap_temperatures(signal: Signal, run: Pieces) -> tuple[Array, Array]:
    """
    A temperature at both ends of pieces of mean flow to the taps. Shapes (pieces,), NaN where not known. [degC]

    Where a draw begins, what the sensor says at the piece's end counts for all of it, since the water in the pipe is
    soon gone; where it ends, what it says at the start.

    Args:
        run: The pieces in which water moves, in order; those that do not touch belong to different draws.
    """
    if len(run.start_s) == 0:
        return run.start_s, run.start_s
    begins, ends = _turns(run)
    if signal.point.sampling == "mean":
        return _tap_means(signal, run, begins, ends)
    first, last = _at_both_ends(signal, run)
    return np.where(begins, last, first), np.where(ends & ~begins, first, last)


def _tap_means(signal: Signal, run: Pieces, begins: Flags, ends: Flags) -> tuple[Array, Array]:
    """
    The same by a sensor that tells means.

    The mean of a draw's first piece holds the pipe at rest before it, as it had cooled; that of its last piece the pipe
    after it, which cools slowly. A draw within one piece shows in the pieces after it: the pipe then goes back from the
    water's temperature, by as much in each as from one to the next. Whatever else a mean holds of the pipe only draws
    it toward rest: the water was at least as far from rest as the mean. Both ends differ by what is in doubt of that.
    """
    level, before = _level(signal, run), _level(signal, run, pieces_on=-1)
    after, second, third = (_level(signal, run, pieces_on=n) for n in (1, 2, 3))
    fall = _falls(run, np.array((after - second, second - third)), ends)
    by_pipe = np.where(np.isnan(after), level, after + fall)
    by_pipe = np.where(fall > 0, np.fmax(by_pipe, level), np.where(fall < 0, np.fmin(by_pipe, level), by_pipe))
    # A draw of one or two pieces has none that it fills: the pipe tells. A longer one has those between its ends.
    is_short_end = ends & np.concatenate(([True], begins[:-1]))
    at_end = np.where(is_short_end, by_pipe, np.concatenate(([np.nan], level[:-1])))
    at_begin = np.append(np.where(ends, at_end, level)[1:], np.nan)
    at_begin = np.where(at_begin > before, np.fmax(at_begin, level), np.fmin(at_begin, level))
    moving = np.where(ends, at_end, np.where(begins, at_begin, level))
    width = np.where(is_short_end & ~np.isnan(after), np.abs(fall), 0.0)
    width = np.where(begins & ~ends, np.append(width[1:], 0.0), width)
    return moving - 0.5 * width, moving + 0.5 * width


def _falls(run: Pieces, falls_k: Array, ends: Flags) -> Array:
    """
    By how much a pipe goes back toward rest from the last piece of a draw to the next; 0 where nobody knows. (pieces,)

    By a constant part in equal times: more than it then falls by from one piece to the next as that is more than what
    follows. Where another draw comes between, or anything else than the pipe, it is as after the day's other draws.

    Args:
        falls_k: From the first to the second piece after each, and from there to the third. (2, pieces)
    """
    until_s = np.append(run.start_s[1:], np.inf)
    pieces_alone = (until_s - run.end_s + _TOUCH_S) / run.length_s
    is_alone = (np.abs(falls_k[0]) <= _MOST_FALL_K_S * run.length_s) & (pieces_alone >= 2.0)
    others = falls_k[0, is_alone & ends]
    usual_k = float(np.median(others)) if len(others) else 0.0
    first_k, second_k = falls_k[:, is_alone & ends & (pieces_alone >= 3.0) & (falls_k[0] * falls_k[1] > 0)]
    growth = min(max(float(np.median(first_k / second_k)), 1.0), _MOST_GROWTH) if len(first_k) else 1.0
    return growth * np.where(is_alone, falls_k[0], usual_k)


def tap_temperatures_at_instants(signal: Signal, run: Pieces) -> tuple[Array, Array]:
    """The same for pieces between instants of flow: where water stood still, the piece's other end counts for both."""
    if signal.point.sampling == "mean" and len(run.start_s):
        return _tap_means(signal, run, *_turns(run))
    first, last = _at_both_ends(signal, run)
    return np.where(run.first > 0, first, last), np.where(run.last > 0, last, first)


def loop_temperatures(signal: Signal, run: Pieces) -> Array:
    """
    The same for pieces of mean flow in a loop, where start-up is slow. Shape (2, pieces)

    A mean over a run's first or last piece holds fluid at rest as well, in the part of the piece in which the pump did
    not run; the mean of the piece beside it, wholly at rest, tells how warm that was.
    """
    if len(run.start_s) == 0:
        return np.stack((run.start_s, run.start_s))
    begins, ends = _turns(run)
    if signal.point.sampling == "mean":
        level = _moving_part(signal, run, begins, ends)
        return np.stack((level, level))
    first, last = _at_both_ends(signal, run)
    return np.stack(
        (np.where(begins, first + _RISEN_PART * (last - first), first), np.where(ends & ~begins, first, last))
    )


def loop_temperatures_at_instants(signal: Signal, run: Pieces, *, ran: Array | float = 0.5) -> Array:
    """
    The same for pieces between instants of flow. Shape (2, pieces)

    A mean belongs to its whole piece. Where the pump started or stopped within the piece, the rest of it is of fluid at
    rest.

    Args:
        ran: The part of such a piece for which fluid moved: a half where nobody knows. (pieces,)
    """
    if signal.point.sampling != "mean" or len(run.start_s) == 0:
        return _at_both_ends(signal, run)
    level = _level(signal, run)
    starts, stops = run.first <= 0, run.last <= 0
    at_rest = np.where(starts, _level(signal, run, pieces_on=-1), _level(signal, run, pieces_on=1))
    part = np.maximum(ran, _LEAST_RAN)
    level = np.where((starts ^ stops) & ~np.isnan(at_rest), at_rest + (level - at_rest) / part, level)
    return np.stack((level, level))


def _at_both_ends(signal: Signal, run: Pieces) -> Array:
    """What a sensor shows at the start and at the end of each piece. Shape (2, pieces)"""
    return value_at(signal, np.concatenate((run.start_s, run.end_s))).reshape(2, -1)


def _turns(run: Pieces) -> tuple[Flags, Flags]:
    """Which pieces begin and which end a run."""
    apart = run.start_s[1:] > run.end_s[:-1] + _TOUCH_S
    return np.concatenate(([True], apart)), np.concatenate((apart, [True]))


def _level(signal: Signal, run: Pieces, *, pieces_on: int = 0) -> Array:
    """The mean over each piece, or over one so many of its own lengths later."""
    middle = run.start_s + (0.5 + pieces_on) * run.length_s
    at = np.minimum(signal.time_s.searchsorted(middle, side="left"), len(signal.time_s) - 1)
    ahead_s = signal.time_s[at] - middle
    return np.where((ahead_s >= 0) & (ahead_s <= signal.max_gap_s), signal.value[at], np.nan)


def _moving_part(signal: Signal, run: Pieces, begins: Flags, ends: Flags) -> Array:
    level = _level(signal, run)
    beside = np.where(begins, np.concatenate((run.first[1:], [0.0])), np.concatenate(([0.0], run.first[:-1])))
    full = np.where(begins & ends, 0.0, beside)
    part = np.minimum(run.first / np.where(full > 0, full, np.maximum(run.first, run.last)), 1.0)
    at_rest = np.where(begins, _level(signal, run, pieces_on=-1), _level(signal, run, pieces_on=1))
    # A piece that only bridges a gap, with flow at one end, has no mean of its own.
    is_mixed = (begins | ends) & (part < 1.0) & (run.first == run.last) & ~np.isnan(at_rest)
    unmixed = (level - (1.0 - part) * at_rest) / np.where(is_mixed, part, 1.0)
    return np.where(is_mixed, unmixed, level)
