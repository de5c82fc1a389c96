"""Computed days in the records: what a job needs from them, and what its outcomes change."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from typing import Any

from sqlalchemy import Insert, Row, Table, Text, bindparam, cast, delete, func, select
from sqlalchemy.orm import Session

from analytics.figures import DayLedger, day_from_json
from api.days import HISTORY_DAYS, MAX_SILENT_DAYS, DayOutcome
from api.moved import Cause, causes_of, keep_moved
from api.records import DayRow
from api.work import dialect_of, insert_into, mark_due

__all__ = [
    "Before",
    "before",
    "day_span",
    "is_same",
    "ledgers",
    "newest_days",
    "newest_ledgers",
    "shifted",
    "store_outcomes",
    "unfinished",
]

# Heat that a state may differ by and still count as the same: a thousandth of a joule, or a part in 10^9.
_SAME_ABSOLUTE = 1e-3
_SAME_RELATIVE = 1e-9

_DAYS: Table = DayRow.__table__
_OF_SITE = _DAYS.c.site_id == bindparam("site")
_SPAN = _OF_SITE & _DAYS.c.day.between(bindparam("first"), bindparam("last"))
# Ledgers as they are written: sixty of them are most of a late reading's work, if they are read each time.
_LEDGER_TEXTS = select(_DAYS.c.day, cast(_DAYS.c.ledger, Text)).where(_SPAN).order_by(_DAYS.c.day)
_HANDED_ON = select(_DAYS.c.state, _DAYS.c.alerts, _DAYS.c.silent_days).where(
    _OF_SITE, _DAYS.c.day == bindparam("last")
)
_DAYS_OF_SPAN = select(_DAYS).where(_SPAN)
_NAMES_OF_SPAN = select(_DAYS.c.day).where(_SPAN)
_REMOVE = delete(_DAYS).where(_OF_SITE, _DAYS.c.day == bindparam("on"))
_UNFINISHED = select(_DAYS.c.site_id, _DAYS.c.day, _DAYS.c.until_ms).where(_DAYS.c.until_ms.is_not(None))
_NEWEST = select(_DAYS.c.site_id, func.max(_DAYS.c.day).label("day")).group_by(_DAYS.c.site_id).subquery()
_NEWEST_DAYS = select(_DAYS.c.site_id, _DAYS.c.day, _DAYS.c.silent_days).join(
    _NEWEST, (_DAYS.c.site_id == _NEWEST.c.site_id) & (_DAYS.c.day == _NEWEST.c.day)
)


@dataclass(frozen=True, slots=True)
class Before:
    """What the days before a job's first day hand over; `history` are their ledgers, as text of JSON."""

    state: dict[str, Any] | None
    alerts: list[Any]
    history: Sequence[str]
    silent_days: int


def shifted(day: str, days: int) -> str:
    """An ISO day so many days later."""
    return (date.fromisoformat(day) + timedelta(days=days)).isoformat()


def before(session: Session, site: str, day: str) -> Before:
    """What a job that starts on `day` needs from the days before it."""
    span = {"site": site, "first": shifted(day, -HISTORY_DAYS), "last": shifted(day, -1)}
    history = _unbroken(session.execute(_LEDGER_TEXTS, span).all(), day)
    last = session.execute(_HANDED_ON, span).one() if history else None
    return Before(
        state=last.state if last else None,
        alerts=last.alerts if last else _alerts_before(session, site, day),
        history=[text for _, text in history],
        silent_days=last.silent_days if last else MAX_SILENT_DAYS,
    )


def _unbroken(rows: Sequence[Row[tuple[str, str]]], day: str) -> Sequence[Row[tuple[str, str]]]:
    """The rows of the days that lead up to `day` without a day missing."""
    count = 0
    while count < len(rows) and rows[-1 - count][0] == shifted(day, -1 - count):
        count += 1
    return rows[len(rows) - count :]


def _alerts_before(session: Session, site: str, day: str) -> list[Any]:
    """Alerts at the end of the last computed day, where the account paused in between."""
    row = session.scalar(
        select(DayRow).where(DayRow.site_id == site, DayRow.day < day).order_by(DayRow.day.desc()).limit(1)
    )
    return row.alerts if row else []


def store_outcomes(
    session: Session,
    site: str,
    outcomes: Sequence[DayOutcome],
    *,
    due: Mapping[str, tuple[str, Cause | None]],
    computed_ms: int,
    program: str = "",
) -> list[dict[str, Any]]:
    """
    Put outcomes of consecutive days down with what moved, and make those later days due that they bear on.

    Args:
        due: Why each day was due: the reason, and what moved the day before it where that was the reason.
        program: Which one computed them; not known where not said.
    Returns:
        The alerts that the days had before.
    """
    days = [outcome.task.day for outcome in outcomes]
    span = {"site": site, "first": days[0], "last": days[-1]}
    old = {row.day: row for row in session.execute(_DAYS_OF_SPAN, span)}
    alerts_before = [alert for row in old.values() for alert in row.alerts]
    changed = [o.task.day for o in outcomes if o.task.day not in old or old[o.task.day].ledger != o.ledger]
    causes = causes_of(session, site, outcomes, old=old, due=due)
    keep_moved(session, site, outcomes, old=old, causes=causes, computed_ms=computed_ms)
    for outcome in outcomes:
        _put(session, site, outcome, computed_ms=computed_ms, program=program)
    _mark_later_days(session, site, old=old.get(days[-1]), last=outcomes[-1], changed=changed, cause=causes[days[-1]])
    return alerts_before


def _put(session: Session, site: str, outcome: DayOutcome, *, computed_ms: int, program: str) -> None:
    day = outcome.task.day
    if outcome.ledger is None:
        session.execute(_REMOVE, {"site": site, "on": day})
        return
    values = {
        "site_id": site,
        "day": day,
        "ledger": outcome.ledger,
        "state": outcome.state,
        "alerts": outcome.alerts,
        "version_digest": outcome.task.digest,
        "until_ms": outcome.task.until_ms,
        "silent_days": outcome.silent_days,
        "computed_ms": computed_ms,
        "program": program,
    }
    session.execute(_putting(dialect_of(session)), values)


@cache
def _putting(dialect: str) -> Insert:
    statement = insert_into(_DAYS, dialect)
    replaced = {column.name: statement.excluded[column.name] for column in _DAYS.c if not column.primary_key}
    return statement.on_conflict_do_update(index_elements=["site_id", "day"], set_=replaced)


def _mark_later_days(
    session: Session, site: str, *, old: Row[Any] | None, last: DayOutcome, changed: Sequence[str], cause: Cause
) -> None:
    following = shifted(last.task.day, 1)
    reach = shifted(changed[-1], HISTORY_DAYS) if changed else following
    later = session.scalars(_NAMES_OF_SPAN, {"site": site, "first": following, "last": reach}).all()
    if changed:
        mark_due(session, site, later, reason="history")
    if following in later and (old is None or not is_same(_heat_of(old.state), _heat_of(last.state))):
        mark_due(session, site, [following], reason="carried", cause=cause)
    elif following in later and old is not None and old.alerts != last.alerts:
        mark_due(session, site, [following], reason="history")


def _heat_of(state: Any) -> Any:
    """What the next day's account begins with; what is expected of it is history, and reaches no further than that."""
    return None if state is None else {key: value for key, value in state.items() if key != "expected"}


def is_same(left: Any, right: Any) -> bool:
    """Whether two states (JSON) are equal but for rounding."""
    if isinstance(left, Mapping) and isinstance(right, Mapping):
        return left.keys() == right.keys() and all(is_same(left[key], right[key]) for key in left)
    if isinstance(left, list) and isinstance(right, list):
        return len(left) == len(right) and all(map(is_same, left, right))
    if isinstance(left, int | float) and isinstance(right, int | float):
        return abs(left - right) <= _SAME_ABSOLUTE + _SAME_RELATIVE * max(abs(left), abs(right))
    return bool(left == right)


def ledgers(session: Session, site: str, *, first: str = "", last: str = "9999-12-31") -> Sequence[DayLedger]:
    """A site's ledgers of the days first..last (ISO), oldest first."""
    rows = session.scalars(
        select(DayRow.ledger)
        .where(DayRow.site_id == site, DayRow.day >= first, DayRow.day <= last)
        .order_by(DayRow.day)
    )
    return [day_from_json(site, data) for data in rows]


def newest_ledgers(session: Session, *, first: str, before: Mapping[str, str]) -> dict[str, DayLedger]:
    """Of each site of `before`, the last ledger of the days from `first` on that come before the day it names."""
    days = session.execute(select(DayRow.site_id, DayRow.day).where(DayRow.day >= first, DayRow.until_ms.is_(None)))
    newest: dict[str, str] = {}
    for site, day in days:
        if day < before.get(site, "") and day > newest.get(site, ""):
            newest[site] = day
    wanted = select(DayRow.site_id, DayRow.day, DayRow.ledger).where(
        DayRow.day.in_(set(newest.values())), DayRow.site_id.in_(list(newest))
    )
    return {site: day_from_json(site, data) for site, day, data in session.execute(wanted) if newest.get(site) == day}


def day_span(session: Session, site: str) -> tuple[date, date] | None:
    """First and last computed day of a site."""
    first, last = session.execute(
        select(func.min(DayRow.day), func.max(DayRow.day)).where(DayRow.site_id == site)
    ).one()
    return None if first is None else (date.fromisoformat(first), date.fromisoformat(last))


def unfinished(session: Session) -> Sequence[tuple[str, str, int]]:
    """Days that were still running when they were computed: site, day, and up to when they were."""
    return [(site, day, until_ms) for site, day, until_ms in session.execute(_UNFINISHED)]


def newest_days(session: Session) -> Sequence[tuple[str, str, int]]:
    """Each site's last computed day, and how many days without a reading end with it."""
    return [(site, day, silent_days) for site, day, silent_days in session.execute(_NEWEST_DAYS)]
