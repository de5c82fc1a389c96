"""Sums and means of courses of which some cells are not known."""

from math import isnan

import numpy as np
import pytest

from analytics.courses import mean_of_known, sum_of_known, unknown_as_none
from analytics.segments import sum_over

HALF_KNOWN = np.array([2.0, np.nan, 4.0, np.nan])
KNOWN = np.array([2.0, 4.0, 6.0])


def test_what_is_not_known_counts_as_none_in_a_sum():
    assert unknown_as_none(HALF_KNOWN).tolist() == [2.0, 0.0, 4.0, 0.0]
    assert sum_of_known(HALF_KNOWN) == 6.0
    assert isnan(HALF_KNOWN[1])  # the course itself is left as it is


def test_a_course_of_which_all_is_known_is_its_own_stand_in():
    assert unknown_as_none(KNOWN) is KNOWN
    assert sum_of_known(KNOWN) == 12.0


def test_a_mean_is_that_of_the_known():
    assert mean_of_known(HALF_KNOWN, otherwise=50.0) == 3.0
    assert mean_of_known(np.stack((KNOWN, KNOWN)), otherwise=50.0) == 4.0


@pytest.mark.parametrize("values", [np.empty(0), np.full(3, np.nan)], ids=["no values", "none known"])
def test_where_nothing_is_known_another_mean_stands_in(values):
    assert mean_of_known(values, otherwise=50.0) == 50.0
    assert sum_of_known(values) == 0.0


def test_a_sum_over_some_leaves_the_others_out():
    assert sum_over(KNOWN, np.array([True, False, True])) == 8.0
    assert sum_over(KNOWN, np.ones(3, bool)) == 12.0
    assert sum_over(KNOWN, np.zeros(3, bool)) == 0.0
