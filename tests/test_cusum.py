"""CUSUM against published run lengths, a published series, and another route to the run length."""

from math import exp

import numpy as np
import pytest

from analytics.cusum import Cusum, average_run_length, cusum_path
from tests.reference_tables import rows

_SERIES = rows("cusum.csv")
_X = np.asarray([float(row["x"]) for row in _SERIES])
_USUAL = Cusum()


@pytest.mark.parametrize(
    "row", rows("cusum_run_lengths.csv"), ids=lambda r: f"{r['source']} h{r['h']} +{r['head_start']} shift {r['shift']}"
)
def test_run_lengths_are_the_published_ones(row):
    """Sources in the table's first line; tolerance half of the last printed digit (two of the papers approximate)."""
    scheme = Cusum(allowance=float(row["k"]), limit=float(row["h"]), head_start=float(row["head_start"]))
    length = average_run_length(float(row["shift"]), scheme, two_sided=row["sided"] == "two")
    assert length == pytest.approx(float(row["arl"]), abs=float(row["half_digit"]))


@pytest.mark.parametrize(("shift", "tolerance"), [(0.0, 0.01), (0.5, 0.02), (1.0, 0.02)])
def test_run_lengths_agree_with_siegmunds_approximation(shift, tolerance):
    """Siegmund 1985 as in Montgomery (formula from memory): (exp(-2Db) + 2Db - 1) / 2D^2 with b = h + 1.166."""

    def one_sided(mean):
        d, b = mean - 0.5, 5 + 1.166
        return b * b if d == 0 else (exp(-2 * d * b) + 2 * d * b - 1) / (2 * d * d)

    joined = 1 / (1 / one_sided(shift) + 1 / one_sided(-shift))
    assert average_run_length(shift, _USUAL) == pytest.approx(joined, rel=tolerance)


def test_simulated_run_lengths_are_the_computed_ones():
    generator = np.random.default_rng(7)
    scheme = Cusum(allowance=0.5, limit=3.0)
    lengths = [cusum_path(generator.normal(1.0, 1.0, 200), scheme).signals[0] + 1 for _ in range(2000)]
    error = np.std(lengths) / np.sqrt(len(lengths))
    assert np.mean(lengths) == pytest.approx(average_run_length(1.0, scheme), abs=4 * error)


def test_the_textbook_series_signals_at_its_29th_value():
    """Montgomery's thirty values (from memory), mean 10, K 0.5, H 5: C+ of 5.28 at 29 and 5.30 at 30."""
    path = cusum_path(_X - 10.0, _USUAL, restart=False)
    assert path.signals[0] == 28
    np.testing.assert_allclose(path.upper, [float(row["C_plus"]) for row in _SERIES], atol=1e-9)
    np.testing.assert_allclose(path.lower, [float(row["C_minus"]) for row in _SERIES], atol=1e-9)


def test_the_onset_is_where_the_sum_left_zero():
    path = cusum_path(_X - 10.0, _USUAL, restart=False)
    above_zero = [float(row["C_plus"]) for row in _SERIES]
    last_zero = max(i for i in range(29) if above_zero[i] == 0)
    assert path.onset[28] == last_zero + 1


def test_after_a_signal_a_head_start_finds_a_fault_that_stays_sooner():
    shifted = np.full(40, 1.5)
    plain = cusum_path(shifted, Cusum()).signals
    fast = cusum_path(shifted, Cusum(head_start=2.5)).signals
    assert np.diff(plain).max() == 6  # five steps of one reach h, the sixth exceeds it
    assert np.diff(fast).max() == 3  # from half of h
    assert plain[0] == 5


def test_both_sides_mirror_each_other():
    values = np.random.default_rng(3).normal(0.3, 1.0, 200)
    path, mirror = cusum_path(values, _USUAL), cusum_path(-values, _USUAL)
    np.testing.assert_array_equal(path.upper, mirror.lower)
    np.testing.assert_array_equal(path.signals, mirror.signals)
    assert average_run_length(0.7, _USUAL) == pytest.approx(average_run_length(-0.7, _USUAL), rel=1e-12)


def test_a_day_that_is_not_known_neither_proves_nor_acquits():
    values = np.asarray([2.0, np.nan, 2.0, np.nan, np.nan, 2.0])
    path = cusum_path(values, _USUAL)
    np.testing.assert_allclose(path.upper, [1.5, 1.5, 3.0, 3.0, 3.0, 4.5])
    assert len(path.signals) == 0


def test_a_signal_needs_more_than_the_limit():
    at = cusum_path([3.0, 3.0], Cusum(allowance=0.5, limit=5.0))
    above = cusum_path([3.0, 3.0], Cusum(allowance=0.5, limit=4.999))
    assert (len(at.signals), len(above.signals)) == (0, 1)
