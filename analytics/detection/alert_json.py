"""Alerts as the contract's JSON, and back; instants are ISO 8601 with the site's local offset."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from analytics.detection.findings import CAUTION
from analytics.detection.states import Alert

__all__ = ["alert_from_json", "alert_to_json"]


def alert_to_json(alert: Alert, timezone: str) -> dict[str, Any]:
    """
    The contract's JSON of an alert, with its state, the general caution, and what the next day's step needs.

    Args:
        timezone: IANA name; the instants are written with its offset.
    """
    return {
        "id": alert.id,
        "site": alert.site,
        "kind": alert.kind,
        "component": alert.component,
        "severity": alert.severity,
        "began": _iso(alert.began_ms, timezone),
        "is_by_day": alert.is_by_day,
        "detected": _iso(alert.detected_ms, timezone),
        "ended": _iso(alert.ended_ms, timezone),
        "summary": alert.summary,
        "evidence": dict(alert.evidence),
        "likely_causes": list(alert.likely_causes),
        "checks": list(alert.checks),
        "cost_per_day": None if alert.cost_per_day is None else round(alert.cost_per_day, 4),
        "state": alert.state,
        "caution": CAUTION,
        "acknowledged": None
        if alert.acknowledged_ms is None
        else {"at": _iso(alert.acknowledged_ms, timezone), "by": alert.acknowledged_by, "note": alert.note},
        "state_since": _iso(alert.state_since_ms, timezone),
        "judged_until": _iso(alert.judged_until_ms, timezone),
        "evidence_day": _iso(alert.evidence_day_ms, timezone),
        "weight_s": alert.weight_s,
        "tells_numbers": alert.tells_numbers,
        "day_costs": [[_iso(day_ms, timezone), round(cost, 4)] for day_ms, cost in alert.day_costs],
    }


def alert_from_json(data: dict[str, Any]) -> Alert:
    """The inverse of `alert_to_json`: how stored alerts come back."""
    acknowledged = data["acknowledged"] or {"at": None, "by": "", "note": ""}
    return Alert(
        **{key: data[key] for key in ("id", "site", "kind", "component", "severity", "state", "summary")},
        began_ms=_ms(data["began"]),
        is_by_day=data.get("is_by_day", False),  # alerts kept from before do not say
        detected_ms=_ms(data["detected"]),
        ended_ms=None if data["ended"] is None else _ms(data["ended"]),
        evidence=data["evidence"],
        likely_causes=tuple(data["likely_causes"]),
        checks=tuple(data["checks"]),
        cost_per_day=data["cost_per_day"],
        weight_s=data["weight_s"],
        evidence_day_ms=_ms(data["evidence_day"]),
        state_since_ms=_ms(data["state_since"]),
        judged_until_ms=_ms(data["judged_until"]),
        acknowledged_by=acknowledged["by"],
        acknowledged_ms=None if acknowledged["at"] is None else _ms(acknowledged["at"]),
        note=acknowledged["note"],
        tells_numbers=data.get("tells_numbers", False),
        day_costs=tuple((_ms(day), cost) for day, cost in data.get("day_costs", ())),
    )


def _iso(time_ms: int | None, timezone: str) -> str | None:
    if time_ms is None:
        return None
    seconds, milliseconds = divmod(time_ms, 1000)
    local = datetime.fromtimestamp(seconds, ZoneInfo(timezone)).replace(microsecond=milliseconds * 1000)
    return local.isoformat(timespec="milliseconds" if milliseconds else "seconds")


def _ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)
