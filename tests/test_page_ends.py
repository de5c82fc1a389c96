"""Pages at their ends: days and months beyond the account, a house that was just added, a name that nobody has."""

from dataclasses import replace
from datetime import date, timedelta

from analytics.expected.stages import expected_of_record
from dashboards.pages.home import home_page
from dashboards.pages.site import site_page
from dashboards.render import render_fleet, render_home, render_site
from tests.dashboards_house import DAY, fleet_context, home_context, house, site_context


def test_from_a_month_beyond_the_account_one_comes_back_to_it() -> None:
    later, earlier = (home_page(home_context(month=month)) for month in (date(2026, 6, 1), date(2025, 6, 1)))
    assert later.previous == ("/sites/quarry-road-3/home?month=2026-03", "March 2026")
    assert earlier.following == ("/sites/quarry-road-3/home?month=2026-02", "February 2026")
    assert (later.following, earlier.previous) == (None, None)


def test_from_a_day_beyond_the_account_one_comes_back_to_it() -> None:
    later, earlier = (site_page(site_context(day=DAY + timedelta(days=n), ledgers=[])) for n in (40, -400))
    assert later.previous == (f"/sites/quarry-road-3?day={DAY}&span=14", "March 12")
    assert earlier.following is not None
    assert earlier.following[0] == f"/sites/quarry-road-3?day={site_context().first_day}&span=14"
    assert (later.following, earlier.previous) == (None, None)


def test_the_days_beside_are_the_day_before_and_after() -> None:
    page = site_page(site_context(day=DAY - timedelta(days=1)))
    assert [link[1] for link in (page.previous, page.following) if link] == ["Day before", "Day after"]


def test_a_house_without_an_account_says_each_thing_once() -> None:
    site = replace(house(), commissioned=DAY)
    nothing = expected_of_record(site, [])
    assert len(nothing) > 1
    bare = site_context(site=site, ledgers=[], plant=None, latest={}, first_day=None, last_day=None, expected=nothing)
    page = render_site(bare)
    assert page.count("othing was expected on these days. The house was commissioned on") == 1
    assert page.count("None of these days has an account.") == 1
    assert "Open a line" not in page
    home = render_home(home_context(ledgers=[], first_month=None, last_month=None))
    assert "How do you know?" not in home
    assert "Compared with" not in home


def test_a_name_that_no_house_has_is_told_once() -> None:
    page = render_fleet(fleet_context(query="castle"))
    assert "No house has \u201ccastle\u201d in its name." in page
    assert "Who needs you today?" not in page
    assert "The quiet rest" not in page


def test_a_house_that_never_sent_is_told_so_beside_its_alert() -> None:
    broken = [replace(line, newest_reading=None) for line in fleet_context().sites]
    page = render_fleet(fleet_context(sites=broken))
    assert "No reading yet." in page
    assert "Last reading never" not in page


def test_the_reason_of_a_figure_is_in_the_readers_units() -> None:
    ledger = site_context().ledgers[-1]
    heat = replace(ledger.hot_water.heat, why="There is no cold-water sensor; 10 degC is assumed.")
    day = replace(ledger, hot_water=replace(ledger.hot_water, heat=heat))
    page = render_site(site_context(ledgers=[day])).replace("\u00a0", " ")
    assert "There is no cold-water sensor; 50 °F is assumed." in page
