"""Starts and stops of loops whose drive is known as mean power, beside closed integrals of exponential rates."""

from math import exp, sqrt

import numpy as np
import pytest

from analytics.edges import along_line, end_weight
from analytics.frame import DayFrame
from analytics.plant import Signal
from analytics.segments import Pieces
from tests.small_sites import point

MINUTE, N = 60.0, 30
COMPRESSOR_W, FULL_W = 2000.0, 8000.0
ENDS = MINUTE * np.arange(1, N + 1)
MINUTES = Pieces(ENDS - MINUTE, ENDS, np.zeros(N), np.zeros(N))


def _by_weight(rate_w, power_w):
    """Heat of each minute from rates at instants and the drive's means by the minute. [J]"""
    drive = Signal(point("hp.power", "power", "W", sampling="mean"), ENDS, power_w, 600.0, np.append(0.0, ENDS))
    ends = np.stack((np.append(0.0, rate_w[:-1]), rate_w))
    weight = end_weight(MINUTES, ends, drive, frame=DayFrame(np.append(0.0, ENDS), N * MINUTE))
    return MINUTE * ((1.0 - weight) * ends[0] + weight * ends[1])


def _means(power, *, steps=600):
    """Means by the minute of a power over time."""
    middles = (np.arange(N * steps) + 0.5) * MINUTE / steps
    return np.array([power(second) for second in middles]).reshape(N, steps).mean(axis=1)


def _climb_j(since_s, *, begins_w, constant_s):
    """Integral since its start of a rate that goes from `begins_w` to FULL_W."""
    return FULL_W * since_s - (FULL_W - begins_w) * constant_s * (1.0 - exp(-since_s / constant_s))


@pytest.mark.parametrize("start_s", [300.0, 301.0, 320.0, 345.0])
@pytest.mark.parametrize("begins_w", [0.0, 20_000.0])
@pytest.mark.parametrize("slope", [-0.3, 0.0, 0.3])
def test_heat_since_a_start_is_that_of_an_exponential_approach(start_s, begins_w, slope):
    constant_s = 70.0
    power_w = _means(lambda s: 0.0 if s < start_s else COMPRESSOR_W + slope * (s - start_s))
    since = ENDS - start_s
    rate_w = np.where(since > 0, FULL_W - (FULL_W - begins_w) * np.exp(-np.maximum(since, 0.0) / constant_s), 0.0)
    expected_j = _climb_j(ENDS[19] - start_s, begins_w=begins_w, constant_s=constant_s)
    # The compressor's start within its minute is known to about a second.
    assert _by_weight(rate_w, power_w)[:20].sum() == pytest.approx(expected_j, abs=1.5 * max(begins_w, FULL_W / 4))


@pytest.mark.parametrize("stop_s", [600.0, 615.0, 650.0])
def test_a_pump_that_runs_on_carries_away_what_falls_exponentially(stop_s):
    constant_s = 40.0
    power_w = np.array([COMPRESSOR_W * np.clip((stop_s - s + MINUTE) / MINUTE, 0.0, 1.0) for s in ENDS])
    rate_w = FULL_W * np.exp(-np.maximum(ENDS - stop_s, 0.0) / constant_s)
    found_j = _by_weight(rate_w, power_w)
    after = slice(10, 13)
    expected_j = FULL_W * (stop_s - 600.0) + FULL_W * constant_s * (1.0 - exp(-(780.0 - stop_s) / constant_s))
    assert found_j[after].sum() == pytest.approx(expected_j, rel=1e-6)


def test_a_pump_that_stops_with_its_compressor_carries_nothing_after_it():
    power_w = np.where(ENDS <= 600.0, COMPRESSOR_W, 0.0)
    power_w[10] = 0.25 * COMPRESSOR_W
    rate_w = np.where(ENDS <= 600.0, FULL_W, 0.0)
    assert _by_weight(rate_w, power_w)[10:].sum() == pytest.approx(0.25 * MINUTE * FULL_W)


def test_a_run_of_two_minutes_is_not_taken_for_one_that_goes_on():
    power_w = np.zeros(N)
    power_w[5:8] = COMPRESSOR_W * np.array([0.5, 1.0, 0.5])
    rate_w = np.zeros(N)
    rate_w[5:7] = FULL_W
    assert _by_weight(rate_w, power_w).sum() == pytest.approx(2.0 * MINUTE * FULL_W)


def test_without_a_start_or_stop_each_end_counts_for_half():
    power_w = np.full(N, COMPRESSOR_W)
    rate_w = np.linspace(FULL_W, 2 * FULL_W, N)
    ends = np.stack((np.append(0.0, rate_w[:-1]), rate_w))
    np.testing.assert_allclose(_by_weight(rate_w, power_w), MINUTE * ends.mean(axis=0))


@pytest.mark.parametrize("slope_w_s", [-8.0, 0.0, 40.0])
@pytest.mark.parametrize("turn", ["start", "stop"])
def test_a_run_that_nothing_tells_of_has_on_the_mean_over_all_moments_the_heat_of_its_line(slope_w_s, turn):
    """A rate on a line from where it starts, or to where it stops, at each moment of the sixth minute alike."""
    off_j = []
    for moment_s in 300.0 + MINUTE * (np.arange(600) + 0.5) / 600:
        since_s = np.append(0.0, ENDS[:15]) - moment_s
        rate_w = np.where(since_s > 0 if turn == "start" else since_s < 0, FULL_W + slope_w_s * np.abs(since_s), 0.0)
        moves = (rate_w != 0) * 1e-4
        pieces = Pieces(MINUTES.start_s[:15], ENDS[:15], moves[:-1], moves[1:])
        ends = np.stack((rate_w[:-1], rate_w[1:]))
        weight = along_line(np.full(15, 0.5), pieces, ends, u_part=np.full(15, 1 / sqrt(12)))
        ran_s = ENDS[14] - moment_s if turn == "start" else moment_s
        found_j = MINUTE * ((1.0 - weight) * ends[0] + weight * ends[1]).sum()
        off_j.append(found_j - FULL_W * ran_s - 0.5 * slope_w_s * ran_s**2)
    # To first order of the slope within a minute; half a minute's heat is 240 kJ, what its slope adds at least 5 kJ.
    assert np.mean(off_j) == pytest.approx(0.0, abs=0.06 * abs(slope_w_s) * MINUTE**2 / 6 + 1.0)


@pytest.mark.parametrize("lost", [4, 6, 15, 17])
def test_a_reading_that_is_missing_beside_a_turn_leaves_the_weights_known(lost):
    rate_w = np.where((ENDS > 300.0) & (ENDS < 1000.0), FULL_W, 0.0)
    rate_w[lost] = np.nan
    ends = np.stack((np.append(0.0, rate_w[:-1]), rate_w))
    weight = along_line(np.full(N, 0.5), MINUTES, ends, u_part=np.full(N, 1 / sqrt(12)))
    assert np.isfinite(weight).all()
