"""What several ask of one day: worked out once for the day that was asked about last."""

from collections.abc import Callable
from functools import lru_cache, wraps
from typing import Any, TypeVar, TypeVarTuple

from analytics.by_site import Same
from analytics.plant import PlantDay

__all__ = ["once_a_day"]

_Further = TypeVarTuple("_Further")
_Found = TypeVar("_Found")


def once_a_day(function: Callable[[PlantDay, *_Further], _Found]) -> Callable[[PlantDay, *_Further], _Found]:
    """
    A function of a plant's day that remembers its answers until it is asked about another one.

    Further arguments count by identity, names by what they say. Nobody may change an answer.
    """

    @lru_cache(maxsize=1)
    def answers(_: Same[PlantDay]) -> dict[Any, _Found]:
        return {}

    @wraps(function)
    def found(plant: PlantDay, *further: *_Further) -> _Found:
        known = answers(Same(plant))
        key = tuple(each if isinstance(each, str) else Same(each) for each in further)
        if key not in known:
            known[key] = function(plant, *further)
        return known[key]

    return found
