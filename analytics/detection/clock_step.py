"""
A clock that jumped, by bright days: from one of them to the next the sun comes an hour sooner or later, and stays so.

In the bright half of the year the sun is seen so long before and after its dark that an hour is not missed in the
night. But on a bright day it rises over a collector's plane and leaves it at its own times. On sound virtual houses of
two kinds, 4600 days, no such step was seen; an hour was seen within three weeks in four of five cases, half of these
within eight days.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median

from analytics.expected.conditions import conditions_of
from analytics.figures import DayLedger

__all__ = ["SunStep", "latest_shift_min", "sun_step"]

_REACH = timedelta(days=30)  # the sun's own way through a tilted plane moves by 15 minutes in a month
_NEWEST, _LEAST_BEFORE = 3, 4  # bright days
_STEP_MIN = 40.0
_BEYOND_MIN = 20.0  # outside of what the days before ever showed
# Of the width of the brighter days: a cloud at one flank takes more.
_AS_WIDE_MIN, _BRIGHTER = 25.0, 0.75


@dataclass(frozen=True, slots=True, kw_only=True)
class SunStep:
    """
    Args:
        days: Bright days since the step, with how much later the sun came than under a cloudless sky; `before` are
            those before it. [min]
    """

    days: Sequence[tuple[date, float]]
    before: Sequence[float]

    @property
    def now_min(self) -> float:
        return median(shift for _, shift in self.days)

    @property
    def before_min(self) -> float:
        return median(self.before)

    @property
    def step_min(self) -> float:
        return self.now_min - self.before_min

    @property
    def is_mended(self) -> bool:
        """Whether it stepped to where a right clock shows it."""
        return abs(self.now_min) < _STEP_MIN / 2 and abs(self.before_min) >= _STEP_MIN


def sun_step(history: Sequence[DayLedger], today: date, collector: str) -> SunStep | None:
    """The largest step between bright days lately; None where there is none."""
    known = _as_wide(_bright(history, today, collector))
    steps = [
        step
        for count in range(_NEWEST, len(known) - _LEAST_BEFORE + 1)
        if (step := _step(known[:-count], known[-count:])) is not None
    ]
    return max(steps, key=lambda each: abs(each.step_min), default=None)


def latest_shift_min(history: Sequence[DayLedger], today: date, collector: str) -> float | None:
    """Of the newest bright day; None where there was none lately. [min]"""
    known = _as_wide(_bright(history, today, collector))
    return known[-1][1] if known else None


def _bright(history: Sequence[DayLedger], today: date, collector: str) -> list[tuple[date, float, float]]:
    """Day, shift and width of the days that tell them. [min]"""
    shift, width = (f"collector.{collector}.{name}" for name in ("sun_shift_min", "sun_width_min"))
    days = [(day.day, conditions_of(day)) for day in history if today - _REACH <= day.day < today]
    return [(day, told[shift], told[width]) for day, told in days if shift in told and width in told]


def _as_wide(bright: Sequence[tuple[date, float, float]]) -> list[tuple[date, float]]:
    """Days whose sun lasted as long as that of the brighter ones."""
    if not bright:
        return []
    widths = sorted(width for _, _, width in bright)
    width_min = widths[int(_BRIGHTER * (len(widths) - 1))]
    return [(day, shift) for day, shift, width in bright if abs(width - width_min) <= _AS_WIDE_MIN]


def _step(before: Sequence[tuple[date, float]], newest: Sequence[tuple[date, float]]) -> SunStep | None:
    then, now = ([shift for _, shift in days] for days in (before, newest))
    is_out = min(now) > max(then) + _BEYOND_MIN or max(now) < min(then) - _BEYOND_MIN
    found = SunStep(days=newest, before=then)
    return found if is_out and abs(found.step_min) >= _STEP_MIN else None
