"""Models of a day: input-output correlation, ground, cloudless sky; against published values and other libraries."""

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from pvlib import clearsky, irradiance, solarposition

from analytics.expected.ground import fit_ground, ground_inputs, ground_temperature
from analytics.expected.input_output import fit_input_output
from analytics.expected.linear import fit_linear
from analytics.expected.sun import clear_sky_global, clear_sky_in_plane, sun_position
from tests.reference_tables import rows

_GENERATOR = np.random.default_rng(11)


def _nine_days():
    sun = np.asarray([8.0, 12.0, 15.0, 18.0, 20.0, 22.0, 24.0, 26.0, 10.0])
    warmth = np.asarray([5.0, -2.0, 8.0, 0.0, 10.0, 3.0, 6.0, -4.0, 9.0])
    return sun, warmth, 1.2 * sun + 0.6 * warmth - 1.5


def test_the_input_output_correlation_gives_the_worked_values():
    """ISO 9459-2 with a = (1.2, 0.6, -1.5), by hand: 25.5, 13.5 and 34.5 MJ."""
    sun, warmth, gained = _nine_days()
    fit = fit_input_output(gained, sun, air_degc=warmth + 12.0, cold_degc=np.full(9, 12.0))
    np.testing.assert_allclose(fit.coefficients, [1.2, 0.6, -1.5], atol=1e-9)
    found = fit.predict([[20.0, 5.0], [10.0, 5.0], [25.0, 10.0]])
    np.testing.assert_allclose(found.value, [25.5, 13.5, 34.5], atol=1e-9)


def test_five_days_are_too_few_and_days_alike_tell_nothing():
    sun, warmth, gained = _nine_days()
    assert fit_input_output(gained[:4], sun[:4], air_degc=warmth[:4], cold_degc=0.0) is None
    assert fit_input_output(gained, np.full(9, 20.0), air_degc=np.full(9, 5.0), cold_degc=0.0) is None


def test_least_squares_is_numpys():
    x = _GENERATOR.normal(size=(40, 3))
    y = x @ [2.0, -1.0, 0.5] + 3.0 + _GENERATOR.normal(0, 0.2, 40)
    fit = fit_linear(x, y, names=("a", "b", "c"))
    outside_library, residual, _, _ = np.linalg.lstsq(np.column_stack((x, np.ones(40))), y, rcond=None)
    np.testing.assert_allclose(fit.coefficients, outside_library, rtol=1e-9)
    assert fit.residual_sd == pytest.approx(float(np.sqrt(residual[0] / 36)))


def test_intervals_of_prediction_hold_in_95_of_100_new_days():
    """Monte Carlo over fits and new days: the textbook interval, 95 % to within four standard errors."""
    held = []
    for _ in range(400):
        x = _GENERATOR.uniform(0, 10, (15, 2))
        fit = fit_linear(x, x @ [1.0, 2.0] + _GENERATOR.normal(0, 1, 15), names=("a", "b"))
        new = _GENERATOR.uniform(1, 9, (5, 2))
        found = fit.predict(new)
        held += list(np.abs(new @ [1.0, 2.0] + _GENERATOR.normal(0, 1, 5) - found.value) <= found.plus_minus)
    assert np.mean(held) == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / len(held)) * 1.5)


def test_far_from_its_days_a_model_says_that_it_guesses():
    sun, warmth, gained = _nine_days()
    fit = fit_input_output(gained, sun, air_degc=warmth, cold_degc=0.0)
    np.testing.assert_array_equal(fit.predict([[20.0, 5.0], [40.0, 5.0], [20.0, -20.0]]).is_beyond, [False, True, True])


def test_few_quiet_days_do_not_make_a_model_too_sure():
    sun, warmth, gained = _nine_days()
    fit = fit_linear(np.column_stack((sun, warmth)), gained, names=("sun", "warmth"), least_sd=0.7)
    assert fit.residual_sd == 0.7


def test_inputs_must_have_a_name_each():
    with pytest.raises(ValueError, match="shape"):
        fit_linear(np.zeros((5, 2)), np.zeros(5), names=("one",))


@pytest.mark.parametrize(
    "row", rows("kusuda.csv"), ids=lambda r: f"z{r['z_m']} d{r['day_of_year']} a{r['alpha_m2_day']}"
)
def test_the_ground_is_kusudas(row):
    """Table computed from the published formula, confirmed by a finite-difference solution; printed to 1e-4 K."""
    found = ground_temperature(
        float(row["z_m"]), float(row["day_of_year"]), mean_degc=10, amplitude_k=11,
        coldest_day=35, diffusivity_m2_day=float(row["alpha_m2_day"]),
    )  # fmt: skip
    assert found == pytest.approx(float(row["T_C"]), abs=6e-5)


def test_deep_ground_keeps_the_years_mean():
    of_year = np.arange(1, 366)
    for depth in (0.0, 1.5, 4.0):
        assert ground_temperature(depth, of_year, mean_degc=9.0, amplitude_k=12.0).mean() == pytest.approx(
            9.0, abs=1e-6
        )
    np.testing.assert_allclose(ground_temperature(60.0, of_year, mean_degc=9.0, amplitude_k=12.0), 9.0, atol=1e-6)


@pytest.mark.parametrize("is_south", [False, True])
def test_season_and_load_of_a_loop_are_found_again(is_south):
    days = [date(2026, 1, 10) + timedelta(days=n) for n in range(60)]
    load_w = _GENERATOR.uniform(800.0, 3000.0, 60)
    season = ground_temperature(
        1.5, [d.timetuple().tm_yday for d in days], mean_degc=10.0, amplitude_k=11.0,
        coldest_day=217.5 if is_south else 35.0,
    )  # fmt: skip
    inputs = ground_inputs(days, load_w, is_south=is_south)
    fit = fit_ground(inputs, season - load_w / 800.0)
    assert fit.coefficients[1] == pytest.approx(-1 / 800.0, rel=1e-6)
    assert fit.coefficients[2] == pytest.approx(10.0, abs=1e-6)
    assert fit.residual_sd == 0.3


_PLACES = [(43.2, -71.5), (37.4, -6.0), (-34.9, 138.6), (59.5, 10.6)]
_HOURS = pd.date_range("2026-01-01", "2026-12-31", freq="37h", tz="UTC")


@pytest.mark.parametrize(("latitude", "longitude"), _PLACES)
def test_the_sun_stands_where_pvlib_says(latitude, longitude):
    """pvlib (an implementation of the NREL solar position algorithm), height without refraction."""
    outside_library = solarposition.get_solarposition(_HOURS, latitude, longitude)
    time_ms = _HOURS.as_unit("ms").asi8
    height, azimuth = sun_position(time_ms, latitude_deg=latitude, longitude_deg=longitude)
    np.testing.assert_allclose(height, outside_library["elevation"], atol=0.05)
    high = outside_library["elevation"].between(0, 80)
    turned = (azimuth - outside_library["azimuth"] + 180) % 360 - 180
    assert np.abs(turned[high]).max() < 0.1


def test_the_cloudless_sky_is_haurwitz():
    """pvlib.clearsky.haurwitz."""
    height = np.linspace(-5, 90, 40)
    outside_library = clearsky.haurwitz(pd.Series(90 - height))["ghi"].to_numpy()
    np.testing.assert_allclose(clear_sky_global(height), outside_library, atol=0.05)


def test_a_plane_gets_what_pvlib_transposes():
    """pvlib.irradiance.get_total_irradiance, isotropic, with the same split of beam and diffuse light."""
    height, azimuth = np.asarray([8.0, 20.0, 45.0, 60.0]), np.asarray([120.0, 150.0, 180.0, 230.0])
    level = clear_sky_global(height)
    outside_library = irradiance.get_total_irradiance(
        45, 185, 90 - height, azimuth,
        dni=0.85 * level / np.sin(np.radians(height)), ghi=level, dhi=0.15 * level, albedo=0.2, model="isotropic",
    )["poa_global"]  # fmt: skip
    found = clear_sky_in_plane(height, azimuth, tilt_deg=45, facing_deg=185)
    np.testing.assert_allclose(found, outside_library, rtol=1e-9)


def test_at_night_the_sky_sends_nothing():
    assert (clear_sky_in_plane([-20.0, -1.0], [10.0, 300.0], tilt_deg=45, facing_deg=180) == 0).all()
