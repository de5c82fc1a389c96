"""When a loop read once a minute starts and stops, by temperatures made of curves that turn at that moment."""

import numpy as np
import pytest

from analytics.plant import Signal
from analytics.segments import Pieces
from analytics.turns import turns_by_warmth
from tests.small_sites import point

MINUTE, N = 60.0, 41
TIMES_S = MINUTE * np.arange(N)
START_S, STOP_S = 600.0, 1500.0  # and a fraction of a minute


def _pieces(moves):
    flow = np.where(moves(TIMES_S), 1e-4, 0.0)
    return Pieces(TIMES_S[:-1], TIMES_S[1:], flow[:-1], flow[1:])


def _signal(name, value):
    return Signal(point(name, "temperature", "degC"), TIMES_S, value, 600.0, TIMES_S)


def _pipe(stop_s, *, start_s=START_S):
    """Leaps to the tank's 40 degC at the start, climbs with it, and cools to a room of 20 degC with 40 min."""
    running = 40.0 + 0.05 * (TIMES_S - start_s) / MINUTE
    at_stop = 40.0 + 0.05 * (stop_s - start_s) / MINUTE
    cooling = 20.0 + (at_stop - 20.0) * np.exp(-(TIMES_S - stop_s) / 2400.0)
    return np.where(start_s > TIMES_S, 25.0, np.where(stop_s > TIMES_S, running, cooling))


def _tank(start_s, stop_s):
    """Rises by 0.12 K a minute while the loop runs."""
    return 50.0 + 0.12 * (np.clip(TIMES_S, start_s, stop_s) - start_s) / MINUTE


@pytest.mark.parametrize("part", [0.0, 0.2, 0.5, 0.9])
def test_a_pipe_that_cools_tells_when_it_came_to_rest(part):
    stop_s = STOP_S + part * MINUTE
    pieces = _pieces(lambda t: (t >= START_S) & (t <= stop_s))
    turns = turns_by_warmth(pieces, pipes=[_signal("loop.entering", _pipe(stop_s))], tank=[])
    assert turns.at.tolist() == [9, 25]
    assert turns.ran[1] == pytest.approx(part, abs=0.02)
    assert turns.doubt[1] < 0.1


@pytest.mark.parametrize("part", [0.1, 0.5, 0.8])
def test_a_tank_that_rises_tells_both(part):
    start_s, stop_s = START_S + part * MINUTE, STOP_S + part * MINUTE
    pieces = _pieces(lambda t: (t >= start_s) & (t <= stop_s))
    turns = turns_by_warmth(pieces, pipes=[], tank=[_signal("tank.bottom", _tank(start_s, stop_s))])
    assert turns.at.tolist() == [10, 25]
    np.testing.assert_allclose(turns.ran, [1.0 - part, part], atol=0.01)
    assert (turns.doubt < 0.1).all()


def test_a_pipe_that_leaps_at_the_start_tells_nothing_of_it():
    pieces = _pieces(lambda t: (t >= START_S) & (t <= STOP_S))
    turns = turns_by_warmth(pieces, pipes=[_signal("loop.entering", _pipe(STOP_S))], tank=[])
    assert (turns.ran[0], turns.doubt[0]) == (0.5, 1.0)


def test_nothing_is_told_where_nothing_turns_or_no_run_lasts():
    level = _signal("tank.bottom", np.full(N, 50.0))
    lasting = turns_by_warmth(_pieces(lambda t: (t >= START_S) & (t <= STOP_S)), pipes=[], tank=[level])
    np.testing.assert_array_equal(lasting.ran, 0.5)
    np.testing.assert_array_equal(lasting.doubt, 1.0)
    short = turns_by_warmth(_pieces(lambda t: t == START_S), pipes=[], tank=[level])
    assert len(short.at) == 0


@pytest.mark.parametrize("noise_k", [0.005, 0.02, 0.1])
def test_what_is_left_in_doubt_is_what_noise_leaves(noise_k):
    rng = np.random.default_rng(4)
    errors, doubts = [], []
    for _ in range(400):
        stop_s = STOP_S + rng.uniform() * MINUTE
        pieces = _pieces(lambda t, stop_s=stop_s: (t >= START_S) & (t <= stop_s))
        pipe = _signal("loop.entering", _pipe(stop_s) + noise_k * rng.standard_normal(N))
        turns = turns_by_warmth(pieces, pipes=[pipe], tank=[])
        errors.append(turns.ran[1] - (stop_s - STOP_S) / MINUTE)
        doubts.append(turns.doubt[1] / np.sqrt(12.0))
    error, told = np.sqrt(np.mean(np.square(errors))), np.sqrt(np.mean(np.square(doubts)))
    assert error < 1.02 / np.sqrt(12.0)  # no worse than the bare interval's middle
    assert error < 1.3 * told + 0.02
