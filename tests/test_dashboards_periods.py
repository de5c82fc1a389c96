"""The pages of periods as markup: true to the sums, and in words that a homeowner understands."""

import re
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise
from math import isnan

import pytest

from analytics.doubt import Doubt
from analytics.figure_paths import figures_by_path
from analytics.figures import Figure
from analytics.period import Period, Span, add_up
from dashboards.assumptions import Held
from dashboards.contexts import CompareContext, PeriodContext
from dashboards.days_names import days_name
from dashboards.explain import figure_groups
from dashboards.numbers import Display, display_of, show_figure
from dashboards.render import render_compare, render_home, render_period
from tests.dashboards_house import DAY, NOW, days, home_context, house
from tests.test_dashboards_pages import Outline

FIRST = DAY - timedelta(days=11)
BACKUPS = [stage.id for stage in house().stages.values() if stage.backup]
US = Display("us", "America/New_York", "USD")


def _sums(first: date, last: date) -> Period:
    inside = [each.ledger for each in days() if first <= each.ledger.day <= last]
    return add_up(Span(first, last, f"{first} to {last}"), inside, backups=BACKUPS)


def _period(first: date = FIRST, last: date = DAY, **changes: object) -> PeriodContext:
    span = Span(first, last, "2026-03")
    held = [Held(first, last, house())]
    usual = PeriodContext(
        site=house(), now=NOW, by="month", spans=[span], span=span, period=_sums(first, last), held=held
    )
    return replace(usual, **changes)


def _compare(earlier: Period, later: Period) -> CompareContext:
    return CompareContext(
        site=house(),
        now=NOW,
        periods=(earlier, later),
        asked=("2026-03-01", "2026-03-02"),
        choices={"month": [Span(FIRST, DAY, "2026-03")], "week": [], "season": [], "year": []},
    )


def _bought(of: Period, value: float, plus_minus: float) -> Period:
    return replace(
        of,
        total=replace(
            of.total, purchased=Figure(value, "kWh", plus_minus, doubt=Doubt(passing={"noise": plus_minus / 1.96}))
        ),
    )


@pytest.mark.parametrize(
    "page", [render_period(_period()), render_compare(_compare(_sums(FIRST, FIRST), _sums(DAY, DAY)))]
)
def test_a_page_of_periods_is_whole_and_has_its_headings_in_turn(page: str) -> None:
    outline = Outline(page)
    assert (outline.faults, outline.open) == ([], [])
    ids = outline.values("id")
    assert len(ids) == len(set(ids))
    assert set(outline.values("aria-labelledby")) | set(outline.values("for")) <= set(ids)
    levels = [int(tag[1]) for tag, _ in outline.found if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_a_periods_page_has_every_figure_of_its_sums_with_its_interval() -> None:
    context = _period()
    assert context.period is not None
    text = Outline(render_period(context)).text
    figures = {path: each for path, each in figures_by_path(context.period.total).items() if "backup" not in path}
    heaters = [stage.id for stage in house().stages.values() if stage.loop is None]
    for path, figure in figures.items():
        if not isnan(figure.value) and path not in {f"stages.{heater}.reverse" for heater in heaters}:
            assert " ".join(show_figure(figure, display_of(house())).split()) in text, path


def test_a_period_that_is_not_over_and_began_before_the_account_says_so() -> None:
    text = Outline(render_period(_period(FIRST + timedelta(days=4)))).text
    assert "The account begins on March 5, 2026." in text
    assert "It is not over yet: the sums go up to now." in text
    over = Outline(render_period(_period(FIRST, DAY - timedelta(days=1)))).text
    assert "not over" not in over
    assert "The account begins" not in over


def test_days_without_an_account_are_counted_and_told() -> None:
    period = _sums(FIRST - timedelta(days=2), DAY)
    text = Outline(render_period(_period(period=period))).text
    assert "14 days, of which 2 have no account and count for nothing." in text


def test_a_gap_and_a_house_without_an_account_are_pages_too() -> None:
    assert "March 2026: no day of it has an account." in Outline(render_period(_period(period=None))).text
    empty = _period(spans=(), span=None, period=None, held=())
    assert "No day of this house has an account yet." in Outline(render_period(empty)).text


@pytest.mark.parametrize(
    ("earlier", "later", "says"),
    [
        (12.0, 9.0, "3.0 ± 1.4 kWh less was bought for hot water."),
        (9.0, 12.0, "3.0 ± 1.4 kWh more was bought for hot water."),
        (9.0, 9.9, "what was bought differs by no more than the meters may be off."),
        (float("nan"), 9.0, "what was bought is not known for both."),
    ],
)
def test_the_headline_tells_a_difference_only_beyond_its_doubt(earlier: float, later: float, says: str) -> None:
    """Two sums of ± 1 kWh with nothing in common differ by ± 1.4: the root of the sum of squares."""
    pair = _bought(_sums(FIRST, FIRST), earlier, 1.0), _bought(_sums(DAY, DAY), later, 1.0)
    assert says in Outline(render_compare(_compare(*pair))).text


def test_two_times_of_unequal_length_that_share_days_say_both() -> None:
    text = Outline(render_compare(_compare(_sums(FIRST, FIRST + timedelta(days=4)), _sums(FIRST, DAY)))).text
    assert "sums are set side by side as they are, not made equally long" in text
    assert "The two share days, which count in both." in text
    assert "March 1 to March 12, 2026 is not over yet" in text
    apart = Outline(render_compare(_compare(_sums(FIRST, FIRST), _sums(DAY, DAY)))).text
    assert "side by side as they are" not in apart
    assert "share days" not in apart


def test_a_week_is_told_by_its_days_too() -> None:
    """2 March 2026 is a Monday: the week's number says nothing to most people."""
    text = Outline(render_compare(_compare(_sums(date(2026, 3, 2), date(2026, 3, 8)), _sums(DAY, DAY)))).text
    assert "Week 10 of 2026, March 2 to March 8, 2026: 7 days." in text


def test_a_homeowners_month_leads_to_its_figures() -> None:
    assert "/sites/quarry-road-3/periods?by=month&day=2026-03-01" in Outline(render_home(home_context())).values("href")


def test_a_part_that_another_version_of_the_site_has_does_not_keep_the_rest_from_being_told() -> None:
    """The solar loop came later: days before and after it are added up, and told from the first day's version."""
    total, solar = _sums(FIRST, DAY).total, "sun"
    assert f"stages.{solar}.heat" in figures_by_path(total)
    before = replace(house(), stages={name: stage for name, stage in house().stages.items() if name != solar})
    paths = [row.path for group in figure_groups(before, total) for row in group.rows]
    assert "hot_water.heat" in paths
    assert f"stages.{solar}.heat" not in paths
    assert "What do the days add up to?" in Outline(render_period(_period(site=before))).text


@pytest.mark.parametrize(
    ("first", "last", "name"),
    [
        ("2026-01-01", "2026-01-31", "January 2026"),
        ("2026-01-01", "2026-12-31", "2026"),
        ("2025-12-01", "2026-02-28", "December 2025 to February 2026"),
        ("2026-03-01", "2026-05-31", "March to May 2026"),
        ("2026-01-12", "2026-01-18", "Week 3 of 2026"),
        ("2026-01-12", "2026-01-19", "January 12 to January 19, 2026"),
        ("2025-12-30", "2026-01-02", "December 30, 2025 to January 2, 2026"),
        ("2026-01-12", "2026-01-12", "January 12, 2026"),
    ],
)
def test_days_are_called_as_the_calendar_calls_them(first: str, last: str, name: str) -> None:
    assert days_name(date.fromisoformat(first), date.fromisoformat(last), US) == name
