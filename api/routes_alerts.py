"""The JSON of alerts, and taking one on."""

from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse

from api.alerting import acknowledge_alert
from api.pages import instant
from api.parts import Parts, PartsOfApp
from api.results import alert_row, alerts, said_when_over, told, transitions
from api.routes_sites import Settled, settle
from api.schemas import AcknowledgeIn, AlertDetailOut, AlertOut

__all__ = ["router", "take_on"]

router = APIRouter(prefix="/api/alerts", tags=["alerts"])


@router.get("", response_model=list[AlertOut])
def all_alerts(
    parts: PartsOfApp,
    site: Annotated[str | None, Query(description="Only this site's")] = None,
    is_open: Annotated[bool | None, Query(alias="open", description="Only those that last, or are over")] = None,
    settled: Settled = False,
) -> JSONResponse:
    """Alerts, lasting ones first, then the worst, then the newest."""
    if settled:
        settle(parts, None if site is None else [site])
    with parts.records.look() as session:
        return JSONResponse([said_when_over(each) for each in alerts(session, site=site, is_open=is_open)])


@router.get("/{alert}", response_model=AlertDetailOut)
def one_alert(alert: str, parts: PartsOfApp) -> JSONResponse:
    """One alert with the changes of its state."""
    return JSONResponse(_detail(parts, alert))


@router.post("/{alert}/acknowledge", response_model=AlertDetailOut)
def acknowledge(alert: str, taken: AcknowledgeIn, parts: PartsOfApp) -> JSONResponse:
    """A person takes an open alert on; it stays acknowledged until it is over."""
    take_on(parts, alert, by=taken.by, note=taken.note)
    return JSONResponse(_detail(parts, alert))


def take_on(parts: Parts, alert: str, *, by: str, note: str) -> None:
    """Write down who took an alert on."""
    with parts.records.begin() as session:
        acknowledge_alert(session, alert_row(session, alert), by=by, note=note, now_ms=parts.clock())


def _detail(parts: Parts, alert: str) -> dict[str, Any]:
    with parts.records.look() as session:
        row = alert_row(session, alert)
        changes = [
            {
                "state": change.state,
                "at": instant(change.at_ms).isoformat(),
                "noticed": instant(change.noticed_ms).isoformat(),
                "by": change.by,
                "note": change.note,
            }
            for change in transitions(session, alert)
        ]
        return {**said_when_over(told(row)), "transitions": changes}
