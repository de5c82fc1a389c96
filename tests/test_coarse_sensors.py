"""Thermometers rounded to half a kelvin that speak on change: no sensor of a sound house is blamed, a broken one is."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from analytics.day import account_day, window
from analytics.detection import Alert, advance, assess_day
from analytics.detection import Fault as FaultFound
from analytics.detection.sensor_noisy import SensorNoisy
from analytics.figures import DayLedger
from analytics.pair_check import PairCheck, pair_checks_from_json, pair_checks_to_json
from analytics.rounding import coarse_step_k, least_step
from analytics.trace import Trace, local_day
from ingest.virtual import SCENARIOS, Fault, simulate
from ingest.virtual.scenario import site_of
from tests.accounts import day_traces
from tests.plants import healthy_day, house, plant_of

_DAY_MS, _STEP_K, _BEAT_MS = 86_400_000, 0.5, 600_000


def _on_change(trace: Trace) -> Trace:
    """Rounded to half a kelvin; sent when that changes, and ten minutes after the last time at the latest."""
    value = np.round(trace.value / _STEP_K) * _STEP_K
    kept = [0]
    for index in range(1, len(value)):
        is_due = trace.time_ms[index] - trace.time_ms[kept[-1]] >= _BEAT_MS
        if value[index] != value[kept[-1]] or is_due:
            kept.append(index)
    return Trace(trace.time_ms[kept], value[kept])


def _alerts(scenario: str, start: date, *, days: int, seed: int, faults: Sequence[Fault] = ()) -> list[Alert]:
    run = simulate(SCENARIOS[scenario], start=start, days=days, seed=seed, faults=faults)
    traces = {
        point: _on_change(trace) if run.site.points[point].quantity == "temperature" else trace
        for point, trace in run.traces.items()
    }
    alerts: list[Alert] = []
    history: list[DayLedger] = []
    state = None
    for day in (local_day(start + timedelta(days=n), run.site.timezone) for n in range(days)):
        result = account_day(run.site, day_traces(traces, *window(day)), day, state=state)
        alerts, _ = advance(alerts, assess_day(result.plant, history), now_ms=day.end_ms)
        state, history = result.state, [*history, result.ledger]
    return alerts


@pytest.mark.parametrize(
    ("scenario", "start", "days", "seed"),
    [
        # By steps alone two sensors of this path differ by half a kelvin for days, where their classes allow 0.4 K.
        ("passing-heater", date(2026, 1, 5), 14, 1),
        ("passing-heater", date(2026, 4, 10), 14, 1),
        # The tank's bottom stands still all night while its top cools by more than ten kelvin.
        ("boiler-backup", date(2026, 1, 5), 3, 7),
        # The preheat tank is as warm as its room, and so is the water that leaves it.
        ("two-tank", date(2026, 4, 16), 5, 15),
        # The gateway is away for twenty minutes just as several sensors have not changed for ten.
        ("two-tank", date(2026, 1, 14), 5, 1),
        ("solar-one-tank", date(2026, 7, 5), 12, 4),
    ],
)
def test_in_a_sound_house_nothing_is_told(scenario: str, start: date, days: int, seed: int) -> None:
    assert [alert.summary for alert in _alerts(scenario, start, days=days, seed=seed)] == []


@pytest.mark.parametrize(
    ("scenario", "fault", "point", "kind"),
    [
        ("passing-heater", "sensor-offset", "heated.temp", "sensor-offset"),
        ("solar-one-tank", "sensor-stuck", "tank.middle", "sensor-stuck"),
        ("solar-one-tank", "sensor-missing", "tank.bottom", "sensor-missing"),
    ],
)
def test_a_broken_one_is_told(scenario: str, fault: str, point: str, kind: str) -> None:
    start = date(2026, 4, 10)
    began_ms = local_day(start, site_of(SCENARIOS[scenario]).timezone).start_ms + 4 * _DAY_MS + 10 * 3_600_000
    alerts = _alerts(scenario, start, days=12, seed=1, faults=[Fault(name=fault, start_ms=began_ms, points=(point,))])
    told = [alert for alert in alerts if alert.kind == kind]
    assert len(told) == 1, [alert.summary for alert in alerts]
    assert point in told[0].summary
    assert told[0].detected_ms >= began_ms


def test_a_step_is_coarse_from_two_tenths_of_a_kelvin_on() -> None:
    moving = np.sin(np.arange(500) / 40.0)
    assert [coarse_step_k(np.round(moving / step) * step) for step in (0.5, 0.25, 0.1)] == pytest.approx([0.5, 0.25, 0])
    assert coarse_step_k(moving) == 0.0
    assert coarse_step_k(np.full(500, 20.0)) == 0.0  # one that never moved shows no step
    assert least_step(np.full(500, 20.0)) == np.inf
    # Coarse at first by chance, fine later on.
    assert coarse_step_k(np.concatenate((np.full(100, 20.0), [20.5, 20.6]))) == 0.0


def test_rounding_is_kept_with_a_days_check_where_there_is_any() -> None:
    check = PairCheck(
        component="c", first="a", second="b", method="rest", difference_k=0.5, u_k=0.01, minutes=9, start_s=0, end_s=600
    )
    coarse = replace(check, rounding_k=0.5)
    data = pair_checks_to_json([check, coarse])
    assert ["rounding_k" in each for each in data] == [False, True]
    assert pair_checks_from_json(data) == (check, coarse)


@pytest.mark.parametrize(("step_k", "noise_k", "is_noisy"), [(0.5, 0.2, False), (0.5, 1.5, True), (0.01, 0.4, True)])
def test_going_to_and_fro_between_two_coarse_steps_is_no_noise(step_k: float, noise_k: float, is_noisy: bool) -> None:
    random = np.random.default_rng(4).normal(20.2, noise_k, len(healthy_day()["preheat.bottom"]))
    rounded = np.round(random / step_k) * step_k
    courses = {**healthy_day(), "preheat.bottom": rounded}
    plant = plant_of(house(), courses, before=courses)
    assert isinstance(SensorNoisy().assess(plant, [], "preheat.bottom"), FaultFound) is is_noisy
