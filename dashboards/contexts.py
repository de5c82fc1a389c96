"""
What each page is drawn from. Whoever serves the pages fills these values; `dashboards.render` turns them into markup.

Addresses that the pages link to (see `dashboards.links`), each a GET unless said otherwise:

    /                                    fleet          ?q=TEXT filters by name, ?show=attention|quiet|all
    /sites/{site}                        site           ?day=YYYY-MM-DD picks a day, ?span=14|30|60 days of history
    /sites/{site}/home                   homeowner      ?month=YYYY-MM picks a month
    /sites/{site}/periods                days added up  ?by=week|month|season|year|all, ?day=YYYY-MM-DD picks one
    /sites/{site}/compare                two of them    ?earlier=DAYS&later=DAYS, as the JSON twin takes them
    /sites/{site}/statements/{number}    a month's statement, as it was sent
    /sites/{site}/statements             POST, form fields `month` and `by`; answers 303 to the homeowner's page
    /alerts/{alert}                      alert
    /alerts/{alert}/acknowledge          POST, form fields `by` and `note`; answers 303 to the alert's page
    /static/plotly.min.js                from the plotly package; everything else under /static is in dashboards/static
    /api/sites, /api/sites/{site}/ledger?from=DAY&to=DAY, /api/sites/{site}/latest,
    /api/sites/{site}/month/{month}, /api/alerts, /api/alerts/{alert}     the JSON twins

Instants are aware; NaN means "not known" and is shown as a dash, never as zero.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Literal

from analytics.expected.stages import Expectation
from analytics.figures import DayLedger, Figure
from analytics.period import By, Period, Span
from analytics.plant import PlantDay
from analytics.site import Site
from analytics.year_before import Beside
from dashboards.assumptions import Held

__all__ = [
    "AlertContext",
    "AlertState",
    "AlertView",
    "CompareContext",
    "ErrorContext",
    "FigureContext",
    "FleetContext",
    "FleetSite",
    "HomeContext",
    "Latest",
    "MovedFigure",
    "PastCause",
    "PastChange",
    "PeriodContext",
    "Severity",
    "Show",
    "SiteContext",
    "StatementView",
    "Transition",
]

Severity = Literal["urgent", "soon", "watch"]
AlertState = Literal["open", "acknowledged", "resolved"]
Show = Literal["all", "attention", "quiet"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertView:
    """
    One alert as the contract's JSON tells it, with its state.

    Args:
        site: The site's id.
        component: Id of the loop, tank, heater, heat pump or point that it is about; "" for the whole site.
        is_by_day: Whether it was found by comparing days, so that no clock time of its beginning or end is told.
        ended: None while it lasts.
        cost_per_day: In the site's currency; NaN where it is not known.
        taken_by: Who took it on; "" while nobody has.
    """

    id: str
    site: str
    kind: str
    component: str
    severity: Severity
    state: AlertState
    began: datetime
    detected: datetime
    ended: datetime | None
    summary: str
    evidence: Mapping[str, Any]
    likely_causes: Sequence[str]
    checks: Sequence[str]
    cost_per_day: float
    is_by_day: bool = False
    taken_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Transition:
    """One change of an alert's state: when it happened, who did it ("" for the program), and what they wrote."""

    at: datetime
    state: AlertState
    by: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PastCause:
    """
    Why past days were computed again.

    Args:
        kind: A new version of the site file, late readings, or the program as it is now.
        since: The version's first day; None for since ever.
        changes: What changed in the site file, as phrases.
    """

    kind: Literal["version", "readings", "program"]
    since: date | None = None
    changes: Sequence[str] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MovedFigure:
    """
    What a figure was, and what it is after being computed again.

    Args:
        path: Its name in the ledger's JSON.
        days: Over which it is summed; one for a day's own.
        first_day: The first of them.
        computed: When it was computed again last, where that is known.
        causes: Why, where it is not told elsewhere.
    """

    path: str
    before: Figure
    after: Figure
    days: int = 1
    first_day: date | None = None
    computed: datetime | None = None
    causes: Sequence[PastCause] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PastChange:
    """
    One cause with what it moved: `sums` over the days on which a figure moved, and the `largest` movements of a day.
    """

    cause: PastCause
    computed: datetime
    days: Sequence[date]
    sums: Sequence[MovedFigure]
    largest: Sequence[MovedFigure]


@dataclass(frozen=True, slots=True, kw_only=True)
class StatementView:
    """
    A month's statement that was sent.

    Args:
        number: Such as 2026-01-1: the month, and which of its statements.
        corrects: The number of the one that it takes the place of; "" for a first one.
        figures: As they were sent, by path.
        versions: Of the site file that held in the month: first day (None for since ever), and the file's digest.
        moved: What is otherwise now.
        missing_days: Of the month, which count for nothing in it.
    """

    number: str
    month: date
    issued: datetime
    by: str
    corrects: str
    withdrawn: datetime | None
    note: str
    figures: Mapping[str, Figure]
    versions: Sequence[tuple[date | None, str]] = ()
    moved: Sequence[MovedFigure] = ()
    missing_days: int = 0


@dataclass(frozen=True, slots=True)
class Latest:
    """A point's newest reading, as stored: in the point's own unit, uncalibrated."""

    at: datetime
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetSite:
    """
    One line of the fleet.

    Args:
        alerts: Those not resolved, in any order.
        newest_reading: Time of the site's newest reading; None where there never was one.
        last_day: The ledger of the last whole day, if there is one.
    """

    site: Site
    alerts: Sequence[AlertView]
    newest_reading: datetime | None
    last_day: DayLedger | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetContext:
    """All sites, in any order; the page sorts and filters. `notice` is shown on top of every page where not empty."""

    sites: Sequence[FleetSite]
    now: datetime
    query: str = ""
    show: Show = "all"
    notice: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteContext:
    """
    One house on one day.

    Args:
        day: The local day shown; today unless the reader asked for another.
        plant: Its courses; None where no reading exists for the day.
        ledgers: Up to 60 days that end with `day`, oldest first; days without a ledger are left out.
            The last one is the ledger of `day` where there is one.
        alerts: Those not resolved, and those that touched `day`.
        latest: Newest reading of each point that has one.
        first_day, last_day: What the reader may page to; None without any data.
        span_days: How many of the ledgers' days the history charts show.
        past_changes: What moved when past days were computed again, the newest first.
        expected: What was to be expected of its parts on those days.
        silent: By stage, why nothing can be expected of it.
    """

    site: Site
    now: datetime
    day: date
    plant: PlantDay | None
    ledgers: Sequence[DayLedger]
    alerts: Sequence[AlertView]
    latest: Mapping[str, Latest]
    first_day: date | None = None
    last_day: date | None = None
    span_days: int = 30
    past_changes: Sequence[PastChange] = ()
    expected: Sequence[Expectation] = field(default=())
    silent: Mapping[str, str] = field(default_factory=dict)
    notice: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureContext:
    """
    One figure of a house.

    Args:
        told: How it is known, as the JSON twin has it (`api.explaining.explained`).
    """

    site: Site
    told: Mapping[str, Any]
    notice: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertContext:
    """
    One alert with what is needed to draw its evidence.

    Args:
        transitions: Oldest first.
        plants: The days around, oldest first: the day before it began where there is one, the day it began, and
            the next one or the last that it touched. At most three.
        ledgers: From 14 days before it began to 14 days after it ended (or now), oldest first: before and after.
        expected: What the part gave beside what was to be expected, where that is what the alert rests on.
        form_token: Sent back as the hidden field `token` with the acknowledgement, where the server asks for one.
    """

    alert: AlertView
    site: Site
    now: datetime
    transitions: Sequence[Transition]
    plants: Sequence[PlantDay]
    ledgers: Sequence[DayLedger] = field(default=())
    expected: Sequence[Expectation] = ()
    form_token: str = ""
    notice: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class HomeContext:
    """
    The homeowner's month.

    Args:
        month: Its first day.
        ledgers: The days of the month that have one, oldest first, the day in progress included.
        alerts: Those not resolved.
        newest_reading: None where there never was one.
        first_month, last_month: First days of the months that the reader may page to; None without any data.
        statements: Those of the month, the newest first.
        held: The versions of the site that held in the month, in turn.
        beside: The month, and the year up to its end, beside the same days of the year before.
    """

    site: Site
    now: datetime
    month: date
    ledgers: Sequence[DayLedger]
    alerts: Sequence[AlertView]
    newest_reading: datetime | None
    first_month: date | None = None
    last_month: date | None = None
    statements: Sequence[StatementView] = ()
    held: Sequence[Held] = ()
    beside: Sequence[Beside] = ()
    notice: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodContext:
    """
    Days of a house added up.

    Args:
        spans: All weeks (months, ...) of the account, the first and last cut to it, oldest first; empty without one.
        span: The one shown, of `spans`; None where there is none.
        period: Its sums; None where none of its days has an account.
        held: The versions of the site that held in it, in turn.
    """

    site: Site
    now: datetime
    by: By
    spans: Sequence[Span]
    span: Span | None
    period: Period | None
    held: Sequence[Held] = ()
    notice: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareContext:
    """
    Two periods of a house.

    Args:
        periods: Earlier and later, as they were asked for; None while the reader has not chosen.
        asked: How they were asked for.
        choices: The weeks, months, seasons and years of the account, oldest first.
        assumptions: What the saved money of both rests on.
    """

    site: Site
    now: datetime
    periods: tuple[Period, Period] | None
    asked: tuple[str, str]
    choices: Mapping[By, Sequence[Span]]
    assumptions: Sequence[str] = ()
    notice: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorContext:
    """
    A page that cannot be shown.

    Args:
        site: The house that it would have been of; None where there is no such house.
        message: Why, and what would be right.
    """

    site: Site | None
    message: str
    notice: str = ""
