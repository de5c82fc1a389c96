"""What bears on a part held against its own first weeks: a loop's sensors, and a pair of them that disagrees."""

from collections.abc import Callable

from analytics.figures import DayLedger
from analytics.pair_check import AT_A_LOOP
from analytics.pair_order import is_beyond_classes
from analytics.site import Site

__all__ = ["loop_bearing", "misread"]


def loop_bearing(site: Site, loop: str | None) -> frozenset[str]:
    """A loop and its sensors, and the site itself: what silences or skews its heat."""
    parts = site.loops[loop] if loop else None
    if parts is None:
        return frozenset({site.id})
    points = (parts.entering, parts.leaving, parts.flow, parts.energy, parts.pump)
    return frozenset({site.id, parts.id, *(point for point in points if point)})


def misread(site: Site, loop: str | None) -> Callable[[DayLedger], bool]:
    """Whether a day showed that a loop's pair of sensors disagrees beyond its classes."""

    def is_misread(day: DayLedger) -> bool:
        mine = (each for each in day.pair_checks if each.component == loop and each.method in AT_A_LOOP)
        return any(is_beyond_classes(site, check) for check in mine)

    return is_misread
