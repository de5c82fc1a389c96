"""Assumed flows and rated powers that what is measured beside them refutes, on virtual houses."""

from datetime import date, timedelta
from math import isnan

import pytest

from analytics.figures import DayLedger
from analytics.trace import local_day
from ingest.virtual import SCENARIOS, Fault, simulate, truth_to_json
from ingest.virtual.scenario import site_of
from tests.accounts import account_days

_DAYS = 4
_HOUR_MS = 3_600_000


def _ledgers(
    start: date, fault: str = "", *, begins_h: int = 6, house: str = "assumed-flow"
) -> tuple[list[DayLedger], list[dict[str, float]]]:
    """Ledgers of the house of assumed flows, or another, and its stages' true heat."""
    scenario = SCENARIOS[house]
    begin_ms = local_day(start, site_of(scenario).timezone).start_ms + begins_h * _HOUR_MS
    faults = [Fault(name=fault, start_ms=begin_ms)] if fault else []
    run = simulate(scenario, start=start, days=_DAYS, seed=5, faults=faults)
    days = [start + timedelta(days=n) for n in range(_DAYS)]
    true = [{stage["stage"]: stage["heat"] for stage in truth_to_json(day)["stages"]} for day in run.truth]
    return [result.ledger for result in account_days(run.site, run.traces, days)], true


def _sun(ledger: DayLedger) -> float:
    return next(line.heat.value for line in ledger.stages if line.stage == "sun")


@pytest.mark.parametrize("start", [date(2026, 1, 12), date(2026, 4, 6), date(2026, 7, 6)], ids=str)
def test_sound_houses_keep_what_is_assumed(start: date) -> None:
    ledgers, true = _ledgers(start)
    assert not any(isnan(_sun(ledger)) or isnan(ledger.electricity.heaters.value) for ledger in ledgers)
    assert sum(day["sun"] for day in true) > 2


def test_a_dead_circulator_makes_no_heat_of_the_flow_that_is_assumed() -> None:
    ledgers, true = _ledgers(date(2026, 4, 6), "collector-pump-dead")
    assert all(day["sun"] < 0.1 for day in true)
    for ledger in ledgers:
        assert isnan(_sun(ledger)) or _sun(ledger) < 0.5
    assert sum(isnan(_sun(ledger)) for ledger in ledgers) >= 3
    told = next(line.heat.why for ledger in ledgers for line in ledger.stages if isnan(line.heat.value))
    assert told == (
        "The pump of loop collector is said to run, but the flow assumed for it would have brought more than the sun "
        "can: its fluid is taken to stand still."
    )


def test_a_burnt_element_heats_nothing_while_its_status_says_on() -> None:
    ledgers, true = _ledgers(date(2026, 1, 12), "element-burnt-out")
    assert all(day["backup"] == 0.0 for day in true)
    assert all(isnan(ledger.electricity.heaters.value) or ledger.electricity.heaters.value < 0.1 for ledger in ledgers)
    assert isnan(ledgers[-1].electricity.heaters.value)
    assert isnan(ledgers[-1].backup_fraction.value)
    assert "its tank does not warm" in ledgers[-1].electricity.heaters.why


def test_a_day_before_the_fault_is_as_it_was() -> None:
    ledgers, true = _ledgers(date(2026, 1, 12), "element-burnt-out", begins_h=38)
    whole, _ = _ledgers(date(2026, 1, 12))
    assert ledgers[0] == whole[0]
    assert true[1]["backup"] > 0


def test_a_boiler_that_is_locked_out_burns_nothing_while_its_status_says_on() -> None:
    ledgers, true = _ledgers(date(2026, 1, 12), "boiler-lockout", begins_h=30, house="boiler-backup")
    whole, burned = _ledgers(date(2026, 1, 12), house="boiler-backup")
    assert ledgers[0] == whole[0]
    assert true[-1]["oil"] < 0.1 * burned[-1]["oil"]
    assert isnan(ledgers[-1].purchased.value)
    assert isnan(ledgers[-1].saved.money.value)
    assert "its loop boiler brings no heat" in ledgers[-1].purchased.why


@pytest.mark.parametrize("start", [date(2026, 1, 12), date(2026, 4, 6), date(2026, 7, 6)], ids=str)
def test_a_sound_boiler_is_believed_to_burn_while_its_status_says_on(start: date) -> None:
    ledgers, true = _ledgers(start, house="boiler-backup")
    assert not any(isnan(ledger.purchased.value) for ledger in ledgers)
    assert sum(day["oil"] for day in true) > 1
