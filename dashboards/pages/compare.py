"""Two periods of a house side by side, with what changed and how sure that is."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isnan

from analytics.figures import Figure
from analytics.period import By, Period, Span
from analytics.site import Site
from dashboards.contexts import CompareContext
from dashboards.days_names import days_between, days_name
from dashboards.explain import is_fraction
from dashboards.figure_names import figure_label
from dashboards.links import compare_json_link, compare_link, figure_link, home_link, period_link, site_link
from dashboards.numbers import Display, display_of, local_date, plural, show_figure
from dashboards.period_lines import Group, coverage_sentence, grouped, span_text
from dashboards.side_by_side import Beside, figures_beside, show_change

__all__ = ["Choice", "CompareLine", "ComparePage", "compare_page"]

_TITLES = {"month": "Months", "week": "Weeks", "season": "Seasons", "year": "Years"}


@dataclass(frozen=True, slots=True)
class CompareLine:
    """One figure of both, each with the page on which it is worked out; "" where it is not known."""

    path: str
    label: str
    earlier: str
    earlier_link: str
    later: str
    later_link: str
    change: str


@dataclass(frozen=True, slots=True)
class Choice:
    """The periods of one kind: how each is asked for, what it is called."""

    title: str
    options: Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class ComparePage:
    name: str
    headline: str
    names: tuple[str, str]
    remarks: Sequence[str]
    groups: Sequence[Group[CompareLine]]
    assumptions: Sequence[str]
    choices: Sequence[Choice]
    chosen: tuple[str, str]
    days: tuple[tuple[str, str], tuple[str, str]]
    action: str
    period_link: str
    site_link: str
    home_link: str
    json_link: str


def compare_page(context: CompareContext) -> ComparePage:
    """Everything that the page says about two periods, and what else there is to choose."""
    site, display, periods = context.site, display_of(context.site), context.periods
    lines, n_unknown = figures_beside(*periods) if periods else ((), 0)
    names = ("", "") if periods is None else _names(periods, display)
    choices = [_choice(by, context.choices[by], display) for by in _TITLES if context.choices[by]]
    return ComparePage(
        name=site.name,
        headline=_headline(names, lines, display) if periods else "Which two times do you want side by side?",
        names=names,
        remarks=_remarks(context, periods, names, n_unknown=n_unknown) if periods else (),
        groups=grouped(site, [_line(one, periods, site, display=display) for one in lines]) if periods else (),
        assumptions=context.assumptions,
        choices=choices,
        chosen=_chosen(context),
        days=_days(periods),
        action=compare_link(site.id),
        period_link=period_link(site.id),
        site_link=site_link(site.id),
        home_link=home_link(site.id),
        json_link=compare_json_link(site.id, earlier=context.asked[0], later=context.asked[1]) if periods else "",
    )


def _names(periods: tuple[Period, Period], display: Display) -> tuple[str, str]:
    earlier, later = (days_name(each.span.first, each.span.last, display) for each in periods)
    return earlier, later


def _headline(names: tuple[str, str], lines: Sequence[Beside], display: Display) -> str:
    """What changed in the energy bought, if that is beyond doubt."""
    beside = f"{names[1]} beside {names[0]}"
    bought = next((one.changed for one in lines if one.path == "purchased"), None)
    if bought is None or isnan(bought.value):
        return f"{beside}: what was bought is not known for both."
    if abs(bought.value) <= bought.plus_minus:
        return f"{beside}: what was bought differs by no more than the meters may be off."
    amount = show_figure(Figure(abs(bought.value), bought.unit, bought.plus_minus), display)
    return f"{beside}: {amount} {'less' if bought.value < 0 else 'more'} was bought for hot water."


def _remarks(context: CompareContext, periods: Sequence[Period], names: Sequence[str], *, n_unknown: int) -> list[str]:
    """What a reader could misunderstand: days that lack, unequal lengths, a time that is not over."""
    display, (one, other) = display_of(context.site), periods
    spans = {each.span: (name, each) for name, each in zip(names, periods, strict=True)}
    told = [_which_days(name, each, display) for name, each in spans.values()]
    today = local_date(context.now, display)
    unfinished = {name: None for name, each in zip(names, periods, strict=True) if each.span.last >= today}
    told += [f"{name} is not over yet: its sums go up to now." for name in unfinished]
    if one.span.n_days != other.span.n_days:
        told.append(
            f"{names[0]} has {plural(one.span.n_days, 'day')} and {names[1]} {plural(other.span.n_days, 'day')}: "
            "sums are set side by side as they are, not made equally long."
        )
    if max(one.span.first, other.span.first) <= min(one.span.last, other.span.last):
        told.append("The two share days, which count in both.")
    if n_unknown:
        told.append(f"{plural(n_unknown, 'more figure')} {'is' if n_unknown == 1 else 'are'} not known in either.")
    return told


def _which_days(name: str, period: Period, display: Display) -> str:
    """A period's days; of a week with its name, since its number tells few people which days it has."""
    sentence = coverage_sentence(period, display)
    return f"{name}, {sentence}" if name.startswith("Week") else sentence


def _line(one: Beside, periods: Sequence[Period], site: Site, *, display: Display) -> CompareLine:
    percent = is_fraction(one.path)
    shown = [show_figure(each, display, as_percent=percent) for each in (one.earlier, one.later)]
    links = [figure_link(site.id, figure=one.path, of=span_text(each)) for each in periods]
    known = [link if not isnan(each.value) else "" for link, each in zip(links, (one.earlier, one.later), strict=True)]
    change = show_change(one.changed, one.path, display)
    return CompareLine(one.path, figure_label(site, one.path), shown[0], known[0], shown[1], known[1], change)


def _choice(by: By, found: Sequence[Span], display: Display) -> Choice:
    """The newest first; a week says its days, since few know weeks by their numbers."""
    options = []
    for span in reversed(found):
        name = days_name(span.first, span.last, display)
        days = days_between(span.first, span.last, display)
        options.append((f"{span.first}..{span.last}", f"{name}, {days}" if by == "week" and name != days else name))
    return Choice(_TITLES[by], options)


def _chosen(context: CompareContext) -> tuple[str, str]:
    """What the lists stand on: what was asked for, else the last two months, or weeks where there is one month only."""
    if context.periods:
        return _range(context.periods[0]), _range(context.periods[1])
    found = next((context.choices[by] for by in _TITLES if len(context.choices[by]) > 1), ())
    if not found:
        return "", ""
    return f"{found[-2].first}..{found[-2].last}", f"{found[-1].first}..{found[-1].last}"


def _range(period: Period) -> str:
    return f"{period.span.first}..{period.span.last}"


def _days(periods: tuple[Period, Period] | None) -> tuple[tuple[str, str], tuple[str, str]]:
    """What the fields of days stand on."""
    if periods is None:
        return ("", ""), ("", "")
    one, other = ((each.span.first.isoformat(), each.span.last.isoformat()) for each in periods)
    return one, other
