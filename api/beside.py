"""A month and the year up to its end beside the same days of the year before, from the records."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from analytics.corrected import Correction
from analytics.figures import DayLedger, day_from_json, figure_to_json
from analytics.period import Period
from analytics.site import Site
from analytics.trace import local_day_at
from analytics.year_before import Beside, beside, month_to, year_to
from api.held import held_versions
from api.records import DayRow
from api.results import NoLedgerError, period, period_json
from api.sites import present_site
from dashboards.assumptions import Held, money_assumptions
from dashboards.beside import beside_sentences
from dashboards.numbers import display_of

__all__ = ["MonthBeside", "month_beside", "month_json", "own_figures"]

_AROUND = timedelta(days=31)  # what is learnt from, before and after the days of the year before
_NOT_COMPARED: dict[str, Any] = {"stages": [], "heat_pumps": [], "tanks": [], "pair_checks": []}


@dataclass(frozen=True, slots=True)
class MonthBeside:
    """
    Args:
        last: The last day that counts: the month's last whole day with an account.
        in_progress: Whether more days of the month are to come.
        compared: The month; and the year up to the same day, where it is not the same.
        held: The versions of the site that held in the month.
    """

    site: Site
    last: date
    in_progress: bool
    compared: Sequence[Beside]
    held: Sequence[Held]


def month_beside(session: Session, site: str, month: date, *, now_ms: int) -> MonthBeside:
    """
    A month, by its first day, as far as its days are whole.

    Raises:
        UnknownSiteError: If there is no such site.
        NoLedgerError: If no day of it is whole and accounted for.
    """
    present = present_site(session, site)
    end = (month + timedelta(days=31)).replace(day=1) - timedelta(days=1)
    last = _last_whole_day(session, site, month, end)
    if last is None:
        raise NoLedgerError(f"no whole day of {site} in {month:%Y-%m} has a ledger")
    backups = [stage.id for stage in present.stages.values() if stage.backup]
    days = _days(session, site, last)
    spans = [month_to(last), *([year_to(last)] if last.month > 1 else [])]
    return MonthBeside(
        site=present,
        last=last,
        in_progress=local_day_at(now_ms, present.timezone).date <= end,
        compared=[beside(span, days, backups=backups) for span in spans],
        held=held_versions(session, site, month, last),
    )


def _last_whole_day(session: Session, site: str, first: date, last: date) -> date | None:
    wanted = select(func.max(DayRow.day)).where(
        DayRow.site_id == site,
        DayRow.day >= first.isoformat(),
        DayRow.day <= last.isoformat(),
        DayRow.until_ms.is_(None),
    )
    found = session.scalar(wanted)
    return None if found is None else date.fromisoformat(found)


def _days(session: Session, site: str, last: date) -> Sequence[DayLedger]:
    """All that is compared and learnt from, without the parts of the ledgers that are not."""
    first = date(last.year - 1, 1, 1) - _AROUND
    wanted = select(DayRow.ledger).where(
        DayRow.site_id == site,
        DayRow.day >= first.isoformat(),
        DayRow.day <= last.isoformat(),
        DayRow.until_ms.is_(None),
    )
    return [day_from_json(site, {**data, **_NOT_COMPARED}) for data in session.scalars(wanted.order_by(DayRow.day))]


def own_figures(session: Session, found: MonthBeside) -> Period:
    """The month by itself, of all its days that have an account, whatever the year before tells."""
    return period(session, found.site.id, first=found.last.replace(day=1), last=found.last)


def month_json(found: MonthBeside, own: Period) -> dict[str, Any]:
    """The same as JSON, and the month by itself in the shape of a month of `ledger --by month`."""
    return {
        "site": found.site.id,
        "timezone": found.site.timezone,
        "last": found.last.isoformat(),
        "in_progress": found.in_progress,
        "month": {**period_json(own), "day": f"{found.last:%Y-%m}"},
        "compared": [_beside_json(each, found) for each in found.compared],
        "assumptions": money_assumptions(found.held),
    }


def _beside_json(one: Beside, found: MonthBeside) -> dict[str, Any]:
    return {
        "name": one.later.name,
        "later": {"first": one.later.first.isoformat(), "last": one.later.last.isoformat()},
        "earlier": {"first": one.earlier.first.isoformat(), "last": one.earlier.last.isoformat()},
        "days": one.n_days,
        "days_compared": one.n_pairs,
        "figures": {
            name: {key: figure_to_json(getattr(change, key)) for key in ("later", "earlier", "difference")}
            for name, change in one.changes.items()
        },
        "corrected": None if one.correction is None else _correction_json(one.correction),
        "why": one.why,
        "sentences": beside_sentences(one, display_of(found.site), in_progress=found.in_progress),
    }


def _correction_json(correction: Correction) -> dict[str, Any]:
    fit = correction.statistics
    return {
        "purchased": figure_to_json(correction.purchased),
        "change": figure_to_json(correction.change),
        "inputs": list(correction.inputs),
        "left_out": correction.left_out,
        "base_degc": _known(correction.base_degc),
        "fit": {
            "days": correction.n_days,
            "cv_rmse": _known(fit.cv_rmse),
            "r_squared": _known(fit.r_squared),
        },
    }


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value
