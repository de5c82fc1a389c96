"""Gateways that send a point when it changes: what it said last holds until it speaks again."""

from dataclasses import replace

import numpy as np
import pytest

from analytics.on_change import held_until_change
from tests.small_sites import account, point, trace
from tests.test_day_account import DRAW_KWH, HOUR, HOUSE, _readings

_FLOW = point("draw", "flow", "l/min")
_HEARTBEAT_S = 540.0


def _on_change(changes: dict[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Readings at changes, and every nine minutes after the last one."""
    times_s, values = [], []
    at_s, value = -HOUR, 0.0
    for change_s, new in [*changes.items(), (25 * HOUR, 0.0)]:
        beats_s = np.arange(at_s, change_s, _HEARTBEAT_S)
        times_s.append(beats_s)
        values.append(np.full(len(beats_s), value))
        at_s, value = change_s, new
    return np.concatenate(times_s), np.concatenate(values)


def test_a_draw_is_as_long_as_its_flow_was_on():
    """Ten minutes of 10 l/min, 100 l; a ramp from the heartbeat before it would make it up to 45 l more."""
    draws = {19 * HOUR + 100: 10.0, 19 * HOUR + 700: 0.0, 20 * HOUR: 6.0, 20 * HOUR + 333: 0.0}
    house = replace(HOUSE, points={**HOUSE.points, "draw": _FLOW})
    ledger = account(house, _readings() | {"draw": trace(*_on_change(draws))}).ledger
    litres = 100.0 + 6.0 * 333 / 60
    assert ledger.hot_water.volume.value == pytest.approx(litres, abs=0.5)
    assert ledger.hot_water.heat.value == pytest.approx(DRAW_KWH * litres / 100, rel=0.01)


def test_a_draw_told_by_means_is_as_long_as_its_flow_was_on():
    """Each mean is of the ten seconds before it; what was not sent again had not changed. 100 l, then 33.3 l."""
    draws = {19 * HOUR + 110: 10.0, 19 * HOUR + 710: 0.0, 20 * HOUR: 6.0, 20 * HOUR + 333: 0.0}
    means = point("draw", "flow", "l/min", sampling="mean", interval_s=10.0)
    house = replace(HOUSE, points={**HOUSE.points, "draw": means})
    ledger = account(house, _readings() | {"draw": trace(*_on_change(draws))}).ledger
    assert ledger.hot_water.volume.value == pytest.approx(100.0 + 6.0 * 333 / 60, abs=0.5)


def test_even_readings_stay_as_they_are():
    every = np.arange(0, 86400, 300.0)  # five minutes, where the site file says one
    value = 40.0 + np.sin(every / 3000)
    assert held_until_change(_FLOW, every, value)[0] is every
    late = np.delete(np.arange(0, 86400, 60.0), slice(100, 108))  # a gap of eight minutes in even minutes
    assert held_until_change(_FLOW, late, np.arange(len(late)) * 1.0)[0] is late


def test_a_steady_climb_is_no_even_reading():
    """A compressor rests, then draws 10 W more each half minute, and stops: its rest holds until it starts."""
    power = point("hp", "power", "W", interval_s=10.0)
    climb = {8 * HOUR + 30.0 * n: 800.0 + 10.0 * n for n in range(40)} | {8 * HOUR + 1200.0: 0.0}
    time_s, value = held_until_change(power, *_on_change(climb))
    assert np.interp(8 * HOUR - 11.0, time_s, value) == 0.0
    assert np.interp(8 * HOUR, time_s, value) == 800.0


def test_counters_go_on_as_they_count():
    time_s, value = _on_change({8 * HOUR: 5.0, 8 * HOUR + 200: 9.0, 11 * HOUR: 12.0, 11 * HOUR + 80: 30.0})
    value = np.maximum.accumulate(value)
    counted = replace(HOUSE, points={**HOUSE.points, "draw": point("draw", "volume", "l", sampling="counter")})
    signal = account(counted, _readings() | {"draw": trace(time_s, value)}).plant.signals["draw"]
    assert len(signal.time_s) == len(time_s)
