"""A loop's pair at rest that was level and no longer is: whether that counts, and which of the two moved."""

from collections.abc import Sequence
from statistics import median

from analytics.detection.outlet_witness import Witness
from analytics.detection.pair_days import PairRecord, Seen
from analytics.pair_check import ONE_ROOM_K
from analytics.site import Site

__all__ = ["in_different_rooms", "moved_of"]

_LEAST_LEVEL = 3  # days before
_LEVEL_K = 0.3  # beyond the limits of error, that two pipes in one room may differ by (common practice)
_NEAR = 0.4  # of the step: what moved less is taken to have stayed
_ROOM_TIMES = 3.0  # so many times what a room's own warmth moves from day to day must a step be


def in_different_rooms(site: Site, record: PairRecord, limit_k: float) -> bool:
    """
    Whether a collector's pair at rest may be as far apart because its pipes stand in different rooms.

    Not where it was level on every day before: a room does not come between two pipes from one night to the next.
    """
    is_collector = any(each.loop == record.newest.component for each in site.collectors.values())
    if not is_collector or record.newest.method != "rest" or abs(record.difference_k) <= ONE_ROOM_K:
        return False
    before = _before(record)
    return len(before) < _LEAST_LEVEL or any(abs(each.difference_k) > limit_k + _LEVEL_K for _, each in before)


def moved_of(record: PairRecord) -> Witness | None:
    """The sensor that stepped away while the other one read at rest what it read on the days before."""
    before = _before(record)
    if record.newest.method != "rest" or len(before) < _LEAST_LEVEL:
        return None
    firsts, seconds = _degc(before), _degc(before, second=True)
    later, later_second = _degc(record.days), _degc(record.days, second=True)
    if not all((firsts, later)) or len(firsts) < _LEAST_LEVEL:
        return None
    moved_k, moved_second_k = median(later) - median(firsts), median(later_second) - median(seconds)
    step_k = abs(moved_second_k - moved_k)
    room_k = median(abs(each - median(firsts)) for each in firsts)
    if step_k < _ROOM_TIMES * room_k:
        return None
    for moved, stayed, point, other in (
        (moved_k, moved_second_k, record.newest.first, record.newest.second),
        (moved_second_k, moved_k, record.newest.second, record.newest.first),
    ):
        if abs(stayed) <= _NEAR * step_k < abs(moved):
            return Witness(point, f"{other} reads at rest what it read on the days before")
    return None


def _before(record: PairRecord) -> Sequence[Seen]:
    return record.seen[: len(record.seen) - len(record.days)]


def _degc(days: Sequence[Seen], *, second: bool = False) -> list[float]:
    known = (check for _, check in days if check.first_degc is not None)
    return [(check.first_degc or 0.0) + (check.difference_k if second else 0.0) for check in known]
