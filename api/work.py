"""
What is to be computed: due days, and the lease with which one watcher at a time serves a site.

A day becomes due when readings of it arrive or change ("readings"), when another version of the site file holds
on it ("version"), when the day before hands over something else ("carried"), when it was still running when it was
computed ("unfinished"), when a day that its judgements look back on changed ("history"), or when somebody asks for it
since the program was renewed ("program"). It stays due until its result is stored, in the same transaction; so a
watcher may be killed at any moment.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Literal

from sqlalchemy import Insert, case, delete, func, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from api.records import Base, DueDayRow, LeaseRow, WatcherRow

__all__ = [
    "LeaseLostError",
    "Reason",
    "advance_cursor",
    "clear_due",
    "count_due",
    "cursor",
    "due_days",
    "hold_lease",
    "keep_lease",
    "mark_due",
    "release_lease",
    "sites_with_due_days",
    "upsert",
]

Reason = Literal["readings", "version", "carried", "unfinished", "history", "program"]

_CURSOR_ROW = 1


class LeaseLostError(RuntimeError):
    """Another watcher has taken the site over; what was computed is thrown away, since the other computes the same."""


def upsert(session: Session, table: type[Base]) -> Insert:
    """INSERT of the dialect at hand, which knows ON CONFLICT."""
    dialect = session.get_bind().dialect.name
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
    if not rows:
        return
    statement = upsert(session, DueDayRow)
    changed: dict[str, object] = {"mark": DueDayRow.mark + 1}
    if reason in ("carried", "unfinished", "program"):
        # Not `in_`, which an upsert of many rows does not take.
        is_from_outside = (DueDayRow.reason == "readings") | (DueDayRow.reason == "version")
        changed["reason"] = case((is_from_outside, DueDayRow.reason), else_=reason)
    elif reason != "history":
        changed["reason"] = reason
    if cause is not None:
        changed["cause"] = statement.excluded.cause
    session.execute(statement.on_conflict_do_update(index_elements=["site_id", "day"], set_=changed), rows)


def due_days(session: Session, site: str) -> Sequence[DueDayRow]:
    """A site's due days, oldest first."""
    return session.scalars(select(DueDayRow).where(DueDayRow.site_id == site).order_by(DueDayRow.day)).all()


def sites_with_due_days(session: Session) -> Sequence[str]:
    return session.scalars(select(DueDayRow.site_id).distinct().order_by(DueDayRow.site_id)).all()


def count_due(session: Session, sites: Sequence[str]) -> int:
    """Due days of some sites."""
    return session.scalar(select(func.count()).select_from(DueDayRow).where(DueDayRow.site_id.in_(sites))) or 0


def clear_due(session: Session, site: str, marks: Mapping[str, int]) -> None:
    """Take days off the list, but for those that became due again since `marks` were read."""
    for day, mark in marks.items():
        session.execute(
            delete(DueDayRow).where(DueDayRow.site_id == site, DueDayRow.day == day, DueDayRow.mark == mark)
        )


def cursor(session: Session) -> str:
    """How far the store's news have been turned into due days."""
    return session.scalar(select(WatcherRow.cursor).where(WatcherRow.id == _CURSOR_ROW)) or ""


def advance_cursor(session: Session, *, old: str, new: str) -> bool:
    """Move on in the news; False if another watcher moved on from `old` first, and the caller must roll back."""
    session.execute(upsert(session, WatcherRow).on_conflict_do_nothing(), [{"id": _CURSOR_ROW, "cursor": ""}])
    moved = (
        update(WatcherRow)
        .where(WatcherRow.id == _CURSOR_ROW, WatcherRow.cursor == old)
        .values(cursor=new)
        .returning(WatcherRow.id)
    )
    return session.execute(moved).first() is not None


def hold_lease(session: Session, site: str, holder: str, *, now_ms: int, until_ms: int) -> bool:
    """Take a site's lease, or lengthen it; False if another watcher holds it now."""
    values = {"site_id": site, "holder": holder, "until_ms": until_ms}
    statement = upsert(session, LeaseRow).values(**values)
    is_free = (LeaseRow.holder == holder) | (LeaseRow.until_ms <= now_ms)
    taken = statement.on_conflict_do_update(
        index_elements=["site_id"], set_={"holder": holder, "until_ms": until_ms}, where=is_free
    ).returning(LeaseRow.site_id)
    return session.execute(taken).first() is not None


def keep_lease(session: Session, site: str, holder: str) -> None:
    """
    Make sure, inside the transaction that stores results, that the site is still ours.

    Raises:
        LeaseLostError: If it is not.
    """
    held = (
        update(LeaseRow)
        .where(LeaseRow.site_id == site, LeaseRow.holder == holder)
        .values(holder=holder)
        .returning(LeaseRow.site_id)
    )
    if session.execute(held).first() is None:
        raise LeaseLostError(f"the lease of site {site!r} is no longer held by {holder}")


def release_lease(session: Session, site: str, holder: str) -> None:
    session.execute(delete(LeaseRow).where(LeaseRow.site_id == site, LeaseRow.holder == holder))
