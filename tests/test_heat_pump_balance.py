"""A heat pump's three meters: which of them is wrong where they contradict each other, and what no contradiction is."""

from collections.abc import Mapping
from datetime import date, datetime, timedelta

import pytest

from analytics.detection import DETECTORS, Clear, Fault
from analytics.detection.heat_pump_balance import HeatPumpBalance
from analytics.expected.balance import Balance, balance_of
from analytics.expected.balance_wrong import by_days_before, by_sheet
from analytics.expected.conditions import conditions_of
from analytics.trace import Trace, local_day
from ingest.virtual import SCENARIOS, simulate
from ingest.virtual.scenario import site_of
from tests.accounts import account_days
from tests.virtual_days import Traces, virtual_days

_START = date(2026, 1, 5)
_BEFORE = Balance(10.0, 7.0, 3.0, 0.6, 0.7, 0.03)  # a COP of 3.33, by hand
_SITE = site_of(SCENARIOS["heat-pump-tank"])


def _balance(heat_kwh: float, source_kwh: float, elec_kwh: float) -> Balance:
    return Balance(heat_kwh, source_kwh, elec_kwh, 0.6, 0.7, 0.03)


@pytest.mark.parametrize(
    ("now", "side", "error"),
    [
        (_balance(14.0, 7.0, 3.0), "load", 0.4),
        (_balance(10.0, 9.8, 3.0), "source", 0.4),
        (_balance(10.0, 7.0, 2.1), "power", -0.3),
    ],
)
def test_the_meter_is_named_without_which_the_cop_is_as_before(now: Balance, side: str, error: float) -> None:
    for found in (by_days_before(now, _BEFORE), by_sheet(now, 3.2)):
        assert found is not None
        assert found.side == side
        assert found.error == pytest.approx(error)


@pytest.mark.parametrize(
    "now",
    [_balance(8.0, 5.0, 3.0), _balance(10.4, 7.0, 3.0), _balance(14.0, 4.9, 3.0)],
    ids=["refrigerant lost", "within classes", "two of them wrong"],
)
def test_no_meter_is_named_where_none_or_two_can_be_meant(now: Balance) -> None:
    assert by_days_before(now, _BEFORE) is None


def test_what_meters_were_apart_by_before_is_left_to_them() -> None:
    found = by_days_before(_balance(10.0, 0.95 * 9.8, 3.0), _balance(10.0, 0.95 * 7.0, 3.0))
    assert found is not None
    assert found.error == pytest.approx(0.4)


def _times(traces: Traces, factors: Mapping[str, float], span_ms: tuple[int, int]) -> Traces:
    changed = dict(traces)
    for point, factor in factors.items():
        old = traces[point]
        is_wrong = (old.time_ms >= span_ms[0]) & (old.time_ms < span_ms[1])
        changed[point] = Trace(old.time_ms, old.value * (1.0 + (factor - 1.0) * is_wrong))
    return changed


@pytest.mark.parametrize(
    ("point", "factor", "error_percent"), [("hp.power", 0.7, 30), ("ground.flow", 1.4, 40)], ids=["power", "source"]
)
def test_a_meter_that_steps_out_of_its_class_is_told_within_a_week_and_ends(
    point: str, factor: float, error_percent: int
) -> None:
    span_ms = (
        local_day(_START + timedelta(days=27), _SITE.timezone).start_ms,
        local_day(_START + timedelta(days=37), _SITE.timezone).start_ms,
    )
    outcomes = virtual_days(
        "heat-pump-tank", _START, days=42, altered=lambda traces: _times(traces, {point: factor}, span_ms)
    )
    (alert,) = outcomes[-1].alerts
    assert (alert["kind"], alert["component"], alert["evidence"]["wrong"]) == ("balance-open", "hp", point)
    assert alert["evidence"]["error_percent"] == pytest.approx(error_percent, abs=2)
    began, detected, ended = (datetime.fromisoformat(alert[key]) for key in ("began", "detected", "ended"))
    assert began.timestamp() * 1000 == span_ms[0]
    assert detected - began <= timedelta(days=7)
    assert timedelta(0) <= ended - datetime.fromtimestamp(span_ms[1] / 1000, ended.tzinfo) <= timedelta(days=3)


def test_a_load_meter_that_reads_too_much_is_told_once() -> None:
    span_ms = (local_day(_START + timedelta(days=27), _SITE.timezone).start_ms, 2**62)
    outcomes = virtual_days(
        "heat-pump-tank", _START, days=40, altered=lambda traces: _times(traces, {"load.flow": 1.4}, span_ms)
    )
    told = [(alert["kind"], alert["component"], alert["evidence"].get("wrong")) for alert in outcomes[-1].alerts]
    assert told == [("balance-open", "hp", "load.flow")]


_LOW = {"ground.flow": 0.98, "load.flow": 1.02, "hp.power": 0.99}


@pytest.mark.parametrize("way", [1.0, -1.0], ids=["the load reads more", "the load reads less"])
def test_meters_at_the_limits_of_all_their_classes_are_no_contradiction(way: float) -> None:
    run = simulate(SCENARIOS["heat-pump-tank"], start=_START, days=12, seed=3, perfect=True)
    traces = _times(run.traces, {point: 1.0 + way * (each - 1.0) for point, each in _LOW.items()}, (0, 2**62))
    for point, k in {
        "ground.entering": -0.1,
        "ground.leaving": 0.1,
        "load.entering": -0.1,
        "load.leaving": 0.1,
    }.items():
        traces = {**traces, point: Trace(traces[point].time_ms, traces[point].value + way * k)}
    days = [_START + timedelta(days=n) for n in range(12)]
    results = list(account_days(run.site, traces, days))
    verdict = HeatPumpBalance().assess(results[-1].plant, [each.ledger for each in results[:-1]], "hp")
    assert isinstance(verdict, Clear)
    (apart,) = {
        round(each.apart_kwh / abs(each.apart_kwh))
        for day in results
        if (each := balance_of(run.site, day.ledger, "hp"))
    }
    assert apart == way


def test_meters_that_are_apart_by_more_than_all_limits_are_told_from_the_first_days_on() -> None:
    run = simulate(SCENARIOS["heat-pump-tank"], start=_START, days=6, seed=3)
    traces = _times(run.traces, {"ground.flow": 1.8}, (0, 2**62))
    results = list(account_days(run.site, traces, [_START + timedelta(days=n) for n in range(6)]))
    verdict = HeatPumpBalance().assess(results[-1].plant, [each.ledger for each in results[:-1]], "hp")
    assert isinstance(verdict, Fault)
    assert "contradict each other" in verdict.findings[0].summary


def test_a_source_counter_counts_what_the_ground_gave() -> None:
    run = simulate(SCENARIOS["energy-counters"], start=_START, days=3, seed=3)
    for day in account_days(run.site, run.traces, [_START + timedelta(days=n) for n in range(3)]):
        found = balance_of(run.site, day.ledger, "hp")
        assert found is not None
        assert abs(found.apart_kwh) <= 0.03 * found.heat_kwh  # both class 2
        taken_w = conditions_of(day.ledger)["heat_pump.hp.heating.source_mean_w"]
        assert 24 * taken_w / 1000 == pytest.approx(found.source_kwh, rel=0.02)


def test_a_heat_pump_without_a_metered_load_has_no_balance() -> None:
    (need,) = HeatPumpBalance().needs(site_of(SCENARIOS["two-tank"]))
    assert "load of heat pump hp is not metered" in need.lacking
    assert any(isinstance(each, HeatPumpBalance) for each in DETECTORS)
