"""A collector whose sun is not measured: its pair exchanged, its pump stuck on, and its fluid beside its tank."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest

from analytics.day import account_day, window
from analytics.detection import Alert, advance, assess_day
from analytics.detection.loop_always_on import LoopAlwaysOn
from analytics.detection.sensor_swapped import SensorSwapped
from analytics.figures import DayLedger
from analytics.trace import local_day
from ingest.virtual import SCENARIOS, Fault, simulate
from ingest.virtual.scenario import site_of
from tests.accounts import day_traces

_JUDGES = (SensorSwapped(), LoopAlwaysOn())
_DAY_MS = 86_400_000
_PAIR = ("collector.entering", "collector.leaving")


def _alerts(scenario: str, start: date, *, days: int, fault: str = "", points: Sequence[str] = ()) -> list[Alert]:
    """Of a house without the sun's sensor, the fault from the second day on."""
    zone = site_of(SCENARIOS[scenario]).timezone
    from_ms = local_day(start, zone).start_ms + _DAY_MS
    faults = [Fault(name=fault, start_ms=from_ms, points=tuple(points))] if fault else []
    run = simulate(SCENARIOS[scenario], start=start, days=days, seed=4, faults=faults)
    collectors = {name: replace(each, irradiance=None) for name, each in run.site.collectors.items()}
    site = replace(run.site, collectors=collectors)
    alerts: list[Alert] = []
    history: list[DayLedger] = []
    state = None
    for day in (local_day(start + timedelta(days=n), zone) for n in range(days)):
        result = account_day(site, day_traces(run.traces, *window(day)), day, state=state)
        alerts, _ = advance(alerts, assess_day(result.plant, history, detectors=_JUDGES), now_ms=day.end_ms)
        state, history = result.state, [*history, result.ledger]
    return alerts


@pytest.mark.parametrize("scenario", ["two-tank", "solar-one-tank", "passing-heater"])
def test_an_exchanged_pair_is_named_and_its_pump_is_not_accused(scenario: str) -> None:
    (alert,) = _alerts(scenario, date(2026, 6, 10), days=6, fault="sensors-swapped", points=_PAIR)
    assert (alert.kind, alert.component) == ("sensor-swapped", "collector")
    assert alert.evidence["expected_warmer"] == "collector.leaving"


@pytest.mark.parametrize("start", [date(2026, 1, 10), date(2026, 6, 10)], ids=str)
@pytest.mark.parametrize("scenario", ["two-tank", "solar-one-tank", "passing-heater", "boiler-backup"])
def test_a_sound_collector_raises_nothing(scenario: str, start: date) -> None:
    assert [alert.summary for alert in _alerts(scenario, start, days=8)] == []


def test_a_pump_that_is_stuck_on_is_still_told() -> None:
    (alert,) = _alerts("two-tank", date(2026, 4, 10), days=4, fault="collector-pump-always")
    assert (alert.kind, alert.component) == ("loop-always-on", "collector")
