"""Short versions of the studies, so that what they promise is held at every change."""

from datetime import date

import numpy as np
import pytest
from scipy.stats import binomtest

from tests.studies.coverage import Held, held, held_together, rows
from tests.studies.origins import shares


def test_the_truth_lies_within_the_intervals_of_most_figures_and_they_are_no_wider_than_need_be():
    found = [one for layout in ("two-tank", "heat-pump-tank", "passing-heater") for seed in range(201, 209)
             for one in held(layout, seed=seed, days=2)]  # fmt: skip
    moving = [one for one in found if one.truth != 0.0]
    assert 0.93 <= np.mean([one.is_inside for one in moving]) <= 0.995
    hot_water = [row for row in rows(found) if row.name == "hot_water heat"]
    assert all(row.median_plus_minus < 5 * row.median_error for row in hot_water)


def test_a_heater_that_never_ran_does_not_lift_how_often_its_figure_holds():
    ran = [Held("invented", "heat", value, 0.5, 2.0, "measured") for value in (1.8, 2.2, 2.9, 3.0)]
    stood = [Held("invented", "heat", value, 0.1, 0.0, "measured") for value in (0.0, 0.0, 0.05)]
    never = [Held("invented", "other heat", 0.0, 0.0, 0.0, "measured")]
    (row,) = rows([*ran, *stood, *never])
    assert (row.n, row.inside) == (4, 0.5)
    assert (row.none_n, row.none_inside) == (1, 1.0)


def _held_by_houses(inside):
    """A figure that holds or not, by houses (rows) and times."""
    return [
        Held("invented", "heat", 2.0, 0.5 if holds else 0.0, 2.2, "measured", house)
        for house, times in enumerate(inside)
        for holds in times
    ]


def test_what_may_be_by_chance_is_wilsons_interval_where_all_times_are_independent():
    """SciPy's `binomtest`; houses whose sums vary no more than chance."""
    inside = [[True, True], [True, True], [True, False], [True, True], [False, True]] * 12
    (row,) = rows(_held_by_houses(inside))
    theirs = binomtest(96, 120).proportion_ci(method="wilson")
    assert row.may_be == pytest.approx((theirs.low, theirs.high), abs=2e-5)


@pytest.mark.parametrize("alike", [1, 4])
def test_a_figure_that_holds_as_often_as_it_may_is_seldom_said_to_hold_too_often(alike):
    """Drawn: 20 houses of 8 times, of which each `alike` go together, inside 98 % of the times."""
    rng = np.random.default_rng(20260104)
    above = [
        row.is_above
        for _ in range(300)
        for row in rows(_held_by_houses(np.repeat(rng.uniform(size=(20, 8 // alike)) < 0.98, alike, axis=1)))
    ]
    assert np.mean(above) <= 0.05


def test_always_inside_is_beyond_chance_only_where_there_are_enough_times():
    """Of 40 times 98 % come out as all of them in 45 of 100 studies; of 1200 in none."""
    few, many = (rows(_held_by_houses([[True] * 4] * houses))[0] for houses in (10, 300))
    assert (few.is_above, many.is_above) == (False, True)


@pytest.mark.parametrize("kind", ["sun half way up", "heat pump half way up"])
def test_what_is_stored_in_a_tank_heated_half_way_up_lies_within_its_interval(kind):
    """Five days of seven houses; where a constant stood for all days a fourth of the sun's days lay outside."""
    found = [one for seed in range(301, 308) for one in held(kind, seed=seed, days=5)]
    stored = [one for one in found if one.name == "tanks stored_change [store]"]
    assert len(stored) == 35
    assert np.mean([one.is_inside for one in stored]) >= 0.9


def test_heat_by_origin_lies_within_its_interval_over_a_fortnight():
    """An account that errs alike on all days is further off by then than one that errs anew each day."""
    found = [one for seed in (401, 402, 403, 404) for one in held_together("heat pump half way up", seed=seed)]
    given = [one for one in found if "delivered" in one.name or "carried" in one.name]
    assert len(given) == 8
    assert np.mean([one.is_inside for one in given]) >= 0.85


@pytest.mark.parametrize("layout", ["two-tank", "solar-one-tank"])
@pytest.mark.parametrize("start", [date(2025, 1, 13), date(2025, 7, 14)])
def test_each_origins_share_of_the_hot_water_is_that_of_the_truth(layout, start):
    found = shares(layout, start, seed=901)
    assert max(one.error for one in found if not one.is_week) <= 0.05
    assert max(one.error for one in found if one.is_week) <= 0.02
