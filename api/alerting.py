"""
Alerts between the detectors and the records.

A computed day keeps the alerts at its end, so that any day can be computed again from the one before. The table of
alerts has each alert as the last day tells it, with what people did about it; a change of state is a row of its own.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import bindparam, select
from sqlalchemy.orm import Session

from analytics.detection import Assessment, advance, alert_from_json, alert_to_json, unsettled
from api.records import AlertRow, AlertTransitionRow

__all__ = ["AlertNotOpenError", "acknowledge_alert", "alerts_after", "store_alerts"]

_WITHDRAWN = "withdrawn"
_KEPT_ELSEWHERE = (
    *("state", "state_since", "acknowledged", "judged_until", "evidence_day", "weight_s"),
    *("tells_numbers", "day_costs"),
)

_NAMED = select(AlertRow).where(AlertRow.id.in_(bindparam("ids", expanding=True)))


class AlertNotOpenError(ValueError):
    """Only an open alert can be acknowledged."""


def alerts_after(
    before: Sequence[dict[str, Any]], assessments: Sequence[Assessment], *, timezone: str
) -> list[dict[str, Any]]:
    """Alerts (JSON) at the end of a day: those of the day before that may still change, and the day's own."""
    known = unsettled([alert_from_json(data) for data in before], assessments)
    # The time of notice decides nothing; the records date their own rows.
    after, _ = advance(known, assessments, now_ms=0)
    return [alert_to_json(alert, timezone) for alert in after]


def _body(data: dict[str, Any]) -> dict[str, Any]:
    """What is told of an alert: all but what people did, which is the row's, and what only the next day needs."""
    return {key: value for key, value in data.items() if key not in _KEPT_ELSEWHERE}


def store_alerts(
    session: Session,
    *,
    earlier: Sequence[dict[str, Any]],
    replaced: Sequence[dict[str, Any]],
    found: Sequence[dict[str, Any]],
    from_ms: int,
    now_ms: int,
) -> None:
    """
    Bring the table of alerts up to what a run of days says.

    Args:
        earlier: Alerts at the end of the day before the run.
        replaced: Those that the run's days had before, if they had been computed.
        found: Those that they have now, in the order of the days.
        from_ms: When the first of the days began. What was over by then the days before it tell of; that these days
            no longer hand it on takes nothing back.
    """
    last = {alert["id"]: alert for alert in [*earlier, *found]}
    gone = {alert["id"] for alert in replaced} - last.keys()
    touched = {alert["id"] for alert in [*replaced, *found]} & last.keys()
    if not touched | gone:
        return
    rows = {row.id: row for row in session.scalars(_NAMED, {"ids": [*touched, *gone]})}
    for alert in sorted(touched):
        _put(session, rows.get(alert), last[alert], now_ms=now_ms)
    for alert in sorted(gone & rows.keys()):
        ended = rows[alert].body["ended"]
        if rows[alert].state != _WITHDRAWN and (ended is None or _ms(ended) >= from_ms):
            _change(session, rows[alert], _WITHDRAWN, at_ms=now_ms, noticed_ms=now_ms)


def _put(session: Session, row: AlertRow | None, data: dict[str, Any], *, now_ms: int) -> None:
    body = _body(data)
    if row is None:
        row = AlertRow(id=data["id"], site_id=data["site"], state="", body=body, acknowledged_by="", note="")
        session.add(row)
        session.flush()
    if row.body != body:
        row.body = body
        _date_again(session, data)
    state = data["state"]
    if row.state in ("", _WITHDRAWN, "resolved") and (state == "open" or row.state != "resolved"):
        row.acknowledged_by = row.note = ""
        _change(session, row, "open", at_ms=_ms(data["began"]), noticed_ms=now_ms)
    if state == "resolved" and row.state != "resolved":
        _change(session, row, "resolved", at_ms=_ms(data["ended"]), noticed_ms=now_ms)


def _date_again(session: Session, data: dict[str, Any]) -> None:
    """When an alert turns out to have begun or ended at another time, its transitions say so."""
    changes = session.scalars(
        select(AlertTransitionRow).where(AlertTransitionRow.alert_id == data["id"]).order_by(AlertTransitionRow.id)
    ).all()
    opened = [change for change in changes if change.state == "open"]
    resolved = [change for change in changes if change.state == "resolved"]
    if len(opened) == 1:
        opened[0].at_ms = _ms(data["began"])
    if resolved and data["ended"] is not None:
        resolved[-1].at_ms = _ms(data["ended"])


def _ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def _change(
    session: Session, row: AlertRow, state: str, *, at_ms: int, noticed_ms: int, by: str = "", note: str = ""
) -> None:
    row.state = state
    session.add(AlertTransitionRow(alert_id=row.id, state=state, at_ms=at_ms, noticed_ms=noticed_ms, by=by, note=note))


def acknowledge_alert(session: Session, row: AlertRow, *, by: str, note: str, now_ms: int) -> None:
    """
    A person takes an alert on; it stays acknowledged until it is over.

    Raises:
        AlertNotOpenError: If it is acknowledged already, or over.
    """
    if row.state != "open":
        raise AlertNotOpenError(f"alert {row.id} is {row.state}; only an open alert can be acknowledged")
    row.acknowledged_by, row.note = by, note
    _change(session, row, "acknowledged", at_ms=now_ms, noticed_ms=now_ms, by=by, note=note)
