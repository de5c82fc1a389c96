"""A month and a year to date beside the same days of the year before, as they were and corrected."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from analytics.doubt import Doubt
from analytics.figures import DayLedger, Electricity, Figure, HotWaterLine, Saved, unavailable
from analytics.period import Span
from analytics.year_before import beside, month_to, same_days_before, year_to

NONE = unavailable("kWh", "Not part of this test.")
FIRST, LAST = date(2025, 1, 1), date(2026, 3, 12)


def ledger_of(day, bought, *, heat, conditions=None, money=0.0, currency="EUR", coverage=1.0):
    """A day of which only what a comparison needs is known."""
    return DayLedger(
        site="mill-lane-8",
        day=day,
        coverage=coverage,
        stages=[],
        hot_water=HotWaterLine(NONE, Figure(heat, "kWh", coverage=coverage), NONE),
        backup_fraction=NONE,
        delivered_backup_fraction=NONE,
        heat_pumps=[],
        tanks=[],
        electricity=Electricity(NONE, NONE, NONE),
        purchased=Figure(bought, "kWh", coverage=coverage),
        saved=Saved(NONE, Figure(money, currency), NONE),
        conditions=conditions or {},
    )


def invented(seed, *, scatter=0.4, better=0.0, base=14.0):
    """
    A year and more of an invented house: 0.3 kWh a kWh of hot water, 0.2 a degree below `base`, -0.4 a kWh/m2 of sun.

    From 2026 on the house itself buys `better` less a day; use and weather differ from year to year.
    """
    rng = np.random.default_rng(seed)
    found = []
    for n in range((LAST - FIRST).days + 1):
        day = FIRST + timedelta(days=n)
        year = day.year - 2025
        heat = rng.normal(8.0 - 2.0 * year, 1.5)
        outdoor = 8 - 10 * np.cos(2 * np.pi * (day.timetuple().tm_yday - 15) / 365) + 2 * year + rng.normal(0, 3)
        sun = abs(rng.normal(2.5, 1.5))
        expected = 4.0 + 0.3 * heat + 0.2 * max(base - outdoor, 0) - 0.4 * sun - better * year
        conditions = {"outdoor.mean_degc": float(outdoor), "collector.roof.irradiation_kwh_m2": float(sun)}
        found.append(
            (
                ledger_of(day, float(expected + rng.normal(0, scatter)), heat=float(heat), conditions=conditions),
                expected,
            )
        )
    return found


def _beside(days, last=LAST):
    return beside(month_to(last), [ledger for ledger, _ in days], backups=[])


def test_the_same_days_of_the_year_before():
    def before(span):
        found = same_days_before(span)
        return f"{found.first} to {found.last}"

    assert before(month_to(date(2026, 3, 12))) == "2025-03-01 to 2025-03-12"
    assert before(month_to(date(2026, 3, 31))) == "2025-03-01 to 2025-03-31"
    assert before(year_to(date(2026, 3, 12))) == "2025-01-01 to 2025-03-12"
    assert before(month_to(date(2025, 2, 28))) == "2024-02-01 to 2024-02-29"
    assert before(month_to(date(2024, 2, 29))) == "2023-02-01 to 2023-02-28"
    assert before(month_to(date(2024, 2, 28))) == "2023-02-01 to 2023-02-28"


def test_sums_and_their_difference_by_hand():
    """Twelve days at 3 kWh against twelve at 5: 36, 60 and -24."""
    earlier = [ledger_of(date(2025, 3, 1) + timedelta(days=n), 5.0, heat=10.0, money=1.0) for n in range(31)]
    later = [ledger_of(date(2026, 3, 1) + timedelta(days=n), 3.0, heat=8.0, money=1.5) for n in range(12)]
    found = beside(month_to(LAST), [*earlier, *later], backups=[])
    told = {name: (c.later.value, c.earlier.value, c.difference.value) for name, c in found.changes.items()}
    assert told["purchased"] == pytest.approx((36.0, 60.0, -24.0))
    assert told["hot_water_heat"] == pytest.approx((96.0, 120.0, -24.0))
    assert told["purchased_per_heat"] == pytest.approx((3 / 8, 0.5, 3 / 8 - 0.5))
    assert told["saved_money"] == pytest.approx((18.0, 12.0, 6.0))
    assert (found.n_days, found.n_pairs) == (12, 12)


def test_only_days_that_both_years_have_whole_are_set_side_by_side():
    earlier = [ledger_of(date(2025, 3, 1) + timedelta(days=n), 5.0, heat=10.0) for n in range(31) if n != 3]
    later = [
        ledger_of(date(2026, 3, 1) + timedelta(days=n), 3.0, heat=8.0, coverage=0.4 if n == 5 else 1.0)
        for n in range(12)
    ]
    found = beside(month_to(LAST), [*earlier, *later], backups=[])
    assert found.n_pairs == 10
    assert found.changes["purchased"].later.value == pytest.approx(30.0)
    assert found.changes["purchased"].earlier.value == pytest.approx(50.0)
    assert found.changes["purchased"].later.coverage == pytest.approx(10 / 12)
    assert found.changes["purchased"].later.why == (
        "Without 2 of 12 days. Counted are the days that both years have whole."
    )


def test_without_a_year_before_the_reason_is_said():
    later = [ledger_of(date(2026, 3, 1) + timedelta(days=n), 3.0, heat=8.0) for n in range(12)]
    assert beside(month_to(LAST), later, backups=[]).why == "There is no account of 2025-03."
    unknown = replace(ledger_of(date(2025, 3, 1), 1.0, heat=1.0), purchased=unavailable("kWh", "No meter."))
    assert beside(month_to(LAST), [unknown, *later], backups=[]).why == "No day of 2025-03 is wholly known. No meter."


def test_money_in_another_currency_is_not_subtracted():
    earlier = [ledger_of(date(2025, 3, 1) + timedelta(days=n), 5.0, heat=10.0, currency="DEM") for n in range(12)]
    later = [ledger_of(date(2026, 3, 1) + timedelta(days=n), 3.0, heat=8.0) for n in range(12)]
    change = beside(month_to(LAST), [*earlier, *later], backups=[]).changes["saved_money"]
    assert change.difference.why == "The one is in DEM, the other in EUR."


def test_an_exact_house_is_corrected_exactly():
    """Without scatter the correction is arithmetic: slopes times what use and weather differ by."""
    days = invented(1, scatter=0.0, better=0.5)
    found = _beside(days)
    march = {
        y: [(d, e) for d, e in days if d.day.month == 3 and d.day.year == y and d.day.day <= 12] for y in (2025, 2026)
    }
    as_earlier = sum(expected for _, expected in march[2025]) - 12 * 0.5
    assert found.correction.purchased.value == pytest.approx(as_earlier, abs=1e-6)
    assert found.correction.change.value == pytest.approx(-6.0, abs=1e-6)
    assert found.correction.inputs == ("heat in hot water", "sun", "outdoor temperature")
    assert found.correction.left_out == ""


def test_the_base_of_heating_degrees_is_found_and_none_is_told_where_no_day_reached_it():
    assert _beside(invented(2, scatter=0.1, base=9.0)).correction.base_degc == pytest.approx(9.0, abs=1.0)
    assert np.isnan(_beside(invented(2, scatter=0.0, base=30.0)).correction.base_degc)


def test_the_corrected_interval_holds_the_truth_and_is_not_idle():
    """Of 100 invented houses, 95 % by the definition of the interval; 90 to 100 % with the chance of 100."""
    held, widths = [], []
    for seed in range(100):
        days = invented(seed, better=0.5)
        correction = _beside(days).correction
        truth = sum(e for d, e in days if d.day.month == 3 and d.day.year == 2025 and d.day.day <= 12) - 12 * 0.5
        held.append(abs(correction.purchased.value - truth) <= correction.purchased.plus_minus)
        widths.append(correction.purchased.plus_minus)
    assert 0.90 <= np.mean(held) <= 1.0
    assert np.median(widths) < 2.5 * 1.96 * 0.4 * 12**0.5


def test_a_house_that_did_not_change_is_not_said_to_have_changed():
    """The change between the years is all use and weather: the rest holds zero in 95 % of houses."""
    held = []
    for seed in range(100):
        change = _beside(invented(seed)).correction.change
        held.append(abs(change.value) <= change.plus_minus)
    assert np.mean(held) >= 0.90


def test_days_that_err_alike_widen_the_interval():
    days = invented(3)
    rng = np.random.default_rng(0)
    drift, alike = 0.0, []
    for ledger, expected in days:
        drift = 0.8 * drift + rng.normal(0, 0.4 * 0.6)
        alike.append((replace(ledger, purchased=Figure(expected + drift, "kWh")), expected))
    apart = _beside(days).correction.purchased.plus_minus
    assert _beside(alike).correction.purchased.plus_minus > 1.5 * apart


def test_without_a_sensor_of_the_weather_only_use_is_corrected_and_that_is_said():
    days = [replace(ledger, conditions={}) for ledger, _ in invented(4)]
    correction = beside(month_to(LAST), days, backups=[]).correction
    assert correction.inputs == ("heat in hot water",)
    assert correction.left_out == (
        "Not corrected for sun, which is not measured or hardly varied nor for outdoor temperature, which is not "
        "measured or hardly varied."
    )


def test_use_unlike_any_of_the_year_before_is_not_corrected():
    days = [
        replace(d, hot_water=replace(d.hot_water, heat=Figure(40.0, "kWh"))) if d.day.year == 2026 else d
        for d, _ in invented(5)
    ]
    found = beside(month_to(LAST), days, backups=[])
    assert found.correction is None
    assert found.why == "On 100% of the days use or weather were unlike any that the year before shows."
    assert found.changes["purchased"].difference.basis != "unavailable"


def test_days_all_alike_teach_nothing():
    earlier = [ledger_of(date(2025, 3, 1) + timedelta(days=n), 5.0, heat=10.0) for n in range(31)]
    later = [ledger_of(date(2026, 3, 1) + timedelta(days=n), 3.0, heat=8.0) for n in range(12)]
    found = beside(month_to(LAST), [*earlier, *later], backups=[])
    assert found.why == (
        "Every day of the year before used about as much hot water, so what more or less of it costs is not known."
    )
    as_much = [ledger_of(day.day, 3.0, heat=10.1) for day in later]
    found = beside(month_to(LAST), [*earlier, *as_much], backups=[])
    assert found.why == "The days of the year before were too much alike to learn from."


def test_use_that_hardly_varies_is_left_out_and_the_weather_corrected_for():
    days = [
        replace(d, hot_water=replace(d.hot_water, heat=Figure(10.0 + 0.2 * (d.day.year - 2025), "kWh")))
        for d, _ in invented(5)
    ]
    correction = beside(month_to(LAST), days, backups=[]).correction
    assert correction.inputs == ("sun", "outdoor temperature")
    assert correction.left_out == "Not corrected for use of hot water, which hardly varied."


def test_too_few_days_are_said_to_be_too_few():
    days = [ledger for ledger, _ in invented(6)]
    few = [d for d in days if d.day.year == 2026 or (d.day.month == 3 and d.day.day <= 10)]
    assert beside(month_to(LAST), few, backups=[]).why == (
        "Only 10 days of the year before are wholly known; 20 are needed to learn from."
    )
    assert beside(month_to(date(2026, 3, 5)), days, backups=[]).why == (
        "Only 5 days can be set side by side; 7 are needed to correct for use."
    )


def test_what_the_meters_err_alike_cancels_in_the_change():
    days = [
        replace(d, purchased=Figure(d.purchased.value, "kWh", doubt=Doubt({"meter": d.purchased.value * 0.02}, {})))
        for d, _ in invented(7)
    ]
    found = beside(Span(date(2026, 1, 1), LAST, "2026"), days, backups=[])
    change = found.correction.change.doubt.steady["meter"]
    assert abs(change) < 0.02 * found.changes["purchased"].earlier.value / 2
