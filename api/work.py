"""
What is to be computed: due days, and the lease with which one watcher at a time serves a site.

A day becomes due when readings of it arrive or change ("readings"), when another version of the site file holds
on it ("version"), when the day before hands over something else ("carried"), when it was still running when it was
computed ("unfinished"), when a day that its judgements look back on changed ("history"), or when somebody asks for it
since the program was renewed ("program"). It stays due until its result is stored, in the same transaction; so a
watcher may be killed at any moment.

Statements of the watcher's steps are made once, and on tables: making one takes longer than running it.
"""

from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from typing import Any, Literal

from sqlalchemy import Insert, Row, Table, bindparam, case, delete, func, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from api.records import DueDayRow, LeaseRow, WatcherRow

__all__ = [
    "LeaseLostError",
    "Reason",
    "advance_cursor",
    "clear_due",
    "count_due",
    "cursor",
    "dialect_of",
    "due_days",
    "hold_lease",
    "insert_into",
    "keep_lease",
    "mark_due",
    "release_lease",
    "sites_with_due_days",
]

Reason = Literal["readings", "version", "carried", "unfinished", "history", "program"]

_CURSOR_ROW = 1

_DUE: Table = DueDayRow.__table__
_LEASES: Table = LeaseRow.__table__
_WATCHER: Table = WatcherRow.__table__

_DUE_OF_SITE = select(_DUE).where(_DUE.c.site_id == bindparam("site")).order_by(_DUE.c.day)
_DUE_SITES = select(_DUE.c.site_id).distinct().order_by(_DUE.c.site_id)
_DUE_COUNT = select(func.count()).select_from(_DUE).where(_DUE.c.site_id.in_(bindparam("sites", expanding=True)))
_CLEAR = delete(_DUE).where(
    _DUE.c.site_id == bindparam("of"), _DUE.c.day == bindparam("on"), _DUE.c.mark == bindparam("marked")
)
_CURSOR = select(_WATCHER.c.cursor).where(_WATCHER.c.id == _CURSOR_ROW)
_MOVE_ON = (
    update(_WATCHER)
    .where(_WATCHER.c.id == _CURSOR_ROW, _WATCHER.c.cursor == bindparam("old"))
    .values(cursor=bindparam("new"))
    .returning(_WATCHER.c.id)
)
_HELD = (_LEASES.c.site_id == bindparam("site")) & (_LEASES.c.holder == bindparam("by"))
_KEEP = update(_LEASES).where(_HELD).values(holder=bindparam("by")).returning(_LEASES.c.site_id)
_RELEASE = delete(_LEASES).where(_HELD)


class LeaseLostError(RuntimeError):
    """Another watcher has taken the site over; what was computed is thrown away, since the other computes the same."""


def dialect_of(session: Session) -> str:
    return session.get_bind().dialect.name


def insert_into(table: Table, dialect: str) -> postgresql.Insert | sqlite.Insert:
    """INSERT of a dialect, which knows ON CONFLICT."""
    return (postgresql.insert if dialect == "postgresql" else sqlite.insert)(table)


def mark_due(
    session: Session, site: str, days: Iterable[str], *, reason: Reason, cause: dict[str, Any] | None = None
) -> None:
    """
    Make days (ISO) of a site due. A reason that asks for a new account is not replaced by "history", nor one that
    comes from outside by what follows from it.

    Args:
        cause: For days that the day before makes due: what moved that one.
    """
    rows = [{"site_id": site, "day": day, "mark": 1, "reason": reason, "cause": cause} for day in sorted(set(days))]
    if rows:
        session.execute(_marking(dialect_of(session), reason, has_cause=cause is not None), rows)


@cache
def _marking(dialect: str, reason: Reason, *, has_cause: bool) -> Insert:
    statement = insert_into(_DUE, dialect)
    changed: dict[str, Any] = {"mark": _DUE.c.mark + 1}
    if reason in ("carried", "unfinished", "program"):
        # Not `in_`, which an upsert of many rows does not take.
        is_from_outside = (_DUE.c.reason == "readings") | (_DUE.c.reason == "version")
        changed["reason"] = case((is_from_outside, _DUE.c.reason), else_=reason)
    elif reason != "history":
        changed["reason"] = reason
    if has_cause:
        changed["cause"] = statement.excluded.cause
    return statement.on_conflict_do_update(index_elements=["site_id", "day"], set_=changed)


def due_days(session: Session, site: str) -> Sequence[Row[Any]]:
    """A site's due days (columns of `DueDayRow`), oldest first."""
    return session.execute(_DUE_OF_SITE, {"site": site}).all()


def sites_with_due_days(session: Session) -> Sequence[str]:
    return session.scalars(_DUE_SITES).all()


def count_due(session: Session, sites: Sequence[str]) -> int:
    """Due days of some sites."""
    return session.scalar(_DUE_COUNT, {"sites": sites}) or 0


def clear_due(session: Session, site: str, marks: Mapping[str, int]) -> None:
    """Take days off the list, but for those that became due again since `marks` were read."""
    if marks:
        session.execute(_CLEAR, [{"of": site, "on": day, "marked": mark} for day, mark in marks.items()])


def cursor(session: Session) -> str:
    """How far the store's news have been turned into due days."""
    return session.scalar(_CURSOR) or ""


def advance_cursor(session: Session, *, old: str, new: str) -> bool:
    """Move on in the news; False if another watcher moved on from `old` first, and the caller must roll back."""
    if not old:
        first = insert_into(_WATCHER, dialect_of(session)).on_conflict_do_nothing()
        session.execute(first, [{"id": _CURSOR_ROW, "cursor": ""}])
    return session.execute(_MOVE_ON, {"old": old, "new": new}).first() is not None


def hold_lease(session: Session, site: str, holder: str, *, now_ms: int, until_ms: int) -> bool:
    """Take a site's lease, or lengthen it; False if another watcher holds it now."""
    values = {"site_id": site, "holder": holder, "until_ms": until_ms, "now_ms": now_ms}
    return session.execute(_holding(dialect_of(session)), values).first() is not None


@cache
def _holding(dialect: str) -> Insert:
    statement = insert_into(_LEASES, dialect)
    taken = {"holder": statement.excluded.holder, "until_ms": statement.excluded.until_ms}
    is_free = (_LEASES.c.holder == statement.excluded.holder) | (_LEASES.c.until_ms <= bindparam("now_ms"))
    return statement.on_conflict_do_update(index_elements=["site_id"], set_=taken, where=is_free).returning(
        _LEASES.c.site_id
    )


def keep_lease(session: Session, site: str, holder: str) -> None:
    """
    Make sure, inside the transaction that stores results, that the site is still ours.

    Raises:
        LeaseLostError: If it is not.
    """
    if session.execute(_KEEP, {"site": site, "by": holder}).first() is None:
        raise LeaseLostError(f"the lease of site {site!r} is no longer held by {holder}")


def release_lease(session: Session, site: str, holder: str) -> None:
    session.execute(_RELEASE, {"site": site, "by": holder})
