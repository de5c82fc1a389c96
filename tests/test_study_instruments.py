"""The plan by which the studies draw their instruments."""

from datetime import date, timedelta

import numpy as np
import pytest

from ingest.virtual import SCENARIOS
from tests.studies.instruments import Instruments, at_random, by_plan, lived

_SETS = 40


def _drawn(name: str, kind: str = "one-tank") -> np.ndarray:
    return np.array([by_plan(kind, index, of=_SETS).draw(name) for index in range(_SETS)])


def test_each_equal_part_of_a_sensors_limits_is_used_once():
    places = np.sort((_drawn("error of draw.flow") + 1.0) / 2.0)
    assert np.all(places >= np.arange(_SETS) / _SETS)
    assert np.all(places <= (np.arange(_SETS) + 1) / _SETS)


def test_two_sensors_have_orders_of_their_own_as_have_two_kinds_of_houses():
    """The correlation of forty independent pairs is below 0.4 in 99 of a hundred cases."""
    one, other = _drawn("error of draw.flow"), _drawn("error of hot.temp")
    elsewhere = _drawn("error of draw.flow", "two-tank")
    assert abs(np.corrcoef(one, other)[0, 1]) < 0.4
    assert abs(np.corrcoef(one, elsewhere)[0, 1]) < 0.4


def _middle_but(name: str, error: float) -> Instruments:
    return Instruments(1, lambda each: error if each == name else 0.0)


def test_a_flow_meter_at_the_end_of_its_limits_shows_so_much_more_water_and_no_other_sensor_moves():
    """By 2 %, as its site file states; rounding is far less."""
    sets = [_middle_but("error of draw.flow", error) for error in (0.0, 1.0)]
    (right, high), _ = lived(SCENARIOS["solar-one-tank"], start=date(2025, 5, 2), days=1, seed=3, instruments=sets)
    flows = [seen.traces["draw.flow"].value.sum() for seen in (right, high)]
    assert flows[1] / flows[0] == pytest.approx(1.02, abs=2e-4)
    assert np.array_equal(right.traces["hot.temp"].value, high.traces["hot.temp"].value)


def test_all_sets_see_the_same_house_over_whole_days():
    start = date(2025, 5, 2)
    sets = [at_random(1), at_random(2)]
    seen, truths = lived(SCENARIOS["solar-one-tank"], start=start, days=2, seed=3, instruments=sets)
    assert [truth.day for truth in truths] == [start, start + timedelta(days=1)]
    hot = [each.traces["tank.top"] for each in seen]
    assert hot[0].time_ms[0] // 60_000 == hot[1].time_ms[0] // 60_000
    common = np.isin(hot[0].time_ms // 10_000, hot[1].time_ms // 10_000)
    assert common.mean() > 0.9
    assert np.median(np.abs(hot[0].value[:500] - hot[1].value[:500])) < 5.0
