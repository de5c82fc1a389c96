"""The contexts of the pages, filled from the records, the store and the plant of a day."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy.orm import Session

from analytics.day import account_day
from analytics.expected.stages import Expectation
from analytics.figures import DayLedger
from analytics.plant import PlantDay
from analytics.site import Site
from analytics.trace import local_day, local_day_at
from analytics.year_before import Beside
from api.beside import month_beside
from api.day_rows import day_span, ledgers, newest_ledgers, shifted
from api.days import day_window
from api.expected_record import expected_record
from api.held import held_versions
from api.instants import instant
from api.moved_report import moved_rows, past_changes
from api.records import Records
from api.results import NoLedgerError, alert_row, alerts, transitions
from api.sites import present_site, present_sites, site_versions, version_on
from api.statements import statement_views
from dashboards.contexts import (
    AlertContext,
    AlertView,
    FleetContext,
    FleetSite,
    HomeContext,
    Latest,
    Show,
    SiteContext,
    Transition,
)
from ingest.store import ReadingStore

__all__ = [
    "NOTICE",
    "Sources",
    "alert_context",
    "fleet_context",
    "home_context",
    "instant",
    "newest_ms",
    "plant_of",
    "site_context",
]

NOTICE = "This program has no sign-in yet, so it answers on this machine only."
_SHIFT_DAYS = 45  # of a lasting shift that are drawn: enough to see it
_ALERT_DAYS_AROUND = 14
_FLEET_LOOKS_BACK_DAYS = 31
# What moved longer ago is asked for with `heatledger moved`, or as JSON.
_PAST_SHOWN_MS, _PAST_SHOWN = 60 * 86_400_000, 5


@dataclass(frozen=True, slots=True)
class Sources:
    """Where contexts come from: the records, the readings, and the time now."""

    records: Records
    store: ReadingStore
    now_ms: int

    @property
    def now(self) -> datetime:
        return instant(self.now_ms)


def plant_of(sources: Sources, site: str, day: date) -> PlantDay | None:
    """A site's courses on a local day; None where no reading exists for it, or it lies ahead."""
    with sources.records.look() as session:
        held = version_on(site_versions(session, site), day).site
    local, start_ms, end_ms = day_window(day.isoformat(), held.timezone)
    if local.start_ms >= sources.now_ms:
        return None
    traces = sources.store.read(site, sorted(held.points), start_ms=start_ms, end_ms=end_ms)
    inside = (((trace.time_ms >= local.start_ms) & (trace.time_ms < local.end_ms)).any() for trace in traces.values())
    if not any(inside):
        return None
    until_ms = sources.now_ms if sources.now_ms < local.end_ms else None
    return account_day(held, traces, local, until_ms=until_ms).plant


def fleet_context(sources: Sources, *, query: str = "", show: Show = "all", only: str | None = None) -> FleetContext:
    """The fleet, or of it only one site."""
    with sources.records.look() as session:
        by_site: dict[str, list[AlertView]] = {}
        for alert in alerts(session, site=only, is_open=True):
            by_site.setdefault(alert["site"], []).append(_view(alert))
        present = present_sites(session) if only is None else {only: present_site(session, only)}
        last_days = _last_whole_days(session, present, sources.now_ms)
    sites = [
        FleetSite(
            site=site,
            alerts=by_site.get(site.id, []),
            newest_reading=_newest(sources, site.id),
            last_day=last_days.get(site.id),
        )
        for site in present.values()
    ]
    return FleetContext(sites=sites, now=sources.now, query=query, show=show, notice=NOTICE)


def newest_ms(store: ReadingStore, site: str) -> int | None:
    """Time of a site's newest reading."""
    span = store.span(site)
    return None if span is None else span[1]


def _newest(sources: Sources, site: str) -> datetime | None:
    time_ms = newest_ms(sources.store, site)
    return None if time_ms is None else instant(time_ms)


def _last_whole_days(session: Session, sites: Mapping[str, Site], now_ms: int) -> dict[str, DayLedger]:
    """The ledger of each site's last whole day, if it has one within a month."""
    today = {site.id: local_day_at(now_ms, site.timezone).date.isoformat() for site in sites.values()}
    if not today:
        return {}
    first = shifted(min(today.values()), -_FLEET_LOOKS_BACK_DAYS)
    return newest_ledgers(session, first=first, before=today)


def site_context(sources: Sources, site: str, *, day: date | None, span_days: int) -> SiteContext:
    with sources.records.look() as session:
        present = present_site(session, site)
        today = local_day_at(sources.now_ms, present.timezone).date
        shown = day or today
        held = version_on(site_versions(session, site), shown).site
        first = (shown - timedelta(days=59)).isoformat()
        history = ledgers(session, site, first=first, last=shown.isoformat())
        expected = expected_record(session, site, first=shown - timedelta(days=span_days - 1), last=shown)
        span = day_span(session, site)
        moved = moved_rows(session, site, since_ms=sources.now_ms - _PAST_SHOWN_MS)
        touching = [_view(alert) for alert in alerts(session, site=site) if _touches(alert, held, shown)]
    return SiteContext(
        site=held,
        now=sources.now,
        day=shown,
        plant=plant_of(sources, site, shown),
        ledgers=history,
        alerts=touching,
        latest={
            point: Latest(instant(time_ms), value) for point, (time_ms, value) in sources.store.latest(site).items()
        },
        first_day=span[0] if span else None,
        last_day=span[1] if span else None,
        span_days=span_days,
        past_changes=past_changes(moved, timezone=present.timezone)[:_PAST_SHOWN],
        expected=expected.parts,
        silent=expected.silent,
        notice=NOTICE,
    )


def _touches(alert: Mapping[str, Any], site: Site, day: date) -> bool:
    """Whether an alert lasts, or held at some time of a local day."""
    if alert["ended"] is None:
        return True
    local = local_day(day, site.timezone)
    began, ended = (datetime.fromisoformat(alert[key]).timestamp() * 1000 for key in ("began", "ended"))
    return began < local.end_ms and ended >= local.start_ms


def alert_context(sources: Sources, alert: str, *, form_token: str = "") -> AlertContext:
    with sources.records.look() as session:
        row = alert_row(session, alert)
        view = _view({**row.body, "state": row.state})
        site = present_site(session, view.site)
        changes = [
            Transition(at=instant(each.at_ms), state=_shown_state(each.state), by=each.by, note=each.note)
            for each in transitions(session, alert)
        ]
        began, last = _days_of(view, site, sources.now_ms)
        first_shown = (began - timedelta(days=_ALERT_DAYS_AROUND)).isoformat()
        last_shown = (last + timedelta(days=_ALERT_DAYS_AROUND)).isoformat()
        around = ledgers(session, site.id, first=first_shown, last=last_shown)
        expected = _expected_of(session, view, began=began, last=last)
    days = sorted({began - timedelta(days=1), began, min(began + timedelta(days=1), last)})
    plants = [plant for plant in (plant_of(sources, site.id, day) for day in days) if plant is not None]
    return AlertContext(
        alert=view,
        site=site,
        now=sources.now,
        transitions=changes,
        plants=plants,
        ledgers=around,
        expected=expected,
        form_token=form_token,
        notice=NOTICE,
    )


def _expected_of(session: Session, alert: AlertView, *, began: date, last: date) -> Sequence[Expectation]:
    """What an alert's part gave and should have given, where days added up are its evidence."""
    if "cusum_sd" not in alert.evidence:
        return ()
    first, last = began - timedelta(days=_ALERT_DAYS_AROUND), min(last, began + timedelta(days=_SHIFT_DAYS))
    record = expected_record(session, alert.site, first=first, last=last)
    return [part for part in record.parts if part.subject.key == f"{alert.component}.heat"]


def _days_of(alert: AlertView, site: Site, now_ms: int) -> tuple[date, date]:
    ended_ms = now_ms if alert.ended is None else round(alert.ended.timestamp() * 1000)
    began = local_day_at(round(alert.began.timestamp() * 1000), site.timezone).date
    return began, local_day_at(ended_ms, site.timezone).date


def home_context(sources: Sources, site: str, *, month: date | None) -> HomeContext:
    with sources.records.look() as session:
        present = present_site(session, site)
        span = day_span(session, site)
        today = local_day_at(sources.now_ms, present.timezone).date
        shown = (month or today).replace(day=1)
        last = (shown + timedelta(days=31)).replace(day=1) - timedelta(days=1)
        days = ledgers(session, site, first=shown.isoformat(), last=last.isoformat())
        lasting = [_view(alert) for alert in alerts(session, site=site, is_open=True)]
        sent = statement_views(session, site, month=shown)
        held = held_versions(session, site, shown, last)
        compared = _compared(session, site, shown, now_ms=sources.now_ms)
    return HomeContext(
        site=present,
        now=sources.now,
        month=shown,
        ledgers=days,
        alerts=lasting,
        newest_reading=_newest(sources, site),
        first_month=span[0].replace(day=1) if span else None,
        last_month=span[1].replace(day=1) if span else None,
        statements=sent,
        held=held,
        beside=compared,
        notice=NOTICE,
    )


def _compared(session: Session, site: str, month: date, *, now_ms: int) -> Sequence[Beside]:
    try:
        return month_beside(session, site, month, now_ms=now_ms).compared
    except NoLedgerError:
        return []


def _view(alert: Mapping[str, Any]) -> AlertView:
    cost = alert["cost_per_day"]
    ended = alert["ended"]
    return AlertView(
        id=alert["id"],
        site=alert["site"],
        kind=alert["kind"],
        component=alert["component"],
        severity=alert["severity"],
        state=_shown_state(alert["state"]),
        began=datetime.fromisoformat(alert["began"]),
        is_by_day=alert.get("is_by_day", False),
        detected=datetime.fromisoformat(alert["detected"]),
        ended=None if ended is None else datetime.fromisoformat(ended),
        summary=alert["summary"],
        evidence=alert["evidence"],
        likely_causes=alert["likely_causes"],
        checks=alert["checks"],
        cost_per_day=math.nan if cost is None else cost,
        taken_by=(alert.get("acknowledged") or {}).get("by", ""),
    )


def _shown_state(state: str) -> Any:
    # What was withdrawn is over; its page stays reachable by its address.
    return "resolved" if state == "withdrawn" else state
