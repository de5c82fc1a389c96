"""What a demonstration is to be: how many houses, with how many days behind them."""

from dataclasses import dataclass

__all__ = ["DemoPlan"]


@dataclass(frozen=True, slots=True)
class DemoPlan:
    """Houses of the fleet, from its first one on, and whole days of history."""

    n_houses: int
    days: int
