"""Doubt by source: against an independent package, against drawing lots, and against closed answers."""

from datetime import date, timedelta
from itertools import pairwise
from math import sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from analytics.doubt import OVER_COLD, Doubt, combined, from_limit, independent, over_days
from tests.reference_tables import rows

# EN 1434 style example: a loop's heat and the electricity beside it, in kWh.
HEAT = Doubt({"flow": 0.12, "entering": -0.20, "leaving": 0.20}, {"moments": 0.05})
OTHER = Doubt({"flow": 0.03, "leaving": -0.10, "power": 0.02}, {"moments": 0.01, "gaps": 0.04})


def _as_sums(value, doubt, sources):
    """The same value as a sum of independent sources, for the package `uncertainties` to carry on."""
    return value + sum(c * sources[name] for part in (doubt.steady, doubt.passing) for name, c in part.items())


def test_a_ratio_of_figures_that_share_meters_is_that_of_the_uncertainties_package():
    """uncertainties 3 (E. O. Lebigot), linear propagation with correlations."""
    sources = {name: ufloat(0.0, 1.0) for name in ("flow", "entering", "leaving", "power", "moments", "gaps")}
    ratio = _as_sums(10.0, HEAT, sources) / _as_sums(4.0, OTHER, sources)
    ours = combined([(1 / 4.0, HEAT), (-10.0 / 16.0, OTHER)])
    assert ours.u == pytest.approx(ratio.std_dev, rel=1e-12)


@given(st.lists(st.floats(-5, 5), min_size=6, max_size=6))
def test_any_sum_of_two_is_that_of_the_uncertainties_package(c):
    sources = {name: ufloat(0.0, 1.0) for name in "abcd"}
    one, two = Doubt({"a": c[0], "b": c[1]}, {"c": c[2]}), Doubt({"a": c[3], "d": c[4]}, {"c": c[5]})
    total = _as_sums(0.0, one, sources) + _as_sums(0.0, two, sources)
    assert combined([(1.0, one), (1.0, two)]).u == pytest.approx(total.std_dev, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(
    "doubt",
    [
        Doubt({"a": 1.0}),
        Doubt({"a": 1.0, "b": 1.0}),
        Doubt({"a": 1.0, "b": 0.5, "c": -0.7}),
        Doubt({"a": 1.0}, {"x": 0.3}),
        Doubt({"a": 1.0}, {"x": 1.0}),
        Doubt({}, {"x": 2.0}),
        Doubt({"a": 1.0, "b": 0.2}, {"x": 0.1}),
    ],
)
def test_the_interval_holds_the_error_in_19_of_20_draws(doubt):
    """Drawn: steady sources evenly within limits, passing ones normal (GUM supplement 1, JCGM 101, from memory)."""
    rng = np.random.default_rng(20260101)
    n = 400_000
    error = sum(c * rng.uniform(-sqrt(3), sqrt(3), n) for c in doubt.steady.values())
    error = error + sum(c * rng.standard_normal(n) for c in doubt.passing.values())
    assert np.mean(np.abs(error) <= doubt.half_width) == pytest.approx(0.95, abs=0.006)


@pytest.mark.parametrize("row", rows("gum_heat.csv"), ids=lambda row: f"{row['dT_K']} K, {row['pair_limit_K']} K")
def test_a_loops_heat_is_as_doubtful_as_the_table_of_the_guide_says(row):
    """tests/reference/gum_heat.csv: JCGM 100, limits of 2 % for the flow and as given for the pair, u(k) 0.2 %."""
    pair_percent = 100 * float(row["pair_limit_K"]) / float(row["dT_K"])
    doubt = Doubt({"flow": from_limit(2.0), "pair": from_limit(pair_percent), "k": 0.2})
    assert doubt.u == pytest.approx(float(row["u_rel_pct"]), abs=1e-4)


def test_one_limit_alone_is_never_passed_by_its_interval():
    assert Doubt({"sensor": from_limit(0.3)}).half_width == pytest.approx(0.95 * 0.3, rel=0.002)


def _from_first_of_june(doubts):
    return [(date(2026, 6, 1) + timedelta(days=n), doubt) for n, doubt in enumerate(doubts)]


def test_a_month_of_steady_errors_is_thirty_days_of_them_and_of_passing_ones_the_root_of_thirty():
    month = over_days(_from_first_of_june([Doubt({"flow": 0.1}, {"moments": 0.1})] * 30))
    assert month.steady["flow"] == pytest.approx(3.0)
    assert month.passing["moments"] == pytest.approx(0.1 * sqrt(30))


@pytest.mark.parametrize(("source", "stays"), [("layers", 0.5), (f"layers{OVER_COLD} of tank", 0.75)])
def test_what_stands_at_the_ends_of_days_is_as_if_drawn_at_each_midnight(source, stays):
    """Drawn: an error at each midnight, a part of it still there at the next; a day has its end's less its start's."""
    rng, n = np.random.default_rng(20260102), 200_000
    at_midnight = [rng.standard_normal(n)]
    for _ in range(14):
        at_midnight.append(stays * at_midnight[-1] + sqrt(1 - stays**2) * rng.standard_normal(n))
    of_day = [later - earlier for earlier, later in pairwise(at_midnight)]
    days = _from_first_of_june([Doubt(ends={source: float(np.std(day))}) for day in of_day])
    for at, found in ((slice(0, 14), sum(of_day)), (slice(3, 5), of_day[3] + of_day[4])):
        assert over_days(days[at]).u == pytest.approx(np.std(found), rel=0.01)


def test_a_counter_read_at_midnight_is_off_by_two_steps_at_most_however_long_the_month():
    """Drawn: what a counter of whole kilowatt-hours has not shown yet at each midnight, anything up to one of them."""
    rng, n = np.random.default_rng(20260103), 200_000
    hidden = [rng.uniform(0.0, 1.0, n) for _ in range(31)]
    of_day = [earlier - later for earlier, later in pairwise(hidden)]
    days = _from_first_of_june([Doubt(ends={"moments of meter": 1.0 / sqrt(6)})] * 30)
    assert np.std(of_day[0]) == pytest.approx(1.0 / sqrt(6), rel=0.01)
    assert over_days(days).u == pytest.approx(np.std(sum(of_day)), rel=0.01)


def test_days_with_a_gap_between_them_have_four_ends():
    """Two and two days, as two sums apart; a source that a day between has not got is a gap as well."""
    days = _from_first_of_june([Doubt(ends={"layers": c}) for c in (0.3, 0.1, 0.2, 0.1, 0.4)])
    two_and_two = independent([over_days(days[:2]), over_days(days[3:])])
    assert over_days([*days[:2], *days[3:]]).ends == pytest.approx(two_and_two.ends)
    without = (days[2][0], Doubt({}, {"other": 0.2}))
    assert over_days([*days[:2], without, *days[3:]]).ends == pytest.approx(two_and_two.ends)
    assert two_and_two.ends["layers"] ** 2 == pytest.approx(1.5 * (0.3**2 + 0.1**2 + 0.1**2 + 0.4**2) / 2)


def test_a_doubt_of_nothing_is_nothing():
    assert combined([]).half_width == 0.0
    assert Doubt().u == 0.0
