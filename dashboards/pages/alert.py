"""An alert: what is wrong, what do I check, did my repair work?"""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analytics.detection.findings import CAUTION
from dashboards.charts.around import around_chart
from dashboards.charts.evidence import evidence_charts, evidence_clock
from dashboards.charts.expected import ExpectedChart, expected_charts
from dashboards.charts.frame import Chart
from dashboards.charts.history import Span
from dashboards.contexts import AlertContext, AlertView, Transition
from dashboards.links import acknowledge_link, alert_json_link, site_link
from dashboards.names import component_name
from dashboards.numbers import (
    UNKNOWN,
    Display,
    display_of,
    free_places,
    in_readers_units,
    show_instant,
    show_money,
    show_number,
    show_quantity,
    show_span,
)
from dashboards.words import in_readers_words

__all__ = ["AlertPage", "alert_page", "cautions", "evidence_line"]

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
    alert = in_readers_words(context.alert, display)
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
        # A length of time stands in the evidence in words and in minutes; one row tells it.
        evidence=list(dict.fromkeys(evidence_line(name, value, display) for name, value in alert.evidence.items())),
        caution=CAUTION,
        dangers=cautions(alert),
        around=around_chart(context, display),
        transitions=[_transition(one, context, display) for one in context.transitions],
        acknowledge_link=acknowledge_link(alert.id) if alert.state == "open" else "",
        form_token=context.form_token,
        json_link=alert_json_link(alert.id),
    )


def _expected(context: AlertContext, display: Display) -> list[ExpectedChart]:
    days = [day.day for each in context.expected for day in each.days]
    if not days:
        return []
    return expected_charts(context.site, context.expected, Span(min(days), max(days), max(days)), display=display)


def _facts(context: AlertContext, display: Display) -> list[tuple[str, str]]:
    alert, now = context.alert, context.now
    lasted = ((alert.ended or now) - alert.began).total_seconds()
    by_day = alert.is_by_day
    ended = "it still lasts" if alert.ended is None else show_instant(alert.ended, now, display, is_by_day=by_day)
    known = not math.isnan(alert.cost_per_day)
    return [
        ("Began", show_instant(alert.began, now, display, is_by_day=by_day)),
        ("Noticed", show_instant(alert.detected, now, display)),
        ("Ended", ended),
        ("Has lasted" if alert.ended is None else "Lasted", show_span(lasted)),
        ("Costs", f"about {show_money(alert.cost_per_day, display)} a day" if known else "not known"),
    ]


def _transition(one: Transition, context: AlertContext, display: Display) -> tuple[str, str, str]:
    verb = {"open": "Raised", "acknowledged": "Taken up", "resolved": "Over"}[one.state]
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


def cautions(alert: AlertView) -> list[str]:
    """The dangers that the checks of this alert can meet; live parts always."""
    about = f"{alert.kind} {alert.component}"
    return [_DANGERS[name] for name, pattern in _FOR.items() if pattern.search(about)]


# Endings of evidence names and the unit and scale that they stand for.
_ENDINGS: Mapping[str, tuple[str, float]] = {
    "_w_per_m2": ("W/m2", 1),
    "_w_m2": ("W/m2", 1),
    "_degc": ("degC", 1),
    "_l_per_min": ("l/min", 1),
    "_l_min": ("l/min", 1),
    "_m3_s": ("l/min", 60_000),
    "_kwh": ("kWh", 1),
    "_litres": ("l", 1),
    "_l": ("l", 1),
    "_kw": ("W", 1000),
    "_w": ("W", 1),
    "_k": ("K", 1),
}
_SPANS = {"_seconds": 1, "_s": 1, "_minutes": 60, "_min": 60, "_hours": 3600, "_h": 3600, "_days": 86400}


def evidence_line(name: str, value: Any, display: Display) -> tuple[str, str]:
    """One value of the evidence as words and as text; the unit is told by the end of its name."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return _words(_without_unit(name)), UNKNOWN
    if isinstance(value, bool) or not isinstance(value, int | float):
        return _words(name), in_readers_units(str(value), display)
    if name.endswith("_percent"):
        return _words(name.removesuffix("_percent")), f"{show_number(value, 1)} %"
    for ending, (unit, scale) in _ENDINGS.items():
        if name.endswith(ending):
            return _words(name.removesuffix(ending)), show_quantity(value * scale, unit, display)
    for ending, seconds in _SPANS.items():
        if name.endswith(ending):
            return _words(name.removesuffix(ending)), show_span(value * seconds)
    places = 0 if value == round(value) else free_places(value)
    return _words(name), show_number(value, places, units=display.units)


def _without_unit(name: str) -> str:
    found = (ending for ending in (*_ENDINGS, *_SPANS, "_percent") if name.endswith(ending))
    return name.removesuffix(next(found, ""))


# Names that people would not guess from those of the judgement.
_NAMED = {
    "called": "Called for",
    "damage": "Does damage from",
    "still_flow": "Counts as standing up to",
    "had": "Given",
    "plus_minus": "± of what was expected",
    "short": "Too little by",
    "least_short": "Told of from",
    "cusum_sd": "CUSUM, in standard deviations",
    "cusum_limit_sd": "It speaks beyond",
    "cusum_allowance_sd": "Left out of it each day",
    "shift_sd": "A day's shift, in standard deviations",
    "days_to_find": "Days to find such a shift, on average",
    "days_between_false_signals": "Days between false signals, on average",
    "fit": "The model was made of",
    "fit_cv_rmse": "CV(RMSE) of the model",
    "fit_nmbe": "NMBE of the model",
}


def _words(name: str) -> str:
    if name in _NAMED:
        return _NAMED[name]
    if name.startswith("min_"):
        name = f"{name.removeprefix('min_')}, at least"
    text = name.replace("_", " ").replace(".", " ").strip()
    return text[:1].upper() + text[1:]
