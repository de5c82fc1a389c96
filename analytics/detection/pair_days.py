"""Days' checks of a pair put together: the newest days that agree with each other, weighted by what each is worth."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from math import hypot, sqrt

from analytics.figures import DayLedger
from analytics.pair_check import AT_A_LOOP, PairCheck, PairMethod
from analytics.plant import PlantDay
from analytics.trace import local_day

__all__ = ["PLACE_U_K", "SETTLED_S", "PairRecord", "Seen", "day_start_ms", "judged_record", "pairs_seen"]

SETTLED_S = 600.0
"""A day's verdict on the days before it comes so long after midnight, when their last readings have arrived."""

_NEWEST = 3  # days that must agree before anything is said
_WITHIN = timedelta(days=10)  # in which these three must lie
_REACH = timedelta(days=14)  # how far back agreeing days are added
_AGREE_K = 0.05
_PLAIN_K = 0.5  # so much apart, two days are enough: sound pairs of a loop are within half of it (common practice)
_SURE_K = 0.03  # what days must be good to that show a step
# What two sensors that are right may differ by where they stand, as a standard uncertainty (common practice): pipes
# at rest in one room; fluid that passes both; water that a coil turns over; layers upside down; a tank's top and the
# pipe that leaves it; a tank's foot and the pipe that enters it.
PLACE_U_K: dict[PairMethod, float] = {
    "rest": 0.03,
    "circulation": 0.015,
    "mixed": 0.1,
    "inverted": 0.1,
    "draw": 0.5,
    "valve": 0.5,
    "inlet": 0.3,
}

Seen = tuple[date, PairCheck]
"""A day and what it told."""


@dataclass(frozen=True, slots=True)
class PairRecord:
    """
    A pair's difference over days that agree.

    Args:
        difference_k: Weighted mean of second - first. [K]
        u_k: Its standard uncertainty: scatter within and between days, and what the sensors' places may do. [K]
        days: Oldest first.
        seen: These and the days before them that do not agree.
    """

    difference_k: float
    u_k: float
    days: Sequence[Seen]
    seen: Sequence[Seen]

    @property
    def newest(self) -> PairCheck:
        return self.days[-1][1]

    @property
    def minutes(self) -> float:
        return sum(check.minutes for _, check in self.days)

    @property
    def rounding_k(self) -> float:
        """By how much coarse steps alone may make the two differ, on whatever day."""
        return max(check.rounding_k for _, check in self.days)

    @property
    def kwh_per_k(self) -> float:
        return sum(check.kwh_per_k for _, check in self.days) / len(self.days)


def pairs_seen(
    history: Sequence[DayLedger], today: date, component: str, *, methods: Sequence[PairMethod]
) -> dict[tuple[str, str, PairMethod], list[Seen]]:
    """Checks of a component's pairs by pair and method, oldest first, as far back as they are looked at."""
    found: dict[tuple[str, str, PairMethod], list[Seen]] = {}
    for ledger in history[-_REACH.days :]:
        if ledger.day < today - _REACH:
            continue
        for check in ledger.pair_checks:
            if check.component == component and check.method in methods:
                found.setdefault((check.first, check.second, check.method), []).append((ledger.day, check))
    return found


def judged_record(seen: Sequence[Seen], today: date) -> PairRecord | None:
    """
    The newest days that agree, at least three of them lately; None where there are not so many.

    Where one stepped, its days before are no part of the record: then the newest two alone say how far. So do two of a
    loop at rest that agree on far more than such pairs ever differ by, where a loop seldom rests. Newest days of a loop
    that are torn, as on the day after an offset came or went, are added to by none: with all would they agree.
    """
    if len(seen) < _NEWEST or seen[-_NEWEST][0] < today - _WITHIN:
        return None if (two := _two(seen, today)) is None else two.record(seen, two.count)
    if (step := _stepped(seen)) is not None:
        return step.record(seen, step.count)
    sums = newest = _Sums()
    for count, (_, check) in enumerate(reversed(seen)):
        if count == _NEWEST:
            newest = sums
            if _is_torn(seen[-_NEWEST:]):
                return sums.record(seen, count)
        # Held against the newest days alone: a slow drift would else carry on what no longer holds.
        if count >= _NEWEST and not newest.agrees(check):
            return sums.record(seen, count)
        sums = sums.with_one(check)
    return sums.record(seen, len(seen))


@dataclass(frozen=True, slots=True)
class _Sums:
    """Sums of weights, weighted differences and their squares, over days taken one by one."""

    count: int = 0
    weight: float = 0.0
    first: float = 0.0
    second: float = 0.0

    def with_one(self, check: PairCheck) -> "_Sums":
        weight = 1 / check.u_k**2
        moment = weight * check.difference_k
        return _Sums(
            self.count + 1, self.weight + weight, self.first + moment, self.second + moment * check.difference_k
        )

    @property
    def mean_k(self) -> float:
        return self.first / self.weight

    @property
    def u_k(self) -> float:
        """Of the days' own doubt and the scatter between them, the larger (Birge ratio)."""
        chi = (self.second - self.first * self.mean_k) / max(self.count - 1, 1)
        return sqrt(max(chi, 1.0) / self.weight)

    def agrees(self, check: PairCheck) -> bool:
        return abs(check.difference_k - self.mean_k) <= _AGREE_K + 3 * hypot(check.u_k, self.u_k)

    def record(self, seen: Sequence[Seen], count: int) -> PairRecord:
        """The record of the newest `count` of the days seen."""
        u_k = hypot(self.u_k, PLACE_U_K.get(seen[-1][1].method, 0.0))
        return PairRecord(self.mean_k, u_k, seen[-count:], seen)


def _is_torn(newest: Sequence[Seen]) -> bool:
    """Whether a loop's newest days lie much further apart than sound pairs of a loop do."""
    told = [check.difference_k for _, check in newest]
    apart_k = max(_PLAIN_K, 6 * max(check.u_k for _, check in newest))
    return newest[-1][1].method in AT_A_LOOP and max(told) - min(told) > apart_k


def _stepped(seen: Sequence[Seen]) -> _Sums | None:
    """The two newest days, if they agree and are apart from the one before them, and all three are sure."""
    before, *newest = (check for _, check in seen[-_NEWEST:])
    sums = _Sums().with_one(newest[0])
    if max(before.u_k, *(check.u_k for check in newest)) > _SURE_K or not sums.agrees(newest[1]):
        return None
    sums = sums.with_one(newest[1])
    return None if sums.agrees(before) else sums


def _two(seen: Sequence[Seen], today: date) -> _Sums | None:
    """The two newest days of a loop, where they lie close and agree on a difference far beyond their doubt."""
    if len(seen) < 2 or seen[-2][0] < today - _WITHIN or seen[-1][1].method not in AT_A_LOOP:
        return None
    older, newer = (check for _, check in seen[-2:])
    sums = _Sums().with_one(older)
    least_k = min(abs(check.difference_k) - 3 * check.u_k for check in (older, newer))
    return sums.with_one(newer) if least_k >= _PLAIN_K and sums.agrees(newer) else None


def day_start_ms(plant: PlantDay, day: date, second: float = 0.0) -> int:
    """An instant of an earlier day of the same house."""
    return _start_ms(day, plant.day.timezone) + round(second * 1000)


@lru_cache(maxsize=512)
def _start_ms(day: date, timezone: str) -> int:
    return local_day(day, timezone).start_ms
