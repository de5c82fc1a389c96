"""A bounded waiting room between the thread that hears the broker and the thread that writes."""

import threading
from collections import deque
from collections.abc import Sequence
from typing import Generic, TypeVar

__all__ = ["Inbox"]

Item = TypeVar("Item")


class Inbox(Generic[Item]):
    """
    A queue that wakes its reader once for many items, not once for each.

    Args:
        capacity: How many items it holds; beyond, `put` waits.
        enough: How many items make a batch.
    """

    def __init__(self, *, capacity: int, enough: int) -> None:
        self._capacity, self._enough = capacity, enough
        self._items: deque[Item] = deque()
        self._change = threading.Condition()
        self._is_closed = False

    def put(self, items: Sequence[Item]) -> bool:
        """Add items, waiting for room; False if the inbox is closed, and some items not taken."""
        n_taken = 0
        with self._change:
            while n_taken < len(items):
                self._change.wait_for(lambda: len(self._items) < self._capacity or self._is_closed)
                if self._is_closed:
                    return False
                n_before = len(self._items)
                more = items[n_taken : n_taken + self._capacity - n_before]
                self._items.extend(more)
                n_taken += len(more)
                if n_before == 0 or n_before < self._enough <= len(self._items):
                    self._change.notify_all()
        return True

    def take(self, *, idle_s: float, gather_s: float) -> Sequence[Item]:
        """The next batch: waits `idle_s` for a first item, then `gather_s` for enough. Empty if nothing came."""
        with self._change:
            self._change.wait_for(lambda: self._items or self._is_closed, idle_s)
            if self._items:
                self._change.wait_for(lambda: len(self._items) >= self._enough or self._is_closed, gather_s)
            batch = [self._items.popleft() for _ in range(min(self._enough, len(self._items)))]
            self._change.notify_all()
            return batch

    def close(self) -> None:
        """Take no more items; what is in can still be taken out."""
        with self._change:
            self._is_closed = True
            self._change.notify_all()

    @property
    def is_done(self) -> bool:
        """Closed and empty."""
        with self._change:
            return self._is_closed and not self._items
