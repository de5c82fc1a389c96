"""
The readings store: what any store promises. `tests/test_store_contract.py` holds every store to it.

1. A batch is written whole or not at all; when `write` returns, it is durable.
2. A reading is one (site, point, time). Written again with the same value it is a duplicate and changes nothing;
   with a different value it replaces the earlier one and is counted as replaced.
3. Values come back to the bit, times to the millisecond.
4. Every write that changed something leaves news: which site, from which reading time to which. News are read
   with a cursor, so any number of watchers can follow, be killed and go on.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray

from analytics.trace import Trace

__all__ = ["Batch", "News", "ReadingStore", "StoreBusyError", "StoreUnavailableError", "WriteCounts"]


class StoreUnavailableError(Exception):
    """The store cannot be reached or cannot write now; nothing of the batch counts as stored. Try again later."""


class StoreBusyError(StoreUnavailableError):
    """Another process holds the store; the sentence says which, and what to do."""


@dataclass(frozen=True, slots=True)
class Batch:
    """
    Readings as columns. Row i is the reading of `names[series[i]]` at `time_ms[i]`.

    Args:
        names: (site id, point id) of each series in this batch.
        series: Index into `names`. int32, shape (n,)
        time_ms: Milliseconds since 1970-01-01 UTC. int64, shape (n,)
        value: In the point's own unit, finite. float64, shape (n,)
    """

    names: Sequence[tuple[str, str]]
    series: NDArray[np.int32]
    time_ms: NDArray[np.int64]
    value: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.value)


@dataclass(frozen=True, slots=True)
class WriteCounts:
    """`stored` (new, or replacing) + `duplicate` = readings in the batch; `replaced` is a part of `stored`."""

    stored: int = 0
    duplicate: int = 0
    replaced: int = 0

    def __add__(self, other: "WriteCounts") -> "WriteCounts":
        return WriteCounts(self.stored + other.stored, self.duplicate + other.duplicate, self.replaced + other.replaced)


@dataclass(frozen=True, slots=True)
class News:
    """Readings of `site` with times in [first_ms, last_ms] are new or changed. `cursor` is where to go on from."""

    cursor: str
    site: str
    first_ms: int
    last_ms: int


class ReadingStore(Protocol):
    """One place for the readings of all sites. Safe to use from several threads of one process."""

    def write(self, batch: Batch) -> WriteCounts:
        """
        Store a batch durably.

        Raises:
            StoreUnavailableError: If it could not be made durable; the caller keeps the batch and tries again.
        """
        ...

    def read(self, site: str, points: Sequence[str], *, start_ms: int, end_ms: int) -> Mapping[str, Trace]:
        """Traces of [start_ms, end_ms), one for each of `points` (an empty one where there is nothing)."""
        ...

    def span(self, site: str) -> tuple[int, int] | None:
        """Time of the first and of the last reading of a site, None where there are none."""
        ...

    def latest(self, site: str) -> Mapping[str, tuple[int, float]]:
        """Time and value of the last reading of each point of a site."""
        ...

    def news(self, after: str) -> Sequence[News]:
        """News after a cursor, oldest first; "" asks for all. The last one's `cursor` is the place to go on from."""
        ...

    def close(self) -> None: ...

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...
