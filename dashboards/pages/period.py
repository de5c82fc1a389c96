"""Days of a house added up: a week, a month, a season, a year, or all since the commissioning."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isnan

from analytics.figure_paths import figures_by_path
from analytics.figures import Figure
from analytics.period import By, Period, Span, calendar_span
from analytics.site import Site
from dashboards.assumptions import baseline_name, money_assumptions
from dashboards.contexts import PeriodContext
from dashboards.days_names import days_name
from dashboards.explain import is_fraction
from dashboards.figure_names import figure_label
from dashboards.links import (
    compare_link,
    figure_link,
    home_link,
    ledger_file_link,
    period_json_link,
    period_link,
    site_link,
)
from dashboards.numbers import Display, display_of, local_date, show_day, show_figure
from dashboards.period_lines import Group, coverage_sentence, grouped, span_text

__all__ = ["PeriodLine", "PeriodPage", "kind_name", "period_page"]

_KINDS: Sequence[By] = ("week", "month", "season", "year", "all")
_FILES = (("xlsx", "a spreadsheet"), ("csv", "plain text (CSV)"), ("parquet", "Parquet, for programs"))
_NAMES = {"week": "Week", "month": "Month", "season": "Season", "year": "Year", "all": "Since commissioning"}


@dataclass(frozen=True, slots=True)
class PeriodLine:
    """One figure of the period, and the page on which it is worked out."""

    path: str
    label: str
    figure: Figure
    as_percent: bool
    link: str


@dataclass(frozen=True, slots=True)
class PeriodPage:
    name: str
    period: str
    headline: str
    coverage: str
    remarks: Sequence[str]
    groups: Sequence[Group[PeriodLine]]
    assumptions: Sequence[str]
    kinds: Sequence[tuple[str, str, bool]]
    previous: tuple[str, str] | None
    following: tuple[str, str] | None
    beside: Sequence[tuple[str, str]]
    compare_link: str
    site_link: str
    home_link: str
    json_link: str
    files: Sequence[tuple[str, str]]
    display: Display


def kind_name(by: By) -> str:
    """What a kind of period is called."""
    return _NAMES[by]


def period_page(context: PeriodContext) -> PeriodPage:
    """Everything that the page says about one period."""
    site, display, span, period = context.site, display_of(context.site), context.span, context.period
    name = "" if span is None else _name(context, span, display)
    return PeriodPage(
        name=site.name,
        period=name,
        headline=_headline(site, name, period, display),
        coverage="" if period is None else coverage_sentence(period, display),
        remarks=_remarks(context, display),
        groups=[] if period is None else grouped(site, _lines(site, period)),
        assumptions=money_assumptions(context.held) if period is not None else (),
        kinds=[(_NAMES[by], _kind_link(context, by), by == context.by) for by in _KINDS],
        previous=_other(context, -1, display),
        following=_other(context, +1, display),
        beside=_beside(context, display),
        compare_link=compare_link(site.id),
        site_link=site_link(site.id),
        home_link=home_link(site.id, month=span.last.replace(day=1) if span else None),
        json_link="" if span is None else period_json_link(site.id, by=context.by, first=span.first, last=span.last),
        files=()
        if span is None
        else [(words, ledger_file_link(site.id, kind, first=span.first, last=span.last)) for kind, words in _FILES],
        display=display,
    )


def _name(context: PeriodContext, span: Span, display: Display) -> str:
    """A period by its name in the calendar, though the account covers only a part of it."""
    if context.by == "all":
        return f"Since {show_day(span.first, display, year=True)}"
    return days_name(*calendar_span(context.by, span.first), display)


def _headline(site: Site, name: str, period: Period | None, display: Display) -> str:
    if period is None:
        return f"{name}: no day of it has an account." if name else "No day of this house has an account yet."
    total = period.total
    told = [
        f"{show_figure(figure, display)}{words}"
        for figure, words in ((total.hot_water.heat, " of heat in hot water"), (total.purchased, " bought for it"))
        if not isnan(figure.value)
    ]
    told += _saved(total.saved.money, site, display)
    return f"{name}: {', '.join(told)}." if told else f"{name}: neither the hot water nor what was bought is known."


def _saved(money: Figure, site: Site, display: Display) -> list[str]:
    if isnan(money.value):
        return []
    if money.value < 0:
        more = show_figure(Figure(-money.value, money.unit, money.plus_minus), display)
        return [f"{more} more spent than with {baseline_name(site)}"]
    return [f"{show_figure(money, display)} saved"]


def _remarks(context: PeriodContext, display: Display) -> list[str]:
    """What a reader could misunderstand: a period that is not over, or that began before the account."""
    span, site = context.span, context.site
    if span is None:
        return []
    told = []
    began, ends = calendar_span(context.by, span.first) if context.by != "all" else (span.first, span.last)
    if context.by == "all" and site.commissioned is not None and site.commissioned < span.first:
        told.append(
            f"The house was commissioned on {show_day(site.commissioned, display, year=True)}; "
            "what was before the account is not in these sums."
        )
    elif began < span.first:
        told.append(f"The account begins on {show_day(span.first, display, year=True)}.")
    today = local_date(context.now, display)
    if span.last >= today and ends >= today:
        told.append("It is not over yet: the sums go up to now.")
    return told


def _lines(site: Site, period: Period) -> list[PeriodLine]:
    of = span_text(period)
    return [
        PeriodLine(path, figure_label(site, path), figure, is_fraction(path), figure_link(site.id, figure=path, of=of))
        for path, figure in figures_by_path(period.total).items()
    ]


def _kind_link(context: PeriodContext, by: By) -> str:
    """The period of another kind that holds the last day of this one; the newest for the newest."""
    is_newest = not context.spans or context.span == context.spans[-1]
    return period_link(
        context.site.id, by=by, day=None if is_newest or context.span is None or by == "all" else context.span.last
    )


def _neighbour(context: PeriodContext, step: int) -> Span | None:
    if context.span is None:
        return None
    place = context.spans.index(context.span) + step
    return context.spans[place] if 0 <= place < len(context.spans) else None


def _other(context: PeriodContext, step: int, display: Display) -> tuple[str, str] | None:
    span = _neighbour(context, step)
    if span is None:
        return None
    return period_link(context.site.id, by=context.by, day=span.first), _name(context, span, display)


def _beside(context: PeriodContext, display: Display) -> list[tuple[str, str]]:
    """This period beside the one before it, as an address and its words."""
    before = _neighbour(context, -1)
    if before is None or context.span is None or context.period is None:
        return []
    texts = [f"{each.first}..{each.last}" for each in (before, context.span)]
    words = " beside ".join(_name(context, each, display) for each in (context.span, before))
    return [(compare_link(context.site.id, earlier=texts[0], later=texts[1]), words)]
