"""Small sites and traces for tests of metering: a few points, readings by hand."""

from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np

from analytics.day import DayResult, account_day
from analytics.site import Point, Site
from analytics.trace import LocalDay, Trace, local_day

__all__ = ["DAY", "account", "constant", "point", "site", "stepped", "trace"]

DAY = local_day(date(2026, 2, 3), "UTC")


def point(name: str, quantity: str, unit: str, **fields: object) -> Point:
    """A point with the defaults of a site file."""
    return Point(id=name, quantity=quantity, unit=unit, **fields)  # type: ignore[arg-type]


def site(points: Sequence[Point], **parts: object) -> Site:
    """A site of these points in UTC, with whatever else it has."""
    return Site(
        id="s",
        name="S",
        timezone="UTC",
        latitude_deg=50.0,
        longitude_deg=0.0,
        points={p.id: p for p in points},
        **parts,  # type: ignore[arg-type]
    )


def trace(time_s: Sequence[float], value: Sequence[float], *, day: LocalDay = DAY) -> Trace:
    """Readings at seconds from the day's start."""
    return Trace(day.start_ms + np.asarray(np.round(np.asarray(time_s) * 1000), np.int64), np.asarray(value, float))


def constant(value: float, *, step_s: float = 60.0, margin_s: float = 3600.0, day: LocalDay = DAY) -> Trace:
    """The same value over the day and a margin around it."""
    time_s = np.arange(-margin_s, day.seconds + margin_s + step_s, step_s)
    return trace(time_s, np.full(len(time_s), value), day=day)


def stepped(
    start_s: float, end_s: float, value: float, *, rest: float = 0.0, step_s: float = 60.0, day: LocalDay = DAY
) -> Trace:
    """`value` for readings after `start_s` up to and with `end_s`, `rest` elsewhere."""
    whole = constant(rest, step_s=step_s, day=day)
    time_s = (whole.time_ms - day.start_ms) / 1000
    return Trace(whole.time_ms, np.where((time_s > start_s) & (time_s <= end_s), value, rest))


def account(model: Site, traces: Mapping[str, Trace], *, day: LocalDay = DAY) -> DayResult:
    """The day's account."""
    return account_day(model, traces, day)
