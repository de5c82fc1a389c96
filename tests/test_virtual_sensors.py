"""What sensors make of the plant: a perfect one nothing, an ordinary one an error inside its limits."""

from dataclasses import replace
from datetime import date
from functools import lru_cache

import numpy as np
import pytest

from ingest.virtual import SCENARIOS, simulate
from ingest.virtual.house import House
from ingest.virtual.layout import CH
from ingest.virtual.scenario import site_of
from ingest.virtual.sensors import Sampler, clock_error_ms, wire

START = date(2026, 4, 20)


@lru_cache
def run_of(layout, perfect, days=1):
    return simulate(SCENARIOS[layout], start=START, days=days, seed=8, perfect=perfect)


@lru_cache
def day_of(layout):
    house = House(SCENARIOS[layout], first_day=START, seed=8)
    return house.finish_day()


def test_a_perfect_instant_sensor_shows_the_plant_at_its_time():
    record = day_of("two-tank")
    traces = Sampler(site_of(SCENARIOS["two-tank"]), seed=8, perfect=True).read(record)
    np.testing.assert_array_equal(traces["hot.temp"].value, record.now[:, CH.hot_degc])
    np.testing.assert_array_equal(traces["collector.leaving"].value, record.now[5::6, CH.sun_out_degc])


def test_a_mean_is_of_the_interval_that_ends_at_its_time():
    record = day_of("two-tank")
    traces = Sampler(site_of(SCENARIOS["two-tank"]), seed=8, perfect=True).read(record)
    by_hand = [record.mean[i : i + 6, CH.heat_pump_w].mean() for i in range(0, len(record.mean), 6)]
    np.testing.assert_allclose(traces["hp.power"].value, by_hand, rtol=1e-12)


def test_tank_sensors_sit_in_the_middle_of_their_layers():
    record = day_of("two-tank")
    traces = Sampler(site_of(SCENARIOS["two-tank"]), seed=8, perfect=True).read(record)
    # Two sensors on 16 nodes: a quarter from the top lies between the nodes 3 and 4.
    expected = record.nodes_degc[5::6, 0, 3:5].mean(axis=1)
    np.testing.assert_allclose(traces["preheat.top"].value, expected, rtol=1e-12)


def test_counters_agree_with_the_truth_and_never_fall():
    run = run_of("energy-counters", True, 2)
    ground = run.traces["load.energy"].value
    assert np.all(np.diff(ground) >= 0.0)
    assert ground[-1] - ground[0] == pytest.approx(sum(t.stages["ground"].heat_j for t in run.truth) / 3.6e6, abs=1e-6)
    litres = run.traces["draw.volume"].value
    assert litres[-1] - litres[0] == pytest.approx(sum(t.volume_m3 for t in run.truth) * 1e3, abs=1e-6)


def test_ordinary_counters_never_fall_either():
    run = run_of("energy-counters", False, 2)
    for point in ("load.energy", "sun.energy", "source.energy", "draw.volume"):
        assert np.all(np.diff(run.traces[point].value) >= 0.0)


@pytest.mark.parametrize(("point", "half_width"), [("collector.leaving", 0.1), ("hot.temp", 0.2), ("solar.top", 0.3)])
def test_a_calibration_error_stays_inside_the_stated_limits(point, half_width):
    perfect, ordinary = run_of("two-tank", True), run_of("two-tank", False)
    n = min(len(perfect.traces[point].value), len(ordinary.traces[point].value))
    # Compare medians of the day: noise and lost readings then do not count, calibration does.
    difference = np.median(ordinary.traces[point].value[:n]) - np.median(perfect.traces[point].value[:n])
    assert 0.0 < abs(difference) < half_width + 0.02


def test_readings_of_one_pack_share_their_time_stamp():
    traces = run_of("two-tank", False).traces
    slow = set(traces["collector.sun"].time_ms.tolist())
    quick = set(traces["hot.temp"].time_ms.tolist()) | set(traces["cold.temp"].time_ms.tolist())
    assert len(slow - quick) <= 0.01 * len(slow)


def test_some_readings_are_lost_and_most_are_not():
    perfect, ordinary = run_of("two-tank", True), run_of("two-tank", False)
    lost = 1.0 - len(ordinary.traces["hot.temp"].value) / len(perfect.traces["hot.temp"].value)
    assert 0.0 < lost < 0.1


def test_the_clock_drifts_slowly_and_never_turns_back_between_readings():
    times = np.arange(0, 30 * 86_400_000, 10_000, dtype=np.int64) + 1_775_000_000_000
    shown = times + clock_error_ms(times, seed=3)
    assert np.all(np.diff(shown) > 0)
    assert 100 < np.abs(shown - times).max() < 3_000


def test_a_point_without_a_place_on_the_plant_is_named():
    site = site_of(SCENARIOS["two-tank"])
    lost = replace(site, points={**site.points, "attic.temp": site.points["hot.temp"]})
    with pytest.raises(ValueError, match=r"points attic\.temp have no place"):
        wire(lost)


@pytest.mark.parametrize("layout", sorted(SCENARIOS))
def test_every_point_of_a_layout_says_something_sensible(layout):
    run = run_of(layout, False)
    for point, trace in run.traces.items():
        assert len(trace.value) > 1000, point
        assert np.all(np.isfinite(trace.value)), point
        assert np.all(np.diff(trace.time_ms) > 0), point
