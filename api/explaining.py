"""How a figure of a day, or of a period, is known: with every amount that it was made of, worked out anew."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from difflib import get_close_matches
from itertools import pairwise
from math import isclose, isnan
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.accuracy import accuracy_in_words
from analytics.derived import derivations_kept
from analytics.doubt import Doubt
from analytics.figure_paths import figures_by_path
from analytics.figures import DayLedger, Figure, figure_to_json
from analytics.period import Period, Span, add_up
from analytics.site import Point, Site
from analytics.site_changes import site_changes
from analytics.trace import local_day_at
from analytics.workings.day import WorkedDay, working_of
from analytics.workings.interval import interval_of, interval_to_json
from analytics.workings.period import period_working
from analytics.workings.written import Working, working_to_json
from api.day_rows import before, ledgers
from api.days import DayTask, account_again, day_window
from api.held import held_versions
from api.records import DayRow
from api.results import NoLedgerError, UnknownFigureError
from api.sites import SiteVersion, site_versions, version_on
from dashboards.assumptions import Held
from dashboards.explain import METRIC, FigureRow, figure_groups
from dashboards.figure_names import figure_name
from dashboards.numbers import display_of, show_day
from ingest.store import ReadingStore

__all__ = ["explained", "work_day"]

_FEW = 5  # names that a sentence can hold
_DIFFERS = 1e-9  # of a figure: more than rounding


def explained(
    session: Session, store: ReadingStore, site: str, *, figure: str, span: Span, now_ms: int
) -> dict[str, Any]:
    """
    How a figure is known, as JSON.

    Args:
        figure: Its path, or a part of it that says which.
        span: One day, or several that are added up; days to come do not count.
        now_ms: The time now.
    Raises:
        UnknownSiteError: If there is no such site.
        NoLedgerError: If none of the days has a ledger.
        UnknownFigureError: If the figure is not one of theirs.
    """
    version = version_on(site_versions(session, site), span.first)
    days = ledgers(session, site, first=span.first.isoformat(), last=span.last.isoformat())
    if not days:
        of = f"{span.first}" if span.n_days == 1 else f"any day of {span.name}"
        raise NoLedgerError(f"{site} has no ledger of {of}")
    if span.n_days == 1:
        return _day(session, store, version.site, ledger=days[0], figure=figure)
    begun = _begun(span, version.site, now_ms=now_ms)
    found = _period(version.site, days, figure=figure, span=begun)
    return found | {"changed": _changed_within(held_versions(session, site, begun.first, begun.last))}


def _begun(span: Span, site: Site, *, now_ms: int) -> Span:
    """The days of a span that have begun."""
    today = local_day_at(now_ms, site.timezone).date
    return replace(span, last=max(span.first, min(span.last, today)))


def _day(session: Session, store: ReadingStore, site: Site, *, ledger: DayLedger, figure: str) -> dict[str, Any]:
    path = _path_of(figure, ledger)
    day = work_day(session, store, site.id, day=ledger.day)
    kept, again = figures_by_path(ledger)[path], figures_by_path(day.ledger).get(path)
    working = working_of(day, path) if again is not None else None
    doubt = kept.doubt if again is None or isnan(again.value) else again.doubt
    return {**_told(site, ledger, path, working=working, doubt=doubt), "changed": _changed(kept, again)}


def _period(site: Site, days: Sequence[DayLedger], *, figure: str, span: Span) -> dict[str, Any]:
    backups = [stage.id for stage in site.stages.values() if stage.backup]
    found: Period = add_up(span, days, backups=backups)
    path = _path_of(figure, found.total)
    working = period_working(found, days, path, backups=backups)
    about = {"day": span.name, "days": span.n_days, "known": found.n_known}
    doubt = figures_by_path(found.total)[path].doubt
    return {**_told(site, found.total, path, working=working, doubt=doubt), **about}


def _changed_within(held: Sequence[Held]) -> str:
    """What the site file says otherwise from some day of a period on; sensors are listed as the first day has them."""
    told = []
    for earlier, later in pairwise(held):
        if changes := site_changes(earlier.site, later.site):
            told.append(f"from {show_day(later.first, display_of(later.site), year=True)} on ({'; '.join(changes)})")
    return f"Within these days the site file changed: {'. Then '.join(told)}." if told else ""


def work_day(session: Session, store: ReadingStore, site: str, *, day: date) -> WorkedDay:
    """
    A computed day accounted anew from its readings, as it was: same version, same time, same state to begin with.

    Its doubts remember what they were made of.

    Raises:
        NoLedgerError: If the day has no ledger.
    """
    row = session.scalar(select(DayRow).where(DayRow.site_id == site, DayRow.day == day.isoformat()))
    if row is None:
        raise NoLedgerError(f"{site} has no ledger of {day}")
    version = _version_of(site_versions(session, site), row)
    task = DayTask(row.day, version.text, version.digest, row.until_ms)
    _, start_ms, end_ms = day_window(row.day, version.site.timezone)
    traces = store.read(site, sorted(version.site.points), start_ms=start_ms, end_ms=end_ms)
    with derivations_kept():
        found = account_again(task, traces, before(session, site, row.day).state)
    return WorkedDay(found.result.plant, found.result.ledger, found.before)


def _version_of(versions: Sequence[SiteVersion], row: DayRow) -> SiteVersion:
    """The version of the site file that a day was computed with; if it is gone, the one that holds then."""
    same = [version for version in versions if version.digest == row.version_digest]
    return same[-1] if same else version_on(versions, date.fromisoformat(row.day))


def _changed(kept: Figure, again: Figure | None) -> str:
    """One sentence where the figure of today's readings is not the one that is kept."""
    if again is None or isnan(again.value) != isnan(kept.value):
        why = again.why if again is not None else ""
        return f"Worked out again from the readings of now, it is not the figure that was kept. {why}".rstrip()
    if isnan(kept.value):
        return ""
    if not isclose(kept.value, again.value, rel_tol=_DIFFERS, abs_tol=_DIFFERS):
        it_is = f"it is {again.value:.4g}"
    elif not isclose(kept.plus_minus, again.plus_minus, rel_tol=_DIFFERS, abs_tol=_DIFFERS):
        it_is = f"its ± is {again.plus_minus:.4g}"
    else:
        return ""
    return (
        f"Readings or the program changed since this day was accounted: worked out again {it_is} {again.unit}, and the "
        "sums show that."
    )


def _path_of(wanted: str, ledger: DayLedger) -> str:
    paths = list(figures_by_path(ledger))
    matching = [path for path in paths if path == wanted] or [path for path in paths if wanted in path]
    if len(matching) == 1:
        return matching[0]
    raise UnknownFigureError(_no_such_figure(wanted, matching, paths, site=ledger.site))


def _no_such_figure(wanted: str, matching: Sequence[str], paths: Sequence[str], *, site: str) -> str:
    """One sentence: the nearest few names, and where all of them stand."""
    how_many = "more than one figure" if matching else "no figure"
    near = list(matching) or _nearest(wanted, paths)
    more = f" and {len(near) - _FEW} more" if len(near) > _FEW else ""
    among = f"; it may be {', '.join(near[:_FEW])}{more}" if near else ""
    return f"{wanted!r} names {how_many} of {site}{among} (`heatledger explain {site} --list` has all of them)"


def _nearest(wanted: str, paths: Sequence[str]) -> list[str]:
    """Paths that resemble what was typed, as a whole or in one of their ends ("sun.heat")."""
    ends = {".".join(path.split(".")[k:]): path for path in paths for k in range(path.count(".") + 1)}
    close = get_close_matches(wanted, ends, n=2 * _FEW, cutoff=0.6)
    return list(dict.fromkeys(ends[end] for end in close))[:_FEW]


def _told(site: Site, ledger: DayLedger, path: str, *, working: Working | None, doubt: Doubt) -> dict[str, Any]:
    figure = figures_by_path(ledger)[path]
    row = _row_of(site, ledger, path)
    interval = interval_to_json(interval_of(doubt, figure.unit))
    return {
        "site": site.id,
        "day": ledger.day.isoformat(),
        "figure": path,
        "label": figure_name(site, path),
        **figure_to_json(figure),
        "how": row.how,
        "units_note": METRIC if site.units == "us" else "",
        "points": {point: _about(site.points[point]) for point in row.points if point in site.points},
        "working": None if working is None else working_to_json(working),
        "doubt": [] if interval is None else interval["sources"],
        "interval": None if interval is None else {key: each for key, each in interval.items() if key != "sources"},
        "notes": [note for note in ledger.notes if any(point in note for point in row.points)],
    }


def _row_of(site: Site, ledger: DayLedger, path: str) -> FigureRow:
    """What the pages say of a figure; of one that they do not show, nothing."""
    for group in figure_groups(site, ledger):
        for row in group.rows:
            if row.path == path:
                return row
    return FigureRow(path, figures_by_path(ledger)[path], "")


def _about(point: Point) -> dict[str, Any]:
    return {
        "quantity": point.quantity,
        "unit": point.unit,
        "sampling": point.sampling,
        "interval_s": point.interval_s,
        "accuracy": accuracy_in_words(point.accuracy, point.unit),
        "gain": point.gain,
        "offset": point.offset,
    }
