"""Guideline 14 figures against a worked example, their limits and their laws."""

import numpy as np
import pytest

from analytics.statistics_of_fit import GUIDELINE_14_LIMITS, FitLimits, fit_statistics

_Y = [10, 12, 9, 11, 13, 8, 10, 12]
_FITTED = [10.5, 11.5, 9.2, 10.6, 13.4, 8.3, 9.7, 12.2]


@pytest.mark.parametrize(("p", "cv", "nmbe"), [(0, 3.458, -0.471), (1, 3.697, -0.538), (2, 3.993, -0.627)])
def test_the_worked_example(p, cv, nmbe):
    """Eight pairs by hand with the definitions of ASHRAE Guideline 14-2014, in percent, half of the last digit."""
    found = fit_statistics(_Y, _FITTED, n_parameters=p)
    assert 100 * found.cv_rmse == pytest.approx(cv, abs=5e-4)
    assert 100 * found.nmbe == pytest.approx(nmbe, abs=5e-4)


def test_a_perfect_fit_has_no_error():
    found = fit_statistics(_Y, _Y, n_parameters=2)
    assert (found.cv_rmse, found.nmbe, found.r_squared) == (0.0, 0.0, 1.0)


def test_a_model_that_promises_too_much_is_negative():
    assert fit_statistics(_Y, np.asarray(_Y) + 1.0).nmbe == pytest.approx(-8 / 85)


def test_the_mean_itself_explains_nothing():
    assert fit_statistics(_Y, np.full(8, np.mean(_Y))).r_squared == pytest.approx(0.0, abs=1e-12)


def test_scale_does_not_matter():
    small, large = (fit_statistics(np.asarray(_Y) * f, np.asarray(_FITTED) * f) for f in (1e-3, 1e3))
    assert small.cv_rmse == pytest.approx(large.cv_rmse, rel=1e-12)


def test_what_is_not_known_is_left_out():
    found = fit_statistics([*_Y, np.nan, 5.0], [*_FITTED, 7.0, np.nan])
    assert found == fit_statistics(_Y, _FITTED)


@pytest.mark.parametrize(("y", "fitted"), [([], []), ([1.0, 2.0], [1.0, 2.0]), ([1.0, -1.0, 0.0], [0.0, 0.0, 0.0])])
def test_too_little_says_nothing(y, fitted):
    found = fit_statistics(y, fitted, n_parameters=2)
    assert np.isnan(found.cv_rmse)
    assert not found.is_within(GUIDELINE_14_LIMITS["month"])


def test_limits_are_the_guidelines():
    """ASHRAE Guideline 14-2014: month 15 % and 5 %, hour 30 % and 10 %."""
    assert GUIDELINE_14_LIMITS["month"] == FitLimits(0.15, 0.05)
    assert GUIDELINE_14_LIMITS["hour"] == FitLimits(0.30, 0.10)
    found = fit_statistics(_Y, _FITTED)
    assert found.is_within(FitLimits(found.cv_rmse, -found.nmbe))
    assert not found.is_within(FitLimits(found.cv_rmse, -found.nmbe - 1e-9))


def test_shapes_must_agree():
    with pytest.raises(ValueError, match="one shape"):
        fit_statistics([1.0, 2.0], [1.0])
