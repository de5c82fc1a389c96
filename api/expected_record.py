"""What was to be expected of a house on stored days: read from the records, told as JSON."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import isfinite
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.expected.stages import Expectation, expected_backup, expected_of_record
from analytics.expected.subjects import why_no_expectation
from analytics.expected.watching import SCHEME, Watched, days_between_false_signals, days_to_find
from analytics.figures import DayLedger, figure_to_json
from analytics.site import Site
from analytics.statistics_of_fit import GUIDELINE_14_LIMITS, FitStatistics
from api.day_rows import ledgers
from api.expecting import expected_so_far, troubled_on
from api.neighbours import sky_of_neighbours
from api.records import DayRow
from api.results import alerts
from api.sites import present_site
from dashboards.expected_words import (
    cusum_sentence,
    drivers_sentence,
    fit_sentences,
    part_name,
    state_of,
    state_sentence,
)
from dashboards.numbers import display_of

__all__ = ["ExpectedRecord", "expected_json", "expected_record"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedRecord:
    """
    Args:
        days: Ledgers of the days asked for, oldest first.
        parts: Each part of the house that something can be expected of.
        silent: By stage, why nothing can be expected of it; a backup gives what is left over (`expected_backup`).
    """

    site: Site
    days: Sequence[DayLedger]
    parts: Sequence[Expectation]
    silent: Mapping[str, str]


def expected_record(
    session: Session, site: str, *, first: date | None = None, last: date | None = None
) -> ExpectedRecord:
    """
    What was had and what was to be expected on the computed days first..last; None leaves an end open.

    Days before `first` are not read where the state of the day before it tells what they came to.

    Raises:
        UnknownSiteError: If there is no such site.
    """
    present = present_site(session, site)
    sky = sky_of_neighbours(session, present)
    before = _before(session, present, first) if first is not None and sky is None else None
    span = {"last": last.isoformat()} if last else {}
    if before is not None and first is not None:
        span["first"] = first.isoformat()
    record = ledgers(session, site, **span)
    told = alerts(session, site=site)
    troubled = troubled_on(present, [day.day for day in record], told)
    parts = expected_of_record(present, record, troubled=troubled, sky=sky, before=before)
    days = [day for day in record if first is None or day.day >= first]
    stages = [stage for stage in present.stages.values() if not stage.backup]
    why = {stage.id: why_no_expectation(present, stage, has_sky=sky is not None) for stage in stages}
    return ExpectedRecord(
        site=present, days=days, parts=parts, silent={stage: reason for stage, reason in why.items() if reason}
    )


def _before(session: Session, site: Site, first: date) -> Mapping[str, Watched] | None:
    """What the day before a day handed on; None where that is not kept."""
    state = session.scalar(
        select(DayRow.state).where(DayRow.site_id == site.id, DayRow.day == (first - timedelta(days=1)).isoformat())
    )
    return expected_so_far(state) or None


def expected_json(found: ExpectedRecord) -> dict[str, Any]:
    """The record as plain JSON data."""
    first = found.days[0].day if found.days else None
    return {
        "site": found.site.id,
        "timezone": found.site.timezone,
        "cusum": {
            "allowance": SCHEME.allowance,
            "limit": SCHEME.limit,
            "days_between_false_signals": round(days_between_false_signals()),
            "days_to_find": {str(sd): round(days_to_find(float(sd)), 1) for sd in (2, 3, 4)},
            "sentence": cusum_sentence(),
        },
        "parts": [_part(found.site, each, first) for each in found.parts],
        "backups": [_backup(found, stage.id) for stage in found.site.stages.values() if stage.backup],
        "silent": dict(found.silent),
    }


def _part(site: Site, part: Expectation, first: date | None) -> dict[str, Any]:
    return {
        "component": part.subject.component,
        "quantity": part.subject.quantity,
        "unit": part.subject.unit,
        "name": part_name(site, part.subject),
        "state": state_of(part),
        "sentence": state_sentence(site, part, display_of(site)),
        "from": drivers_sentence(part.subject),
        "since": _iso(part.shift.since) if part.shift else None,
        "fits": [_fit(mode, fit) for mode, fit in part.fits.items()] if part.subject.quantity != "entering" else [],
        "fit_sentences": list(fit_sentences(part, display_of(site))),
        "signals": [
            {"way": each.way, "since": _iso(each.since), "found": _iso(each.found), "over": _iso(each.over)}
            for each in part.signals
        ],
        "days": [_day(part, place) for place, day in enumerate(part.days) if first is not None and day.day >= first],
    }


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _fit(mode: str, fit: FitStatistics) -> dict[str, Any]:
    return {
        "mode": mode,
        "days": fit.n,
        "parameters": fit.n_parameters,
        "cv_rmse": _number(fit.cv_rmse),
        "nmbe": _number(fit.nmbe),
        "r_squared": _number(fit.r_squared),
        "is_within_limits": fit.is_within(GUIDELINE_14_LIMITS["day"]),
    }


def _day(part: Expectation, place: int) -> dict[str, Any]:
    day = part.days[place]
    return {
        "day": day.day.isoformat(),
        "value": _number(day.value),
        "expected": _number(day.expected),
        "plus_minus": _number(day.half_width),
        "standardised": _number(day.z),
        "cusum_low": round(part.lower[place], 3),
        "cusum_high": round(part.upper[place], 3),
        "why": day.why,
    }


def _backup(found: ExpectedRecord, stage: str) -> dict[str, Any]:
    """What a backup gave, and what was left over for it to give."""
    lines = []
    for day in found.days:
        heat = next((line.heat for line in day.stages if line.stage == stage), None)
        if heat is not None:
            needed = figure_to_json(expected_backup(found.site, day))
            lines.append({"day": day.day.isoformat(), "heat": figure_to_json(heat), "needed": needed})
    return {"component": stage, "days": lines}


def _number(value: float) -> float | None:
    return round(value, 4) if isfinite(value) else None
