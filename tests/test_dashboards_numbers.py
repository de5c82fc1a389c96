"""How numbers, days and times are written."""

import math
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.figures import Figure, unavailable
from dashboards.numbers import (
    UNKNOWN,
    Display,
    interval_places,
    show_age,
    show_beside,
    show_clock,
    show_day,
    show_figure,
    show_instant,
    show_money,
    show_number,
    show_percent,
    show_quantity,
    show_range,
    show_span,
    spoken,
    write_figure,
)
from dashboards.rewording import in_readers_units

SI = Display("si", "Europe/Berlin", "EUR")
US = Display("us", "America/New_York", "USD")


# GUM (JCGM 100:2008), 7.2.2 and 7.2.6: the standard writes 100.021 47(35) g with two significant digits of its
# uncertainty and rounds the estimate to the same place. One digit where it does not open with 1 is common practice.
@pytest.mark.parametrize(
    ("value", "plus_minus", "text"),
    [
        (1.234, 0.096, "1.23 ± 0.10 kWh"),
        (1.234, 0.123, "1.23 ± 0.12 kWh"),
        (1.25, 0.3, "1.2 ± 0.3 kWh"),
        (452.52, 15.06, "453 ± 15 kWh"),
        (452.52, 19.4, "453 ± 19 kWh"),
        (452.52, 19.6, "450 ± 20 kWh"),
        (12345.6, 56.0, "12 350 ± 60 kWh"),
        (-3.456, 0.5, "−3.5 ± 0.5 kWh"),
        (0.0, 0.02, "0.00 ± 0.02 kWh"),
        (5.0, 0.0, "5.00 kWh"),
        (5.0, math.nan, "5.00 kWh"),
        (1234.0, math.nan, "1230 kWh"),
        (math.nan, 0.1, UNKNOWN),
        (-0.0004, 0.02, "0.00 ± 0.02 kWh"),
    ],
)
def test_a_figure_shows_the_digits_that_its_interval_allows(value: float, plus_minus: float, text: str) -> None:
    assert show_figure(Figure(value, "kWh", plus_minus), SI) == text


@pytest.mark.parametrize(
    ("figure", "us"),
    [
        # NIST SP 811 (2008) appendix B.8: 1 gal = 3.785 412 l, 1 lb = 0.453 592 37 kg.
        (Figure(378.5412, "l", 3.785412), "100.0 ± 1.0 gal"),
        (Figure(4.5359237, "kg", 0.45359237), "10.0 ± 1.0 lb"),
        (Figure(12.3, "USD", 0.4), "$12.30 ± 0.40"),
        (Figure(-12.3, "USD", 0.4), "−$12.30 ± 0.40"),
        (Figure(1234567.0, "USD", 2345.0), "$1,235,000 ± 2,000"),
        (Figure(7.0, "", 0.0), "7"),
        (Figure(3.456, "1", 0.05), "3.46 ± 0.05"),
        (unavailable("l", "no water meter"), UNKNOWN),
    ],
)
def test_us_display_converts_the_value_and_its_interval(figure: Figure, us: str) -> None:
    assert show_figure(figure, US) == us


def test_an_unknown_figure_has_no_unit_that_could_be_read_as_zero() -> None:
    written = write_figure(unavailable("kWh", "no meter"), SI)
    assert (written.value, written.unit, written.plus_minus) == (UNKNOWN, "", "")


def test_a_fraction_is_written_in_percent() -> None:
    assert show_figure(Figure(0.1234, "1", 0.012), SI, as_percent=True) == "12.3 ± 1.2 %"


@given(st.floats(1e-6, 1e6), st.floats(-1e6, 1e6))
def test_rounding_never_hides_more_than_half_of_the_interval(plus_minus: float, value: float) -> None:
    step = 10.0 ** -interval_places(plus_minus)
    exact = 2 * math.ulp(value)  # of which floats near a value are apart
    assert abs(round(value, interval_places(plus_minus)) - value) <= step / 2 * (1 + 1e-9) + exact
    assert step <= plus_minus * 1.06


# ITS-90 fixed points by hand: 0 degC is 32 degF, 100 degC is 212 degF; a lift of 10 K is 18 degF.
@pytest.mark.parametrize(
    ("value", "unit", "si", "us"),
    [
        (0.0, "degC", "0.0 °C", "32.0 °F"),
        (100.0, "degC", "100.0 °C", "212.0 °F"),
        (10.0, "K", "10.0 K", "18.0 °F"),
        (-5.04, "degC", "−5.0 °C", "22.9 °F"),
        (45.0, "W", "45 W", "45 W"),
        (4500.0, "W", "4.50 kW", "4.50 kW"),
        (math.nan, "W", UNKNOWN, UNKNOWN),
    ],
)
def test_a_quantity_is_shown_as_its_reader_knows_it(value: float, unit: str, si: str, us: str) -> None:
    assert (show_quantity(value, unit, SI), show_quantity(value, unit, US)) == (si, us)


def test_a_range_names_its_unit_once() -> None:
    assert show_range(40.0, 60.0, "degC", display=SI) == "40.0 to 60.0 °C"
    assert show_range(40.0, 40.01, "degC", display=SI) == "40.0 °C"
    assert show_range(500.0, 2500.0, "W", display=SI) == "500 W to 2.50 kW"


def test_thousands_are_parted_by_a_thin_space_or_a_comma() -> None:
    assert (show_number(1234567.0), show_number(1234567.0, units="us")) == ("1 234 567", "1,234,567")
    assert show_number(1234.0) == "1234"


@pytest.mark.parametrize(
    ("fraction", "text"),
    [
        (0.0, "0 %"),
        (0.001, "under 1 %"),
        (0.126, "13 %"),
        (0.997, "over 99 %"),
        (1.0, "100 %"),
        (math.nan, UNKNOWN),
        (-0.02, "−2 %"),
    ],
)
def test_a_trace_is_not_nothing_and_almost_all_is_not_all(fraction: float, text: str) -> None:
    assert show_percent(fraction) == text


@pytest.mark.parametrize(
    ("sentence", "us"),
    [
        ("Up to 69.0 degC (set to 48 degC).", "Up to 156.2 °F (set to 118 °F)."),
        ("It was 10 K warmer, at 45 to 50 degC.", "It was 18 °F warmer, at 113 to 122 °F."),
        ("Flow 3.8 l/min for 20 min.", "Flow 1.0 gal/min for 20 min."),
        ("About 11.9 kWh in 3 loops.", "About 11.9 kWh in 3 loops."),
        ("It stands still since 15:42 on 5 January.", "It stands still since 3:42 pm on January 5."),
        ("From 00:05 to 12:00 on 31 March.", "From 12:05 am to 12:00 pm on March 31."),
        ("Evidence of 2026-01-05T10:12:00.", "Evidence of 2026-01-05T10:12:00."),
    ],
)
def test_a_sentence_is_read_in_the_readers_units(sentence: str, us: str) -> None:
    assert in_readers_units(sentence, US) == us
    assert in_readers_units(sentence, SI) == sentence.replace("degC", "°C")


def test_money_keeps_its_sign_before_its_symbol() -> None:
    assert show_money(-3.1, US) == "−$3.10"
    assert show_money(3.1, Display("si", "Europe/Zurich", "CHF")) == "3.10 CHF"


def test_time_is_the_sites_local_time_in_its_own_writing() -> None:
    instant = datetime(2026, 1, 5, 20, 4, tzinfo=UTC)
    assert (show_clock(instant, SI), show_clock(instant, US)) == ("21:04", "3:04 pm")
    assert show_clock(datetime(2026, 1, 5, 5, 0, tzinfo=UTC), US) == "12:00 am"


def test_days_are_written_both_ways() -> None:
    day = date(2026, 1, 5)
    assert show_day(day, SI, weekday=True, year=True) == "Monday, 5 January 2026"
    assert show_day(day, US, weekday=True, year=True) == "Monday, January 5, 2026"


def test_an_instant_is_told_from_now() -> None:
    now = datetime(2026, 1, 5, 20, 4, tzinfo=UTC)
    assert show_instant(now - timedelta(hours=2), now, SI) == "today at 19:04"
    assert show_instant(now - timedelta(hours=22), now, SI) == "yesterday at 23:04"
    assert show_instant(now - timedelta(days=40), now, SI) == "26 November 2025 at 21:04"


def test_what_is_known_by_the_day_is_told_without_a_clock_time() -> None:
    now = datetime(2026, 1, 5, 20, 4, tzinfo=UTC)
    told = [show_instant(now - timedelta(hours=hours), now, US, is_by_day=True) for hours in (2, 22, 96)]
    assert told == ["today", "yesterday", "January 1"]
    assert in_readers_units("37% of the day; 10 degC is assumed.", US) == "37 % of the day; 50 °F is assumed."
    assert in_readers_units("20 % less since 3 March than", US) == "20 % less since March 3 than"
    assert in_readers_units("20 % less since 3 March than", SI) == "20 % less since 3 March than"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(3, "just now"), (240, "4 minutes ago"), (7200, "2 hours ago"), (3 * 86400, "3 days ago"), (math.nan, "never")],
)
def test_an_age_is_told_as_one_says_it(seconds: float, text: str) -> None:
    assert show_age(seconds) == text


@pytest.mark.parametrize(
    ("seconds", "text"), [(45, "45 s"), (1200, "20 min"), (11100, "3 h 5 min"), (187200, "2 days 4 h")]
)
def test_a_span_is_told_in_two_units_at_most(seconds: float, text: str) -> None:
    assert show_span(seconds) == text


def test_a_list_is_spoken_with_and_before_its_last() -> None:
    assert [spoken(names) for names in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == ["", "a", "a and b", "a, b and c"]


@pytest.mark.parametrize(
    ("before", "after", "texts"),
    [
        ((4.9, 40.0), (2.6, 1.6), ("4.9 ± 40 kWh", "2.6 ± 1.6 kWh", "−2.3 kWh")),
        ((13.7, 40.0), (46.93, 1.2), ("13.7 ± 40 kWh", "46.9 ± 1.2 kWh", "+33.2 kWh")),
        ((1.249, 0.1), (1.251, 0.1), ("1.25 ± 0.10 kWh", "1.25 ± 0.10 kWh", "+0.00 kWh")),
        ((1200.0, 300.0), (1500.0, 200.0), ("1200 ± 300 kWh", "1500 ± 200 kWh", "+300 kWh")),
        ((10.0, math.nan), (12.34, 0.3), ("10.0 kWh", "12.3 ± 0.3 kWh", "+2.3 kWh")),
    ],
)
def test_two_figures_and_their_change_add_up_as_written(
    before: tuple[float, float], after: tuple[float, float], texts: tuple[str, str, str]
) -> None:
    figures = [Figure(value, "kWh", plus_minus) for value, plus_minus in (before, after)]
    assert show_beside(figures[0], figures[1], SI) == texts
    shown = [float(text.replace("−", "-").split(" ")[0]) for text in texts]
    assert shown[0] + shown[2] == pytest.approx(shown[1])


def test_a_change_from_what_is_not_known_is_not_told() -> None:
    figures = [Figure(value, "kWh", 0.1) for value in (math.nan, 1.0)]
    assert show_beside(figures[0], figures[1], SI) is None


def test_a_share_is_never_off_by_more_than_lies_between_nothing_and_all() -> None:
    display = Display("si", "UTC", "EUR")
    assert show_figure(Figure(0.0, "1", 170.0), display, as_percent=True) == "0 ± 100 %"
    assert show_figure(Figure(0.7, "1", 19.0), display, as_percent=True) == "70 ± 70 %"
    assert show_figure(Figure(0.26, "1", 0.01), display, as_percent=True) == "26.0 ± 1.0 %"
