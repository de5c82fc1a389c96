"""What the pages and commands say of money and of last year, read aloud."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from analytics.figures import Figure
from analytics.site import Baseline, Prices, TariffBand
from analytics.year_before import beside, month_to, year_to
from dashboards.assumptions import Held, money_assumptions
from dashboards.beside import beside_sentences
from dashboards.numbers import Display
from dashboards.pages.home import home_page
from dashboards.render import render_home
from tests.cases.sites import GOOD
from tests.dashboards_house import home_context, house
from tests.test_year_before import LAST, invented, ledger_of

FIRST = date(2026, 3, 1)
SI = Display(units="si", timezone="Europe/Berlin", currency="EUR")


def _told(site, first=FIRST, last=date(2026, 3, 31)):
    return money_assumptions([Held(first, last, site)])


def test_the_assumptions_of_a_house_read_aloud():
    assert _told(house()) == [
        "Compared with an electric tank heater that makes the same hot water and turns 92 % of what it buys into hot "
        "water, as is set for this house.",
        "Electricity at $0.21 per kWh.",
        "Nothing is added for what that heater's tank would lose while standing.",
        "CO₂ at 0.3 kg per kWh of electricity, as is set for this house.",
        "Of the heat pump's electricity, the part counts as bought that its heat for the hot water took in heating "
        "(that heat ÷ COP); in cooling that heat is left over, and nothing counts.",
        "The electricity of every circulator counts as bought for the hot water.",
        "Not counted: what the system cost, its upkeep, and standing charges.",
    ]


@pytest.mark.parametrize(
    ("baseline", "says"),
    [
        (Baseline(), "turns 92 % of what it buys into hot water, a value usual in the United States, since none is"),
        (Baseline(kind="gas-tank"), "a gas tank heater that makes the same hot water and turns 60 % of what it buys"),
        (Baseline(kind="heat-pump-tank"), "makes 3.3 kWh of hot water from each kWh that it buys, a value usual"),
        (Baseline(), "is part of the usual value; nothing is added for it."),
        (Baseline(efficiency=0.98, standby_w=60), "would lose 60 W around the clock, as is set for this house; that"),
    ],
)
def test_what_is_stated_and_what_is_a_default_are_told_apart(baseline, says):
    assert any(says in line for line in _told(replace(house(), baseline=baseline)))


def test_a_change_of_price_is_told_with_the_days_of_each():
    dearer = replace(house(), prices=replace(house().prices, electricity_per_kwh=0.25))
    held = [Held(FIRST, date(2026, 3, 14), house()), Held(date(2026, 3, 15), date(2026, 3, 31), dearer)]
    told = money_assumptions(held)
    assert told[1:3] == [
        "March 1 to March 14, 2026: Electricity at $0.21 per kWh.",
        "March 15 to March 31, 2026: Electricity at $0.25 per kWh.",
    ]
    assert len(told) == len(_told(house())) + 1
    assert money_assumptions([held[0], replace(held[0], first=date(2026, 3, 15))]) == _told(house())


def test_a_tariff_by_the_clock_is_told_band_by_band():
    bands = (
        TariffBand(from_minute=960, to_minute=1260, per_kwh=0.38, days=(0, 1, 2, 3, 4), months=(6, 7, 8, 9)),
        TariffBand(from_minute=1320, to_minute=360, per_kwh=0.12, days=(5, 6)),
        TariffBand(from_minute=0, to_minute=1440, per_kwh=0.19),
    )
    told = _told(replace(house(), prices=Prices(currency="EUR", electricity_per_kwh=bands)))
    assert told[1] == (
        "Electricity per kWh at its price of the hour: €0.38 from 16:00 to 21:00, Monday to Friday, June to September; "
        "€0.12 from 22:00 to 06:00, Saturday and Sunday; €0.19 at all other times."
    )
    assert "How much CO₂ a kWh of electricity stands for is not set for this house." in told


def test_fuels_are_told_with_their_heating_values():
    prices = Prices(currency="EUR", electricity_per_kwh=0.3, propane_per_litre=0.7, electricity_co2_kg_per_kwh=0.4)
    told = _told(replace(house(), prices=prices, baseline=Baseline(kind="propane-tank")))
    assert "Propane at €0.70 per litre, which holds 7.08 kWh (higher heating value, EIA)." in told
    assert any("0.215 kg per kWh of propane (EIA, 2016)" in line for line in told)
    told = _told(replace(house(), prices=replace(prices, propane_per_litre=None), baseline=Baseline(kind="oil-tank")))
    assert "No price of oil is set for this house." in told


def test_every_assumption_of_every_field_ends_like_a_sentence():
    from analytics.site_file import parse_site

    told = _told(parse_site(GOOD, file="good.toml"))
    assert len(told) >= 6
    assert all(line.endswith(".") and ".." not in line and "None" not in line for line in told)


def _sentences(days, span, **more):
    return beside_sentences(beside(span, days, backups=[]), SI, **more)


def _plain(year, n_days, bought, heat):
    return [ledger_of(date(year, 3, 1) + timedelta(days=n), bought, heat=heat) for n in range(n_days)]


def test_the_month_in_progress_beside_last_years():
    days = [*_plain(2025, 31, 5.0, 10.0), *_plain(2026, 12, 3.0, 8.0)]
    assert _sentences(days, month_to(LAST), in_progress=True)[:2] == [
        "This month, up to 12 March, you have bought 36.0 kWh of energy for hot water; on the same days last year, "
        "60.0 kWh.",
        "The hot water itself took 96.0 kWh of heat, against 120 kWh.",
    ]


def test_a_whole_month_and_a_whole_year_beside_last_years():
    days = [*_plain(2025, 31, 5.0, 10.0), *_plain(2026, 31, 3.0, 8.0)]
    opening = _sentences(days, month_to(date(2026, 3, 31)))[0]
    assert opening == "In March 2026 you bought 93.0 kWh of energy for hot water; in March 2025, 155 kWh."
    told = _sentences(days, year_to(date(2026, 12, 31)))
    assert told[0] == "In 2026 you bought 93.0 kWh; in 2025, 155 kWh."
    assert told[1] == "Counted are the 31 of 365 days known in both years."


def _february(year, n_days, bought):
    return [ledger_of(date(year, 2, 1) + timedelta(days=n), bought, heat=8.0) for n in range(n_days)]


def test_29_february_is_set_beside_no_day_and_the_reader_is_told():
    """28 days at 5 kWh are 140, though that February had 29; at 3 kWh 84."""
    told = _sentences([*_february(2024, 29, 5.0), *_february(2025, 28, 3.0)], month_to(date(2025, 2, 28)))
    assert told[:2] == [
        "In February 2025 you bought 84.0 kWh of energy for hot water; in February 2024, 140 kWh.",
        "29 February 2024 is left out, since the other year has no such day.",
    ]
    leap_now = _sentences([*_february(2023, 28, 5.0), *_february(2024, 29, 3.0)], month_to(date(2024, 2, 29)))
    assert leap_now[1] == told[1]
    assert not any("wholly known" in sentence for sentence in [*told, *leap_now])
    days = [*_february(2024, 29, 5.0), *_february(2025, 28, 3.0)]
    assert "29 February 2024 is left out." in _sentences(days, year_to(date(2025, 3, 1)))
    assert not any("29 February" in sentence for sentence in _sentences(days, month_to(date(2025, 2, 20))))


def test_a_year_to_date_beside_last_years():
    days = [ledger for ledger, _ in invented(1)]
    told = _sentences(days, year_to(LAST), in_progress=True)
    assert told[0].startswith("Since 1 January you have bought ")
    assert "; on the same days of 2025, " in told[0]
    assert _sentences(days, year_to(date(2026, 2, 28)))[0].startswith("From January to February 2026 you bought ")
    assert _sentences(days, year_to(LAST))[0].startswith("From 1 January to 12 March 2026 you bought ")


def test_a_year_to_date_is_told_in_two_thirds_of_the_words_of_its_month():
    """Some 35 letters fit into a line of a phone; the month has said what the words mean."""
    days = [ledger for ledger, _ in invented(2, better=2.0)]
    month, year = (_sentences(days, span(LAST), in_progress=True) for span in (month_to, year_to))
    assert len(month) == len(year) == 4
    assert len(" ".join(year)) <= 7 * 35
    assert len(" ".join(year)) <= 2 / 3 * len(" ".join(month))
    assert year[2].startswith("With last year's use and weather: about ")
    assert year[3].startswith("So the house itself needed about ")
    same = [ledger for ledger, _ in invented(2, better=0.0)]
    assert _sentences(same, year_to(LAST))[3] == "What remains can be chance."


def test_the_correction_is_told_with_its_bounds_and_what_remains():
    days = [ledger for ledger, _ in invented(2, better=2.0)]
    told = _sentences(days, month_to(LAST))
    assert told[2].startswith("With last year's use of hot water and last year's weather it would have been about ")
    assert "most likely between" in told[2]
    assert told[3].startswith("So the house itself needed about ")
    assert told[3].endswith(" kWh less than last year.")
    assert len(told) == 4


def test_a_house_that_needs_more_is_told_to_ask_and_one_within_chance_is_not_alarmed():
    worse, same = ([ledger for ledger, _ in invented(2, better=better)] for better in (-2.0, 0.0))
    assert _sentences(worse, month_to(LAST))[3].endswith("more than last year; your installer may know why.")
    assert _sentences(same, month_to(LAST))[3] == (
        "What then remains of the difference is no more than chance can make."
    )


def test_without_weather_only_the_use_is_spoken_of():
    days = [replace(ledger, conditions={}) for ledger, _ in invented(4)]
    told = _sentences(days, month_to(LAST))
    assert told[2].startswith("With last year's use of hot water it would have been about ")
    assert told[-1].startswith("Not corrected for sun")


def test_without_use_only_the_weather_is_spoken_of():
    found = beside(month_to(LAST), [ledger for ledger, _ in invented(2)], backups=[])
    weather = replace(found.correction, inputs=("sun", "outdoor temperature"))
    told = beside_sentences(replace(found, correction=weather), SI)
    assert told[2].startswith("With last year's weather it would have been about ")


def test_what_cannot_be_compared_or_corrected_says_why():
    later = _plain(2026, 12, 3.0, 8.0)
    assert _sentences(later, month_to(LAST)) == [
        "There is nothing to set beside it: there is no account of March 2025."
    ]
    told = _sentences([*_plain(2025, 12, 5.0, 10.0), *later], month_to(LAST))
    assert told[-1] == (
        "What use and weather had to do with it cannot be told: only 12 days of the year before are wholly known; 20 "
        "are needed to learn from."
    )


def test_a_corrected_sum_below_nothing_is_next_to_nothing():
    days = [ledger for ledger, _ in invented(2)]
    found = beside(month_to(LAST), days, backups=[])
    none = replace(found.correction, purchased=Figure(-2.0, "kWh", 5.0, "estimated"))
    told = beside_sentences(replace(found, correction=none), SI)
    assert told[2].endswith("it would have been next to nothing this year, at most 3 kWh.")


def test_the_homeowners_page_has_the_assumptions_under_the_figure_and_last_year_below():
    days = [ledger for ledger, _ in invented(2, better=2.0)]
    spans = (month_to(LAST), year_to(LAST))
    context = home_context(beside=[beside(span, days, backups=[]) for span in spans])
    page = home_page(context)
    assert page.rests_on == _told(house())[:2]
    assert page.beside[0].startswith("This month, up to March 12, you have bought ")
    assert page.beside[1].startswith("Since January 1 you have bought ")
    markup = render_home(context)
    assert markup.index("What did it save?") < markup.index("Electricity at $0.21 per kWh.")
    assert "How does it compare with last year?" in markup
    assert "/api/sites/quarry-road-3/month/2026-03" in markup


def test_in_its_first_year_a_house_says_once_that_there_is_nothing_beside_it():
    later = [*_plain(2026, 12, 3.0, 8.0)]
    context = home_context(beside=[beside(span, later, backups=[]) for span in (month_to(LAST), year_to(LAST))])
    assert home_page(context).beside == ["There is nothing to set beside it: there is no account of March 2025."]
