"""What a detector has to judge at a site, and what would explain it: the same as long as the site's description is."""

from dataclasses import dataclass
from functools import lru_cache

from analytics.detection.findings import Detector, Explainer, Need
from analytics.detection.precedence import explainers
from analytics.site import Site

__all__ = ["Entry", "watchlist"]


@dataclass(frozen=True, slots=True)
class Entry:
    """A component, or what is lacking to judge it, with the alerts that would explain one of it."""

    need: Need
    explained_by: tuple[Explainer, ...]


def watchlist(site: Site, detector: Detector) -> tuple[Entry, ...]:
    """What a detector has to judge at a site, in the order of the site file."""
    return _found(_Key(site, detector))


class _Key:
    """A site by identity, since comparing descriptions takes longer than the rest, and a detector by its class."""

    __slots__ = ("detector", "site")

    def __init__(self, site: Site, detector: Detector) -> None:
        self.site, self.detector = site, detector

    def __hash__(self) -> int:
        return hash((id(self.site), type(self.detector)))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Key) and self.site is other.site and type(self.detector) is type(other.detector)


@lru_cache(maxsize=16_384)  # some five hundred sites
def _found(key: _Key) -> tuple[Entry, ...]:
    kind = key.detector.kind
    return tuple(Entry(need, explainers(key.site, kind, need.component)) for need in key.detector.needs(key.site))
