"""The homeowner's month: is it working, and what did I save?"""

import calendar
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from analytics.site import Site
from dashboards.assumptions import Held, further_assumptions, main_assumptions
from dashboards.beside import beside_sentences
from dashboards.charts.frame import Chart
from dashboards.charts.history import Span
from dashboards.charts.month import month_bar, month_by_day
from dashboards.contexts import HomeContext, StatementView
from dashboards.explain import BASES
from dashboards.links import (
    figure_link,
    home_link,
    ledger_json_link,
    month_json_link,
    period_link,
    site_link,
    statement_link,
    statements_link,
)
from dashboards.numbers import Display, display_of, local_date, show_day, show_figure, show_month
from dashboards.past import moved_together
from dashboards.words import (
    MonthSums,
    alerts_by_urgency,
    in_readers_words,
    missing_sentence,
    month_money,
    month_sentence,
    month_sums,
    unpriced_sentence,
    working_sentence,
)

__all__ = ["HomePage", "StatementLine", "home_page"]


@dataclass(frozen=True, slots=True)
class StatementLine:
    """A statement that was sent, and what is otherwise now."""

    number: str
    link: str
    sentence: str
    moved: Sequence[str]
    is_withdrawn: bool


@dataclass(frozen=True, slots=True)
class HomePage:
    name: str
    month: str
    sentence: str
    working: str
    advice: str
    money: str
    money_sentence: str
    rests_on: Sequence[str]
    assumptions: Sequence[str]
    money_link: str
    beside: Sequence[str]
    missing: str
    bar: Chart | None
    by_day: Chart | None
    previous: tuple[str, str] | None
    following: tuple[str, str] | None
    site_link: str
    period_link: str
    month_json_link: str
    json_link: str
    in_progress: bool
    statements: Sequence[StatementLine]
    issue_link: str
    issue_words: str
    issue_month: str


def home_page(context: HomeContext) -> HomePage:
    """Everything that the page says about one month."""
    site, display, first = context.site, display_of(context.site), context.month
    context = replace(context, alerts=[in_readers_words(alert, context.now, display) for alert in context.alerts])
    today = context.now.astimezone(ZoneInfo(site.timezone)).date()
    last = first.replace(day=calendar.monthrange(first.year, first.month)[1])
    in_progress = first <= today <= last
    sums = month_sums(context, _past_days(context, min(last, today)))
    held = context.held or [Held(first, last, site)]
    is_known = sums.known_days > 0
    money, money_sentence = month_money(sums, site=site, display=display, in_progress=in_progress)
    return HomePage(
        name=site.name,
        month=show_month(first),
        sentence=f"{show_month(first)} has not begun."
        if first > today
        else month_sentence(sums, site=site, month=first, in_progress=in_progress),
        working=working_sentence(context) if in_progress else "",
        advice=_advice(context) if in_progress else "",
        money=money,
        money_sentence=money_sentence,
        rests_on=main_assumptions(held) if is_known else (),
        assumptions=_assumptions(held, sums, display) if is_known else (),
        money_link=figure_link(site.id, figure="saved.money", of=f"{first:%Y-%m}"),
        beside=_beside(context, display, in_progress=in_progress),
        missing=_missing(sums),
        bar=month_bar(site, sums.origins, display),
        by_day=month_by_day(site, context.ledgers, Span(first, last, today), display=display),
        previous=_month_link(context, first - timedelta(days=1), last=context.last_month),
        following=_month_link(context, last + timedelta(days=1), first=context.first_month),
        site_link=site_link(site.id),
        period_link=period_link(site.id, by="month", day=_within(context)),
        month_json_link=month_json_link(site.id, month=first),
        json_link=ledger_json_link(site.id, first=first, last=last),
        in_progress=in_progress,
        statements=[_statement_line(one, site, display) for one in context.statements],
        issue_link=statements_link(site.id) if _may_issue(context, last < today) else "",
        issue_words="Make the correction" if _standing(context) else "Make this month's statement",
        issue_month=f"{first:%Y-%m}",
    )


def _within(context: HomeContext) -> date | None:
    """A day of the month for a link; none where the month has no account, which then leads to the newest."""
    return context.ledgers[0].day if context.ledgers else None


def _missing(sums: MonthSums) -> str:
    # Of a month without a known day the sentences above say so already.
    said = [missing_sentence(sums.missing_days), unpriced_sentence(sums)] if sums.known_days else []
    return " ".join(each for each in said if each)


def _standing(context: HomeContext) -> StatementView | None:
    return next((one for one in context.statements if one.withdrawn is None), None)


def _may_issue(context: HomeContext, is_over: bool) -> bool:
    """Whether a statement is there to be made: a first one, or a correction of one whose figures moved."""
    standing = _standing(context)
    return is_over and bool(context.ledgers) and (standing is None or bool(standing.moved))


def _statement_line(statement: StatementView, site: Site, display: Display) -> StatementLine:
    issued = show_day(local_date(statement.issued, display), display, year=True)
    by = f" by {statement.by}" if statement.by else ""
    instead = f", in the place of {statement.corrects}" if statement.corrects else ""
    sentence = f"Sent on {issued}{by}{instead}."
    if statement.withdrawn is not None:
        withdrawn = show_day(local_date(statement.withdrawn, display), display, year=True)
        sentence = f"{sentence[:-1]}, and withdrawn on {withdrawn}."
    return StatementLine(
        number=statement.number,
        link=statement_link(site.id, statement.number),
        sentence=sentence,
        moved=moved_together(statement.moved, site, display, sent=statement.issued),
        is_withdrawn=statement.withdrawn is not None,
    )


# Kinds whose checks tell the technician to warn the house.
_SCALDING = ("outlet-too-hot", "heater-always-on")


def _advice(context: HomeContext) -> str:
    """What a homeowner may do about an alert: keep clear of scalding water, and leave the system to its installer."""
    alerts = alerts_by_urgency(context.alerts)
    if not alerts or alerts[0].severity == "watch":
        return ""
    call = "Please have your installer look at it, and do not open or set anything yourself."
    if any(alert.kind in _SCALDING for alert in alerts):
        return f"The water can scald: try it before anyone washes or bathes, children above all. {call}"
    return call


def _past_days(context: HomeContext, last: date) -> int:
    """Days of the month that have begun, from the installation's start where it falls into the month."""
    began = context.site.commissioned
    start = began if began and context.month < began <= last else context.month
    return max((last - start).days + 1, 0)


def _month_link(
    context: HomeContext, day: date, *, first: date | None = None, last: date | None = None
) -> tuple[str, str] | None:
    """
    Address and name of the month that holds a day, None where there is nothing to page to.

    From a month beyond the account one comes back to its `first` or `last`.
    """
    month = max(day.replace(day=1), first or date.min)
    month = min(month, last or date.max)
    if context.first_month is None or context.last_month is None:
        return None
    if not context.first_month <= month <= context.last_month:
        return None
    return home_link(context.site.id, month=month), show_month(month)


def _assumptions(held: Sequence[Held], sums: MonthSums, display: Display) -> list[str]:
    """What else the figure of money rests on."""
    told = further_assumptions(held)
    if sums.money.value == sums.money.value:
        told.append(
            f"The month's sum is {show_figure(sums.money, display)}: {sums.money.basis}, {BASES[sums.money.basis]}."
        )
        told.append("The days' errors are added up, since a sensor that reads high today reads high tomorrow.")
    if sums.energy.value == sums.energy.value:
        told.append(f"In energy that is {show_figure(sums.energy, display)}; in CO₂, {show_figure(sums.co2, display)}.")
    return told


def _beside(context: HomeContext, display: Display, *, in_progress: bool) -> list[str]:
    """One paragraph for the month and one for the year; one only where there is nothing to set beside either."""
    told = [" ".join(beside_sentences(each, display, in_progress=in_progress)) for each in context.beside]
    return told if any(each.changes for each in context.beside) else told[:1]
