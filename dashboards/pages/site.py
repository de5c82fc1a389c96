"""A house on a day: what is it doing, and how do you know?"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from markupsafe import Markup

from analytics.figure_paths import figures_by_path
from analytics.figures import DayLedger
from analytics.site import Site
from dashboards.charts.day import day_charts
from dashboards.charts.expected import ExpectedChart, expected_charts, is_drawn
from dashboards.charts.frame import Chart, Table, clock_labels
from dashboards.charts.history import Span, backup_chart, cop_chart, delivered_chart
from dashboards.contexts import AlertView, PastChange, SiteContext
from dashboards.drawing.schematic import draw_schematic
from dashboards.expected_words import state_sentence
from dashboards.explain import FigureGroup, figure_groups
from dashboards.figure_names import figure_name
from dashboards.links import (
    alert_link,
    figure_link,
    home_link,
    ledger_json_link,
    moved_json_link,
    period_link,
    site_link,
)
from dashboards.names import origin_name
from dashboards.numbers import Display, display_of, local_date, show_age, show_day, show_money, show_span
from dashboards.past import past_sentence, show_movement
from dashboards.readings import Reading, newest_of, read_now
from dashboards.rewording import in_readers_units
from dashboards.words import alerts_by_urgency, day_sentence, day_title, in_readers_words, reading_age_s, site_sentence

__all__ = ["AlertLine", "PastLine", "SitePage", "alert_line", "site_page"]


@dataclass(frozen=True, slots=True)
class AlertLine:
    """One alert in a list."""

    alert: AlertView
    link: str
    lasting: str
    cost: str


@dataclass(frozen=True, slots=True)
class PastLine:
    """What one cause moved in the past figures."""

    sentence: str
    when: str
    table: Table


@dataclass(frozen=True, slots=True)
class SitePage:
    name: str
    headline: str
    life: str
    day_title: str
    day_sentence: str
    alerts: Sequence[AlertLine]
    past_alerts: Sequence[AlertLine]
    drawing: Markup
    readings: Sequence[Reading]
    day_charts: Sequence[Chart]
    clock: Sequence[str]
    groups: Sequence[FigureGroup]
    amounts: Mapping[str, str]
    notes: Sequence[str]
    history: Sequence[Chart]
    expected: Sequence[ExpectedChart]
    not_expected: Sequence[str]
    past: Sequence[PastLine]
    moved_link: str
    spans: Sequence[tuple[int, str, bool]]
    previous: tuple[str, str] | None
    following: tuple[str, str] | None
    home_link: str
    period_link: str
    json_link: str
    display: Display
    is_today: bool


def site_page(context: SiteContext) -> SitePage:
    """Everything that the page says about one day of one house."""
    site, display, newest = context.site, display_of(context.site), newest_of(context.latest)
    context = replace(context, alerts=[in_readers_words(alert, context.now, display) for alert in context.alerts])
    today = context.now.astimezone(ZoneInfo(site.timezone)).date()
    ledger = next((one for one in context.ledgers if one.day == context.day), None)
    readings = read_now(site, context.latest, context.now, display=display)
    is_today = context.day == today
    return SitePage(
        name=site.name,
        headline=site_sentence(context, newest),
        life=_life(context),
        day_title=day_title(context.day, today=today, display=display),
        day_sentence=day_sentence(ledger, site=site, display=display, is_today=is_today),
        alerts=[alert_line(a, context, display) for a in alerts_by_urgency(context.alerts)],
        past_alerts=[alert_line(a, context, display) for a in context.alerts if a.state == "resolved"],
        drawing=draw_schematic(site, readings),
        readings=list(readings.values()),
        day_charts=day_charts(context.plant, display) if context.plant else [],
        clock=clock_labels([context.plant.day], display) if context.plant else [],
        groups=figure_groups(site, ledger) if ledger else [],
        amounts=_amounts(site.id, ledger) if ledger else {},
        notes=[in_readers_units(note, display) for note in ledger.notes] if ledger else (),
        history=_history(context, today, display),
        expected=expected_charts(site, context.expected, _span(context, today), display=display),
        not_expected=_not_expected(context, today, display),
        past=[_past_line(change, site, display) for change in context.past_changes],
        moved_link=moved_json_link(site.id),
        spans=[
            (n, site_link(site.id, day=_asked(context, today), span_days=n), n == context.span_days) for n in _SPANS
        ],
        previous=_other_day(context, -1, display),
        following=_other_day(context, +1, display),
        home_link=home_link(site.id, month=context.day.replace(day=1)),
        period_link=period_link(site.id),
        json_link=ledger_json_link(site.id, first=context.day, last=context.day),
        display=display,
        is_today=is_today,
    )


def _amounts(site: str, ledger: DayLedger) -> dict[str, str]:
    """Each figure's page, with every amount in it."""
    return {path: figure_link(site, figure=path, of=ledger.day.isoformat()) for path in figures_by_path(ledger)}


_SPANS = (14, 30, 60)


def _asked(context: SiteContext, today: date) -> date | None:
    """The day for a link; none for today, so that a kept link goes on showing today."""
    return None if context.day == today else context.day


def _life(context: SiteContext) -> str:
    age = reading_age_s(newest_of(context.latest), context.now)
    return "" if age != age else f"Last reading {show_age(age)}."


def alert_line(alert: AlertView, context: SiteContext, display: Display) -> AlertLine:
    cost = f"about {show_money(alert.cost_per_day, display)} a day" if alert.cost_per_day > 0 else ""
    length_s = ((alert.ended or context.now) - alert.began).total_seconds()
    return AlertLine(alert, alert_link(alert.id), show_span(length_s, is_by_day=alert.is_by_day), cost)


_PAST_HEADINGS = ("Figure", "Days", "Before", "After", "Change")


def _past_line(change: PastChange, site: Site, display: Display) -> PastLine:
    rows = [
        (figure_name(site, one.path), str(one.days), *show_movement(one.before, one.after, one.path, display))
        for one in change.sums
    ]
    when = f"Computed again on {show_day(local_date(change.computed, display), display, year=True)}."
    return PastLine(past_sentence(change, site, display), when, Table(_PAST_HEADINGS, rows))


def _span(context: SiteContext, today: date) -> Span:
    return Span(context.day - timedelta(days=context.span_days - 1), context.day, today)


def _not_expected(context: SiteContext, today: date, display: Display) -> list[str]:
    """Sentences of the parts that have no chart, and why."""
    span = _span(context, today)
    shown = {each.subject.key for each in context.expected if is_drawn(each, span)}
    told = [state_sentence(context.site, each, display) for each in context.expected if each.subject.key not in shown]
    return (told if shown else _once(told)) + [
        f"{origin_name(context.site, stage)}: {why}" for stage, why in context.silent.items()
    ]


def _once(told: Sequence[str]) -> list[str]:
    """Sentences that say the same of each part, said once of all."""
    tails = {sentence.partition(": ")[2] for sentence in told}
    if len(told) < 2 or len(tails) > 1:
        return list(told)
    (tail,) = tails
    return [f"{tail[:1].upper()}{tail[1:]}"]


def _history(context: SiteContext, today: date, display: Display) -> list[Chart]:
    span = _span(context, today)
    charts = (
        delivered_chart(context.site, context.ledgers, span, display=display),
        backup_chart(context.ledgers, span, display),
        cop_chart(context.site, context.ledgers, span, display=display),
    )
    return [chart for chart in charts if chart is not None]


def _other_day(context: SiteContext, step: int, display: Display) -> tuple[str, str] | None:
    """
    Address and name of the day before or after, None where there is none.

    From a day beyond the account one comes back to its last or first day.
    """
    first, last = context.first_day, context.last_day
    if first is None or last is None:
        return None
    beside = context.day + timedelta(days=step)
    day = min(beside, last) if step < 0 else max(beside, first)
    if not first <= day <= last:
        return None
    name = "Day before" if step < 0 else "Day after"
    if day != beside:
        name = show_day(day, display, year=day.year != context.day.year)
    return site_link(context.site.id, day=day, span_days=context.span_days), name
