"""Which days are due: those that news touch, those that ran on or ended since, and those that began in silence."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

from sqlalchemy import Table, bindparam, select
from sqlalchemy.orm import Session

from analytics.trace import local_day, local_day_at
from api.day_rows import newest_days, shifted, unfinished
from api.days import EDGE_MS, MAX_SILENT_DAYS, day_window
from api.records import DayRow, DueDayRow, Records
from api.sites import SiteVersion, UnknownSiteError, present_site, site_ids, site_versions, version_on
from api.work import advance_cursor, cursor, mark_due
from ingest.store import News, ReadingStore

__all__ = [
    "Horizon",
    "Watch",
    "mark_computed_days",
    "mark_days_of_other_programs",
    "mark_running_days",
    "read_horizon",
    "take_news",
]

# A running day without news is judged again this often, so that silence is noticed.
_IDLE_MS = 300_000
# Longer than a slow gateway's interval; a longer one would hide that a file ends in the middle of a day.
_MAX_INTERVAL_S = 900.0

_DAYS: Table = DayRow.__table__
_NAMES_AMONG = select(_DAYS.c.day).where(
    _DAYS.c.site_id == bindparam("site"), _DAYS.c.day.in_(bindparam("days", expanding=True))
)
# Two ranges, which an index finds empty at once.
_OF_OTHER_PROGRAMS = select(_DAYS.c.site_id, _DAYS.c.day).where(
    (_DAYS.c.program < bindparam("program")) | (_DAYS.c.program > bindparam("program"))
)


@dataclass(frozen=True, slots=True)
class Watch:
    """
    One watcher: where it reads, where it writes, its name on leases, and by which program it computes (`api.program`).

    One that has not stored a job's outcome for `lease_ms` is taken for dead.
    """

    records: Records
    store: ReadingStore
    holder: str
    lease_ms: int
    program: str


@dataclass(frozen=True, slots=True)
class Horizon:
    """Up to when a site is accounted: a day that begins before `begun_ms`, as far as `until_ms`."""

    until_ms: int
    begun_ms: int


def take_news(watch: Watch) -> bool:
    """Turn the store's news into due days; False where another watcher did so at the same time."""
    with watch.records.look() as session:
        old = cursor(session)
    news = watch.store.news(old)
    if not news:
        return True
    with watch.records.begin() as session:
        if not advance_cursor(session, old=old, new=news[-1].cursor):
            session.rollback()
            return False
        for site, spans in _by_site(news).items():
            _mark_news(session, site, spans)
    return True


def _by_site(news: Sequence[News]) -> dict[str, list[News]]:
    by_site: dict[str, list[News]] = {}
    for entry in news:
        by_site.setdefault(entry.site, []).append(entry)
    return by_site


def _mark_news(session: Session, site: str, spans: Sequence[News]) -> None:
    try:
        versions = site_versions(session, site)
    except UnknownSiteError:
        return  # The store may be shared with sites that are not ours.
    days: set[str] = set()
    for span in spans:
        days |= _days_touched(versions, span)
    mark_due(session, site, days, reason="readings")
    mark_due(session, site, _days_between(session, site, days), reason="readings")


def _days_touched(versions: Sequence[SiteVersion], span: News) -> set[str]:
    """Local days whose account looks at the span, the margins of their windows included."""
    timezone = versions[-1].site.timezone
    first = shifted(local_day_at(span.first_ms, timezone).date.isoformat(), -1)
    last = shifted(local_day_at(span.last_ms, timezone).date.isoformat(), 1)
    days: set[str] = set()
    day = first
    while day <= last:
        zone = version_on(versions, date.fromisoformat(day)).site.timezone
        _, start_ms, end_ms = day_window(day, zone)
        if start_ms <= span.last_ms and span.first_ms < end_ms:
            days.add(day)
        day = shifted(day, 1)
    return days


def _days_between(session: Session, site: str, days: set[str]) -> set[str]:
    """Days without a row that lie within a month of silence between days that have one, or will have."""
    if len(session.scalars(_NAMES_AMONG, {"site": site, "days": days}).all()) == len(days):
        return set()
    of_site = select(DayRow.day).where(DayRow.site_id == site)
    known = sorted(
        set(session.scalars(of_site)).union(session.scalars(select(DueDayRow.day).where(DueDayRow.site_id == site)))
    )
    return {
        day
        for earlier, later in pairwise(known)
        for day in (shifted(earlier, count + 1) for count in range(MAX_SILENT_DAYS))
        if day < later
    }


def mark_computed_days(session: Session, site: str, *, first: date | None, last: date | None) -> int:
    """Make the computed ones of the days first..last due (None: from the first, to the last); how many they are."""
    computed = select(DayRow.day).where(DayRow.site_id == site)
    if first is not None:
        computed = computed.where(DayRow.day >= first.isoformat())
    if last is not None:
        computed = computed.where(DayRow.day <= last.isoformat())
    days = session.scalars(computed).all()
    mark_due(session, site, days, reason="program")
    return len(days)


def mark_days_of_other_programs(watch: Watch, *, sites: Sequence[str] | None = None) -> int:
    """
    Make those days due that another program computed; how many they are.

    Days from before the first reading that the store has are left: nothing could be made of them again. Once a process
    is enough, and where an older one still computes beside it, more would have both undo each other's days for ever.

    Args:
        sites: Only these; None means all.
    """
    with watch.records.look() as session:
        found: dict[str, list[str]] = {}
        for site, day in session.execute(_OF_OTHER_PROGRAMS, {"program": watch.program}):
            found.setdefault(site, []).append(day)
        known = set(site_ids(session) if sites is None else sites)
        zones = {site: present_site(session, site).timezone for site in found if site in known}
    spans = {site: watch.store.span(site) for site in zones}
    first = {site: local_day_at(span[0], zones[site]).date.isoformat() for site, span in spans.items() if span}
    due = {site: [day for day in found[site] if day >= first[site]] for site in first}
    if any(due.values()):
        with watch.records.begin() as session:
            for site, days in due.items():
                mark_due(session, site, days, reason="program")
    return sum(map(len, due.values()))


def read_horizon(watch: Watch, site: str, *, now_ms: int, is_live: bool) -> Horizon | None:
    """Up to when a site is accounted; None where it has no reading yet."""
    if is_live:
        return Horizon(now_ms, now_ms)
    span = watch.store.span(site)
    if span is None:
        return None
    with watch.records.look() as session:
        points = present_site(session, site).points.values()
    interval_s = max((point.interval_s for point in points), default=60.0)
    until_ms = min(now_ms, span[1] + round(min(interval_s, _MAX_INTERVAL_S) * 1000))
    # A file that ends around midnight with the last reading of the day has nothing of the next one.
    return Horizon(until_ms, min(until_ms, span[1] - EDGE_MS))


def mark_running_days(watch: Watch, horizons: Mapping[str, Horizon], *, is_live: bool) -> None:
    """Make due: days that ended since they were computed, or have run on; and days that began without a reading."""
    with watch.records.look() as session:
        due = _days_run_on(session, horizons, is_live=is_live)
        if is_live:
            for site, days in _days_begun(session, horizons).items():
                due.setdefault(site, set()).update(days)
    if due:
        with watch.records.begin() as session:
            for site, days in due.items():
                mark_due(session, site, days, reason="unfinished")


def _days_run_on(session: Session, horizons: Mapping[str, Horizon], *, is_live: bool) -> dict[str, set[str]]:
    due: dict[str, set[str]] = {}
    for site, day, until_ms in unfinished(session):
        if site not in horizons or horizons[site].until_ms <= until_ms:
            continue
        timezone = present_site(session, site).timezone
        has_ended = local_day(date.fromisoformat(day), timezone).end_ms <= horizons[site].until_ms
        if has_ended or not is_live or horizons[site].until_ms - until_ms >= _IDLE_MS:
            due.setdefault(site, set()).add(day)
    return due


def _days_begun(session: Session, horizons: Mapping[str, Horizon]) -> dict[str, set[str]]:
    due: dict[str, set[str]] = {}
    for site, newest, silent_days in newest_days(session):
        if site not in horizons:
            continue
        today = local_day_at(horizons[site].until_ms, present_site(session, site).timezone).date.isoformat()
        ahead = (shifted(newest, count + 1) for count in range(MAX_SILENT_DAYS - silent_days))
        due[site] = {day for day in ahead if day <= today}
    return due
