"""
A part of a house held against its own experience, day by day, and the deviations added up.

The first good weeks make a model (`analytics.expected.experience`); each later day deviates from it by so many of its
standard uncertainties; a CUSUM finds small lasting shifts. What is handed from day to day is small, so the watcher
needs no long record, and a whole record gives the same.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from math import nan, sqrt
from types import MappingProxyType
from typing import Any, Literal

from analytics.cusum import Cusum, average_run_length
from analytics.expected.experience import (
    FIRST_DAYS,
    Day,
    Experience,
    experience_from_json,
    experience_of,
    with_day,
)
from analytics.expected.subjects import Seen, Subject
from analytics.figures import DayLedger

__all__ = [
    "SCHEME",
    "Judged",
    "Shift",
    "Watched",
    "Way",
    "days_between_false_signals",
    "days_to_find",
    "watch_day",
    "watched_from_json",
    "watched_to_json",
]

# Days are neither quite independent nor quite normal: twice the usual allowance keeps false signals rare.
SCHEME = Cusum(allowance=1.0, limit=5.0)
"""A lasting shift of two standard deviations is found within six days or so (`days_to_find`)."""

_MOST_Z = 4.0  # one absurd day alone must not raise a signal
_WELL_Z, _WELL_DAYS = 2.0, 3  # so many days within so much end a shift
_MOST_SUM = 2.0 * SCHEME.limit

Way = Literal["", "low", "high"]


@dataclass(frozen=True, slots=True)
class Shift:
    """
    One side's sum.

    Args:
        total: Of the CUSUM. [standard deviations]
        since: The day with which it began to rise; None while it is zero.
        days, had, expected: Judged days since then, and what they had and should have had, in the value's unit.
        u_square: Sum of squares of the days' standard uncertainties.
    """

    total: float = 0.0
    since: date | None = None
    days: int = 0
    had: float = 0.0
    expected: float = 0.0
    u_square: float = 0.0

    @property
    def mean_sd(self) -> float:
        """By how much the days were off on the mean. [standard deviations of a day]"""
        return abs(self.expected - self.had) / sqrt(self.u_square * self.days) if self.u_square > 0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """
    What one day hands to the next about one part.

    Args:
        first: By mode, the first good days until they make a model.
        experience: By mode, the model.
        low, high: The CUSUM's sides.
        out: The side whose limit was passed, and the day of the value that passed it.
        well_days, well_since, well_z: Judged days in a row back within the model, while `out`; since when; and how far
            the last of them were off the shift's way, which must be nearer to none than to what the shift was.
        judged: The last judged day.
    """

    first: Mapping[str, tuple[Day, ...]] = field(default_factory=lambda: MappingProxyType({}))
    experience: Mapping[str, Experience] = field(default_factory=lambda: MappingProxyType({}))
    low: Shift = Shift()
    high: Shift = Shift()
    out: Way = ""
    found: date | None = None
    well_days: int = 0
    well_since: date | None = None
    well_z: float = 0.0
    judged: date | None = None
    judged_z: float = 0.0

    @property
    def shift(self) -> Shift:
        """The side that is out; the low one where none is."""
        return self.high if self.out == "high" else self.low


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """
    One day of one part.

    Args:
        value: As metered, in the subject's unit; NaN where not known.
        expected, half_width: NaN where nothing can be expected.
        z: Standardised deviation, NaN where the day is not judged.
        is_first: Whether the day helped to make or to widen the model.
        why: One sentence where it is not judged.
    """

    day: date
    value: float
    expected: float = nan
    half_width: float = nan
    z: float = nan
    is_first: bool = False
    is_beyond: bool = False
    why: str = ""


def days_between_false_signals() -> float:
    """Average run length of a healthy house, were its days independent and normal."""
    return average_run_length(0.0, SCHEME)


def days_to_find(shift_sd: float) -> float:
    """Average run length after a shift of so many standard deviations."""
    return average_run_length(shift_sd, SCHEME)


def watch_day(
    subject: Subject, watched: Watched, day: DayLedger, *, troubled: Collection[str] = ()
) -> tuple[Watched, Judged]:
    """
    One more day of a part.

    Args:
        troubled: Ids of parts and sensors that other alerts speak of on that day: where one bears on the subject, the
            day neither makes a model nor is judged by one.
    """
    is_misread = subject.is_misread(day)
    if is_misread and watched.first:
        # Since when the pair disagrees is not known: what was gathered so far may hold days of it.
        watched = replace(watched, first=MappingProxyType({}))
    seen = subject.see(day)
    if isinstance(seen, str):
        return watched, Judged(day=day.day, value=nan, why=seen)
    bearing = next((each for each in troubled if each in subject.bearing), None)
    experience = watched.experience.get(seen.mode)
    if experience is None:
        if bearing is not None or is_misread:
            why = _MISREAD if bearing is None else _TROUBLE.format(bearing)
            return watched, Judged(day=day.day, value=seen.value, why=why)
        of = f" of {seen.mode}" if seen.mode else ""
        why = f"One of the first good days{of}, which make the model."
        return _begun(subject, watched, seen), Judged(day=day.day, value=seen.value, is_first=True, why=why)
    return _judged(subject, watched, day.day, seen=seen, bearing=bearing)


def _judged(
    subject: Subject, watched: Watched, day: date, *, seen: Seen, bearing: str | None
) -> tuple[Watched, Judged]:
    """A day of a mode that has a model; a calm day that is new to the model widens it."""
    experience = watched.experience[seen.mode]
    promise = experience.promise(seen.inputs)
    intensity, expected = seen.value / seen.scale, promise.value * seen.scale
    z, after = nan, watched
    if bearing is None:
        z = (intensity - promise.value) / promise.u
        after = _added(
            watched, day, (seen.value, expected, promise.u * seen.scale), z=z, is_known=not promise.is_beyond
        )
    # A day far from the others would pull the model to itself: only one that keeps to it as they do may widen it.
    is_close = abs(intensity - promise.value) <= _WELL_Z * experience.scatter
    learns = subject.learns_every_days
    is_new = promise.is_beyond or (learns > 0 and day.toordinal() % learns == 0)
    widens = bearing is None and is_new and is_close and _is_calm(after)
    if widens:
        grown = with_day(experience, (*seen.inputs, intensity))
        after = replace(after, experience={**watched.experience, seen.mode: grown})
    return after, Judged(
        day=day,
        value=seen.value,
        expected=expected,
        half_width=promise.half_width * seen.scale,
        z=z,
        is_first=widens,
        is_beyond=promise.is_beyond,
        why="" if bearing is None else _TROUBLE.format(bearing),
    )


_TROUBLE = "Another alert speaks of {}."
_MISREAD = "A pair of its sensors disagrees where both must read the same."


def _is_calm(watched: Watched) -> bool:
    return not watched.out and max(watched.low.total, watched.high.total) < SCHEME.limit / 2


def _begun(subject: Subject, watched: Watched, seen: Seen) -> Watched:
    """One of the first days; the last of them makes the model."""
    days = (*watched.first.get(seen.mode, ()), (*seen.inputs, seen.value / seen.scale))
    if len(days) < FIRST_DAYS:
        return replace(watched, first={**watched.first, seen.mode: days})
    usual = sorted(abs(day[-1]) for day in days)[len(days) // 2]
    made = experience_of(days, least_u=max(subject.least_u, subject.least_part * usual))
    first = {mode: kept for mode, kept in watched.first.items() if mode != seen.mode}
    return replace(watched, first=first, experience={**watched.experience, seen.mode: made})


def _added(watched: Watched, day: date, sums: tuple[float, float, float], *, z: float, is_known: bool) -> Watched:
    """The CUSUM one day further; `sums` are had, expected, and the expected's standard uncertainty."""
    held = max(-_MOST_Z, min(_MOST_Z, z))
    low, high = _side(watched.low, -held, day, sums=sums), _side(watched.high, held, day, sums=sums)
    out, found, well_days, well_since, well_z = watched.out, watched.found, 0, None, 0.0
    if not out:
        out = "low" if low.total > SCHEME.limit else "high" if high.total > SCHEME.limit else ""
        found = day if out else None
    elif (off := -z if out == "low" else z) <= _WELL_Z:
        well_days, well_since = watched.well_days + 1, watched.well_since or day
        well_z = watched.well_z + (off - watched.well_z) / min(well_days, _WELL_DAYS)
        is_near = well_z < watched.shift.mean_sd / 2
        # A day unlike any that the model knows says less: of such, it takes as many as undo the sum.
        is_sure = is_known or (low if out == "low" else high).total < SCHEME.limit / 2
        if well_days >= _WELL_DAYS and is_near and is_sure:
            low, high, out, found, well_days = _LEVEL, _LEVEL, "", None, 0
    return Watched(
        first=watched.first,
        experience=watched.experience,
        low=low,
        high=high,
        out=out,
        found=found,
        well_days=well_days,
        well_since=well_since,
        well_z=well_z,
        judged=day,
        judged_z=z,
    )


_LEVEL = Shift()
_SLIGHT = SCHEME.limit / 4  # common practice


def _side(side: Shift, z: float, day: date, *, sums: tuple[float, float, float]) -> Shift:
    total = side.total + z - SCHEME.allowance
    if total <= 0.0:
        return _LEVEL
    had, expected, u = sums
    if side.total < _SLIGHT:  # what had added up so far says little: the shift is told from here on
        side = _LEVEL
    return Shift(
        min(total, _MOST_SUM),
        side.since or day,
        side.days + 1,
        side.had + had,
        side.expected + expected,
        side.u_square + u * u,
    )


def watched_to_json(watched: Mapping[str, Watched]) -> dict[str, Any]:
    """By subject's key, as plain JSON data."""
    return {key: _to_json(each) for key, each in watched.items()}


def watched_from_json(data: Mapping[str, Any]) -> dict[str, Watched]:
    """The inverse of `watched_to_json`."""
    return {key: _from_json(each) for key, each in data.items()}


def _to_json(watched: Watched) -> dict[str, Any]:
    def told(day: date | None) -> str | None:
        return None if day is None else day.isoformat()

    def side(shift: Shift) -> list[Any]:
        return [shift.total, told(shift.since), shift.days, shift.had, shift.expected, shift.u_square]

    return {
        "first": {mode: [list(day) for day in days] for mode, days in watched.first.items()},
        "experience": {mode: each.as_json for mode, each in watched.experience.items()},
        "low": side(watched.low),
        "high": side(watched.high),
        "out": watched.out,
        "found": told(watched.found),
        "well_days": watched.well_days,
        "well_since": told(watched.well_since),
        "well_z": watched.well_z,
        "judged": told(watched.judged),
        "judged_z": watched.judged_z,
    }


def _from_json(data: Mapping[str, Any]) -> Watched:
    def day(text: str | None) -> date | None:
        return None if text is None else date.fromisoformat(text)

    def side(told: Any) -> Shift:
        return Shift(told[0], day(told[1]), *told[2:])

    return Watched(
        first={mode: tuple(tuple(each) for each in days) for mode, days in data["first"].items()},
        experience={mode: experience_from_json(each) for mode, each in data["experience"].items()},
        low=side(data["low"]),
        high=side(data["high"]),
        out=data["out"],
        found=day(data["found"]),
        well_days=data["well_days"],
        well_since=day(data["well_since"]),
        well_z=data.get("well_z", 0.0),  # kept from before, it is not there
        judged=day(data["judged"]),
        judged_z=data["judged_z"],
    )
