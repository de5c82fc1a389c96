"""Hot-water sensors of first order beside water of a known temperature, in draws read every ten seconds."""

from datetime import date, timedelta

import numpy as np
import pytest

from analytics.plant import Signal
from analytics.segments import Pieces
from analytics.slow_answer import late_k
from analytics.trace import Trace
from ingest.virtual import SCENARIOS, simulate, truth_to_json
from tests.accounts import account_days
from tests.small_sites import point

STEP_S, WATER_DEGC, REST_DEGC = 10.0, 50.0, 25.0
PIECES = [1, 2, 1, 9, 3, 1, 20, 2, 1, 1, 8, 4]  # of each draw, begun somewhere within its first


def _house(time_constant_s, *, sampling="instant"):
    """Draws an hour apart: the sensor, the moving pieces, its mean in each, and the true mean of what it lacks. [K]"""
    rng = np.random.default_rng(3)
    time_s = STEP_S * np.arange(360 * (len(PIECES) + 1))
    degc = np.full(len(time_s), REST_DEGC)
    starts, lacks = [], []
    for n, pieces in enumerate(PIECES):
        start_s = 3600.0 * (n + 1)
        opened_s = start_s + rng.uniform(0.0, STEP_S)
        ends_s = start_s + STEP_S * np.arange(1, pieces + 1)
        gap_k = (WATER_DEGC - REST_DEGC) * np.exp(-(ends_s - opened_s) / max(time_constant_s, 1e-3))
        first = round(start_s / STEP_S) + 1
        degc[first : first + pieces] = WATER_DEGC - gap_k
        starts += (start_s + STEP_S * np.arange(pieces)).tolist()
        lacks += [gap_k[0], *(0.5 * (gap_k[1:] + gap_k[:-1]))]
    flow = np.full(len(starts), 1e-4)
    run = Pieces(np.array(starts), np.array(starts) + STEP_S, flow, flow)
    sensor = Signal(point("hot.temp", "temperature", "degC", sampling=sampling), time_s, degc, 600.0, time_s)
    return sensor, run, WATER_DEGC - np.array(lacks), float(np.mean(lacks))


@pytest.mark.parametrize("time_constant_s", [5.0, 8.0, 15.0])
def test_what_a_slow_sensor_lacks_is_found_from_the_draws_alone(time_constant_s):
    sensor, run, degc, lacks_k = _house(time_constant_s)
    assert lacks_k > 0.5
    assert late_k(sensor, run, degc) == pytest.approx(lacks_k, rel=0.25)


def test_a_sensor_that_answers_at_once_lacks_nothing():
    sensor, run, degc, _ = _house(0.0)
    assert late_k(sensor, run, degc) == pytest.approx(0.0, abs=1e-9)


def test_means_and_days_without_a_long_draw_tell_nothing():
    sensor, run, degc, _ = _house(8.0, sampling="mean")
    assert late_k(sensor, run, degc) == 0.0
    sensor, run, degc, _ = _house(8.0)
    short = np.arange(4)
    assert late_k(sensor, run.only(short), degc[short]) == 0.0
    assert late_k(sensor, run.only(short[:0]), degc[:0]) == 0.0


def test_a_house_with_a_slow_sensor_owns_up_to_it_in_the_days_hot_water():
    start, days = date(2026, 1, 13), 2
    run = simulate(SCENARIOS["two-tank"], start=start, days=days, seed=5, perfect=True)
    quick = run.traces["hot.temp"]
    value, kept = quick.value.copy(), np.exp(-10.0 / 20.0)
    for n in range(1, len(value)):
        value[n] = quick.value[n] + kept * (value[n - 1] - quick.value[n])
    slow = {**run.traces, "hot.temp": Trace(quick.time_ms, value)}
    each = [start + timedelta(days=n) for n in range(days)]
    pairs = zip(account_days(run.site, slow, each), account_days(run.site, run.traces, each), strict=True)
    for (late, sharp), truth in zip(pairs, run.truth, strict=True):
        figure, true_kwh = late.ledger.hot_water.heat, truth_to_json(truth)["hot_water"]["heat"]
        assert figure.value < true_kwh
        assert figure.plus_minus > sharp.ledger.hot_water.heat.plus_minus
        assert "slow answer of hot.temp" in late.plant.hot_water.heat.doubt.steady
        assert "slow answer of hot.temp" not in sharp.plant.hot_water.heat.doubt.steady
