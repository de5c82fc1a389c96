"""
Statements: a month's figures as they were sent to the homeowner.

A statement is never changed. Where figures move after it was sent, it says so; another one of the same month is a
correction with a number of its own. One that was sent by mistake is withdrawn, and kept.
"""

from collections.abc import Sequence
from datetime import date, timedelta
from importlib.metadata import version
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from analytics.figure_paths import figures_by_path
from analytics.figures import Figure, figure_from_json, figure_to_json, unavailable
from analytics.trace import local_day_at
from api.day_rows import ledgers
from api.held import held_versions
from api.instants import instant
from api.moved import has_moved
from api.moved_report import moved_rows, past_cause
from api.records import MovedDayRow, StatementRow
from api.results import NoLedgerError, StatementError, UnknownStatementError, period
from api.sites import present_site, site_versions, version_on
from dashboards.contexts import HomeContext, MovedFigure, PastCause, StatementView
from dashboards.numbers import display_of
from dashboards.past import reads_alike
from dashboards.render import render_statement

__all__ = [
    "issue_statement",
    "last_of_month",
    "standing_statement",
    "statement_page",
    "statement_view",
    "statement_views",
    "statements_json",
    "withdraw_statement",
]

_SENT = (
    *("saved.money", "saved.energy", "saved.co2", "purchased", "hot_water.heat", "hot_water.volume"),
    *("hot_water.carried_over", "backup_fraction"),
)


def last_of_month(month: date) -> date:
    return (month.replace(day=1) + timedelta(days=31)).replace(day=1) - timedelta(days=1)


def issue_statement(
    session: Session, site: str, month: date, *, now_ms: int, by: str = "", is_correction: bool = False
) -> StatementView:
    """
    Make a month's statement from the figures as they are now, and keep it as sent.

    Args:
        is_correction: Whether it is to take the place of one that was sent, whose figures have moved since.
    Raises:
        StatementError: If the month is not over; if one stands and this is no correction, or is one of nothing.
        NoLedgerError: If no day of the month has a ledger.
        UnknownSiteError: If there is no such site.
    """
    _require_over(session, site, month, now_ms=now_ms)
    standing = standing_statement(session, site, month)
    corrects = _corrected(session, standing, is_correction=is_correction)
    newest = session.scalar(
        select(func.max(StatementRow.issue)).where(StatementRow.site_id == site, StatementRow.month == _name(month))
    )
    row = StatementRow(
        site_id=site,
        month=_name(month),
        issue=(newest or 0) + 1,
        issued_ms=now_ms,
        issued_by=by,
        corrects=corrects,
        body=_body(session, site, month),
        page="",
        withdrawn_ms=None,
        withdrawn_by="",
        note="",
    )
    row.page = render_statement(_context(session, row), _view(row))
    session.add(row)
    session.flush()
    return _view(row)


def _require_over(session: Session, site: str, month: date, *, now_ms: int) -> None:
    today = local_day_at(now_ms, present_site(session, site).timezone).date
    last = last_of_month(month)
    if today <= last:
        following = last + timedelta(days=1)
        raise StatementError(f"{_name(month)} is not over; its statement can be made from {following} on")


def _corrected(session: Session, standing: StatementRow | None, *, is_correction: bool) -> int | None:
    if standing is None:
        if is_correction:
            raise StatementError("there is no statement of this month to correct; make one without --correct")
        return None
    number = _number(standing)
    if not is_correction:
        raise StatementError(
            f"statement {number} of this month stands; a new one has to be asked for as its correction"
        )
    if not _moved_since(session, standing):
        raise StatementError(f"nothing has moved since statement {number} was sent; there is nothing to correct")
    return standing.issue


def _name(month: date) -> str:
    return f"{month:%Y-%m}"


def _number(row: StatementRow) -> str:
    return f"{row.month}-{row.issue}"


def _first(row: StatementRow) -> date:
    return date.fromisoformat(f"{row.month}-01")


def standing_statement(session: Session, site: str, month: date) -> StatementRow | None:
    """The newest statement of a month that was not withdrawn."""
    return session.scalar(
        select(StatementRow)
        .where(StatementRow.site_id == site, StatementRow.month == _name(month), StatementRow.withdrawn_ms.is_(None))
        .order_by(StatementRow.issue.desc())
        .limit(1)
    )


def _body(session: Session, site: str, month: date) -> dict[str, Any]:
    """What the statement says, and what it rests on."""
    first, last = month.replace(day=1), last_of_month(month)
    versions = site_versions(session, site)
    held = {version_on(versions, first + timedelta(days=day)).digest for day in range((last - first).days + 1)}
    figures, known = _figures_now(session, site, month)
    return {
        "figures": {path: figure_to_json(figure) for path, figure in figures.items()},
        "versions": [{"from": one.valid_from, "digest": one.digest} for one in versions if one.digest in held],
        "program": version("heatledger"),
        "days": (last - first).days + 1,
        "known": known,
    }


def _figures_now(session: Session, site: str, month: date) -> tuple[dict[str, Figure], int]:
    """A statement's figures as they are now, and the number of days with a ledger."""
    found = period(session, site, first=month.replace(day=1), last=last_of_month(month))
    every = figures_by_path(found.total)
    by_origin = (f"stages.{line.stage}.delivered" for line in found.total.stages)
    return {path: every[path] for path in (*_SENT, *by_origin)}, found.n_known


def _context(session: Session, row: StatementRow) -> HomeContext:
    """The month as the homeowner's page shows it, with the site file that held at its end."""
    first, last = _first(row), last_of_month(_first(row))
    return HomeContext(
        site=version_on(site_versions(session, row.site_id), last).site,
        now=instant(row.issued_ms),
        month=first,
        ledgers=ledgers(session, row.site_id, first=first.isoformat(), last=last.isoformat()),
        alerts=(),
        newest_reading=None,
        held=held_versions(session, row.site_id, first, last),
    )


def _moved_since(session: Session, row: StatementRow) -> list[MovedFigure]:
    """The statement's figures that are otherwise now, with why."""
    month = _first(row)
    try:
        now, known = _figures_now(session, row.site_id, month)
    except NoLedgerError:
        now, known = {}, 0
    rows = moved_rows(session, row.site_id, first=month, last=last_of_month(month), since_ms=row.issued_ms)
    display = display_of(present_site(session, row.site_id))
    found = []
    for path in dict.fromkeys([*row.body["figures"], *now]):
        sent, present = row.body["figures"].get(path), now.get(path)
        if not has_moved(sent, None if present is None else figure_to_json(present)):
            continue
        if sent and present and reads_alike(figure_from_json(sent), present, path, display):
            continue
        touching = [moved for moved in rows if path in moved.figures]
        gone = unavailable(sent["unit"] if sent else present.unit, "There is no such figure.")
        found.append(
            MovedFigure(
                path=path,
                before=figure_from_json(sent) if sent else gone,
                after=present or gone,
                days=len({moved.day for moved in touching}),
                computed=instant(max(moved.computed_ms for moved in touching)) if touching else None,
                causes=_causes(touching, is_more_known=known > row.body["known"]),
            )
        )
    return found


def _causes(rows: Sequence[MovedDayRow], *, is_more_known: bool) -> list[PastCause]:
    # A day that had no ledger when the statement was sent has not moved: it has come.
    causes = [PastCause(kind="readings")] if is_more_known else []
    for row in rows:
        cause = past_cause(row.cause)
        if cause not in causes:
            causes.append(cause)
    return causes


def _view(row: StatementRow, moved: Sequence[MovedFigure] = ()) -> StatementView:
    return StatementView(
        number=_number(row),
        month=_first(row),
        issued=instant(row.issued_ms),
        by=row.issued_by,
        corrects="" if row.corrects is None else f"{row.month}-{row.corrects}",
        withdrawn=None if row.withdrawn_ms is None else instant(row.withdrawn_ms),
        note=row.note,
        figures={path: figure_from_json(figure) for path, figure in row.body["figures"].items()},
        versions=[(_day_or_none(one["from"]), one["digest"][:12]) for one in row.body["versions"]],
        moved=moved,
        missing_days=row.body["days"] - row.body["known"],
    )


def _day_or_none(text: str) -> date | None:
    return date.fromisoformat(text) if text else None


def statement_views(session: Session, site: str, *, month: date | None = None) -> list[StatementView]:
    """A site's statements, of one month where asked, the newest first; what moved only of those that stand."""
    wanted = select(StatementRow).where(StatementRow.site_id == site)
    if month is not None:
        wanted = wanted.where(StatementRow.month == _name(month))
    rows = session.scalars(wanted.order_by(StatementRow.month.desc(), StatementRow.issue.desc())).all()
    return [_with_moved(session, row) for row in rows]


def _with_moved(session: Session, row: StatementRow) -> StatementView:
    standing = standing_statement(session, row.site_id, _first(row))
    is_standing = standing is not None and standing.id == row.id
    return _view(row, _moved_since(session, row) if is_standing else ())


def _row(session: Session, site: str, number: str) -> StatementRow:
    month, _, issue = number.rpartition("-")
    row = None
    if issue.isdecimal():
        row = session.scalar(
            select(StatementRow).where(
                StatementRow.site_id == site, StatementRow.month == month, StatementRow.issue == int(issue)
            )
        )
    if row is None:
        raise UnknownStatementError(f"{site} has no statement {number!r}; numbers are such as 2026-01-1")
    return row


def statement_view(session: Session, site: str, number: str) -> StatementView:
    """
    One statement with what moved since.

    Raises:
        UnknownStatementError: If the site has none of that number.
    """
    return _with_moved(session, _row(session, site, number))


def statement_page(session: Session, site: str, number: str) -> str:
    """
    The document (HTML) as it was sent.

    Raises:
        UnknownStatementError: If the site has none of that number.
    """
    return _row(session, site, number).page


def withdraw_statement(session: Session, site: str, number: str, *, now_ms: int, by: str, note: str) -> StatementView:
    """
    Take back a statement that was sent by mistake; it is kept, marked.

    Raises:
        UnknownStatementError: If the site has none of that number.
        StatementError: If it was withdrawn before.
    """
    row = _row(session, site, number)
    if row.withdrawn_ms is not None:
        day = local_day_at(row.withdrawn_ms, present_site(session, site).timezone).date
        raise StatementError(f"statement {number} was withdrawn already, on {day}")
    row.withdrawn_ms, row.withdrawn_by, row.note = now_ms, by, note
    return _view(row)


def statements_json(views: Sequence[StatementView]) -> list[dict[str, Any]]:
    """Statements for machines: figures in the contract's form, and what moved since each was sent."""
    return [_statement_json(view) for view in views]


def _statement_json(view: StatementView) -> dict[str, Any]:
    return {
        "number": view.number,
        "month": _name(view.month),
        "issued": view.issued.isoformat(),
        "by": view.by,
        "corrects": view.corrects or None,
        "withdrawn": None if view.withdrawn is None else view.withdrawn.isoformat(),
        "note": view.note,
        "versions": [
            {"from": None if first is None else first.isoformat(), "digest": digest} for first, digest in view.versions
        ],
        "figures": {path: figure_to_json(figure) for path, figure in view.figures.items()},
        "moved": [
            {
                "figure": moved.path,
                "sent": figure_to_json(moved.before),
                "now": figure_to_json(moved.after),
                "computed": None if moved.computed is None else moved.computed.isoformat(),
                "causes": [{"kind": cause.kind, "changes": list(cause.changes)} for cause in moved.causes],
            }
            for moved in view.moved
        ],
    }
