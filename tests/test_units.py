"""Units against published factors (`tests/reference/unit_factors.csv`) and against scipy's constants."""

import csv
from pathlib import Path
from typing import get_args

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from analytics.site import Quantity
from analytics.units import (
    convert,
    is_unit,
    j_from_kwh,
    known_units,
    kwh_from_j,
    litre_from_m3,
    m3_from_litre,
    shown,
    shown_unit,
    si_unit,
    to_si,
)

_REFERENCE = Path(__file__).parent / "reference" / "unit_factors.csv"


def _factors():
    lines = [line for line in _REFERENCE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


@pytest.mark.parametrize("row", _factors(), ids=lambda row: f"{row['quantity']}-{row['unit']}")
def test_a_unit_leads_to_si_by_the_published_factor(row):
    scale, shift = to_si(row["quantity"], row["unit"])
    # The table is written to 14 digits or more; the shift of degF to 16.
    assert scale == pytest.approx(float(row["scale"]), rel=1e-13)
    assert shift == pytest.approx(float(row["shift"]), rel=1e-13, abs=1e-15)


def test_the_table_of_factors_has_every_unit_that_is_offered():
    offered = {(quantity, unit) for quantity in get_args(Quantity) for unit in known_units(quantity)}
    listed = {(row["quantity"], row["unit"]) for row in _factors()}
    assert offered <= listed
    assert all(is_unit(quantity, unit) for quantity, unit in listed)


@pytest.mark.parametrize(
    ("quantity", "unit", "scale"),
    [
        ("volume", "gal", constants.gallon_US),
        ("volume", "l", constants.liter),
        ("energy", "Btu", constants.Btu_IT),
        ("energy", "kWh", constants.kilo * constants.hour),
        ("power", "Btu/h", constants.Btu_IT / constants.hour),
        ("temperature", "degF", constants.degree_Fahrenheit),
        ("flow", "gpm", constants.gallon_US / constants.minute),
    ],
)
def test_a_factor_agrees_with_scipy_constants(quantity, unit, scale):
    assert to_si(quantity, unit)[0] == pytest.approx(scale, rel=1e-14)  # scipy computes it from the pound and the inch


@pytest.mark.parametrize(("degf", "degc"), [(32.0, 0.0), (68.0, 20.0), (120.2, 49.0), (212.0, 100.0), (-40.0, -40.0)])
def test_fahrenheit_meets_celsius_to_the_last_digit_at_the_usual_marks(degf, degc):
    assert convert(degf, "temperature", from_unit="degF", to_unit="degC") == pytest.approx(degc, abs=1e-14)
    assert convert(degc, "temperature", from_unit="degC", to_unit="degF") == pytest.approx(degf, abs=3e-14)


def test_whole_degrees_stay_whole_through_a_conversion():
    assert convert(68.0, "temperature", from_unit="degF", to_unit="degC") == 20.0
    assert convert(1.0, "energy", from_unit="kWh", to_unit="J") == 3_600_000.0
    assert convert(7200.0, "energy", from_unit="J", to_unit="Wh") == 2.0


@given(st.floats(allow_nan=False))
def test_a_value_in_its_own_unit_is_not_touched(value):
    assert convert(value, "temperature", from_unit="degC", to_unit="Cel") == value
    assert convert(value, "flow", from_unit="l/min", to_unit="L/min") == value


@given(
    st.sampled_from(
        [(q, unit) for q in ("flow", "power", "energy", "volume", "irradiance") for unit in known_units(q)]
    ),
    st.floats(min_value=1e-6, max_value=1e9),
)
def test_there_and_back_is_the_same_value(case, value):
    quantity, unit = case
    si = si_unit(quantity, unit)
    there = convert(value, quantity, from_unit=unit, to_unit=si)
    assert convert(there, quantity, from_unit=si, to_unit=unit) == pytest.approx(value, rel=1e-15 * 8)


def test_an_array_converts_as_its_values_do_and_an_unknown_stays_unknown():
    values = np.array([0.0, 50.0, np.nan, 212.0])
    found = convert(values, "temperature", from_unit="degF", to_unit="K")
    one_by_one = [convert(float(v), "temperature", from_unit="degF", to_unit="K") for v in values]
    np.testing.assert_array_equal(found, one_by_one)
    assert np.isnan(found[2])
    np.testing.assert_array_equal(values, [0.0, 50.0, np.nan, 212.0])


def test_a_unit_of_another_quantity_is_refused_with_what_is_allowed():
    with pytest.raises(ValueError, match=r"'kWh' is not a unit of flow; use one of m3/s, l/s, l/min"):
        to_si("flow", "kWh")


def test_the_thermochemical_btu_is_not_taken_for_the_other():
    assert not is_unit("energy", "[Btu]")  # UCUM: [Btu] is [Btu_th], 0.07 % less than [Btu_IT]


def test_a_turning_speed_is_not_a_speed_over_ground():
    with pytest.raises(ValueError, match=r"'rpm' cannot be converted to 'm/s'"):
        convert(60.0, "speed", from_unit="rpm", to_unit="m/s")


def test_kwh_and_litre_are_what_they_are():
    assert kwh_from_j(3.6e6) == 1.0
    assert j_from_kwh(2.5) == 9e6
    assert litre_from_m3(0.25) == 250.0
    assert m3_from_litre(250.0) == 0.25


@pytest.mark.parametrize(
    ("value", "unit", "us", "us_unit"),
    [
        (49.0, "degC", 120.2, "degF"),
        (5.0, "K", 9.0, "degF difference"),
        (3.785411784, "l", 1.0, "gal"),
        (3.785411784, "l/min", 1.0, "gal/min"),
        (0.09290304, "m2", 1.0, "ft2"),  # NIST SP 811 B.8: square foot, exact
        (0.45359237, "kg", 1.0, "lb"),  # NIST SP 811 B.8: pound, exact
        (1000.0, "W/m2", 316.99833, "Btu/(h ft2)"),  # NIST SP 811 B.8: BtuIT/(ft2 h) is 3.154 591 W/m2
        (1.0, "W/K", 1.8956342, "Btu/(h degF)"),  # NIST SP 811 B.8: BtuIT/(h degF) is 0.527 527 9 W/K
        (3.2, "kWh", 3.2, "kWh"),
    ],
)
def test_a_us_household_reads_its_own_units(value, unit, us, us_unit):
    assert shown_unit(unit, "us") == us_unit
    assert shown(value, unit, system="us") == pytest.approx(us, rel=2e-7)
    assert shown_unit(unit, "si") == unit
    assert shown(value, unit, system="si") == value
