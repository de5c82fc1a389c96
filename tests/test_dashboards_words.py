"""Sentences: true and human also where data are missing, savings negative, the month in progress, nothing drawn."""

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest

from analytics.figures import DayLedger, Figure, unavailable
from dashboards.contexts import HomeContext
from dashboards.figure_names import figure_name
from dashboards.names import component_name
from dashboards.numbers import Display, display_of
from dashboards.pages.fleet import fleet_page
from dashboards.pages.home import home_page
from dashboards.render import render_fleet, render_home
from dashboards.words import (
    alerts_by_urgency,
    costs_a_day,
    day_sentence,
    day_title,
    fleet_sentence,
    in_readers_words,
    missing_sentence,
    month_money,
    month_sums,
    site_sentence,
    sum_of,
)
from tests.dashboards_house import DAY, NOW, alert, days, fleet_context, home_context, house, site_context

US = display_of(house())


def _with_money(value: float, plus_minus: float) -> HomeContext:
    """A month whose only day saved so much."""
    day = days()[-2].ledger
    money = Figure(value, "USD", plus_minus, "derived", 1.0, "")
    return home_context(ledgers=[replace(day, saved=replace(day.saved, money=money))])


def _money(value: float, plus_minus: float, *, in_progress: bool = True) -> tuple[str, str]:
    context = _with_money(value, plus_minus)
    return month_money(month_sums(context, 1), site=house(), display=US, in_progress=in_progress)


def test_a_saving_is_told_with_its_bounds() -> None:
    assert _money(12.4, 1.5) == (
        "$12.40 saved",
        "Your hot water has cost that much less than with an electric tank heater, "
        "most likely between $10.90 and $13.90.",
    )


def test_a_loss_is_told_as_a_loss() -> None:
    assert _money(-3.1, 0.6, in_progress=False) == (
        "$3.10 spent on top",
        "Your hot water cost that much more than with an electric tank heater, most likely between $2.50 and $3.70.",
    )


def test_a_saving_smaller_than_its_doubt_is_not_called_one() -> None:
    figure, sentence = _money(0.5, 1.5)
    assert figure == "$0.50"
    assert sentence == (
        "Too close to call: it has cost somewhere between $1.00 more and $2.00 less than an electric tank heater "
        "would have."
    )


def test_an_unknown_saving_says_why() -> None:
    day = days()[-2].ledger
    saved = replace(day.saved, money=unavailable("USD", "No price of electricity is set."))
    sums = month_sums(home_context(ledgers=[replace(day, saved=saved)]), 1)
    figure, sentence = month_money(sums, site=house(), display=US, in_progress=False)
    assert (figure, sentence) == ("—", "What you saved cannot be told: No price of electricity is set.")


def _month(shares: Sequence[float], heat: float = 10.0) -> HomeContext:
    """A month of one day with these shares of ground, sun and backup."""
    day = days()[-2].ledger
    parts = [Figure(share * heat, "kWh", 0.1) for share in shares]
    stages = [replace(line, delivered=part) for line, part in zip(day.stages, parts, strict=True)]
    water = replace(day.hot_water, heat=Figure(heat, "kWh", 0.1), carried_over=Figure(0.0, "kWh", 0.0))
    return home_context(ledgers=[replace(day, stages=stages, hot_water=water)])


@pytest.mark.parametrize(
    ("shares", "sentence"),
    [
        ((0.3, 0.68, 0.02), "practically all of your hot water's heat came from the ground and the sun."),
        ((0.25, 0.50, 0.25), "about three quarters of your hot water's heat came from the ground and the sun."),
        ((0.32, 0.50, 0.18), "about four fifths of your hot water's heat came from the ground and the sun."),
        ((0.0, 0.5, 0.5), "about half of your hot water's heat came from the sun."),
        ((0.02, 0.0, 0.98), "hardly any of your hot water's heat came from the ground."),
        ((0.0, 0.0, 1.0), "all of your hot water was heated by the backup."),
    ],
)
def test_the_month_is_told_in_plain_shares(shares: Sequence[float], sentence: str) -> None:
    assert home_page(_month(shares)).sentence == f"So far in March, {sentence}"


def test_a_month_without_readings_is_not_called_a_month_without_water() -> None:
    page = home_page(home_context(ledgers=[]))
    assert page.sentence == "So far in March, there is no account of your hot water: no readings that could be used."
    assert (page.money, page.money_sentence) == ("—", "What you saved cannot be told.")
    assert (page.missing, list(page.rests_on), list(page.assumptions)) == ("", [], [])


@pytest.mark.parametrize(("past", "words"), [(2, "1 day has no usable readings and counts"), (3, "2 days have no")])
def test_days_without_readings_are_told_beside_the_money(past: int, words: str) -> None:
    assert missing_sentence(month_sums(_with_money(1.0, 0.1), past).missing_days).startswith(words)
    page = render_home(_with_money(1.0, 0.1))
    assert (
        page.index("has cost that much less") < page.index("so the true sums differ") < page.index("How do you know?")
    )


def test_a_month_in_which_nothing_was_drawn_says_so() -> None:
    assert home_page(_month((0, 0, 0), heat=0.0)).sentence == "So far in March, no hot water was used."


def test_a_past_month_is_told_in_the_past_and_says_nothing_of_now() -> None:
    page = home_page(home_context(month=date(2026, 2, 1), ledgers=[]))
    assert page.sentence.startswith("In February, ")
    assert page.working == ""


def test_silence_is_never_told_as_health() -> None:
    page = home_page(home_context(newest_reading=NOW - timedelta(days=3)))
    assert page.working == "Your system last sent a reading 3 days ago, so we cannot tell whether it is working."
    assert home_page(home_context(newest_reading=None)).working == "Your system has not sent any readings yet."


def test_an_open_alert_is_told_to_the_homeowner() -> None:
    page = home_page(home_context(alerts=[alert()]))
    assert page.working.startswith("Something needs attention. The collector pump")
    assert (
        home_page(home_context(alerts=[alert(state="resolved")])).working == "Nothing we can see needs your attention."
    )


def test_a_homeowner_is_warned_of_hot_water_and_sent_to_the_installer() -> None:
    hot = home_page(home_context(alerts=[alert(kind="outlet-too-hot", component="")]))
    assert hot.advice.startswith("The water can scald: try it before anyone washes or bathes")
    burns = home_page(home_context(alerts=[alert(kind="heater-always-on")]))
    assert burns.advice == hot.advice
    assert home_page(home_context(alerts=[alert()])).advice.startswith("Please have your installer look at it")
    assert home_page(home_context()).advice == ""


def test_sums_add_the_intervals_and_leave_out_what_is_unknown() -> None:
    figures = [Figure(1.0, "kWh", 0.1), unavailable("kWh", "no meter"), Figure(2.0, "kWh", 0.3, "estimated", 0.5, "so")]
    total = sum_of(figures, "kWh")
    assert (total.value, total.plus_minus, total.basis, total.why) == (3.0, pytest.approx(0.4), "estimated", "so")
    assert total.coverage == pytest.approx(0.5)
    assert math.isnan(sum_of([unavailable("kWh", "no meter")], "kWh").value)


def test_the_worst_alert_comes_first_and_the_dearer_before_the_cheaper() -> None:
    cheap, dear = alert(id="a", severity="soon", cost_per_day=0.1), alert(id="b", severity="soon", cost_per_day=2.0)
    urgent, over = alert(id="c", cost_per_day=math.nan), alert(id="d", state="resolved")
    assert [a.id for a in alerts_by_urgency([cheap, over, dear, urgent])] == ["c", "b", "a"]


def test_of_alerts_equally_bad_those_that_nobody_took_on_come_first() -> None:
    taken = alert(id="a", state="acknowledged", cost_per_day=9.0, taken_by="Ann")
    scalds = alert(id="b", cost_per_day=math.nan)
    assert [a.id for a in alerts_by_urgency([taken, scalds])] == ["b", "a"]
    site = house()
    lines = [
        replace(fleet_context().sites[0], site=replace(site, id=one.id, name=one.id), alerts=[one])
        for one in (taken, scalds)
    ]
    page = fleet_page(fleet_context(sites=lines))
    assert [line.name for line in page.calling] == ["b", "a"]
    assert "Ann is on it" in render_fleet(fleet_context(sites=lines))


def test_costs_are_told_only_where_one_is_known() -> None:
    assert costs_a_day([math.nan, 0.5, 0.25], US) == "about $0.75 a day"
    assert costs_a_day([math.nan], US) == ""


def test_the_fleet_is_counted() -> None:
    context = fleet_context()
    assert fleet_sentence(context.sites, NOW) == "1 of 3 houses needs attention, urgently."
    assert fleet_sentence([], NOW) == "No house has been added yet."
    assert fleet_sentence(context.sites[:2], NOW) == "Both houses are quiet: no alert is open."


def test_a_silent_house_is_not_told_as_a_quiet_one() -> None:
    context = site_context(alerts=[], latest={})
    assert site_sentence(context, None) == "No reading has arrived from this house yet."
    told = site_sentence(context, NOW - timedelta(hours=5))
    assert told == "The last reading arrived 5 hours ago; what happens now is not known."


def _told(ledger: DayLedger | None, *, is_today: bool = False) -> str:
    return day_sentence(ledger, site=house(), display=Display("si", "UTC", "USD"), is_today=is_today)


def test_a_day_is_told_by_what_the_taps_took() -> None:
    day = days()[-2].ledger
    water = replace(day.hot_water, heat=Figure(0.0, "kWh", 0.0))
    unknown = replace(day.hot_water, heat=unavailable("kWh", "There is no water meter."))
    assert _told(day).startswith("The taps took 9.")
    assert _told(replace(day, hot_water=water), is_today=True) == "No hot water has been used so far today."
    assert (
        _told(replace(day, hot_water=unknown)) == "How much hot water was used is not known: There is no water meter."
    )
    assert _told(None) == "No account of this day has been made."


def test_a_day_that_readings_tell_half_of_says_so() -> None:
    day = days()[-2].ledger
    half = replace(day.hot_water, heat=replace(day.hot_water.heat, coverage=0.37))
    dry = replace(day.hot_water, heat=Figure(0.0, "kWh", 0.0, "measured", 0.37))
    assert _told(replace(day, hot_water=half)).endswith(" Readings cover 37 % of the day.")
    told = _told(replace(day, hot_water=dry), is_today=True)
    assert told == "No use of hot water was seen. Readings cover 37 % of the day so far."


def test_days_are_named_from_today() -> None:
    names = [day_title(DAY - timedelta(days=n), today=DAY, display=US) for n in (0, 1, 2)]
    assert names == ["Today", "Yesterday", "Tuesday, March 10"]


@pytest.mark.parametrize(
    ("ids", "names"),
    [
        (("hp",), ["Heat pump"]),
        (("hp1", "hp2"), ["Heat pump hp1", "Heat pump hp2"]),
        (("hp", "heat-pump"), ["Heat pump hp", "Heat pump heat-pump"]),
        (("hp", "attic"), ["Heat pump", "Attic heat pump"]),
    ],
)
def test_heat_pumps_of_one_house_have_names_of_their_own(ids: Sequence[str], names: Sequence[str]) -> None:
    one = next(iter(house().heat_pumps.values()))
    site = replace(house(), heat_pumps={each: replace(one, id=each) for each in ids})
    assert [component_name(site, each) for each in ids] == names
    assert [figure_name(site, f"heat_pumps.{each}.heating.cop") for each in ids] == [
        f"{n}: COP in heating" for n in names
    ]


def test_an_alert_that_is_over_says_so_before_its_sentence_and_dates_have_their_year() -> None:
    began = NOW.replace(year=NOW.year - 1, month=11, day=9, hour=12)
    past = alert(
        began=began,
        ended=began + timedelta(days=60),
        state="resolved",
        is_by_day=True,
        summary="Nothing moves since 9 November. The numbers are those of 2 January.",
    )
    si, year = Display("si", "UTC", "EUR"), NOW.year
    assert in_readers_words(past, NOW, si).summary == (
        f"Over since 8 January. While it lasted: Nothing moves since 9 November {year - 1}. "
        "The numbers are those of 2 January."
    )
    lasting = replace(past, ended=None, state="open", is_by_day=False, summary="Still since 12:00 on 9 November.")
    assert in_readers_words(lasting, NOW, US).summary == f"Still since 12:00 pm on November 9, {year - 1}."


def test_a_homeowner_reads_the_names_of_sensors_and_not_their_ids() -> None:
    stuck = alert(
        severity="watch", summary="The sensor solar.top has stood still. It is used by: solar store, hot.temp."
    )
    page = home_page(home_context(alerts=[stuck]))
    assert page.working == (
        "There is one thing to keep an eye on. The sensor “Solar top” has stood still. "
        "It is used by: solar store, “Hot temp”."
    )


def test_a_month_that_lies_ahead_has_not_begun() -> None:
    assert home_page(home_context(month=date(2030, 1, 1), ledgers=[])).sentence == "January 2030 has not begun."


def test_a_month_says_of_how_many_days_it_does_not_know_what_was_bought() -> None:
    ledgers = [result.ledger for result in days()]
    lost = replace(ledgers[0].saved, money=unavailable("USD", "Its boiler is locked out."))
    page = home_page(home_context(ledgers=[replace(ledgers[0], saved=lost), *ledgers[1:]]))
    assert page.missing.endswith("The money leaves out 1 day on which what was bought is not known.")
    assert "leaves out" not in home_page(home_context(ledgers=ledgers)).missing
