"""Which rows of a long table are shown alone: the largest, in their order; the rest make one row."""

from collections.abc import Sequence

__all__ = ["MOST_ROWS", "largest_and_rest"]

MOST_ROWS = 12


def largest_and_rest(sizes: Sequence[float]) -> tuple[list[int], list[int]]:
    """Indices of the rows to show alone, in their order, and of those that make one row with their sum."""
    if len(sizes) <= MOST_ROWS:
        return list(range(len(sizes))), []
    by_size = sorted(range(len(sizes)), key=lambda index: -abs(sizes[index]))
    return sorted(by_size[: MOST_ROWS - 1]), sorted(by_size[MOST_ROWS - 1 :])
