"""Powers and contacts that say nothing from the first day on, on virtual houses: told by what the water does."""

from datetime import date, timedelta
from math import isnan

import numpy as np
import pytest

from analytics.day import account_day, window
from analytics.detection import Alert, advance, assess_day
from analytics.detection.sensor_stuck import SensorStuck
from analytics.figures import DayLedger
from analytics.trace import Trace, local_day
from ingest.virtual import SCENARIOS, Fault, simulate
from tests.accounts import day_traces

_WINTER, _SPRING, _SUMMER = date(2026, 1, 10), date(2026, 4, 1), date(2026, 7, 1)


def _days(
    scenario: str, start: date, point: str, *, days: int, silent: str = "", fault: str = ""
) -> tuple[list[Alert], list[DayLedger]]:
    """
    Alerts and ledgers of a house of which a point says nothing but zero; "" for the sound house.

    `silent` is a point that says nothing more after the first reading; `fault` one that the house has from then on.
    """
    faults = [Fault(name=fault, start_ms=0)] if fault else []
    run = simulate(SCENARIOS[scenario], start=start, days=days, seed=8, faults=faults)
    traces = dict(run.traces)
    if point:
        traces[point] = Trace(traces[point].time_ms, np.zeros(len(traces[point].value)))
    if silent:
        traces[silent] = Trace(traces[silent].time_ms[:1], np.array([15.0]))
    alerts: list[Alert] = []
    ledgers: list[DayLedger] = []
    state = None
    for day in (local_day(start + timedelta(days=n), run.site.timezone) for n in range(days)):
        result = account_day(run.site, day_traces(traces, *window(day)), day, state=state)
        alerts, _ = advance(alerts, assess_day(result.plant, ledgers, detectors=[SensorStuck()]), now_ms=day.end_ms)
        state, ledgers = result.state, [*ledgers, result.ledger]
    return alerts, ledgers


@pytest.mark.parametrize(
    ("scenario", "start", "point", "days"),
    [
        ("two-tank", _WINTER, "ground.pump", 1),
        ("two-tank", _SUMMER, "hp.power", 1),
        ("heat-pump-tank", _WINTER, "load.pump", 1),
        ("boiler-backup", _WINTER, "burner.on", 1),
        ("boiler-backup", _WINTER, "boiler.pump", 2),
        ("passing-heater", _SUMMER, "heater.power", 4),  # the sun does without it for days
        ("solar-one-tank", _WINTER, "collector.pump", 2),
        ("two-tank", _WINTER, "element.power", 2),
        ("solar-one-tank", _WINTER, "element.power", 2),
        ("assumed-flow", _WINTER, "element.on", 5),  # it is seldom needed
    ],
)
def test_a_dead_power_or_status_is_told_alone(scenario: str, start: date, point: str, days: int) -> None:
    alerts, _ = _days(scenario, start, point, days=days)
    assert [(alert.kind, alert.component) for alert in alerts] == [("sensor-stuck", point)]


@pytest.mark.parametrize("scenario", SCENARIOS)
@pytest.mark.parametrize("start", [_WINTER, _SUMMER], ids=["winter", "summer"])
def test_sound_houses_have_no_stuck_sensor(scenario: str, start: date) -> None:
    alerts, _ = _days(scenario, start, "", days=8)
    assert [alert.summary for alert in alerts] == []


def test_a_pump_is_not_held_against_fluid_that_falls_back_at_night_through_a_leaking_check_valve() -> None:
    alerts, _ = _days("solar-one-tank", _SPRING, "", days=4, fault="collector-check-valve-leaks")
    assert [alert.summary for alert in alerts] == []


def test_a_heater_is_not_held_against_what_a_sensor_said_before_it_fell_silent() -> None:
    assert _days("passing-heater", _WINTER, "", days=2, silent="hot.temp")[0] == []
    assert _days("boiler-backup", _WINTER, "", days=2, silent="boiler.entering")[0] == []


def test_what_a_dead_burner_would_have_hidden_is_not_told_as_saved() -> None:
    _, ledgers = _days("boiler-backup", _WINTER, "burner.on", days=2)
    assert all(isnan(ledger.purchased.value) and isnan(ledger.saved.energy.value) for ledger in ledgers)


def test_what_a_dead_element_hides_is_not_told_as_saved_from_the_day_on_that_proves_it() -> None:
    _, ledgers = _days("solar-one-tank", _WINTER, "element.power", days=3)
    assert [isnan(ledger.purchased.value) for ledger in ledgers] == [False, True, True]
    assert isnan(ledgers[1].backup_fraction.value)


def test_a_pump_whose_power_is_not_known_widens_what_was_bought_and_saved() -> None:
    _, (sound,) = _days("two-tank", _WINTER, "", days=1)
    _, (dead,) = _days("two-tank", _WINTER, "ground.pump", days=1)
    assert "Without the circulator of ground" in dead.purchased.why
    assert "Without the circulator of ground" in dead.saved.energy.why
    missing = sound.purchased.value - dead.purchased.value
    assert 0.3 < missing <= dead.purchased.plus_minus
    assert dead.saved.energy.value - sound.saved.energy.value <= dead.saved.energy.plus_minus
    assert sound.purchased.plus_minus < dead.purchased.plus_minus
