"""Closed formulas against published points and worked examples."""

import pytest

from analytics.fluids import water
from analytics.performance import (
    carnot_cop,
    collector_rate,
    stagnation_temperature,
    standing_temperature,
)
from tests.reference_tables import rows

# A public data sheet, flat plate, tested to ISO 9806:2017: eta0,b 0.739, Kd 0.91, a1 3.51, a2 0.017.
SHEET = {"eta0": 0.739 * (0.85 + 0.15 * 0.91), "a1": 3.51, "a2": 0.017}


@pytest.mark.parametrize("row", rows("collector.csv"), ids=lambda r: f"dT {r['dT_K']}")
def test_collector_gives_the_watts_printed_on_the_data_sheet(row):
    """Published W/m2 at 1000 W/m2, printed without decimals: half a digit."""
    rate = collector_rate(float(row["G_W_m2"]), float(row["dT_K"]), **SHEET)
    assert rate == pytest.approx(float(row["published_W_m2"]), abs=0.5)


def test_stagnation_is_where_the_collector_gives_nothing():
    """The same sheet: 158 degC at 1000 W/m2 and 30 degC air."""
    degc = stagnation_temperature(1000, 30, **SHEET)
    assert collector_rate(1000, degc - 30, **SHEET) == pytest.approx(0, abs=1e-9)
    assert degc == pytest.approx(158, abs=0.5)


@pytest.mark.parametrize("row", rows("carnot.csv"), ids=lambda r: f"{r['T_source_C']}/{r['T_sink_C']}")
def test_carnot(row):
    source, sink = float(row["T_source_C"]), float(row["T_sink_C"])
    assert carnot_cop(source, sink) == pytest.approx(float(row["COP_carnot_heat"]), abs=5e-5)
    assert carnot_cop(source, sink, mode="cooling") == pytest.approx(float(row["COP_carnot_cool"]), abs=5e-5)


def test_a_standing_tank_cools_as_the_worked_example():
    """300 l, 2.0 W/K, 60 degC in a room of 20 degC: 54.79 degC after a day, 1.792 kWh lost."""
    capacity = 0.3 * float(water().density(50) * water().capacity(50))
    assert capacity / 2.0 / 3600 == pytest.approx(172.1, abs=0.5)
    after = standing_temperature(60, 20, hours=24, capacity_j_k=capacity, ua_w_k=2.0)
    assert after == pytest.approx(54.79, abs=0.02)
    assert capacity * (60 - after) / 3.6e6 == pytest.approx(1.792, abs=0.01)


def test_stored_heat_of_a_tank_is_density_times_capacity():
    """300 l from 10 to 60 degC hold 17.32 kWh, 200 l from 20 to 60 degC 9.22 kWh (worked example by IAPWS)."""
    for litres, low, high, kwh in ((300, 10, 60, 17.32), (200, 20, 60, 9.22)):
        middle = (low + high) / 2
        heat_j = litres / 1e3 * water().density(middle) * (water().enthalpy(high) - water().enthalpy(low))
        assert heat_j / 3.6e6 == pytest.approx(kwh, abs=0.006)
