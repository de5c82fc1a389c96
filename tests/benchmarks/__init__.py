"""Benchmarks: `make bench`. Each module has `run() -> list[Row]` and measures itself beside its alternative."""

import os
from typing import Literal, TypedDict

__all__ = ["Row", "Scale", "scale"]

Scale = Literal["quick", "usual", "full"]


class Row(TypedDict):
    """
    One thing measured.

    `value` is ours, in `unit`; `beside` says what the alternative is and what it came to in the same run; `ratio` is
    ours to the alternative's.
    """

    what: str
    value: float
    unit: str
    beside: str
    ratio: float


def scale() -> Scale:
    """How much to measure, by HEATLEDGER_BENCH: quick (seconds, to see that all runs), usual, or full (an hour)."""
    asked = os.environ.get("HEATLEDGER_BENCH", "usual")
    if asked not in ("quick", "usual", "full"):
        raise ValueError(f"HEATLEDGER_BENCH is {asked!r}; it must be quick, usual or full")
    return asked
