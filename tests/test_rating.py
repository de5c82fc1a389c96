"""The maker's sheet: at its points, between them, beyond them, and against scipy's interpolation."""

import numpy as np
import pytest
from scipy.interpolate import LinearNDInterpolator, RegularGridInterpolator

from analytics.rating import OUTSIDE_LIMIT_K, rated
from analytics.site import RatingPoint


def _points(rows, mode="heating"):
    return [
        RatingPoint(mode=mode, entering_c=e, leaving_c=leaving, capacity_w=capacity, power_w=power)
        for e, leaving, capacity, power in rows
    ]


_GRID = _points(
    [
        (-5, 35, 5300, 1500), (0, 35, 6100, 1520), (10, 35, 7900, 1560),
        (-5, 45, 5100, 1790), (0, 45, 5850, 1810), (10, 45, 7500, 1860),
        (-5, 55, 4900, 2150), (0, 55, 5600, 2160), (10, 55, 7100, 2230),
    ]
)  # fmt: skip
_THREE = _points([(0, 45, 5200, 1570), (0, 55, 4900, 1840), (10, 45, 6600, 1640)])
_TWO = _points([(0, 35, 9100, 2330), (10, 35, 11600, 2420)])
_SCATTERED = [*_THREE, *_points([(10, 57, 6200, 1960), (-6, 38, 4700, 1400)])]


@pytest.mark.parametrize("sheet", [_GRID, _THREE, _TWO, _SCATTERED, _TWO[:1]])
def test_the_sheet_is_met_at_its_points(sheet):
    found = rated(
        sheet, "heating", entering_degc=[p.entering_c for p in sheet], leaving_degc=[p.leaving_c for p in sheet]
    )
    np.testing.assert_allclose(found.capacity_w, [p.capacity_w for p in sheet], rtol=1e-12)
    np.testing.assert_allclose(found.power_w, [p.power_w for p in sheet], rtol=1e-12)
    np.testing.assert_allclose(found.outside_k, 0.0, atol=1e-12)


def test_between_two_points_is_the_straight_line():
    """By hand: half way from 9100 to 11600 W and from 2330 to 2420 W."""
    found = rated(_TWO, "heating", entering_degc=5.0, leaving_degc=35.0)
    assert (found.capacity_w, found.power_w) == (pytest.approx(10350), pytest.approx(2375))
    assert found.cop == pytest.approx(10350 / 2375)


def test_a_grid_is_read_as_scipy_reads_it():
    generator = np.random.default_rng(1)
    e, leaving = generator.uniform(-5, 10, 200), generator.uniform(35, 55, 200)
    table = np.asarray([p.capacity_w for p in sorted(_GRID, key=lambda p: (p.entering_c, p.leaving_c))]).reshape(3, 3)
    outside_library = RegularGridInterpolator(([-5.0, 0.0, 10.0], [35.0, 45.0, 55.0]), table)
    found = rated(_GRID, "heating", entering_degc=e, leaving_degc=leaving)
    np.testing.assert_allclose(found.capacity_w, outside_library(np.column_stack((e, leaving))), rtol=1e-12)


def test_scattered_points_are_read_as_scipy_reads_them():
    generator = np.random.default_rng(2)
    at = generator.uniform((-6, 38), (10, 57), (300, 2))
    places = [(p.entering_c, p.leaving_c) for p in _SCATTERED]
    outside_library = LinearNDInterpolator(places, [p.power_w for p in _SCATTERED])(at)
    found = rated(_SCATTERED, "heating", entering_degc=at[:, 0], leaving_degc=at[:, 1])
    inside = np.isfinite(outside_library)
    assert inside.sum() > 100
    np.testing.assert_allclose(found.power_w[inside], outside_library[inside], rtol=1e-9)
    assert (found.outside_k[inside] == 0).all()
    assert (found.outside_k[~inside] > 0).all()


@pytest.mark.parametrize("sheet", [_GRID, _THREE, _TWO])
@pytest.mark.parametrize(("beyond_k", "is_read"), [(4.99, True), (5.0, True), (5.01, False)])
def test_five_kelvin_beyond_the_sheet_says_nothing(sheet, beyond_k, is_read):
    coldest = min(p.entering_c for p in sheet)
    leaving = min(p.leaving_c for p in sheet)
    found = rated(sheet, "heating", entering_degc=coldest - beyond_k, leaving_degc=leaving)
    assert float(found.outside_k) == pytest.approx(beyond_k)
    assert np.isfinite(found.cop) == is_read
    assert OUTSIDE_LIMIT_K == 5.0


def test_beyond_the_sheet_the_nearest_plane_goes_on():
    found = rated(_THREE, "heating", entering_degc=-3.0, leaving_degc=45.0)
    assert found.capacity_w == pytest.approx(5200 - 3 * 140)
    # Where the corner of the square is missing, the plane of the three points holds; it lies some way outside.
    corner = rated(_THREE, "heating", entering_degc=8.0, leaving_degc=50.0)
    assert corner.capacity_w == pytest.approx(5200 + 8 * 140 - 5 * 30)
    assert corner.outside_k == pytest.approx((8 / 10 + 5 / 10 - 1) * 10 / np.sqrt(2))


def test_a_sheet_of_one_leaving_temperature_says_nothing_far_from_it():
    found = rated(_TWO, "heating", entering_degc=[0.0, 0.0, 5.0], leaving_degc=[35.0, 39.0, 45.0])
    np.testing.assert_allclose(found.outside_k, [0.0, 4.0, 10.0])
    assert found.capacity_w[1] == pytest.approx(9100)
    assert np.isnan(found.capacity_w[2])


def test_the_other_mode_is_not_read():
    both = [*_TWO, *_points([(25, 12, 11000, 2100)], mode="cooling")]
    assert rated(both, "cooling", entering_degc=27.0, leaving_degc=12.0).cop == pytest.approx(11000 / 2100)
    assert np.isnan(rated(_TWO, "cooling", entering_degc=25.0, leaving_degc=12.0).cop)


def test_an_unknown_temperature_gives_an_unknown_figure():
    found = rated(_GRID, "heating", entering_degc=[np.nan, 0.0], leaving_degc=[35.0, np.nan])
    assert np.isnan(found.capacity_w).all()
    assert np.isnan(found.outside_k).all()


def test_an_array_is_read_as_its_values_one_by_one():
    e = np.asarray([-7.0, 0.0, 3.3, 12.0])
    whole = rated(_SCATTERED, "heating", entering_degc=e, leaving_degc=44.0)
    single = [float(rated(_SCATTERED, "heating", entering_degc=x, leaving_degc=44.0).capacity_w) for x in e]
    np.testing.assert_array_equal(whole.capacity_w, single)
