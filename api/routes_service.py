"""Whether the service is well, and whether it is the one that a command looks for."""

from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, Depends
from fastapi.responses import JSONResponse
from sqlalchemy import func, select

from api.pages import newest_ms
from api.parts import PartsOfApp, require_owner
from api.records import DueDayRow
from api.schemas import HealthOut
from api.sites import site_ids
from ingest.counts import totals

__all__ = ["router"]

router = APIRouter(prefix="/api", tags=["service"])

# A gateway's packs come each minute or sooner; five of them missing is worth a word.
_BEHIND_S = 300.0


@router.get("/health", response_model=HealthOut)
def health(parts: PartsOfApp) -> JSONResponse:
    """Counts since ever (received = stored + duplicate + quarantined), days that wait, age of the newest reading."""
    now_ms = parts.clock()
    with parts.records.look() as session:
        sites = site_ids(session)
        due = session.scalar(select(func.count()).select_from(DueDayRow)) or 0
    newest = [time_ms for time_ms in (newest_ms(parts.store, site) for site in sites) if time_ms is not None]
    lag_s = None if not newest else (now_ms - max(newest)) / 1000
    intake = {
        way: {
            "received": counts.received,
            "stored": counts.stored,
            "duplicate": counts.duplicate,
            "quarantined": counts.quarantined,
            "replaced": counts.replaced,
        }
        for way, counts in totals(parts.records.reading).items()
    }
    problems = [] if parts.problems is None else parts.problems()
    return JSONResponse(
        {
            "status": "ok" if not problems and (lag_s is None or lag_s < _BEHIND_S) else "behind",
            "now": datetime.fromtimestamp(now_ms / 1000, UTC).isoformat(),
            "intake": intake,
            "due_days": due,
            "lag_s": lag_s,
            "problems": problems,
            "sign_in": False,
        }
    )


@router.get("/service", dependencies=[Depends(require_owner)], include_in_schema=False)
def service() -> dict[str, Any]:
    """Answers only who has the key of this very service."""
    return {"service": "heatledger"}
