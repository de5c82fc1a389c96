"""What follows from a site's description alone: worked out once for as long as that description is in use."""

from collections.abc import Callable
from functools import lru_cache, wraps
from typing import TypeVar, TypeVarTuple

from analytics.site import Site

__all__ = ["once_a_site"]

_Further = TypeVarTuple("_Further")
_Found = TypeVar("_Found")

_KEPT = 4096  # answers: of some hundred sites


class _Same:
    """A site by identity, since comparing descriptions takes longer than most that follows from them."""

    __slots__ = ("site",)

    def __init__(self, site: Site) -> None:
        self.site = site

    def __hash__(self) -> int:
        return id(self.site)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and self.site is other.site


def once_a_site(function: Callable[[Site, *_Further], _Found]) -> Callable[[Site, *_Further], _Found]:
    """A function of a site, and of what can be hashed, that remembers its answers; nobody may change them."""

    @lru_cache(_KEPT)
    def kept(same: _Same, *further: *_Further) -> _Found:
        return function(same.site, *further)

    @wraps(function)
    def found(site: Site, *further: *_Further) -> _Found:
        return kept(_Same(site), *further)

    return found
