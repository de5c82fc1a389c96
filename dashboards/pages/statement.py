"""A month's statement: the homeowner's month on paper, with its number and the figures as they are sent."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from analytics.figures import Figure
from analytics.site import Site
from dashboards.colours import CARRIED_OVER, Paint, origin_paints
from dashboards.contexts import HomeContext, StatementView
from dashboards.drawing.swatch import strip, swatch
from dashboards.figure_names import figure_name
from dashboards.names import origin_name
from dashboards.numbers import Display, display_of, show_day, show_percent, spoken
from dashboards.pages.home import HomePage, home_page
from dashboards.past import local_date, show_moved, since_words

__all__ = ["StatementPage", "statement_page"]

_LINES = ("saved.money", "saved.energy", "saved.co2", "purchased", "hot_water.heat", "hot_water.volume")
_LEAST_KWH = 0.05  # less of a month's heat is not worth a line


@dataclass(frozen=True, slots=True)
class StatementPage:
    """
    Args:
        home: The month as the homeowner's page tells it.
        lines: Name, figure and basis of each figure.
        origins: Swatch, name, figure and share of each origin of the month's hot-water heat.
    """

    home: HomePage
    number: str
    issued: str
    by: str
    corrects: str
    made_from: str
    lines: Sequence[tuple[str, str, str]]
    bar: Markup
    origins: Sequence[tuple[Markup, str, str, str]]


def statement_page(context: HomeContext, statement: StatementView) -> StatementPage:
    """Everything that the paper says."""
    site, display = context.site, display_of(context.site)
    parts = _origins(site, statement)
    return StatementPage(
        home=home_page(context),
        number=statement.number,
        issued=show_day(local_date(statement.issued, display), display, year=True),
        by=statement.by,
        corrects=statement.corrects,
        made_from=_made_from(statement, display),
        lines=[_line(site, path, statement.figures[path], display) for path in _LINES if path in statement.figures],
        bar=_bar(site, parts),
        origins=_origin_lines(site, parts, display),
    )


def _made_from(statement: StatementView, display: Display) -> str:
    """Which site file the figures rest on, so that they can be made again."""
    files = [f"{digest} that holds {since_words(first, display)}" for first, digest in statement.versions]
    return f"Made with the site file {spoken(files)}." if files else ""


def _line(site: Site, path: str, figure: Figure, display: Display) -> tuple[str, str, str]:
    return figure_name(site, path), show_moved(figure, path, display), figure.basis


def _origins(site: Site, statement: StatementView) -> list[tuple[str, Paint, Figure]]:
    """Origins of the month's hot-water heat that are worth a line, in stage order."""
    paints = origin_paints(site)
    found = {stage: statement.figures.get(f"stages.{stage}.delivered") for stage in site.stages}
    found[CARRIED_OVER] = statement.figures.get("hot_water.carried_over")
    return [
        (origin, paints[origin], figure)
        for origin, figure in found.items()
        if figure is not None and math.isfinite(figure.value) and figure.value >= _LEAST_KWH
    ]


def _bar(site: Site, parts: Sequence[tuple[str, Paint, Figure]]) -> Markup:
    total = math.fsum(figure.value for _, _, figure in parts)
    if not parts:
        return Markup("")
    label = ", ".join(f"{origin_name(site, o)} {show_percent(figure.value / total)}" for o, _, figure in parts)
    return strip([(paint, figure.value / total) for _, paint, figure in parts], f"Where it came from: {label}")


def _origin_lines(
    site: Site, parts: Sequence[tuple[str, Paint, Figure]], display: Display
) -> list[tuple[Markup, str, str, str]]:
    total = math.fsum(figure.value for _, _, figure in parts)
    return [
        (
            swatch(paint, f"key-{index}"),
            origin_name(site, origin),
            show_moved(figure, "", display),
            show_percent(figure.value / total),
        )
        for index, (origin, paint, figure) in enumerate(parts)
    ]
