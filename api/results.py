"""What the records say of sites, in the contract's JSON: for commands and routes alike."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.figures import day_from_json, day_to_json
from analytics.period import By, Period, add_up, spans
from api.held import held_versions
from api.ledger_text import ledger_json
from api.records import AlertRow, AlertTransitionRow, DayRow
from api.sites import UnknownSiteError, present_site, site_ids
from dashboards.assumptions import money_assumptions

__all__ = [
    "NoLedgerError",
    "StatementError",
    "UnknownAlertError",
    "UnknownFigureError",
    "UnknownStatementError",
    "alert_row",
    "alerts",
    "backup_stages",
    "kept_ledgers",
    "ledger",
    "period",
    "period_json",
    "rests_on",
    "said_when_over",
    "told",
    "transitions",
]

_WORST_FIRST = ("urgent", "soon", "watch")
WITHDRAWN = "withdrawn"


class NoLedgerError(LookupError):
    """None of the days asked for has a ledger."""


class UnknownAlertError(LookupError):
    """No such alert in the records."""


class StatementError(ValueError):
    """A statement cannot be made as it was asked for; the message says why, and what would be right."""


class UnknownStatementError(LookupError):
    """No such statement in the records."""


class UnknownFigureError(LookupError):
    """What was asked for names no figure, or more than one."""


def ledger(
    session: Session, site: str, *, first: date | None, last: date | None, by: By | None = None
) -> dict[str, Any]:
    """
    The contract's JSON of `ledger`, for the computed days first..last; None leaves an end open.

    Args:
        by: Instead of days, weeks, months ... that touch them: each has its name as `day`, and its `first` and `last`
            day, the number of `days` and how many of them are `known`; `assumptions` are what the saved money rests on.
    Raises:
        UnknownSiteError: If there is no such site.
    """
    days = kept_ledgers(session, site, first=first, last=last)
    told = ledger_json(present_site(session, site), days)
    if by is None or not days:
        return told
    span = (date.fromisoformat(days[i]["day"]) for i in (0, -1))
    assumptions = money_assumptions(held_versions(session, site, *span))
    return {**told, "by": by, "days": _periods(session, site, days, by=by), "assumptions": assumptions}


def period(session: Session, site: str, *, first: date, last: date) -> Period:
    """
    The days first..last added up.

    Raises:
        UnknownSiteError: If there is no such site.
        NoLedgerError: If none of the days has a ledger.
    """
    days = kept_ledgers(session, site, first=first, last=last)
    if not days:
        raise NoLedgerError(f"no day of {site} from {first} to {last} has a ledger")
    (span,) = spans("all", first, last)
    return add_up(span, [day_from_json(site, day) for day in days], backups=backup_stages(session, site))


def kept_ledgers(session: Session, site: str, *, first: date | None, last: date | None) -> Sequence[dict[str, Any]]:
    """Ledgers as they are kept of the days first..last that have one, oldest first."""
    wanted = select(DayRow.ledger).where(DayRow.site_id == site).order_by(DayRow.day)
    if first is not None:
        wanted = wanted.where(DayRow.day >= first.isoformat())
    if last is not None:
        wanted = wanted.where(DayRow.day <= last.isoformat())
    return session.scalars(wanted).all()


def backup_stages(session: Session, site: str) -> list[str]:
    """Ids of the stages that are backup in the newest version of a site's file."""
    return [stage.id for stage in present_site(session, site).stages.values() if stage.backup]


def rests_on(session: Session, site: str, days: Sequence[Mapping[str, Any]]) -> list[str]:
    """What the saved energy and money of days, or of periods, rest on."""
    if not days:
        return []
    first, last = days[0].get("first", days[0]["day"]), days[-1].get("last", days[-1]["day"])
    return money_assumptions(held_versions(session, site, date.fromisoformat(first), date.fromisoformat(last)))


def _periods(session: Session, site: str, days: Sequence[dict[str, Any]], *, by: By) -> list[dict[str, Any]]:
    ledgers = [day_from_json(site, day) for day in days]
    backups = backup_stages(session, site)
    found = []
    for span in spans(by, ledgers[0].day, ledgers[-1].day):
        inside = [one for one in ledgers if span.first <= one.day <= span.last]
        if inside:
            found.append(period_json(add_up(span, inside, backups=backups)))
    return found


def period_json(found: Period) -> dict[str, Any]:
    """A period in the shape of a day of the contract's `ledger`."""
    about = {
        "day": found.span.name,
        "first": found.span.first.isoformat(),
        "last": found.span.last.isoformat(),
        "days": found.span.n_days,
        "known": found.n_known,
    }
    return {**day_to_json(found.total), **about}


def alerts(session: Session, *, site: str | None = None, is_open: bool | None = None) -> list[dict[str, Any]]:
    """
    Alerts with their `state`, lasting ones first, then the worst, then the newest.

    Args:
        site: Only this one's.
        is_open: Only those that last (True) or are over (False).
    Raises:
        UnknownSiteError: If there is no such site.
    """
    if site is not None and site not in (known := site_ids(session)):
        raise UnknownSiteError(site, known)
    wanted = select(AlertRow).where(AlertRow.state != WITHDRAWN)
    if site is not None:
        wanted = wanted.where(AlertRow.site_id == site)
    if is_open is not None:
        wanted = wanted.where(AlertRow.state.in_(("open", "acknowledged")) == is_open)
    found = [told(row) for row in session.scalars(wanted)]
    # Stable sorts, the least weighty first: newest, then worst, then those that last.
    found.sort(key=lambda alert: alert["began"], reverse=True)
    return sorted(found, key=lambda alert: (alert["ended"] is not None, _WORST_FIRST.index(alert["severity"])))


def said_when_over(alert: dict[str, Any]) -> dict[str, Any]:
    """The alert as it is told to the world: its sentence speaks of the present, so of one that is over it says so."""
    if alert["ended"] is None:
        return alert
    ended = datetime.fromisoformat(alert["ended"])
    day = f"{ended.day} {ended:%B}"
    when = day if alert.get("is_by_day") else f"{ended:%H:%M} on {day}"
    return {**alert, "summary": f"Over since {when}. While it lasted: {alert['summary']}"}


def told(row: AlertRow) -> dict[str, Any]:
    """An alert as the contract's JSON, with its state and who took it on."""
    taken_on = {"by": row.acknowledged_by, "note": row.note} if row.acknowledged_by else None
    return {**row.body, "state": row.state, "acknowledged": taken_on}


def alert_row(session: Session, alert: str) -> AlertRow:
    """
    One alert.

    Raises:
        UnknownAlertError: If there is none of that id.
    """
    row = session.get(AlertRow, alert)
    if row is None:
        raise UnknownAlertError(f"there is no alert {alert!r}")
    return row


def transitions(session: Session, alert: str) -> Sequence[AlertTransitionRow]:
    """An alert's changes of state, oldest first."""
    return session.scalars(
        select(AlertTransitionRow)
        .where(AlertTransitionRow.alert_id == alert)
        .order_by(AlertTransitionRow.at_ms, AlertTransitionRow.id)
    ).all()
