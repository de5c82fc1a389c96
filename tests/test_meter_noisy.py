"""A flow or power meter that scatters while what it measures runs evenly; and what a sensor's noise costs."""

from datetime import date

import numpy as np
import pytest

from analytics.detection import Clear, Fault, NotAssessed
from analytics.detection.meter_noisy import MeterNoisy
from analytics.detection.noise_cost import of_temperature
from analytics.plant import PlantDay
from analytics.trace import Trace
from ingest.virtual import SCENARIOS, simulate
from tests.accounts import account_days
from tests.virtual_days import Traces

_DAY = date(2026, 1, 15)


@pytest.fixture(scope="module")
def traces() -> Traces:
    return simulate(SCENARIOS["two-tank"], start=_DAY, days=1, seed=3).traces


def _plant(traces: Traces) -> PlantDay:
    run = simulate(SCENARIOS["two-tank"], start=_DAY, days=1, seed=3)
    (result,) = account_days(run.site, traces, [_DAY])
    return result.plant


def _noisy(traces: Traces, point: str, part: float) -> Traces:
    old, rng = traces[point], np.random.default_rng(7)
    return {**traces, point: Trace(old.time_ms, old.value * (1.0 + part * rng.standard_normal(len(old.value))).clip(0))}


@pytest.mark.parametrize("point", ["ground.flow", "hp.power"])
def test_a_meter_that_scatters_by_a_fifth_is_told_with_what_it_does_to_the_day(traces: Traces, point: str) -> None:
    verdict = MeterNoisy().assess(_plant(_noisy(traces, point, 0.2)), [], point)
    assert isinstance(verdict, Fault)
    (finding,) = verdict.findings
    assert finding.evidence["noise_percent"] == pytest.approx(20, abs=3)
    assert 0 < float(finding.evidence["by_chance_kwh"] or 0) < 1.0  # hundreds of readings average out
    assert "by chance it moves the" in finding.summary


def test_ordinary_meters_are_clear_and_slight_noise_is_not_told(traces: Traces) -> None:
    plant = _plant(traces)
    assert all(isinstance(MeterNoisy().assess(plant, [], point), Clear) for point in ("ground.flow", "hp.power"))
    slight = _plant(_noisy(traces, "ground.flow", 0.07))
    assert isinstance(MeterNoisy().assess(slight, [], "ground.flow"), NotAssessed)


def test_a_pump_that_runs_in_jerks_is_not_noise(traces: Traces) -> None:
    """Means of a minute in which it paused, among minutes of full flow."""
    old, rng = traces["ground.flow"], np.random.default_rng(7)
    is_short = rng.random(len(old.value)) < 0.45
    jerks = Trace(old.time_ms, old.value * np.where(is_short, rng.uniform(0.2, 0.9, len(old.value)), 1.0))
    assert not isinstance(MeterNoisy().assess(_plant({**traces, "ground.flow": jerks}), [], "ground.flow"), Fault)


def test_the_cost_of_a_noisy_temperature_is_that_of_its_readings(traces: Traces) -> None:
    plant = _plant(traces)
    top, flow = of_temperature(plant, "solar.top", 1.0), of_temperature(plant, "ground.leaving", 1.0)
    assert top is not None
    assert flow is not None
    tank = plant.site.tanks["solar"]
    # By hand: two midnights, 1.15 kWh/(m3 K), twice the standard deviation.
    assert top.kwh == pytest.approx(2 * 2**0.5 * tank.volume_l / 1000 / len(tank.temperatures) * 1.15)
    assert flow.figure == "the heat of loop ground"
    moves = plant.loops["ground"].flow_m3_s
    per_minute_kwh = 1.15 * moves[moves > 0] * 60
    readings_a_minute = 60 / plant.site.points["ground.leaving"].interval_s
    by_readings = 2 * float(np.sqrt((per_minute_kwh**2).sum() / readings_a_minute))
    assert flow.kwh == pytest.approx(by_readings, rel=0.1)
    assert of_temperature(plant, "outdoor.temp", 1.0) is None
