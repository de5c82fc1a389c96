"""A trace: what one sensor said, as read. Local days of a site are cut here too, and nowhere else."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

__all__ = ["EMPTY_TRACE", "LocalDay", "Trace", "local_day", "local_day_at"]


@dataclass(frozen=True, slots=True)
class Trace:
    """
    Readings of one point in time order, each time once.

    Args:
        time_ms: Milliseconds since 1970-01-01 UTC, strictly increasing. int64, shape (n,)
        value: As read, in the point's own unit, uncalibrated. float64, shape (n,)
    """

    time_ms: NDArray[np.int64]
    value: NDArray[np.float64]


EMPTY_TRACE = Trace(np.empty(0, np.int64), np.empty(0, np.float64))


@dataclass(frozen=True, slots=True)
class LocalDay:
    """The local calendar day `date` of a time zone: [start_ms, end_ms), 23, 24 or 25 hours long."""

    date: date
    timezone: str
    start_ms: int
    end_ms: int

    @property
    def seconds(self) -> float:
        return (self.end_ms - self.start_ms) / 1000.0


def _midnight_ms(day: date, timezone: str) -> int:
    # Through UTC, since a zone may start its day at 01:00 where the clock jumps over midnight.
    return round(datetime.combine(day, time.min, ZoneInfo(timezone)).astimezone(UTC).timestamp() * 1000)


def local_day(day: date, timezone: str) -> LocalDay:
    """The day's first and last instant in a time zone (IANA name)."""
    return LocalDay(day, timezone, _midnight_ms(day, timezone), _midnight_ms(day + timedelta(days=1), timezone))


def local_day_at(time_ms: int, timezone: str) -> LocalDay:
    """The local day that holds an instant."""
    return local_day(datetime.fromtimestamp(time_ms / 1000, ZoneInfo(timezone)).date(), timezone)
