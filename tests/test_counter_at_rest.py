"""Heat and flow meters that stand still: told where the tank or the heat pump's other side shows that heat passed."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta
from math import inf, isnan

import numpy as np
import pytest

from analytics.counter_at_rest import CounterAtRest, Warmed
from analytics.day import account_day, window
from analytics.detection import Alert, advance, assess_day
from analytics.detection.loop_always_on import LoopAlwaysOn
from analytics.detection.loop_no_flow import LoopNoFlow
from analytics.detection.sensor_stuck import SensorStuck
from analytics.figures import DayLedger
from analytics.heard import Heard
from analytics.site import Point, Tank
from analytics.trace import Trace, local_day
from ingest.virtual import SCENARIOS, VirtualRun, simulate, truth_to_json
from tests.accounts import day_traces

_WINTER, _SUMMER = date(2026, 1, 10), date(2026, 7, 1)
_HOUR = 3600.0
_KWH = 3.6e6


def _days(point: str, start: date, days: int, *, stands_at: float = 812.0) -> tuple[list[Alert], list[DayLedger]]:
    """Alerts and ledgers of the house of counters, of which one point stands still from the first day on."""
    run = simulate(SCENARIOS["energy-counters"], start=start, days=days, seed=8)
    traces = dict(run.traces)
    traces[point] = Trace(traces[point].time_ms, np.full(len(traces[point].value), stands_at))
    return _followed(run, traces, start, days)


def _dead_flow(layout: str, point: str, start: date, days: int) -> tuple[list[Alert], list[DayLedger]]:
    """Alerts and ledgers of a house of which one loop's flow meter shows nothing."""
    run = simulate(SCENARIOS[layout], start=start, days=days, seed=8)
    dead = Trace(run.traces[point].time_ms, np.zeros(len(run.traces[point].value)))
    return _followed(run, {**run.traces, point: dead}, start, days)


def _followed(
    run: VirtualRun, traces: Mapping[str, Trace], start: date, days: int
) -> tuple[list[Alert], list[DayLedger]]:
    detectors = [SensorStuck(), LoopNoFlow(), LoopAlwaysOn()]
    alerts: list[Alert] = []
    ledgers: list[DayLedger] = []
    state = None
    for day in (local_day(start + timedelta(days=n), run.site.timezone) for n in range(days)):
        result = account_day(run.site, day_traces(traces, *window(day)), day, state=state)
        alerts, _ = advance(alerts, assess_day(result.plant, ledgers, detectors=detectors), now_ms=day.end_ms)
        state, ledgers = result.state, [*ledgers, result.ledger]
    return alerts, ledgers


@pytest.mark.parametrize(
    ("point", "start", "days"),
    [("sun.energy", _SUMMER, 1), ("load.energy", _WINTER, 7), ("source.energy", _WINTER, 7)],
)
def test_a_dead_heat_meter_is_told_alone(point: str, start: date, days: int) -> None:
    alerts, _ = _days(point, start, days)
    assert [(alert.kind, alert.component) for alert in alerts] == [("sensor-stuck", point)]


@pytest.mark.parametrize(
    ("point", "start", "days"),
    [("hp.power", _WINTER, 7), ("load.pump", _WINTER, 7), ("source.pump", _WINTER, 7), ("sun.pump", _SUMMER, 1)],
)
def test_a_part_said_to_rest_beside_a_counting_meter_is_told_alone(point: str, start: date, days: int) -> None:
    alerts, _ = _days(point, start, days, stands_at=0.0)
    assert [(alert.kind, alert.component) for alert in alerts] == [("sensor-stuck", point)]


@pytest.mark.parametrize(
    ("layout", "point", "stage", "start"),
    [
        ("two-tank", "collector.flow", "sun", _SUMMER),
        ("solar-one-tank", "collector.flow", "sun", _SUMMER),
        ("heat-pump-tank", "load.flow", "ground", _WINTER),
    ],
)
def test_a_dead_flow_meter_is_no_dead_circulator(layout: str, point: str, stage: str, start: date) -> None:
    alerts, ledgers = _dead_flow(layout, point, start, days=2)
    assert [(alert.kind, alert.component) for alert in alerts] == [("sensor-stuck", point)]
    (line,) = (line for line in ledgers[-1].stages if line.stage == stage)
    assert isnan(line.heat.value)


def test_what_a_dead_heat_meter_hides_is_not_told_as_nothing() -> None:
    _, ledgers = _days("sun.energy", _SUMMER, 1)
    (sun,) = [line for line in ledgers[0].stages if line.stage == "sun"]
    assert isnan(sun.heat.value)
    assert "sun.energy" in sun.heat.why


@pytest.mark.parametrize("start", [_WINTER, date(2026, 4, 3), _SUMMER], ids=["winter", "spring", "summer"])
def test_meters_of_whole_kilowatt_hours_raise_nothing_and_say_what_they_hide(start: date) -> None:
    run = simulate(SCENARIOS["energy-counters"], start=start, days=6, seed=8, perfect=True)
    traces = dict(run.traces)
    for point in ("sun.energy", "load.energy", "source.energy"):
        traces[point] = Trace(traces[point].time_ms, np.floor(traces[point].value))
    alerts, ledgers = _followed(run, traces, start, 6)
    assert [alert.summary for alert in alerts] == []
    for ledger, truth in zip(ledgers, run.truth, strict=True):
        for line in ledger.stages:
            if line.stage != "backup":
                heat = truth_to_json(truth)["stages"][[s.stage for s in ledger.stages].index(line.stage)]["heat"]
                # Steps of 1 kWh at both ends hide up to 1 kWh; 95 % of their differences lie within 0.78.
                assert 0.78 < line.heat.plus_minus < 1.0
                assert abs(line.heat.value - heat) < 1.0


def _point(name: str, quantity: str) -> Point:
    unit = {"energy": "kWh", "power": "W", "status": "1"}[quantity]
    return Point(id=name, quantity=quantity, unit=unit)  # type: ignore[arg-type]


def _rule() -> CounterAtRest:
    tank = Tank(id="store", volume_l=300.0, temperatures=("top", "low"))
    warmed = Warmed(tank, _point("pump", "status"), None, (_point("element", "power"),))
    return CounterAtRest(replace(_point("counter", "energy"), sampling="counter"), warmed)


def _heard(**changed: np.ndarray) -> Heard:
    """Twelve hours, read every five minutes: the pump runs from the second to the tenth, and the tank gains 6 K/h."""
    time_s = np.arange(0.0, 12 * _HOUR, 300.0)
    runs = (time_s >= 2 * _HOUR) & (time_s < 10 * _HOUR)
    degc = 20.0 + 6.0 * np.clip(time_s / _HOUR - 2.0, 0.0, 8.0)
    values: Mapping[str, np.ndarray] = {
        "pump": runs.astype(float),
        "element": np.zeros(len(time_s)),
        "top": degc + 5.0,
        "low": degc,
        "counter": np.full(len(time_s), 900 * _KWH),
    } | changed
    return Heard(dict.fromkeys(values, time_s), values, doubted=values)


_SPAN = (0.0, 12 * _HOUR)


def _count(before_kwh: float, kwh: float) -> np.ndarray:
    """A count that stands, but for a step half an hour after the day began."""
    return np.where(np.arange(144) < 6, before_kwh, kwh) * _KWH


def test_it_is_proved_once_the_tank_holds_more_than_a_few_steps() -> None:
    # By hand: 6 K/h in 300 l of 4.13 kJ/(l K) are 2.07 kWh/h, and three steps, or 3 kWh, are asked.
    assert _rule().proved_s(_heard(counter=_count(899, 900)), _SPAN) == pytest.approx(4.0 * _HOUR)
    assert _rule().proved_s(_heard(counter=_count(895, 900)), (0.5 * _HOUR, 12 * _HOUR)) == pytest.approx(9.5 * _HOUR)
    assert _rule().proved_s(_heard(counter=_count(890, 900)), _SPAN) == inf
    # A step that nobody saw is told by the count's last place: whole kilowatt-hours, or hundredths.
    assert _rule().proved_s(_heard(), _SPAN) == pytest.approx(4.0 * _HOUR)
    assert _rule().proved_s(_heard(counter=_count(900.07, 900.07)), _SPAN) == pytest.approx(4.0 * _HOUR)


@pytest.mark.parametrize(
    "changed",
    [
        {"element": np.full(144, 2000.0)},
        {"element": np.full(144, np.nan)},
        {"pump": np.zeros(144)},
        {"top": np.full(144, 40.0), "low": np.full(144, 30.0)},
        {"top": 60.0 - np.arange(144) / 5, "low": 30.0 + np.arange(144) / 5},
    ],
    ids=["element on", "element unknown", "pump at rest", "tank no warmer", "layers even out"],
)
def test_what_proves_nothing(changed: Mapping[str, np.ndarray]) -> None:
    assert _rule().proved_s(_heard(**changed), _SPAN) == inf


def test_the_other_side_of_a_heat_pump_proves_it_less_the_compressors_work() -> None:
    # By hand: the load counts 1 kW from the start; of these 0.5 kW is work. 3 kWh of source heat take 6 hours.
    time_s = np.arange(0.0, 12 * _HOUR, 300.0)
    load, power = 1e3 * time_s, np.full(len(time_s), 500.0)
    rule = CounterAtRest(replace(_point("counter", "energy"), sampling="counter"), None, "load", _point("hp", "power"))
    assert rule.proved_s(_heard(load=load, hp=power), _SPAN) == pytest.approx(6 * _HOUR, abs=301.0)
    assert rule.proved_s(_heard(load=load, hp=3.0 * power), _SPAN) == inf
