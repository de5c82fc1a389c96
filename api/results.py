"""What the records say of sites, in the contract's JSON: for commands and routes alike."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.ledger_text import ledger_json
from api.records import AlertRow, AlertTransitionRow, DayRow
from api.sites import UnknownSiteError, present_site, site_ids

__all__ = ["UnknownAlertError", "alert_row", "alerts", "ledger", "told", "transitions"]

_WORST_FIRST = ("urgent", "soon", "watch")
WITHDRAWN = "withdrawn"


class UnknownAlertError(LookupError):
    """No such alert in the records."""


def ledger(session: Session, site: str, *, first: date | None, last: date | None) -> dict[str, Any]:
    """
    The contract's JSON of `ledger`, for the computed days first..last; None leaves an end open.

    Raises:
        UnknownSiteError: If there is no such site.
    """
    wanted = select(DayRow.ledger).where(DayRow.site_id == site).order_by(DayRow.day)
    if first is not None:
        wanted = wanted.where(DayRow.day >= first.isoformat())
    if last is not None:
        wanted = wanted.where(DayRow.day <= last.isoformat())
    return ledger_json(present_site(session, site), session.scalars(wanted).all())


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
        raise UnknownAlertError(f"there is no alert {alert!r}; GET /api/alerts lists them")
    return row


def transitions(session: Session, alert: str) -> Sequence[AlertTransitionRow]:
    """An alert's changes of state, oldest first."""
    return session.scalars(
        select(AlertTransitionRow)
        .where(AlertTransitionRow.alert_id == alert)
        .order_by(AlertTransitionRow.at_ms, AlertTransitionRow.id)
    ).all()
