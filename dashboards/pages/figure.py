"""A figure with every amount in it: how do you know, step by step?"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from analytics.figures import figure_from_json
from dashboards.contexts import FigureContext
from dashboards.days_names import days_name
from dashboards.explain import ROUNDING, doubt_reasons, is_fraction, part_in_words
from dashboards.links import figure_json_link, figure_link, site_link
from dashboards.numbers import Display, display_of, show_day, show_figure, show_month, unit_name
from dashboards.rewording import in_readers_units

__all__ = ["FigurePage", "figure_page"]

_MOST_ROWS = 12  # of a table; a longer one is folded up until someone asks for it
_FIGURE = ("value", "unit", "plus_minus", "basis", "coverage", "why")


@dataclass(frozen=True, slots=True)
class FigurePage:
    name: str
    headline: str
    how: str
    why: str
    changed: str
    working: Mapping[str, Any] | None
    doubt: Sequence[Mapping[str, Any]]
    reasons: Sequence[tuple[str, str]]
    interval: Mapping[str, Any] | None
    points: Mapping[str, Mapping[str, Any]]
    notes: Sequence[str]
    most_rows: int
    rounding: str
    longer: Sequence[tuple[str, str]]
    back_link: str
    json_link: str


def figure_page(context: FigureContext) -> FigurePage:
    """Everything that the page says about one figure of a day, or of days added up."""
    site, told, display = context.site, context.told, display_of(context.site)
    figure, path = figure_from_json({key: told[key] for key in _FIGURE}), told["figure"]
    one_day = _day_of(told["day"])
    when = show_day(one_day, display, year=True) if one_day else _span_name(told["day"], display)
    shown = show_figure(figure, display, as_percent=is_fraction(path))
    says = "is not known" if told["value"] is None else shown
    return FigurePage(
        name=site.name,
        headline=f"{told['label'] or path}, {when}: {says}.",
        how=told["how"],
        why=in_readers_units(told["why"], Display()),  # the amounts are as they were metered
        changed=told["changed"],
        working=told["working"],
        doubt=[{**source, "part": part_in_words(source["part_of_variance"])} for source in told["doubt"]],
        reasons=doubt_reasons(told["doubt"]),
        interval=told["interval"],
        points={
            point: {**about, "unit": unit_name(about["unit"], Display())} for point, about in told["points"].items()
        },
        notes=told["notes"],
        most_rows=_MOST_ROWS,
        rounding=f"{ROUNDING} {told['units_note']}".rstrip(),
        longer=[(figure_link(site.id, figure=path, of=of), name) for of, name in _longer(told["day"])],
        back_link=site_link(site.id, day=one_day),
        json_link=figure_json_link(site.id, figure=path, of=told["day"]),
    )


def _day_of(text: str) -> date | None:
    """The day that a span's name is, None for weeks, months and years."""
    return date.fromisoformat(text) if len(text) == len("2026-01-05") else None


def _longer(text: str) -> list[tuple[str, str]]:
    """The week, month and year that a span begins in, as far as they are longer than it: how to ask, and as said."""
    one_day, is_week = _day_of(text), "W" in text
    if len(text) == len("2026") or ".." in text:
        return []
    first = one_day or date.fromisoformat(f"{text}-1" if is_week else f"{text}-01")
    year, week, _ = first.isocalendar()
    found = [(f"{year}-W{week:02d}", f"Week {year}-W{week:02d}")] if one_day else []
    found += [(f"{first:%Y-%m}", show_month(first))] if one_day or is_week else []
    return [*found, (f"{first.year}", f"{first.year}")]


def _span_name(text: str, display: Display) -> str:
    """A month by its name, days from one to another by theirs; weeks and years by their number."""
    if ".." in text:
        first, last = (date.fromisoformat(day) for day in text.split(".."))
        return days_name(first, last, display)
    is_month = len(text) == len("2026-01")
    return show_month(date.fromisoformat(f"{text}-01")) if is_month else text
