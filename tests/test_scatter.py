"""How far readings scatter: of noise alone, beside a trend and a start, and of what is not known."""

import numpy as np
import pytest

from analytics.scatter import scatter_k


@pytest.mark.parametrize("sd_k", [0.02, 0.5])
def test_the_scatter_is_the_noises_and_not_the_courses(sd_k: float) -> None:
    """A fall of 3 K in all with a step of 20 K within it; the median of 2000 values is good to a few percent."""
    noise = sd_k * np.random.default_rng(1).normal(size=2000)
    course = np.linspace(50.0, 47.0, 2000) + np.where(np.arange(2000) > 900, 20.0, 0.0)
    assert scatter_k(course + noise) == pytest.approx(sd_k, rel=0.06)


def test_what_does_not_move_or_rises_steadily_scatters_by_nothing() -> None:
    assert scatter_k(np.full(50, 40.0)) == 0.0
    assert scatter_k(np.arange(50.0)) == pytest.approx(0.0, abs=1e-12)


def test_too_few_values_tell_nothing_and_gaps_are_left_out() -> None:
    assert np.isnan(scatter_k(np.array([1.0, 2.0])))
    assert np.isnan(scatter_k(np.array([1.0, np.nan, 2.0, np.nan, 3.0])))
    noise = np.random.default_rng(1).normal(size=2000)
    gaps = np.where(np.arange(2000) % 50 == 0, np.nan, noise)
    assert scatter_k(gaps) == pytest.approx(1.0, rel=0.06)
