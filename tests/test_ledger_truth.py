"""
The ledger against the truth of the virtual houses, with perfect sensors.

The plant shares no code with the metering: its truth is what perfect meters at the sensors' spots would have summed,
step by step. Sensors are read once a minute or less often than the plant changes, so what is left is sampling.
"""

from collections.abc import Mapping
from datetime import date, timedelta
from functools import cache
from typing import Any

import pytest

from analytics.figures import DayLedger, Figure
from ingest.virtual import SCENARIOS, DayTruth, simulate, truth_to_json
from tests.accounts import account_days

# Two stretches a layout: a week of winter and one in which heat pumps run short and the sun does the work.
STRETCHES = {"winter": date(2026, 1, 12), "spring": date(2026, 5, 4), "summer": date(2026, 7, 13)}
DAYS = 6

HEAT_PART, HEAT_KWH = 0.01, 0.05
COP_PART = 0.01
FRACTION = 0.01
VOLUME_PART = 0.005
RUN_H = 0.02  # a minute and a little at the ends of a day's runs


@cache
def _stretch(layout: str, season: str) -> list[tuple[DayLedger, DayTruth]]:
    run = simulate(SCENARIOS[layout], start=STRETCHES[season], days=DAYS, seed=7, perfect=True)
    days = [STRETCHES[season] + timedelta(days=n) for n in range(DAYS)]
    ledgers = [result.ledger for result in account_days(run.site, run.traces, days)]
    return list(zip(ledgers, run.truth, strict=True))


CASES = [pytest.param(layout, season, id=f"{layout}-{season}") for layout in SCENARIOS for season in STRETCHES]


def _near(figure: Figure, truth: float, *, part: float, floor: float = 0.0) -> bool:
    return abs(figure.value - truth) <= max(part * abs(truth), floor)


def _by(items: list[Mapping[str, Any]], key: str) -> dict[str, Mapping[str, Any]]:
    return {item[key]: item for item in items}


@pytest.mark.parametrize(("layout", "season"), CASES)
def test_each_stage_put_in_what_the_plant_took(layout, season):
    for ledger, day in _stretch(layout, season):
        truth = _by(truth_to_json(day)["stages"], "stage")
        for line in ledger.stages:
            heat = truth[line.stage]["heat"]
            assert _near(line.heat, heat, part=HEAT_PART, floor=HEAT_KWH), (ledger.day, line.stage, line.heat, heat)


# Weeks with a day of many short runs, each start and stop of which falls anywhere between two readings.
SHORT_RUNS = [
    ("two-tank", date(2026, 1, 12), 3),
    ("two-tank", date(2026, 5, 4), 1),
    ("solar-one-tank", date(2026, 5, 4), 1),
    ("boiler-backup", date(2026, 10, 5), 1),
]


@pytest.mark.parametrize(("layout", "start", "seed"), SHORT_RUNS)
def test_short_runs_of_loops_read_once_a_minute_add_up(layout, start, seed):
    run = simulate(SCENARIOS[layout], start=start, days=2, seed=seed, perfect=True)
    days = [start + timedelta(days=n) for n in range(2)]
    for result, day in zip(account_days(run.site, run.traces, days), run.truth, strict=True):
        truth = _by(truth_to_json(day)["stages"], "stage")
        for line in result.ledger.stages:
            heat = truth[line.stage]["heat"]
            assert _near(line.heat, heat, part=HEAT_PART, floor=HEAT_KWH), (line.stage, line.heat, heat)


@pytest.mark.parametrize(("layout", "season"), CASES)
def test_the_taps_took_the_heat_and_the_litres_of_the_truth(layout, season):
    for ledger, day in _stretch(layout, season):
        truth = truth_to_json(day)["hot_water"]
        assert _near(ledger.hot_water.heat, truth["heat"], part=HEAT_PART, floor=HEAT_KWH), ledger.day
        assert _near(ledger.hot_water.volume, truth["volume"], part=VOLUME_PART), ledger.day


@pytest.mark.parametrize(("layout", "season"), CASES)
def test_the_backup_fraction_is_that_of_the_truth(layout, season):
    for ledger, day in _stretch(layout, season):
        truth = truth_to_json(day)
        put_in = sum(stage["heat"] for stage in truth["stages"])
        if put_in >= 0.25:  # below 0.2 kWh the ledger gives no fraction
            assert abs(ledger.backup_fraction.value - truth["backup_fraction"]) <= FRACTION, ledger.day


@pytest.mark.parametrize(("layout", "season"), CASES)
def test_the_heat_pumps_cop_and_electricity_are_those_of_the_truth(layout, season):
    for ledger, day in _stretch(layout, season):
        truth = _by(truth_to_json(day)["heat_pumps"], "heat_pump")
        for line in ledger.heat_pumps:
            heating, cooling = truth[line.heat_pump]["heating"], truth[line.heat_pump]["cooling"]
            pairs = (
                (line.heating_electricity, heating["electricity"], line.heating_cop, heating["cop"]),
                (line.cooling_electricity, cooling["electricity"], line.cooling_cop, cooling["cop"]),
            )
            for electricity, kwh, cop, true_cop in pairs:
                if electricity.basis != "unavailable" and cop.basis != "unavailable":
                    assert _near(electricity, kwh, part=HEAT_PART, floor=HEAT_KWH), (ledger.day, line.heat_pump)
                    assert _near(cop, true_cop, part=COP_PART), (ledger.day, cop, true_cop)


@pytest.mark.parametrize(("layout", "season"), CASES)
def test_run_hours_and_starts_are_those_of_each_mode(layout, season):
    for ledger, day in _stretch(layout, season):
        truth = _by(truth_to_json(day)["heat_pumps"], "heat_pump")
        for line in ledger.heat_pumps:
            heating, cooling = truth[line.heat_pump]["heating"], truth[line.heat_pump]["cooling"]
            told = (
                (line.heating_run_hours, line.heating_starts, heating),
                (line.cooling_run_hours, line.cooling_starts, cooling),
            )
            for hours, starts, true in told:
                assert _near(hours, true["run_hours"], part=HEAT_PART, floor=RUN_H), (ledger.day, hours, true)
                assert starts.value == true["starts"], (ledger.day, starts, true)


@pytest.mark.parametrize(("layout", "season"), CASES)
def test_delivered_heat_by_origin_adds_up_to_the_hot_water(layout, season):
    for ledger, _ in _stretch(layout, season):
        parts = [line.delivered.value for line in ledger.stages] + [ledger.hot_water.carried_over.value]
        assert sum(parts) == pytest.approx(ledger.hot_water.heat.value, rel=1e-9)
