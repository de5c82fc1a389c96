"""The addresses of the pages and of their JSON twins, in one place."""

from datetime import date
from urllib.parse import quote, urlencode

__all__ = [
    "FLEET",
    "FLEET_JSON",
    "acknowledge_link",
    "alert_json_link",
    "alert_link",
    "compare_json_link",
    "compare_link",
    "figure_json_link",
    "figure_link",
    "fleet_link",
    "home_link",
    "ledger_file_link",
    "ledger_json_link",
    "month_json_link",
    "moved_json_link",
    "period_json_link",
    "period_link",
    "site_link",
    "statement_link",
    "statements_link",
]

FLEET = "/"
FLEET_JSON = "/api/sites"


def fleet_link(*, query: str = "", show: str = "all") -> str:
    """The fleet, filtered."""
    wanted = {"q": query} if query else {}
    if show != "all":
        wanted["show"] = show
    return FLEET + (f"?{urlencode(wanted)}" if wanted else "")


def site_link(site: str, *, day: date | None = None, span_days: int | None = None) -> str:
    """A site, on a day if one is given, else today."""
    wanted = {"day": day.isoformat()} if day else {}
    if span_days:
        wanted["span"] = str(span_days)
    return f"/sites/{quote(site)}" + (f"?{urlencode(wanted)}" if wanted else "")


def home_link(site: str, *, month: date | None = None) -> str:
    """The homeowner's page, of a month if one is given, else of this month."""
    return f"/sites/{quote(site)}/home" + (f"?month={month:%Y-%m}" if month else "")


def period_link(site: str, *, by: str | None = None, day: date | None = None) -> str:
    """The week, month, season or year that holds a day, or all; the newest month if none is named."""
    wanted = {"by": by} if by else {}
    if day:
        wanted["day"] = day.isoformat()
    return f"/sites/{quote(site)}/periods" + (f"?{urlencode(wanted)}" if wanted else "")


def period_json_link(site: str, *, by: str, first: date, last: date) -> str:
    """The days first..last, added up, as JSON."""
    days = {"from": first.isoformat(), "to": last.isoformat()}
    return f"/api/sites/{quote(site)}/ledger?" + urlencode({**days, "by": by})


def compare_link(site: str, *, earlier: str = "", later: str = "") -> str:
    """Two periods side by side; without them, where one chooses them."""
    wanted = {name: text for name, text in (("earlier", earlier), ("later", later)) if text}
    return f"/sites/{quote(site)}/compare" + (f"?{urlencode(wanted)}" if wanted else "")


def compare_json_link(site: str, *, earlier: str, later: str) -> str:
    return f"/api/sites/{quote(site)}/compare?" + urlencode({"earlier": earlier, "later": later})


def statements_link(site: str) -> str:
    return f"/sites/{quote(site)}/statements"


def statement_link(site: str, number: str) -> str:
    return f"{statements_link(site)}/{quote(number)}"


def alert_link(alert: str) -> str:
    return f"/alerts/{quote(alert, safe='')}"


def acknowledge_link(alert: str) -> str:
    return f"{alert_link(alert)}/acknowledge"


def alert_json_link(alert: str) -> str:
    return f"/api/alerts/{quote(alert, safe='')}"


def ledger_json_link(site: str, *, first: date, last: date) -> str:
    """The ledger of the days first..last as JSON."""
    return f"/api/sites/{quote(site)}/ledger?" + urlencode({"from": first.isoformat(), "to": last.isoformat()})


def ledger_file_link(site: str, kind: str, *, first: date, last: date) -> str:
    """The ledger of the days first..last as a file: csv, parquet or xlsx."""
    return f"/api/sites/{quote(site)}/ledger.{kind}?" + urlencode({"from": first.isoformat(), "to": last.isoformat()})


def moved_json_link(site: str) -> str:
    """All that moved in a site's past figures, as JSON."""
    return f"/api/sites/{quote(site)}/moved"


def month_json_link(site: str, *, month: date) -> str:
    """A month beside the year before as JSON."""
    return f"/api/sites/{quote(site)}/month/{month:%Y-%m}"


def figure_link(site: str, *, figure: str, of: str) -> str:
    """A figure with every amount in it, of a day (or the name of a week, month or year)."""
    return f"/sites/{quote(site)}/explain?" + urlencode({"figure": figure, "of": of})


def figure_json_link(site: str, *, figure: str, of: str) -> str:
    return f"/api/sites/{quote(site)}/explain?" + urlencode({"figure": figure, "of": of})
