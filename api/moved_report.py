"""What moved in the past, for people: by cause, with sums over the days and the largest movements of a day."""

import copy
import json
import math
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.figure_paths import figures_by_path, figures_in_record
from analytics.figures import Figure, day_from_json, figure_from_json, figure_to_json, shown_of, unavailable
from analytics.period import add_up, spans
from analytics.site import Site
from analytics.trace import local_day_at
from api.instants import instant
from api.moved import has_moved, is_main
from api.records import MovedDayRow
from api.results import backup_stages, kept_ledgers
from api.sites import present_site
from dashboards.contexts import MovedFigure, PastCause, PastChange
from dashboards.numbers import display_of
from dashboards.past import cause_words
from dashboards.words import sum_of

__all__ = ["moved_json", "moved_rows", "past_cause", "past_changes", "whole_period"]

_LARGEST = 5


def moved_rows(
    session: Session, site: str, *, first: date | None = None, last: date | None = None, since_ms: int | None = None
) -> Sequence[MovedDayRow]:
    """Days first..last that moved, in the order in which they did; with `since_ms` only what moved after that."""
    wanted = select(MovedDayRow).where(MovedDayRow.site_id == site).order_by(MovedDayRow.id)
    if first is not None:
        wanted = wanted.where(MovedDayRow.day >= first.isoformat())
    if last is not None:
        wanted = wanted.where(MovedDayRow.day <= last.isoformat())
    if since_ms is not None:
        wanted = wanted.where(MovedDayRow.computed_ms > since_ms)
    return [row for row in session.scalars(wanted) if row.figures]


def past_cause(cause: Mapping[str, Any]) -> PastCause:
    since = date.fromisoformat(cause["from"]) if cause.get("from") else None
    return PastCause(kind=cause["kind"], since=since, changes=tuple(cause.get("changes", ())))


def past_changes(rows: Sequence[MovedDayRow], *, timezone: str) -> list[PastChange]:
    """The causes with what each moved, the newest first."""
    return [_change(group) for group in _by_cause(rows, timezone)]


def _by_cause(rows: Sequence[MovedDayRow], timezone: str) -> list[list[MovedDayRow]]:
    """Rows of one cause together, in the order of their days; the newest cause first."""
    groups: dict[str, list[MovedDayRow]] = {}
    for row in rows:
        # Late readings have no name of their own; those of a day of the clock are told together.
        when = "" if row.cause["kind"] == "version" else local_day_at(row.computed_ms, timezone).date.isoformat()
        groups.setdefault(json.dumps([row.cause, when], sort_keys=True), []).append(row)
    newest_first = sorted(groups.values(), key=lambda group: max(row.computed_ms for row in group), reverse=True)
    return [sorted(group, key=lambda row: row.day) for group in newest_first]


def _change(rows: Sequence[MovedDayRow]) -> PastChange:
    moved: dict[str, list[MovedFigure]] = {}
    for row in rows:
        for path, pair in row.figures.items():
            if is_main(path):
                before, after = _pair(pair)
                day = date.fromisoformat(row.day)
                moved.setdefault(path, []).append(
                    MovedFigure(path=path, before=before, after=after, first_day=day, computed=instant(row.computed_ms))
                )
    each = [one for ones in moved.values() for one in ones if one.after.unit == "kWh"]
    return PastChange(
        cause=past_cause(rows[0].cause),
        computed=instant(max(row.computed_ms for row in rows)),
        days=sorted({date.fromisoformat(row.day) for row in rows}),
        sums=[_summed(path, moved[path]) for path in sorted(moved, key=_main_first)],
        largest=sorted((one for one in each if _by(one) > 0), key=_by, reverse=True)[:_LARGEST],
    )


def _main_first(path: str) -> tuple[int, str]:
    order = ("saved.money", "saved.energy", "purchased", "hot_water.heat")
    return (order.index(path), "") if path in order else (len(order), path)


def _pair(pair: Mapping[str, Any]) -> tuple[Figure, Figure]:
    before, after = (
        None if one is None else figure_from_json({"coverage": 1.0, "why": "", **one})
        for one in (pair["before"], pair["after"])
    )
    unit = before.unit if before else after.unit if after else ""
    gone = unavailable(unit, "There was no such figure.")
    return before or gone, after or gone


def _by(moved: MovedFigure) -> float:
    by = abs(moved.after.value - moved.before.value)
    return by if by == by else 0.0


def _summed(path: str, days: Sequence[MovedFigure]) -> MovedFigure:
    unit = days[0].after.unit
    before, after = sum_of([one.before for one in days], unit), sum_of([one.after for one in days], unit)
    return MovedFigure(path=path, before=before, after=after, days=len(days), first_day=days[0].first_day)


def whole_period(
    session: Session, site: str, rows: Sequence[MovedDayRow], *, first: date, last: date
) -> list[MovedFigure]:
    """The main figures of the days first..last in all that moved: as they were before all of `rows`, and now."""
    now = kept_ledgers(session, site, first=first, last=last)
    if not now:
        return []
    (span,) = spans("all", first, last)
    backups = backup_stages(session, site)
    totals = [
        figures_by_path(add_up(span, [day_from_json(site, day) for day in days], backups=backups).total)
        for days in (_undone(now, rows), now)
    ]
    found = [
        MovedFigure(path=path, before=totals[0][path], after=after, days=len(now), first_day=first)
        for path, after in totals[1].items()
        if is_main(path) and has_moved(figure_to_json(totals[0][path]), figure_to_json(after))
    ]
    return sorted(found, key=lambda one: _main_first(one.path))


def _undone(records: Sequence[dict[str, Any]], rows: Sequence[MovedDayRow]) -> list[dict[str, Any]]:
    """The days' ledgers with what each figure was before the first of `rows` moved it."""
    was: dict[str, dict[str, Any]] = {}
    for row in rows:
        for path, pair in row.figures.items():
            was.setdefault(row.day, {}).setdefault(path, pair["before"])
    undone = copy.deepcopy(list(records))
    for record in undone:
        for path, figure in figures_in_record(record):
            if path in was.get(record["day"], {}):
                before = was[record["day"]][path]
                figure.update({"value": None, "plus_minus": None, "basis": "unavailable"} if before is None else before)
    return undone


def moved_json(
    session: Session, site: str, *, first: date | None, last: date | None, since_ms: int | None = None
) -> dict[str, Any]:
    """
    All that moved of the days first..last (with `since_ms` after that only): by cause, and in all.

    Raises:
        UnknownSiteError: If there is no such site.
    """
    present = present_site(session, site)
    rows = moved_rows(session, site, first=first, last=last, since_ms=since_ms)
    days = [date.fromisoformat(row.day) for row in rows]
    begin, end = first or min(days, default=None), last or max(days, default=None)
    whole = whole_period(session, site, rows, first=begin, last=end) if rows and begin and end else []
    return {
        "site": site,
        "timezone": present.timezone,
        "from": None if begin is None else begin.isoformat(),
        "to": None if end is None else end.isoformat(),
        "causes": [_cause_json(group, present) for group in _by_cause(rows, present.timezone)],
        "total": [_moved_json(one) for one in whole],
    }


def _cause_json(rows: Sequence[MovedDayRow], site: Site) -> dict[str, Any]:
    change = _change(rows)
    return {
        "kind": change.cause.kind,
        "since": None if change.cause.since is None else change.cause.since.isoformat(),
        "changes": list(change.cause.changes),
        "sentence": cause_words(change.cause, display_of(site)),
        "computed": change.computed.isoformat(),
        "sums": [_moved_json(one) for one in change.sums],
        "largest": [_moved_json(one) for one in change.largest],
        "days": [
            {"day": row.day, "computed": instant(row.computed_ms).isoformat(), "figures": _told(row.figures)}
            for row in rows
        ],
    }


def _told(figures: Mapping[str, Any]) -> dict[str, Any]:
    """The kept figures without what only adding up needs."""
    return {path: {when: shown_of(one) for when, one in pair.items()} for path, pair in figures.items()}


def _moved_json(moved: MovedFigure) -> dict[str, Any]:
    """A figure before and after, in the contract's form; `change` is the difference of the values."""
    is_same = moved.after.unit == moved.before.unit
    change = moved.after.value - moved.before.value if is_same else math.nan
    return {
        "figure": moved.path,
        "from_day": None if moved.first_day is None else moved.first_day.isoformat(),
        "days": moved.days,
        "before": figure_to_json(moved.before),
        "after": figure_to_json(moved.after),
        "change": change if change == change else None,
    }
