"""Sun, collector, ground and fluids of the virtual plant against published values and independent libraries."""

import math
from datetime import UTC, date, datetime

import iapws
import numpy as np
import pandas as pd
import pvlib
import pytest
from CoolProp.CoolProp import PropsSI

from ingest.virtual.fluid_fits import density, enthalpy, fit_fluid, temperature
from ingest.virtual.ground import undisturbed_ground
from ingest.virtual.sun_loop import collector_output
from ingest.virtual.weather import Climate, Plane, clear_sky, incidence_cosine, sun_path, weather_of_day
from tests.reference_tables import rows

TEMPERATE = Climate(mean_degc=9.0, yearly_swing_k=10.0)


def column(table, name):
    return [float(row[name]) for row in rows(table)]


def utc_times(text, periods=1, freq="20min"):
    return pd.date_range(text, periods=periods, freq=freq, tz="UTC")


def as_ms(times):
    return times.as_unit("ms").asi8


def test_the_collector_gives_what_its_data_sheet_says():
    # ISO 9806 points of a published data sheet (tests/reference/collector.csv), printed in whole W/m2.
    irradiance, above_air = column("collector.csv", "G_W_m2"), column("collector.csv", "dT_K")
    eta0 = 0.739 * (0.85 + 0.15 * 0.91)
    found = [collector_output(g, dt, eta0, 3.51, 0.017) for g, dt in zip(irradiance, above_air, strict=True)]
    np.testing.assert_allclose(found, column("collector.csv", "published_W_m2"), atol=0.5)


def test_the_ground_is_as_the_table_of_kusuda_and_achenbach():
    depths, days, diffusivities = (column("kusuda.csv", name) for name in ("z_m", "day_of_year", "alpha_m2_day"))
    found = [
        undisturbed_ground(z, day, mean_degc=10.0, amplitude_k=11.0, coldest_day=35.0, diffusivity_m2_day=alpha)
        for z, day, alpha in zip(depths, days, diffusivities, strict=True)
    ]
    np.testing.assert_allclose(found, column("kusuda.csv", "T_C"), atol=1e-4)


def test_deep_ground_keeps_the_mean_all_year():
    days = np.arange(365.0)
    assert undisturbed_ground(40.0, days, mean_degc=9.5, amplitude_k=12.0) == pytest.approx(9.5, abs=1e-4)
    assert undisturbed_ground(1.5, days, mean_degc=9.5, amplitude_k=12.0).mean() == pytest.approx(9.5, abs=1e-6)


def test_the_sun_stands_where_the_published_example_puts_it():
    # Reda and Andreas 2004 (NREL), worked example: 2003-10-17 12:30:30 UTC-7, zenith 50.11162, azimuth 194.34024 deg
    # [from memory]; the almanac's formulas are good to 0.01 degree.
    moment = datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC)
    sun = sun_path(np.array([round(moment.timestamp() * 1000)]), 39.742476, -105.1786)
    assert math.degrees(sun.zenith[0]) == pytest.approx(50.1116, abs=0.02)
    assert math.degrees(sun.azimuth[0]) == pytest.approx(194.340, abs=0.02)


@pytest.mark.parametrize(("latitude", "longitude"), [(43.2, -71.5), (59.4, 10.5), (-34.9, 138.6), (37.2, -3.6)])
@pytest.mark.parametrize("day", ["2026-01-15", "2026-03-21", "2026-06-21", "2026-10-02"])
def test_the_sun_goes_as_in_an_independent_ephemeris(latitude, longitude, day):
    # pvlib: the solar position algorithm of NREL.
    times = utc_times(day, 72)
    theirs = pvlib.solarposition.get_solarposition(times, latitude, longitude)
    ours = sun_path(as_ms(times), latitude, longitude)
    np.testing.assert_allclose(np.degrees(ours.zenith), theirs["zenith"], atol=0.03)
    up = theirs["zenith"].to_numpy() < 85.0
    cos_ours = incidence_cosine(ours, 45.0, 190.0)[up]
    cos_theirs = pvlib.irradiance.aoi_projection(45.0, 190.0, theirs["zenith"], theirs["azimuth"])[up]
    np.testing.assert_allclose(cos_ours, cos_theirs, atol=0.001)


def test_a_clear_noon_is_as_bright_as_in_a_published_model():
    # pvlib: Ineichen's clear sky with a Linke turbidity of 3; simple clear-sky models differ by some 10 %.
    times = utc_times("2026-06-21 16:45", 1)
    sun = sun_path(as_ms(times), 43.2, -71.5)
    beam, _ = clear_sky(sun)
    zenith = np.degrees(sun.zenith)
    air_mass = pvlib.atmosphere.get_absolute_airmass(pvlib.atmosphere.get_relative_airmass(zenith))
    theirs = pvlib.clearsky.ineichen(zenith, air_mass, 3.0, altitude=110, dni_extra=sun.extraterrestrial_w_m2)
    assert beam[0] == pytest.approx(theirs["dni"][0], rel=0.1)


def test_no_light_reaches_the_plane_at_night_and_never_more_than_outside_the_air():
    times = utc_times("2026-06-21 04:00", 8640, "10s")
    plane = Plane(latitude_deg=43.2, longitude_deg=-71.5, tilt_deg=45.0, azimuth_deg=180.0)
    weather = weather_of_day(as_ms(times), date(2026, 6, 21), climate=TEMPERATE, plane=plane, seed=1)
    night = np.degrees(sun_path(as_ms(times), 43.2, -71.5).zenith) > 90.0
    assert night.sum() > 2000
    assert np.all(weather.irradiance_w_m2[night] == 0.0)
    assert 0.0 < weather.irradiance_w_m2.max() < 1361.0
    assert np.all(weather.absorbed_w_m2 <= weather.irradiance_w_m2 + 1e-9)


@pytest.mark.parametrize("degc", [5.0, 20.0, 45.0, 70.0, 95.0])
def test_water_is_as_the_steam_tables_say(degc):
    # iapws: IAPWS-IF97, at the house pressure of 0.3 MPa; 5e-4 between formulations.
    water = fit_fluid("water")
    theirs = iapws.IAPWS97(T=degc + 273.15, P=0.3)
    rise = enthalpy(water, degc) - enthalpy(water, 1.0)
    assert density(water, degc) == pytest.approx(theirs.rho, rel=1e-4)
    assert rise == pytest.approx((theirs.h - iapws.IAPWS97(T=274.15, P=0.3).h) * 1e3, rel=1e-3)
    assert temperature(water, enthalpy(water, degc)) == pytest.approx(degc, abs=1e-6)


@pytest.mark.parametrize(
    ("kind", "name"), [("propylene-glycol", "MPG"), ("ethylene-glycol", "MEG"), ("ethanol", "MEA")]
)
def test_a_fitted_mixture_is_the_mixture(kind, name):
    fluid = fit_fluid(kind, 25.0)
    for degc in (-5.0, 5.0, 20.0, 35.0):
        theirs = {q: PropsSI(q, "T", degc + 273.15, "P", 3e5, f"INCOMP::{name}[0.25]") for q in ("D", "C")}
        capacity = enthalpy(fluid, degc + 0.5) - enthalpy(fluid, degc - 0.5)
        assert density(fluid, degc) == pytest.approx(theirs["D"], rel=1e-3)
        assert capacity == pytest.approx(theirs["C"], rel=1e-3)
