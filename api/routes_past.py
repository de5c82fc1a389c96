"""What moved in the past figures, and the statements that were sent."""

from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Form
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse
from pydantic import BaseModel, Field

from api.errors import month_of
from api.moved_report import moved_json
from api.parts import Parts, PartsOfApp
from api.routes_sites import DaysAsked, Settled, settle
from api.schemas import FigureOut
from api.sites import present_site
from api.statements import (
    issue_statement,
    standing_statement,
    statement_page,
    statement_view,
    statement_views,
    statements_json,
    withdraw_statement,
)
from dashboards.contexts import StatementView
from dashboards.links import home_link

__all__ = ["router"]

router = APIRouter(tags=["the past"])


class MovedOut(BaseModel):
    """A figure before and after it was computed again."""

    figure: str = Field(description="Its path in the ledger")
    from_day: date | None
    days: int = Field(description="Over which it is summed")
    before: FigureOut
    after: FigureOut
    change: float | None


class MovedDayOut(BaseModel):
    day: str
    computed: str
    figures: dict[str, dict[str, Any]] = Field(description="By path: what it was `before` and is `after`")


class CauseOut(BaseModel):
    kind: str = Field(description="version, readings or program")
    since: date | None = Field(description="First day of the version; null for since ever")
    changes: list[str] = Field(description="What changed in the site file")
    sentence: str
    computed: str
    sums: list[MovedOut] = Field(description="Main figures, over the days on which each moved")
    largest: list[MovedOut] = Field(description="Largest movements of a day")
    days: list[MovedDayOut]


class PastOut(BaseModel):
    site: str
    timezone: str
    from_day: date | None = Field(alias="from")
    to: date | None
    causes: list[CauseOut]
    total: list[MovedOut] = Field(description="Main figures of from..to as they were first, and now")


class VersionOut(BaseModel):
    first: date | None = Field(alias="from", description="First day; null for since ever")
    digest: str = Field(description="Beginning of the SHA-256 of the file's text")


class StatementOut(BaseModel):
    """A statement as it was sent, and what is otherwise now."""

    number: str
    month: str
    issued: str
    by: str
    corrects: str | None
    withdrawn: str | None
    note: str
    versions: list[VersionOut] = Field(description="Of the site file, that held in the month")
    figures: dict[str, FigureOut]
    moved: list[dict[str, Any]]


class StatementIn(BaseModel):
    month: str = Field(pattern=r"^\d{4}-\d{2}$", description="YYYY-MM")
    by: str = Field(min_length=1, max_length=200, description="Who sends it")
    is_correction: bool = Field(default=False, description="Take the place of the one that stands")


class WithdrawIn(BaseModel):
    by: str = Field(min_length=1, max_length=200, description="Who takes it back")
    note: str = Field(default="", max_length=2000)


@router.get("/api/sites/{site}/moved", response_model=PastOut)
def moved(site: str, parts: PartsOfApp, days: DaysAsked, settled: Settled = False) -> JSONResponse:
    """What moved when past days were computed again: by cause, and in all."""
    if settled:
        settle(parts, [site])
    with parts.records.look() as session:
        return JSONResponse(moved_json(session, site, first=days[0], last=days[1]))


@router.get("/api/sites/{site}/statements", response_model=list[StatementOut])
def statements(site: str, parts: PartsOfApp) -> JSONResponse:
    """A site's statements, the newest first, with what moved since each that stands was sent."""
    with parts.records.look() as session:
        present_site(session, site)
        return JSONResponse(statements_json(statement_views(session, site)))


@router.get("/api/sites/{site}/statements/{number}", response_model=StatementOut)
def one_statement(site: str, number: str, parts: PartsOfApp) -> JSONResponse:
    """One statement."""
    with parts.records.look() as session:
        return JSONResponse(statements_json([statement_view(session, site, number)])[0])


@router.post("/api/sites/{site}/statements", response_model=StatementOut, status_code=201)
def issue(site: str, wanted: StatementIn, parts: PartsOfApp) -> JSONResponse:
    """Make a month's statement and keep it as sent."""
    made = _issue(parts, site, month_of(wanted.month), by=wanted.by, is_correction=wanted.is_correction)
    return JSONResponse(statements_json([made])[0], 201)


@router.post("/api/sites/{site}/statements/{number}/withdraw", response_model=StatementOut)
def withdraw(site: str, number: str, wanted: WithdrawIn, parts: PartsOfApp) -> JSONResponse:
    """Take back a statement that was sent by mistake; it is kept, marked."""
    with parts.records.begin() as session:
        found = withdraw_statement(session, site, number, now_ms=parts.clock(), by=wanted.by, note=wanted.note)
    return JSONResponse(statements_json([found])[0])


@router.get("/sites/{site}/statements/{number}", include_in_schema=False)
def document(site: str, number: str, parts: PartsOfApp) -> HTMLResponse:
    """A statement as it was sent."""
    with parts.records.look() as session:
        return HTMLResponse(statement_page(session, site, number))


@router.post("/sites/{site}/statements", include_in_schema=False)
def issue_by_form(
    site: str,
    parts: PartsOfApp,
    month: Annotated[str, Form()],
    by: Annotated[str, Form(min_length=1, max_length=200)],
) -> RedirectResponse:
    """A person makes a month's statement, or the correction of the one that stands."""
    wanted = month_of(month)
    with parts.records.look() as session:
        stands = standing_statement(session, site, wanted) is not None
    _issue(parts, site, wanted, by=by, is_correction=stands)
    return RedirectResponse(home_link(site, month=wanted), 303)


def _issue(parts: Parts, site: str, month: date, *, by: str, is_correction: bool) -> StatementView:
    with parts.records.begin() as session:
        return issue_statement(session, site, month, now_ms=parts.clock(), by=by, is_correction=is_correction)
