"""What follows from a site's description alone: worked out once for as long as that description is in use."""

from collections.abc import Callable
from functools import lru_cache, wraps
from typing import Generic, TypeVar, TypeVarTuple

from analytics.site import Site

__all__ = ["Same", "once_a_site"]

_Further = TypeVarTuple("_Further")
_Found = TypeVar("_Found")
_Thing = TypeVar("_Thing")

_KEPT = 4096  # answers: of some hundred sites


class Same(Generic[_Thing]):
    """A thing by identity, where comparing it takes longer than most that follows from it."""

    __slots__ = ("thing",)

    def __init__(self, thing: _Thing) -> None:
        self.thing = thing

    def __hash__(self) -> int:
        return id(self.thing)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Same) and self.thing is other.thing


def once_a_site(function: Callable[[Site, *_Further], _Found]) -> Callable[[Site, *_Further], _Found]:
    """A function of a site, and of what can be hashed, that remembers its answers; nobody may change them."""

    @lru_cache(_KEPT)
    def kept(same: Same[Site], *further: *_Further) -> _Found:
        return function(same.thing, *further)

    @wraps(function)
    def found(site: Site, *further: *_Further) -> _Found:
        return kept(Same(site), *further)

    return found
