"""Two periods of a site side by side, for the command and the route alike."""

from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy.orm import Session

from analytics.differences import differences
from analytics.figures import figure_to_json
from analytics.period import Period
from api.held import held_versions
from api.results import period, period_json
from dashboards.assumptions import money_assumptions

__all__ = ["Compared", "compare", "compared_json"]

Days = tuple[date, date]


@dataclass(frozen=True, slots=True)
class Compared:
    """
    Args:
        assumptions: What the saved money of both rests on.
    """

    site: str
    periods: tuple[Period, Period]
    assumptions: list[str]


def compare(session: Session, site: str, earlier: Days, later: Days) -> Compared:
    """
    Both added up, each by its first and last day, in the order in which they are given.

    Raises:
        UnknownSiteError: If there is no such site.
        NoLedgerError: If none of the days of one has a ledger.
    """
    periods = (_period(session, site, earlier), _period(session, site, later))
    held = [one for first, last in sorted((earlier, later)) for one in held_versions(session, site, first, last)]
    return Compared(site, periods, money_assumptions(held))


def _period(session: Session, site: str, days: Days) -> Period:
    return period(session, site, first=days[0], last=days[1])


def compared_json(found: Compared) -> dict[str, Any]:
    """The two in the shape of a month of `ledger --by month`, and later less earlier by the figures' paths."""
    periods = [period_json(each) for each in found.periods]
    changes = {path: figure_to_json(changed) for path, changed in differences(*found.periods).items()}
    return {"site": found.site, "periods": periods, "differences": changes, "assumptions": found.assumptions}
