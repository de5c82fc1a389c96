"""
Pieces of time: how readings become integrals.

A signal's readings are cut into pieces over which the quantity is known: straight from reading to reading
(`instant`), level over the interval that a reading closes (`mean`), or a difference of two counts (`counter`).
Whatever is integrated is integrated over such pieces, and each integral says which part of the time it covers.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analytics.compiled import compiled
from analytics.unheard import NOTHING, TOLD_BY_SIDES_S, AtMost

if TYPE_CHECKING:
    from analytics.plant import Signal

__all__ = ["Pieces", "cells_of", "covered_cells", "gap_amount", "longest_step", "pieces_of", "sum_over", "value_at"]

Array = NDArray[np.float64]

# A mean's interval may be late by half its length before the missing part counts as bridged rather than read.
_LATE_MEAN = 1.5


@dataclass(frozen=True)
class Pieces:
    """
    Pieces in time order, not overlapping. Over each, the quantity runs straight from `first` to `last`.

    Args:
        start_s, end_s: Seconds from the day's start, shape (n,)
        first, last: Value at the piece's start and end, per second for a counter. Shape (n,)
    """

    start_s: Array
    end_s: Array
    first: Array
    last: Array

    @cached_property
    def length_s(self) -> Array:
        return self.end_s - self.start_s

    def only(self, which: NDArray[np.bool_]) -> "Pieces":
        """Some of them."""
        return Pieces(self.start_s[which], self.end_s[which], self.first[which], self.last[which])

    @cached_property
    def is_unbroken(self) -> bool:
        """Whether each piece begins where the one before it ends."""
        return bool(np.logical_and.reduce(self.start_s[1:] == self.end_s[:-1]))

    def spans(self, start_s: float, end_s: float) -> bool:
        """Whether they leave nothing out between two instants. There must be one piece or more."""
        return bool(self.start_s[0] <= start_s and self.end_s[-1] >= end_s and self.is_unbroken)

    def covered(self, max_gap_s: float) -> NDArray[np.bool_]:
        """Which pieces are short enough to count as covered."""
        return np.asarray(self.length_s <= max_gap_s)

    @cached_property
    def amount(self) -> Array:
        """The integral over each piece, in value x seconds."""
        return 0.5 * (self.first + self.last) * self.length_s


def pieces_of(signal: "Signal", *, start_s: float, end_s: float) -> Pieces:
    """The pieces of [start_s, end_s) that a signal's readings cover, gaps bridged up to the signal's limit."""
    time_s, value = signal.time_s, signal.value
    low = max(int(time_s.searchsorted(start_s, side="right")) - 1, 0)
    high = int(time_s.searchsorted(end_s, side="left")) + 1
    time_s, value = time_s[low:high], value[low:high]
    if signal.point.sampling == "counter":
        pieces = _counted(time_s, value)
    elif signal.point.sampling == "mean":
        pieces = _level(time_s, value, interval_s=signal.point.interval_s, max_gap_s=signal.max_gap_s)
    else:
        pieces = _straight(time_s, value, np.inf if signal.is_gapless else signal.max_gap_s)
    if len(pieces.start_s) and (pieces.end_s[0] <= start_s or pieces.start_s[-1] >= end_s):
        pieces = _overlapping(pieces, start_s, end_s)
    return _trimmed(pieces, start_s, end_s)


def _straight(time_s: Array, value: Array, max_gap_s: float) -> Pieces:
    start, end, first, last = time_s[:-1], time_s[1:], value[:-1], value[1:]
    if max_gap_s == np.inf:
        return Pieces(start, end, first, last)
    near = end - start <= max_gap_s
    return Pieces(start[near], end[near], first[near], last[near])


def _counted(time_s: Array, value: Array) -> Pieces:
    # However long nothing was heard, a counter knows what has passed; only when it passed is not known.
    straight = _straight(time_s, value, np.inf)
    rate = (straight.last - straight.first) / straight.length_s
    return Pieces(straight.start_s, straight.end_s, rate, rate)


def _level(time_s: Array, value: Array, *, interval_s: float, max_gap_s: float) -> Pieces:
    if len(time_s) == 0:
        return Pieces(time_s, time_s, value, value)
    before = np.concatenate((time_s[:1] - interval_s, time_s[:-1]))
    if longest_step(time_s) <= _LATE_MEAN * interval_s:
        return Pieces(before, time_s, value, value)
    late = time_s - before > _LATE_MEAN * interval_s
    start = np.where(late, time_s - interval_s, before)
    # The missing part runs straight from the mean before it to the mean after it.
    bridged = (late & (time_s - before <= max_gap_s)).nonzero()[0]
    all_start = np.concatenate((start, before[bridged]))
    order = np.argsort(all_start, kind="stable")
    return Pieces(
        all_start[order],
        np.concatenate((time_s, start[bridged]))[order],
        np.concatenate((value, value[bridged - 1]))[order],
        np.concatenate((value, value[bridged]))[order],
    )


def _overlapping(pieces: Pieces, start_s: float, end_s: float) -> Pieces:
    """Those that have a part in [start_s, end_s)."""
    low = int(pieces.end_s.searchsorted(start_s, side="right"))
    high = max(int(pieces.start_s.searchsorted(end_s, side="left")), low)
    return Pieces(pieces.start_s[low:high], pieces.end_s[low:high], pieces.first[low:high], pieces.last[low:high])


def _trimmed(pieces: Pieces, start_s: float, end_s: float) -> Pieces:
    """The same with what reaches out of [start_s, end_s) cut off."""
    start, end, first, last = pieces.start_s, pieces.end_s, pieces.first, pieces.last
    if len(start) and start[0] < start_s:
        slope = (last[0] - first[0]) / (end[0] - start[0])
        first, start = first.copy(), start.copy()
        first[0] += slope * (start_s - start[0])
        start[0] = start_s
    if len(start) and end[-1] > end_s:
        slope = (last[-1] - first[-1]) / (end[-1] - start[-1])
        last, end = last.copy(), end.copy()
        last[-1] -= slope * (end[-1] - end_s)
        end[-1] = end_s
    return Pieces(start, end, first, last)


def value_at(signal: "Signal", time_s: Array) -> Array:
    """
    An instant or mean signal's value at given instants, straight between readings, NaN in gaps too long to bridge.

    Beyond the first and the last reading it holds for one nominal interval. A mean counts at its interval's middle.
    """
    at, value = signal.time_s, signal.value
    if len(at) == 0 or len(time_s) == 0:
        return np.full(time_s.shape, np.nan)
    if signal.point.sampling == "mean":
        at = at - signal.point.interval_s / 2
    max_gap_s = np.inf if signal.is_gapless else signal.max_gap_s
    return _read_at(time_s.ravel(), at, value, signal.point.interval_s, max_gap_s).reshape(time_s.shape)


@compiled
def _read_at(time_s: Array, at_s: Array, value: Array, hold_s: float, max_gap_s: float) -> Array:
    """The same of readings at instants, one or more, held for a time beyond the first and the last."""
    read, last, place = np.empty(len(time_s)), len(at_s) - 1, 0
    for n in range(len(time_s)):
        found = np.nan
        if n == 0 or time_s[n] < time_s[n - 1]:
            place = np.searchsorted(at_s, time_s[n])
        while place <= last and at_s[place] < time_s[n]:  # instants mostly come in order
            place += 1
        if place > last:
            if time_s[n] <= at_s[last] + hold_s:
                found = value[last]
        elif time_s[n] == at_s[place] or (place == 0 and time_s[n] >= at_s[0] - hold_s):
            found = value[place]
        elif place > 0 and at_s[place] - at_s[place - 1] <= max_gap_s:
            slope = (value[place] - value[place - 1]) / (at_s[place] - at_s[place - 1])
            found = slope * (time_s[n] - at_s[place - 1]) + value[place - 1]
        read[n] = found
    return read


@compiled
def longest_step(time_s: Array) -> float:
    """The longest time between two readings; none where there are fewer."""
    longest = 0.0
    for n in range(1, len(time_s)):
        longest = max(longest, time_s[n] - time_s[n - 1])
    return longest


@compiled
def sum_over(values: Array, which: NDArray[np.bool_]) -> float:
    """The sum of some values."""
    total = 0.0
    for n in range(len(values)):
        if which[n]:
            total += values[n]
    return total


def gap_amount(
    pieces: Pieces,
    known: NDArray[np.bool_],
    *,
    end_s: float,
    longest_s: float = np.inf,
    at_most: AtMost = NOTHING,
    ends: tuple[Array, Array] | None = None,
) -> float:
    """
    How much may have passed unheard from the day's start to `end_s`.

    Of each gap, its length, `longest_s` at most, times the larger of the magnitudes of the values on its two sides; or
    what passes at most in what of it its sides do not tell of, if that is more.

    Args:
        ends: Values at the pieces' starts and ends, where others than their own count.
    """
    if len(known) and pieces.spans(0.0, end_s) and np.logical_and.reduce(known):
        return 0.0
    start, end = pieces.start_s[known], pieces.end_s[known]
    first, last = (np.abs(values[known]) for values in ends or (pieces.first, pieces.last))
    lengths = np.append(start, end_s) - np.concatenate(([0.0], end))
    larger = np.maximum(np.append(first, 0.0), np.concatenate(([0.0], last)))
    amounts = np.clip(lengths, 0.0, longest_s) * larger
    for k in (lengths > TOLD_BY_SIDES_S).nonzero()[0].tolist() if at_most.rate > 0 else ():
        from_s, to_s = float(end[k - 1]) if k else 0.0, float(start[k]) if k < len(start) else end_s
        amounts[k] = at_most.in_gap(from_s, to_s, by_sides=float(amounts[k]))
    return float(np.sum(amounts))


def cells_of(pieces: Pieces, amount: Array, edges_s: Array) -> Array:
    """
    Amounts per piece, spread evenly over each piece, gathered into cells. The sum is kept.

    Args:
        amount: Per piece, finite. Shape (n,) or (k, n)
        edges_s: Cell edges, increasing. Shape (cells + 1,)
    Returns:
        Amount per cell, shape (cells,) or (k, cells)
    """
    rows = _gathered(pieces.start_s, pieces.end_s, np.atleast_2d(amount), edges_s)
    return rows if amount.ndim > 1 else rows[0]


@compiled
def _gathered(start_s: Array, end_s: Array, amount: Array, edges_s: Array) -> Array:
    """The same for rows of amounts: the running total at each edge, less that at the edge before."""
    n_cells, n_pieces = len(edges_s) - 1, len(start_s)
    cells = np.empty((len(amount), n_cells))
    for row in range(len(amount)):
        piece, before, total_before = 0, 0.0, 0.0
        for edge in range(n_cells + 1):
            at_s = edges_s[edge]
            while piece < n_pieces and end_s[piece] <= at_s:
                before += amount[row, piece]
                piece += 1
            total = before
            if piece < n_pieces and start_s[piece] < at_s:
                after = before + amount[row, piece]
                total += (after - before) / (end_s[piece] - start_s[piece]) * (at_s - start_s[piece])
            if edge > 0:
                cells[row, edge - 1] = total - total_before
            total_before = total
    return cells


def covered_cells(pieces: Pieces, covered: NDArray[np.bool_], edges_s: Array) -> Array:
    """Seconds of each cell that lie in covered pieces. Shape (cells,)"""
    if len(covered) and pieces.is_unbroken and np.logical_and.reduce(covered):
        inside_s = np.minimum(np.maximum(edges_s, pieces.start_s[0]), pieces.end_s[-1])
        return np.asarray(inside_s[1:] - inside_s[:-1])
    return cells_of(pieces, np.where(covered, pieces.length_s, 0.0), edges_s)
