"""Integrals over readings: by hand on a few points, and laws that must hold however a day is cut."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.plant import Signal
from analytics.segments import cells_of, pieces_of, value_at
from analytics.site import Point

NONE = np.empty(0)


def _signal(time_s, value, sampling="instant", interval_s=60.0):
    point = Point(id="p", quantity="power", unit="W", sampling=sampling, interval_s=interval_s)
    return Signal(point, np.asarray(time_s, float), np.asarray(value, float), max(5 * interval_s, 600.0), NONE)


def test_instant_readings_are_joined_by_straight_lines():
    pieces = pieces_of(_signal([0, 60, 120], [0, 100, 40]), start_s=0, end_s=120)
    assert pieces.amount.tolist() == [3000.0, 4200.0]


def test_a_mean_holds_over_the_interval_that_its_reading_closes():
    pieces = pieces_of(_signal([60, 120], [100, 40], "mean"), start_s=0, end_s=120)
    assert (pieces.start_s.tolist(), pieces.amount.tolist()) == ([0.0, 60.0], [6000.0, 2400.0])


def test_a_missing_mean_is_bridged_by_the_mean_of_its_neighbours():
    pieces = pieces_of(_signal([60, 180], [100, 40], "mean"), start_s=0, end_s=180)
    assert pieces.amount.sum() == pytest.approx(60 * (100 + 70 + 40))


def test_a_late_mean_is_not_a_missing_one():
    pieces = pieces_of(_signal([60, 125], [100, 40], "mean"), start_s=0, end_s=125)
    assert pieces.amount.sum() == pytest.approx(60 * 100 + 65 * 40)


def test_a_counter_gives_its_difference_however_long_nothing_was_heard():
    signal = _signal([0, 60, 7200], [0.0, 600.0, 50_000.0], "counter")
    pieces = pieces_of(signal, start_s=0, end_s=7200)
    assert pieces.amount.sum() == pytest.approx(50_000)
    assert pieces.covered(signal.max_gap_s).tolist() == [True, False]


@pytest.mark.parametrize(("gap_s", "covered_s"), [(599, 719), (600, 720), (601, 120)])
def test_a_gap_is_bridged_up_to_ten_minutes_and_not_beyond(gap_s, covered_s):
    """The contract: 5 nominal intervals or 10 minutes, whichever is longer."""
    pieces = pieces_of(_signal([0, 60, 60 + gap_s, 120 + gap_s], [1, 1, 1, 1]), start_s=0, end_s=1000)
    assert pieces.length_s.sum() == pytest.approx(covered_s)


def test_five_intervals_are_the_limit_of_a_slow_point():
    pieces = pieces_of(_signal([0, 1500, 3001], [1, 1, 1], interval_s=300), start_s=0, end_s=4000)
    assert pieces.length_s.tolist() == [1500.0]


def test_no_readings_cover_nothing():
    for sampling in ("instant", "mean", "counter"):
        assert len(pieces_of(_signal([], [], sampling), start_s=0, end_s=100).start_s) == 0


@given(
    st.lists(st.tuples(st.floats(1, 900), st.floats(0, 1e4)), min_size=2, max_size=30),
    st.sampled_from(["instant", "mean", "counter"]),
    st.floats(0.05, 0.95),
)
def test_the_integral_over_a_stretch_is_the_sum_over_its_two_parts(steps, sampling, part):
    time_s = np.cumsum([s for s, _ in steps])
    value = np.cumsum([v for _, v in steps]) if sampling == "counter" else np.array([v for _, v in steps])
    signal = _signal(time_s, value, sampling)
    end = float(time_s[-1])
    middle = part * end
    whole = pieces_of(signal, start_s=0, end_s=end).amount.sum()
    parts = sum(pieces_of(signal, start_s=a, end_s=b).amount.sum() for a, b in ((0, middle), (middle, end)))
    assert parts == pytest.approx(whole, rel=1e-9, abs=1e-6)


@given(st.lists(st.floats(0, 1e4), min_size=2, max_size=50), st.integers(1, 20))
def test_gathering_into_cells_keeps_the_sum(values, n_cells):
    pieces = pieces_of(_signal(60.0 * np.arange(len(values)), values), start_s=0, end_s=60.0 * (len(values) - 1))
    edges = np.linspace(0, 60.0 * (len(values) - 1), n_cells + 1)
    assert cells_of(pieces, pieces.amount, edges).sum() == pytest.approx(pieces.amount.sum(), rel=1e-9, abs=1e-9)


def test_values_between_readings_lie_on_the_line_and_are_unknown_in_gaps():
    signal = _signal([0, 60, 1000], [10, 20, 30])
    assert value_at(signal, np.array([30.0, 60.0, 500.0, 1000.0, 1061.0])).tolist() == pytest.approx(
        [15.0, 20.0, np.nan, 30.0, np.nan], nan_ok=True
    )
