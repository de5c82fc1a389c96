"""The pages: a context in, a whole HTML document out. Pure: no clock, no file beyond the templates."""

import json
import re
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from dashboards.charts.frame import chart_json, script_json
from dashboards.charts.script import style_guards
from dashboards.contexts import (
    AlertContext,
    CompareContext,
    ErrorContext,
    FigureContext,
    FleetContext,
    HomeContext,
    PeriodContext,
    SiteContext,
    StatementView,
)
from dashboards.drawing.swatch import swatch
from dashboards.explain import BASES
from dashboards.numbers import show_figure, show_percent
from dashboards.pages.alert import alert_page
from dashboards.pages.compare import compare_page
from dashboards.pages.error import error_page
from dashboards.pages.figure import figure_page
from dashboards.pages.fleet import fleet_page
from dashboards.pages.home import home_page
from dashboards.pages.period import period_page
from dashboards.pages.site import site_page
from dashboards.pages.statement import statement_page
from dashboards.rewording import in_readers_units

__all__ = [
    "render_alert",
    "render_compare",
    "render_error",
    "render_figure",
    "render_fleet",
    "render_home",
    "render_period",
    "render_site",
    "render_statement",
]

SEVERITY_WORDS = {"urgent": "Urgent", "soon": "Soon", "watch": "Watch"}


_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=(?:°[CF]|kWh|kW|W|l|gal|kg|lb|h|min|s|%|±|K|am|pm)(?![a-z]))|(?<=±) ")


def _keep_together(value: object) -> object:
    """A number does not part from its unit at the end of a line."""
    return _NUMBER_AND_UNIT.sub("\u00a0", value) if type(value) is str else value


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("dashboards"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
        finalize=_keep_together,
    )
    environment.globals.update(style_guards=style_guards, swatch=swatch, bases=BASES, severity_words=SEVERITY_WORDS)
    environment.filters.update(figure=show_figure, percent=show_percent, in_readers_units=in_readers_units)
    environment.filters["chart_json"] = lambda chart: Markup(chart_json(chart))
    environment.filters["script_json"] = lambda data: Markup(script_json(json.dumps(list(data))))
    return environment


def _render(template: str, **values: object) -> str:
    return _environment().get_template(template).render(**values)


def render_fleet(context: FleetContext) -> str:
    """Who needs me today, and why?"""
    return _render("fleet.html", page=fleet_page(context), notice=context.notice)


def render_site(context: SiteContext) -> str:
    """What is this house doing, and how do you know?"""
    return _render("site.html", page=site_page(context), notice=context.notice)


def render_alert(context: AlertContext) -> str:
    """What is wrong, what do I check, did my repair work?"""
    return _render("alert.html", page=alert_page(context), notice=context.notice)


def render_figure(context: FigureContext) -> str:
    """How do you know, step by step?"""
    return _render("figure.html", page=figure_page(context), notice=context.notice)


def render_home(context: HomeContext) -> str:
    """Is it working, and what did I save?"""
    return _render("home.html", page=home_page(context), notice=context.notice)


def render_period(context: PeriodContext) -> str:
    """What do the days add up to?"""
    return _render("period.html", page=period_page(context), notice=context.notice)


def render_compare(context: CompareContext) -> str:
    """What changed from one time to another?"""
    return _render("compare.html", page=compare_page(context), notice=context.notice)


def render_statement(context: HomeContext, statement: StatementView) -> str:
    """A month on paper, as it is sent to the homeowner; a document that needs nothing beside it."""
    return _render("statement.html", page=statement_page(context, statement))


def render_error(context: ErrorContext) -> str:
    """Why can this page not be shown, and where do I go on?"""
    return _render("error.html", page=error_page(context), notice=context.notice)
