"""
A batch made ready for a store: in order, each reading once, and the days that it touches.

Both stores count duplicates and replacements by the rules that stand here, so they cannot differ.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.store import Batch, WriteCounts

__all__ = ["SortedRows", "Verdict", "day_runs", "judge", "require_finite", "sort_rows"]

_DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class SortedRows:
    """
    Readings by time and series, each (time, series) once. All arrays have shape (n,).

    Args:
        first: The value that came first for that series and time; it meets what is stored already.
        value: The value that came last and holds.
        inside: What happened between first and last, where the batch itself says a time more than once.
    """

    series: NDArray[np.int32]
    time_ms: NDArray[np.int64]
    first: NDArray[np.float64]
    value: NDArray[np.float64]
    inside: WriteCounts

    def __len__(self) -> int:
        return len(self.time_ms)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a write has to do: the rows to put down, those of them that take another's place, and the counts."""

    write: NDArray[np.bool_]
    replace: NDArray[np.bool_]
    counts: WriteCounts


def require_finite(batch: Batch) -> None:
    """
    Refuse a batch with a value that is not a number: admission has to send such readings to quarantine.

    Raises:
        ValueError: Names how many there are and the first of them.
    """
    finite = np.isfinite(batch.value)
    if finite.all():
        return
    i = int(np.flatnonzero(~finite)[0])
    site, point = batch.names[batch.series[i]]
    raise ValueError(
        f"value must be finite; {len(batch) - int(finite.sum())} of {len(batch)} readings are not, "
        f"first {batch.value[i]} of point {point!r} of site {site!r} at {batch.time_ms[i]} ms"
    )


def _same_bits(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.bool_]:
    return a.view(np.int64) == b.view(np.int64)  # -0.0 and 0.0 are two values: a store keeps what was read


def sort_rows(series: NDArray[np.int32], time_ms: NDArray[np.int64], value: NDArray[np.float64]) -> SortedRows:
    """
    Put readings in order of time and series; of several of one series and time the order of arrival decides.

    Readings that come in that order, as those of a file do, are not sorted again.
    """
    if not len(series):
        return SortedRows(series, time_ms, value, value, WriteCounts())
    key = (time_ms - time_ms.min()) * (int(series.max()) + 1) + series
    if not (key[1:] > key[:-1]).all():
        order = np.argsort(key, kind="stable")
        series, time_ms, value, key = series[order], time_ms[order], value[order], key[order]
    again = np.concatenate(([False], key[1:] == key[:-1]))
    if not again.any():
        return SortedRows(series, time_ms, value, value, WriteCounts())
    same = np.concatenate(([False], _same_bits(value[1:], value[:-1]))) & again
    n_changed = int(again.sum() - same.sum())
    first, last = ~again, ~np.concatenate((again[1:], [False]))
    inside = WriteCounts(stored=n_changed, duplicate=int(same.sum()), replaced=n_changed)
    return SortedRows(series[first], time_ms[first], value[first], value[last], inside)


def judge(rows: SortedRows, known: NDArray[np.bool_], old: NDArray[np.float64]) -> Verdict:
    """
    Hold rows against what is stored.

    Args:
        known: Whether the store has a reading of that series and time. shape (n,)
        old: Its value, anything where there is none. shape (n,)
    """
    n_duplicate = int((known & _same_bits(rows.first, old)).sum())
    n_replaced = int(known.sum()) - n_duplicate
    write = ~known | ~_same_bits(rows.value, old)
    counts = WriteCounts(stored=len(rows) - n_duplicate, duplicate=n_duplicate, replaced=n_replaced)
    return Verdict(write, write & known, counts + rows.inside)


def day_runs(site: NDArray[np.int32], time_ms: NDArray[np.int64]) -> Iterator[tuple[int, int, int]]:
    """
    (site, first_ms, last_ms) of each run of neighbouring UTC days: a late reading does not call for the days between.

    Args:
        site: A number for each reading's site. shape (n,)
        time_ms: Its time, never falling. shape (n,)
    """
    if not len(time_ms):
        return
    order = np.argsort(site, kind="stable")
    site, time_ms = site[order], time_ms[order]
    day = time_ms // _DAY_MS
    starts = np.concatenate(([True], (site[1:] != site[:-1]) | (day[1:] - day[:-1] > 1)))
    first = np.flatnonzero(starts)
    last = np.append(first[1:], len(site)) - 1
    yield from zip(site[first].tolist(), time_ms[first].tolist(), time_ms[last].tolist(), strict=True)
