"""
What moved in the past: kept when a day that was over, and had its ledger, is computed again.

A figure has moved when it would be read differently: its value or its interval by half of the last place that is
shown, or its basis. Only such figures are told, and computing again with nothing changed writes nothing. Readings
that come in many pieces move a day many times; what they moved within a day of the clock is one row, which remembers
what figures were that have not moved by so much yet.
"""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from sqlalchemy import Row, select
from sqlalchemy.orm import Session

from analytics.figure_paths import figures_in_record
from analytics.site_changes import site_changes
from analytics.trace import local_day
from api.days import DayOutcome
from api.records import MovedDayRow
from api.sites import parsed, site_versions
from dashboards.numbers import free_places, interval_places

__all__ = ["Cause", "causes_of", "has_moved", "is_main", "keep_moved"]

Cause = dict[str, Any]
"""`kind` is version, readings or program; a version has `from` (first day, "" since ever) and `changes` (phrases)."""

# Readings of a day's last hours, and of the two hours after it that close it, are not late until then.
_SETTLES_MS = 3 * 3_600_000
_ONE_ROW_MS = 86_400_000
_ROUNDING = 1e-6
_KEPT = ("value", "unit", "plus_minus", "basis")
_UNITS = ("kWh", "l", "h", "kg", "1", "")  # any other is a currency
_READINGS: Cause = {"kind": "readings"}
_PROGRAM: Cause = {"kind": "program"}


def causes_of(
    session: Session,
    site: str,
    outcomes: Sequence[DayOutcome],
    *,
    old: Mapping[str, Row[Any]],
    due: Mapping[str, tuple[str, Cause | None]],
) -> dict[str, Cause]:
    """
    Why each of consecutive days is computed again.

    Args:
        old: The days as they were computed before (columns of `DayRow`), by day.
        due: By day, the reason that it was due for, and what moved the day before it where that was the reason.
    """
    found: dict[str, Cause] = {}
    versions: dict[tuple[str, str], Cause] = {}
    last: Cause | None = None
    for outcome in outcomes:
        day, row = outcome.task.day, old.get(outcome.task.day)
        reason, handed_on = due.get(day, ("", None))
        if row is None or row.until_ms is not None:
            last = _READINGS
        elif row.version_digest != outcome.task.digest:
            last = _version_cause(session, site, (row.version_digest, outcome.task.digest), known=versions)
        elif reason == "readings":
            last = _READINGS
        else:
            last = last or handed_on or _PROGRAM
        found[day] = last
    return found


def _version_cause(
    session: Session, site: str, digests: tuple[str, str], *, known: dict[tuple[str, str], Cause]
) -> Cause:
    if digests not in known:
        versions = {version.digest: version for version in site_versions(session, site)}
        before, after = (versions.get(digest) for digest in digests)
        changes = site_changes(before.site, after.site) if before and after else []
        first = after.valid_from if after else ""
        known[digests] = {"kind": "version", "from": first, "changes": changes, "digest": digests[1][:12]}
    return known[digests]


def keep_moved(
    session: Session,
    site: str,
    outcomes: Sequence[DayOutcome],
    *,
    old: Mapping[str, Row[Any]],
    causes: Mapping[str, Cause],
    computed_ms: int,
) -> None:
    """Put down what moved, before the new ledgers take the place of the `old` ones."""
    for outcome in outcomes:
        row = old.get(outcome.task.day)
        if row is None or outcome.ledger is None or row.ledger == outcome.ledger:
            continue
        if row.until_ms is not None or outcome.task.until_ms is not None or not _is_settled(outcome, computed_ms):
            continue
        moved = MovedDayRow(
            site_id=site,
            day=outcome.task.day,
            computed_ms=computed_ms,
            cause=causes[outcome.task.day],
            **_moved_figures(row.ledger, outcome.ledger),
        )
        _put(session, moved, dict(figures_in_record(outcome.ledger)))


def _is_settled(outcome: DayOutcome, now_ms: int) -> bool:
    timezone = parsed(outcome.task.text).timezone
    return now_ms >= local_day(date.fromisoformat(outcome.task.day), timezone).end_ms + _SETTLES_MS


def _moved_figures(before: dict[str, Any], after: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The `figures` of a row, and what is `unread`."""
    old, new = dict(figures_in_record(before)), dict(figures_in_record(after))
    figures, unread = {}, {}
    for path in dict.fromkeys([*old, *new]):
        pair = old.get(path), new.get(path)
        if pair[0] == pair[1]:
            continue
        if has_moved(*pair):
            figures[path] = {"before": _kept(path, pair[0]), "after": _kept(path, pair[1])}
        elif _has_stepped(*pair):
            unread[path] = _kept(path, pair[0])
    return {"figures": figures, "unread": unread}


def _has_stepped(before: Mapping[str, Any] | None, after: Mapping[str, Any] | None) -> bool:
    """Whether a figure that reads as before is another one but for rounding."""
    if before is None or after is None or before["value"] is None or after["value"] is None:
        return False
    return abs(after["value"] - before["value"]) > _ROUNDING * max(abs(before["value"]), abs(after["value"]), 1.0)


def is_main(path: str) -> bool:
    """Whether a figure is one of those that add up over days and are asked for first."""
    return (path.startswith("stages.") and path.endswith(".heat")) or path in (
        "hot_water.heat",
        "purchased",
        "saved.energy",
        "saved.money",
    )


def _kept(path: str, figure: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """A figure without what is long; main ones keep where their interval comes from, so that they add up over days."""
    if figure is None:
        return None
    kept = {name: figure[name] for name in _KEPT}
    if figure["value"] is None:
        kept["why"] = figure["why"]
    return {**kept, "doubt": figure.get("doubt", {})} if is_main(path) else kept


def has_moved(before: Mapping[str, Any] | None, after: Mapping[str, Any] | None) -> bool:
    """Whether a figure (JSON) reads differently from what it was; None where there is no such figure."""
    if before is None or after is None:
        return before is not after
    if before["basis"] != after["basis"] or before["unit"] != after["unit"]:
        return True
    if before["value"] is None or after["value"] is None:
        return before["value"] is not after["value"]
    half_step = 0.5 * 10.0 ** -max(_places(before), _places(after))
    if abs(after["value"] - before["value"]) >= half_step:
        return True
    spreads = [figure["plus_minus"] for figure in (before, after)]
    if None in spreads:
        return spreads[0] is not spreads[1]
    return abs(spreads[1] - spreads[0]) >= half_step


def _places(figure: Mapping[str, Any]) -> int:
    """Decimals to which a figure is shown."""
    if figure["unit"] not in _UNITS:
        return 2  # money is told to the homeowner in hundredths, whatever its interval
    if figure["unit"] == "":
        return 0
    spread = figure["plus_minus"]
    return min(interval_places(spread), 4) if spread else free_places(figure["value"])


def _put(session: Session, moved: MovedDayRow, now: Mapping[str, Any]) -> None:
    """Add a row, or add it to the one before, where both are of readings and little time lies between."""
    last = session.scalar(
        select(MovedDayRow)
        .where(MovedDayRow.site_id == moved.site_id, MovedDayRow.day == moved.day)
        .order_by(MovedDayRow.id.desc())
        .limit(1)
    )
    is_of_one = last is not None and last.cause == moved.cause and moved.cause["kind"] != "version"
    if last is not None and is_of_one and moved.computed_ms - last.computed_ms < _ONE_ROW_MS:
        _add_to(session, last, moved, now)
    elif moved.figures or moved.unread:
        session.add(moved)


def _add_to(session: Session, last: MovedDayRow, moved: MovedDayRow, now: Mapping[str, Any]) -> None:
    """What moved in steps is told as one; a step too small to be read by itself counts in it all the same."""
    was = {path: pair["before"] for path, pair in moved.figures.items()} | moved.unread
    was |= {path: pair["before"] for path, pair in last.figures.items()} | last.unread
    pairs = {path: {"before": before, "after": _kept(path, now.get(path))} for path, before in was.items()}
    figures = {path: pair for path, pair in pairs.items() if has_moved(pair["before"], pair["after"])}
    unread = {
        path: before for path, before in was.items() if path not in figures and _has_stepped(before, now.get(path))
    }
    if figures or unread:
        last.figures, last.unread, last.computed_ms = figures, unread, moved.computed_ms
    else:
        session.delete(last)
