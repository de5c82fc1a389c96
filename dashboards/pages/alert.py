"""An alert: what is wrong, what do I check, did my repair work?"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from analytics.detection.findings import CAUTION
from analytics.site import Site
from dashboards.charts.around import around_chart
from dashboards.charts.evidence import evidence_charts, evidence_clock
from dashboards.charts.expected import ExpectedChart, expected_charts
from dashboards.charts.frame import Chart
from dashboards.charts.history import Span
from dashboards.contexts import AlertContext, AlertView, Transition
from dashboards.evidence_words import evidence_line
from dashboards.links import acknowledge_link, alert_json_link, site_link
from dashboards.names import component_name, point_name
from dashboards.numbers import Display, display_of, show_instant, show_money, show_span
from dashboards.words import in_readers_words

__all__ = ["AlertPage", "alert_page", "cautions"]

STATES = {"open": "Open", "acknowledged": "Acknowledged", "resolved": "Over"}


@dataclass(frozen=True, slots=True)
class AlertPage:
    alert: AlertView
    site_name: str
    site_link: str
    component: str
    state: str
    facts: Sequence[tuple[str, str]]
    expected: Sequence[ExpectedChart]
    charts: Sequence[Chart]
    clock: Sequence[str]
    evidence: Sequence[tuple[str, str]]
    caution: str
    dangers: Sequence[str]
    around: Chart | None
    transitions: Sequence[tuple[str, str, str]]
    acknowledge_link: str
    form_token: str
    json_link: str


def alert_page(context: AlertContext) -> AlertPage:
    """Everything that the page says about one alert."""
    site, display = context.site, display_of(context.site)
    alert = in_readers_words(context.alert, context.now, display)
    return AlertPage(
        alert=alert,
        site_name=site.name,
        site_link=site_link(site.id),
        component=component_name(site, alert.component),
        state=STATES[alert.state],
        facts=_facts(context, display),
        expected=_expected(context, display),
        charts=evidence_charts(context, display),
        clock=evidence_clock(context, display),
        evidence=_evidence(alert, site, display),
        caution=CAUTION,
        dangers=cautions(alert, has_collector=bool(site.collectors)),
        around=around_chart(context, display),
        transitions=[_transition(one, context, display) for one in context.transitions],
        acknowledge_link=acknowledge_link(alert.id) if alert.state == "open" else "",
        form_token=context.form_token,
        json_link=alert_json_link(alert.id),
    )


def _evidence(alert: AlertView, site: Site, display: Display) -> list[tuple[str, str]]:
    """A row for each number that was used; a length of time, which stands there in words and in minutes, has one."""
    used = {name: _named(value, site) for name, value in alert.evidence.items() if value is not None}
    return list(dict.fromkeys(evidence_line(name, value, display) for name, value in used.items()))


def _named(value: object, site: Site) -> object:
    """A part's or a sensor's id as its name, the id behind it where that is no word."""
    if not isinstance(value, str):
        return value
    if value in site.points:
        return f"{point_name(value)} ({value})"
    parts = (site.stages, site.loops, site.tanks, site.heaters, site.heat_pumps)
    return component_name(site, value) if any(value in each for each in parts) else value


def _expected(context: AlertContext, display: Display) -> list[ExpectedChart]:
    days = [day.day for each in context.expected for day in each.days]
    if not days:
        return []
    return expected_charts(context.site, context.expected, Span(min(days), max(days), max(days)), display=display)


def _facts(context: AlertContext, display: Display) -> list[tuple[str, str]]:
    alert, now = context.alert, context.now
    lasted = ((alert.ended or now) - alert.began).total_seconds()
    by_day = alert.is_by_day
    ended = "not yet" if alert.ended is None else show_instant(alert.ended, now, display, is_by_day=by_day)
    known = not math.isnan(alert.cost_per_day)
    return [
        ("Began", show_instant(alert.began, now, display, is_by_day=by_day)),
        ("Noticed", show_instant(alert.detected, now, display)),
        ("Ended", ended),
        ("Has lasted" if alert.ended is None else "Lasted", show_span(lasted, is_by_day=by_day)),
        (
            "Costs" if alert.ended is None else "Cost",
            f"about {show_money(alert.cost_per_day, display)} a day" if known else "not known",
        ),
    ]


def _transition(one: Transition, context: AlertContext, display: Display) -> tuple[str, str, str]:
    verb = {"open": "Began", "acknowledged": "Taken up", "resolved": "Over"}[one.state]
    who = f" by {one.by}" if one.by else ""
    is_by_day = context.alert.is_by_day and one.state != "acknowledged"
    return (show_instant(one.at, context.now, display, is_by_day=is_by_day), f"{verb}{who}", one.note)


# Which dangers a check can meet, by what the alert is about. Scald times: the shorter ones of the two published
# tables (CPSC consumer guidance); growth band: 25 to 45 degC.
_DANGERS = {
    "scald": "Water above 49 °C (120 °F) can scald, at 60 °C (140 °F) within seconds; children burn faster. "
    "Let nobody draw water whose temperature you have not tried.",
    "legionella": "Water kept between 25 and 45 °C (77 and 113 °F) can carry Legionella. Breathe no spray from it when "
    "you flush or drain.",
    "collector": "A collector in the sun reaches temperatures and pressures that injure. Open nothing in its loop "
    "while it is hot; cover it or wait for dark.",
    "live": "Panels, pumps and heating elements are live. Switch off and lock the supply before you open a cover.",
    "pressure": "Never close, cap or set a relief valve.",
}
_FOR = {
    "scald": re.compile(r"outlet|heater|stagnation|tank|sensor|balance|stage|loop|draw"),
    "legionella": re.compile(r"tank-lukewarm|outlet-too-cool|tank|stage|heater-no-output|heater-preempts|loop-never"),
    "collector": re.compile(r"stagnation|loop|stage|collector"),
    "live": re.compile(r""),
    "pressure": re.compile(r"outlet|heater|stagnation|tank|loop|stage"),
}


def cautions(alert: AlertView, *, has_collector: bool = True) -> list[str]:
    """The dangers that the checks of this alert can meet in this house; live parts always."""
    about = f"{alert.kind} {alert.component}"
    found = [name for name, pattern in _FOR.items() if pattern.search(about)]
    return [_DANGERS[name] for name in found if name != "collector" or has_collector]
