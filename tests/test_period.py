"""Periods: sums and ratios of sums, their doubts, and what they lack."""

from dataclasses import replace
from datetime import date, timedelta
from math import hypot, isnan

import numpy as np
import pytest

from analytics.differences import difference
from analytics.doubt import Doubt
from analytics.figures import Figure, day_from_json, day_to_record, unavailable
from analytics.period import Span, add_up, calendar_days, spans
from ingest.virtual import SCENARIOS, simulate
from tests.accounts import account_days

START = date(2026, 1, 12)


@pytest.fixture(scope="module")
def ledgers():
    run = simulate(SCENARIOS["two-tank"], start=START, days=7, seed=2)
    days = [START + timedelta(days=n) for n in range(7)]
    return [result.ledger for result in account_days(run.site, run.traces, days)]


def _week(ledgers, n_days=7):
    return add_up(Span(START, START + timedelta(days=n_days - 1), "week"), ledgers, backups=["backup"])


def test_a_day_that_was_kept_before_cooling_had_its_own_hours_says_so(ledgers):
    kept = day_to_record(ledgers[0])
    for pump in kept["heat_pumps"]:
        del pump["cooling"]["run_hours"], pump["cooling"]["starts"]
    found = _week([day_from_json("two-tank", kept), *ledgers[1:]]).total.heat_pumps[0]
    assert "accounted before" in day_from_json("two-tank", kept).heat_pumps[0].cooling_starts.why
    assert found.heating_starts.value == sum(day.heat_pumps[0].heating_starts.value for day in ledgers)
    assert found.cooling_run_hours.coverage == pytest.approx(6 / 7, abs=0.01)


def test_spans_meet_without_gap_and_are_cut_to_what_is_asked():
    found = spans("month", date(2026, 1, 20), date(2026, 3, 5))
    assert [(s.first.isoformat(), s.last.isoformat(), s.name) for s in found] == [
        ("2026-01-20", "2026-01-31", "2026-01"),
        ("2026-02-01", "2026-02-28", "2026-02"),
        ("2026-03-01", "2026-03-05", "2026-03"),
    ]


@pytest.mark.parametrize(
    ("by", "ends"),
    [
        ("week", ["2026-01-04", "2026-01-11"]),
        ("season", ["2026-02-28", "2026-05-31", "2026-08-31", "2026-11-30", "2027-01-02"]),
        ("year", ["2026-12-31", "2027-01-02"]),
        ("all", ["2027-01-02"]),
    ],
)
def test_weeks_end_on_sunday_seasons_with_february(by, ends):
    found = spans(by, date(2025, 12, 31), date(2027, 1, 2))
    assert [span.last.isoformat() for span in found if span.last >= date(2026, 1, 3)][: len(ends)] == ends


def test_a_weeks_heat_is_the_sum_of_its_days(ledgers):
    week = _week(ledgers).total
    assert week.hot_water.heat.value == pytest.approx(sum(d.hot_water.heat.value for d in ledgers), rel=1e-12)
    assert week.stages[0].heat.value == pytest.approx(sum(d.stages[0].heat.value for d in ledgers), rel=1e-12)


def test_a_weeks_cop_is_heat_over_electricity_not_the_mean_of_cops(ledgers):
    pump = _week(ledgers).total.heat_pumps[0]
    heat = sum(d.heat_pumps[0].heating_heat.value for d in ledgers)
    electricity = sum(d.heat_pumps[0].heating_electricity.value for d in ledgers)
    assert pump.heating_cop.value == pytest.approx(heat / electricity, rel=1e-4)


def test_a_weeks_backup_fraction_is_a_ratio_of_sums(ledgers):
    total = _week(ledgers).total
    backup = sum(line.heat.value for d in ledgers for line in d.stages if line.stage == "backup")
    every = sum(line.heat.value for d in ledgers for line in d.stages)
    assert total.backup_fraction.value == pytest.approx(backup / every, rel=1e-12)


def test_a_weeks_interval_lies_between_that_of_independent_days_and_of_days_that_err_alike(ledgers):
    week = _week(ledgers).total.hot_water.heat
    days = [d.hot_water.heat.plus_minus for d in ledgers]
    assert hypot(*days) < week.plus_minus <= sum(days) * (1 + 1e-9)


def test_the_stored_heat_of_a_week_is_told_by_its_first_and_its_last_midnight(ledgers):
    """What is wrongly in store tonight is so tomorrow morning; a day that is missing parts the two."""
    days = [ledger.tanks[1].stored_change for ledger in ledgers[1:]]
    week = _week(ledgers[1:], 7).total.tanks[1].stored_change
    assert week.value == pytest.approx(sum(day.value for day in days))
    assert week.plus_minus < 1.5 * max(day.plus_minus for day in days)
    assert week.plus_minus < 0.7 * hypot(*(day.plus_minus for day in days))
    parted = _week([*ledgers[1:3], *ledgers[4:]], 7).total.tanks[1].stored_change
    assert parted.plus_minus > 1.1 * week.plus_minus


def test_a_heat_meter_of_whole_kilowatt_hours_is_off_by_one_or_two_in_a_week_as_on_a_day():
    run = simulate(SCENARIOS["energy-counters"], start=START, days=7, seed=2, perfect=True)
    meter = run.site.loops[run.site.stages["ground"].loop].energy
    fine = run.traces[meter]
    coarse = {**run.traces, meter: replace(fine, value=np.floor(fine.value))}
    days = [START + timedelta(days=n) for n in range(7)]
    ledgers = [result.ledger for result in account_days(run.site, coarse, days)]
    by_day = [ledger.stages[0].heat for ledger in ledgers]
    week = _week(ledgers).total.stages[0].heat
    steps = [heat.doubt.ends[f"moments of {meter}"] for heat in by_day]
    assert week.doubt.ends[f"moments of {meter}"] <= max(steps)
    assert abs(week.value - sum(day.stages["ground"].heat_j for day in run.truth) / 3.6e6) < week.plus_minus


def test_a_kept_day_keeps_what_stands_at_its_ends(ledgers):
    kept = [day_from_json("two-tank", day_to_record(ledger)) for ledger in ledgers[1:]]
    found, again = (_week(each, 7).total.tanks[1].stored_change for each in (ledgers[1:], kept))
    assert again.plus_minus == pytest.approx(found.plus_minus, rel=1e-3)


def test_days_that_are_missing_are_told_and_lower_the_coverage(ledgers):
    week = _week(ledgers[:5])
    heat = week.total.hot_water.heat
    assert (week.n_known, heat.why) == (5, "Without 2 of 7 days. No readings.")
    assert heat.coverage == pytest.approx(sum(d.hot_water.heat.coverage for d in ledgers[:5]) / 7)


@pytest.mark.parametrize(
    ("has", "why"),
    [
        ((2, 3, 4), "Without 4 of 7 days. The house did not have it yet."),
        ((0, 1), "Without 5 of 7 days. The house no longer had it."),
    ],
    ids=["came", "went"],
)
def test_days_before_a_part_came_and_after_it_went_are_not_called_without_readings(ledgers, has, why):
    days = [day if n in has else replace(day, stages=[], tanks=[], heat_pumps=[]) for n, day in enumerate(ledgers[:5])]
    total = _week(days).total
    heat = total.stages[0].heat
    assert heat.value == pytest.approx(sum(ledgers[n].stages[0].heat.value for n in has))
    assert [line.why for line in (heat, total.tanks[0].loss, total.heat_pumps[0].source_heat)] == [why] * 3


def test_a_period_without_a_ledger_is_refused():
    with pytest.raises(ValueError, match="no day of week has a ledger"):
        _week([])


def test_what_errs_alike_cancels_between_two_periods():
    def figure(value):
        return Figure(value, "kWh", 1.0, doubt=Doubt({"flow": value * 0.02}, {"moments": 0.1}))

    found = difference(figure(100.0), figure(95.0))
    assert found.value == 5.0
    assert found.doubt.steady["flow"] == pytest.approx(0.1)
    assert found.doubt.passing["moments"] == pytest.approx(0.1 * 2**0.5)


def test_a_difference_to_what_is_not_known_is_not_known():
    found = difference(Figure(1.0, "kWh"), unavailable("kWh", "No sensor."))
    assert isnan(found.value)
    assert found.why == "No sensor."


def test_sums_in_two_currencies_have_no_difference():
    found = difference(Figure(44.6, "EUR", 1.0), Figure(52.1, "USD", 1.0))
    assert isnan(found.value)
    assert found.why == "The one is in USD, the other in EUR."


def test_a_season_that_passes_the_new_year_is_as_long_as_its_three_months():
    assert calendar_days("season", date(2026, 1, 5)) == calendar_days("season", date(2025, 12, 31)) == 31 + 31 + 28
    assert calendar_days("season", date(2024, 2, 29)) == 31 + 31 + 29
    assert calendar_days("season", date(2026, 3, 1)) == 31 + 30 + 31
    assert (calendar_days("year", date(2024, 5, 5)), calendar_days("month", date(2024, 2, 1))) == (366, 29)
