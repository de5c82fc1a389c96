"""What a house's own first good weeks promise: models that fit, deviations that find faults and leave health alone."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from functools import cache

import numpy as np
import pytest

from analytics.expected.collector import expected_by_neighbours
from analytics.expected.deviation import SCHEME, Deviation, deviations
from analytics.expected.stages import Expectation, expected_backup, expected_of_record
from analytics.figures import DayLedger
from analytics.statistics_of_fit import GUIDELINE_14_LIMITS
from analytics.trace import local_day
from ingest.virtual import SCENARIOS, Fault, simulate
from ingest.virtual.scenario import site_of
from tests.accounts import account_days

_START, _N_DAYS, _FAULT_DAY = date(2026, 1, 5), 42, 32


@cache
def _record(scenario: str, fault: str = "") -> Sequence[DayLedger]:
    site = site_of(SCENARIOS[scenario])
    began_ms = local_day(_START + timedelta(days=_FAULT_DAY), site.timezone).start_ms
    faults = [Fault(name=fault, start_ms=began_ms)] if fault else []
    run = simulate(SCENARIOS[scenario], start=_START, days=_N_DAYS, seed=5, perfect=False, faults=faults)
    days = [_START + timedelta(days=n) for n in range(_N_DAYS)]
    return [result.ledger for result in account_days(run.site, run.traces, days)]


def _expectation(scenario: str, fault: str, component: str, quantity: str) -> Expectation:
    found = expected_of_record(site_of(SCENARIOS[scenario]), _record(scenario, fault))
    return next(each for each in found if (each.component, each.quantity) == (component, quantity))


def test_a_healthy_house_keeps_to_its_first_weeks():
    found = expected_of_record(site_of(SCENARIOS["two-tank"]), _record("two-tank"))
    assert {(e.component, e.quantity) for e in found} == {
        ("ground", "heat"), ("sun", "heat"), ("hp", "cop"), ("ground", "entering")
    }  # fmt: skip
    for each in found:
        assert each.deviation.signalled_since is None, each.component
    for each in found:
        if each.quantity in ("heat", "cop"):
            assert each.deviation.fit.statistics.is_within(GUIDELINE_14_LIMITS["day"]), each.component


@pytest.mark.parametrize(
    ("scenario", "fault", "component", "quantity"),
    [
        ("two-tank", "heat-pump-low-charge", "hp", "cop"),
        ("two-tank", "heat-pump-low-charge", "ground", "heat"),
        ("heat-pump-tank", "ground-loop-weak", "ground", "entering"),
    ],
)
def test_a_fault_is_a_shift_found_within_days(scenario, fault, component, quantity):
    deviation = _expectation(scenario, fault, component, quantity).deviation
    first = int(deviation.path.signals[0])
    assert _FAULT_DAY <= first <= _FAULT_DAY + 7
    assert abs((deviation.signalled_since - _START).days - _FAULT_DAY) <= 2
    assert deviation.path.lower[first] > SCHEME.limit


def test_run_lengths_are_stated():
    """Allowance 1 and limit 5: false signals years apart, a shift of two standard deviations found within a week."""
    found = _expectation("two-tank", "", "hp", "cop").deviation
    assert found.days_between_false_signals > 5 * 365
    assert 4 < Deviation.days_to_find(2.0) < 7


def _days(n: int) -> list[date]:
    return [_START + timedelta(days=k) for k in range(n)]


def test_one_broken_day_among_the_first_does_not_make_the_model():
    x = np.linspace(0, 10, 40)[:, None] * np.asarray([1.0])
    y = 2.0 * x[:, 0] + 1.0 + np.random.default_rng(1).normal(0, 0.1, 40)
    broken = y.copy()
    broken[5] = 0.0
    fits = [deviations(_days(40), x, values, names=("x",)).fit for values in (y, broken)]
    np.testing.assert_allclose(fits[0].coefficients, fits[1].coefficients, atol=0.05)


def test_days_before_the_house_was_commissioned_do_not_count():
    x, y = np.arange(40.0)[:, None] % 7, np.where(np.arange(40) < 12, 100.0, np.arange(40.0) % 7)
    found = deviations(_days(40), x, y, names=("x",), commissioned=_START + timedelta(days=12), least_sd=0.1)
    np.testing.assert_allclose(found.fit.coefficients, [1.0, 0.0], atol=1e-9)


def test_too_short_a_record_makes_no_model():
    x = np.arange(9.0)[:, None]
    assert deviations(_days(9), x, x[:, 0], names=("x",)) is None
    assert expected_of_record(site_of(SCENARIOS["two-tank"]), _record("two-tank")[:8]) == []


def test_a_record_without_conditions_makes_no_model():
    bare = [replace(day, conditions={}) for day in _record("two-tank")]
    assert expected_of_record(site_of(SCENARIOS["two-tank"]), bare) == []


def test_the_backup_gives_what_is_left_over():
    """The account's own balance: what the element gave lies within the interval of what was left over, on most days."""
    site = site_of(SCENARIOS["two-tank"])
    held = []
    for day in _record("two-tank")[1:]:
        left, gave = expected_backup(site, day), next(s.heat.value for s in day.stages if s.stage == "backup")
        held.append(abs(left.value - gave) <= left.plus_minus)
    assert np.mean(held) >= 0.9


def test_neighbours_tell_what_a_roof_should_have_given():
    """By hand: neighbours of 0.5, 2 and 1 times the house's size on days that differ for all alike."""
    sun = np.linspace(1.0, 8.0, 20)
    noise = np.random.default_rng(2).normal(1.0, 0.03, (4, 20))
    own, neighbours = sun * noise[0], [0.5 * sun * noise[1], 2.0 * sun * noise[2], sun * noise[3]]
    value, plus_minus = expected_by_neighbours(own, neighbours, today=[2.0, 8.0, 4.0])
    assert value == pytest.approx(4.0, rel=0.03)
    assert 0.05 < plus_minus < 0.8
    silent = expected_by_neighbours(own, neighbours, today=[2.0, np.nan, 4.0])
    assert silent[0] == pytest.approx(4.0, rel=0.03)


@pytest.mark.parametrize("today", [[np.nan, np.nan, 4.0], [np.nan, np.nan, np.nan]])
def test_fewer_than_two_neighbours_say_nothing(today):
    sun = np.linspace(1.0, 8.0, 20)
    assert np.isnan(expected_by_neighbours(sun, [sun, 2 * sun, sun], today=today)).all()


def test_neighbours_without_common_days_say_nothing():
    sun = np.linspace(1.0, 8.0, 9)
    assert np.isnan(expected_by_neighbours(sun, [sun, sun], today=[1.0, 1.0])).all()
