"""
What each stage, heat pump and ground loop should have given on each day of a record, and whether it drifts.

Each is held against its own first good weeks (`analytics.expected.watching`). A backup gives what is left over.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from math import hypot, isfinite
from types import MappingProxyType

import numpy as np

from analytics.expected.subjects import Sky, Subject, subjects_of
from analytics.expected.watching import Judged, Shift, Watched, Way, watch_day
from analytics.figures import DayLedger, Figure, unavailable
from analytics.site import Site
from analytics.statistics_of_fit import FitStatistics, fit_statistics

__all__ = ["Expectation", "Signal", "expected_backup", "expected_of_record", "watch_site"]

Troubled = Mapping[date, Collection[str]]
"""By day, ids of parts and sensors that alerts of other kinds speak of."""

_NO_TROUBLE: Troubled = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Signal:
    """A lasting shift: its way, the day it began with, the day that showed it, the day from which it was over."""

    way: Way
    since: date
    found: date
    over: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """
    Args:
        days: Of the record, oldest first.
        lower, upper: The CUSUM's sides after each day. [standard deviations]
        watched: What the last day hands on.
        signals: Lasting shifts that the record shows, oldest first.
    """

    subject: Subject
    days: Sequence[Judged]
    lower: Sequence[float]
    upper: Sequence[float]
    watched: Watched
    signals: Sequence[Signal] = field(default=())

    @property
    def fits(self) -> Mapping[str, FitStatistics]:
        """By mode, how well the model fits the days that made it."""
        return {mode: each.statistics for mode, each in self.watched.experience.items()}

    @property
    def since_fitted(self) -> FitStatistics:
        """How well the judged days keep to it, which did not make it."""
        judged = [day for day in self.days if isfinite(day.z)]
        return fit_statistics([day.value for day in judged], [day.expected for day in judged])

    @property
    def shift(self) -> Shift | None:
        """The shift that lasts; None where there is none."""
        return self.watched.shift if self.watched.out else None


def expected_of_record(
    site: Site,
    record: Sequence[DayLedger],
    *,
    troubled: Troubled = _NO_TROUBLE,
    sky: Sky | None = None,
    before: Mapping[str, Watched] | None = None,
) -> Sequence[Expectation]:
    """
    Every part of the house that something can be expected of, held against its first good weeks.

    Args:
        record: Oldest day first; days before the house was commissioned do not count.
        sky: Of neighbours, for collectors without a sun sensor.
        before: By subject's key, what the day before the record handed on; None where the record is the whole one.
    """
    days = [day for day in record if site.commissioned is None or day.day >= site.commissioned]
    known = before or {}
    return [
        _held(subject, days, troubled, start=known.get(subject.key, Watched()))
        for subject in subjects_of(site, sky=sky)
    ]


def _held(subject: Subject, days: Sequence[DayLedger], troubled: Troubled, *, start: Watched) -> Expectation:
    watched, judged, lower, upper = start, [], [], []
    signals = [Signal(start.out, start.shift.since, start.found)] if start.shift.since and start.found else []
    for day in days:
        was = watched.out
        watched, told = watch_day(subject, watched, day, troubled=troubled.get(day.day, ()))
        judged.append(told)
        lower.append(watched.low.total)
        upper.append(watched.high.total)
        if watched.out and not was:
            signals.append(Signal(watched.out, watched.shift.since or day.day, day.day))
        elif was and not watched.out:
            signals[-1] = Signal(was, signals[-1].since, signals[-1].found, watched.well_since)
    return Expectation(subject=subject, days=judged, lower=lower, upper=upper, watched=watched, signals=tuple(signals))


def watch_site(
    subjects: Sequence[Subject], watched: Mapping[str, Watched], day: DayLedger, *, troubled: Collection[str] = ()
) -> dict[str, Watched]:
    """What a whole day hands to the next: all parts of the house, one day further."""
    return {
        subject.key: watch_day(subject, watched.get(subject.key, _NEW), day, troubled=troubled)[0]
        for subject in subjects
    }


_NEW = Watched()


def expected_backup(site: Site, day: DayLedger) -> Figure:
    """
    Heat that the backup had to give: what the taps took, the tanks lost and kept, less what the other stages gave.

    Never below zero; not known where one of these is not.

    It is shown and never alarmed by itself: what a backup gave beyond it is, to the last watt-hour, what the tanks'
    balance leaves open, of which `balance-open` tells with the same meters' intervals. What makes more of it needful is
    told where it begins: a stage that gives too little, a tap that runs, a thermostat that does not let go
    (`heater-always-on`). A second alert of the same kilowatt-hours would only repeat them.
    """
    others = [line.heat for line in day.stages if not site.stages[line.stage].backup]
    needed = [day.hot_water.heat, *(figure for tank in day.tanks for figure in (tank.loss, tank.stored_change))]
    value = sum(figure.value for figure in needed) - sum(figure.value for figure in others)
    doubt = hypot(*(figure.plus_minus for figure in (*needed, *others)))
    if np.isnan(value):
        return unavailable("kWh", "Hot-water heat, a tank's account or the heat of another stage is not known.")
    why = "Hot-water heat, tank losses and stored change, less the heat of the other stages."
    return Figure(max(value, 0.0), "kWh", doubt, "derived", day.coverage, why)
