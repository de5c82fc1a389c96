"""A heat pump's day on a small house whose answers can be had with a pencil."""

import numpy as np
import pytest

from analytics.site import FluidMix, HeatPump, Loop
from analytics.trace import Trace
from tests.small_sites import account, constant, point, site, stepped, trace

HOUR = 3600.0

BRINE = {"w": FluidMix(id="w"), "b": FluidMix(id="b", kind="propylene-glycol", mass_percent=25)}
PUMP_POINTS = [
    point("ewt", "temperature", "degC"),
    point("lwt", "temperature", "degC"),
    point("brine", "flow", "l/s"),
    point("hp", "power", "W", sampling="mean"),
]
GROUND = Loop(id="ground", fluid="b", entering="ewt", leaving="lwt", flow="brine")
PUMPED = site(
    PUMP_POINTS,
    fluids=BRINE,
    loops={"ground": GROUND},
    heat_pumps={"hp": HeatPump(id="hp", power="hp", source_loop="ground")},
)


def _pumped(entering_degc: float, leaving_degc: float) -> dict[str, Trace]:
    on = (6 * HOUR, 16 * HOUR)
    return {
        "ewt": constant(entering_degc),
        "lwt": constant(leaving_degc),
        "brine": stepped(*on, 0.5),
        "hp": stepped(*on, 1500.0),
    }


def test_the_heat_pump_of_the_worked_example():
    """MPG 25 %, 0.5 l/s, 0 to -3 degC: 5951.9 W from the ground; with 1500 W: COP 4.968 (worked with CoolProp 8)."""
    line = account(PUMPED, _pumped(0.0, -3.0)).ledger.heat_pumps[0]
    assert line.source_heat.value == pytest.approx(59.519, rel=2e-3)
    assert line.heating_heat.value == pytest.approx(74.519, rel=2e-3)
    assert line.heating_cop.value == pytest.approx(4.968, rel=2e-3)
    assert (line.heating_run_hours.value, line.heating_starts.value) == (pytest.approx(10.0, abs=0.02), 1.0)
    assert line.cooling.value == 0.0


def test_in_cooling_the_useful_heat_is_what_is_rejected_less_the_work():
    line = account(PUMPED, _pumped(25.0, 30.0)).ledger.heat_pumps[0]
    rejected = -line.source_heat.value
    assert rejected > 90
    assert line.cooling.value == pytest.approx(rejected - 15.0, rel=2e-3)
    assert line.cooling_cop.value == pytest.approx((rejected - 15.0) / 15.0, rel=2e-3)
    assert line.heating_heat.value == 0.0
    assert (line.cooling_run_hours.value, line.cooling_starts.value) == (pytest.approx(10.0, abs=0.02), 1.0)
    assert (line.heating_run_hours.value, line.heating_starts.value) == (0.0, 0.0)
    assert line.heating_run_hours.plus_minus == 0.0  # where nothing ran, no start is in doubt


def test_runs_and_starts_of_a_day_that_cools_and_heats_belong_to_the_mode_of_the_run():
    """By hand: cooling over midnight until 2 h and from 12 to 13 h, heating from 6 to 8 h and from 9 to 10 h."""
    second = np.arange(-24 * 60, 25 * 60) * 60.0
    hour = second / 3600
    cools, heats = (hour < 2) | ((hour >= 12) & (hour < 13)), ((hour >= 6) & (hour < 8)) | ((hour >= 9) & (hour < 10))
    readings = {
        "ewt": trace(second, np.where(cools, 25.0, 0.0)),
        "lwt": trace(second, np.where(cools, 30.0, -3.0)),
        "brine": trace(second, np.where(cools | heats, 0.5, 0.0)),
        "hp": trace(second, np.where(cools | heats, 1500.0, 0.0)),
    }
    line = account(PUMPED, readings).ledger.heat_pumps[0]
    assert (line.heating_run_hours.value, line.heating_starts.value) == (pytest.approx(3.0, abs=0.1), 2.0)
    assert (line.cooling_run_hours.value, line.cooling_starts.value) == (pytest.approx(3.0, abs=0.1), 1.0)


def test_where_no_loop_tells_the_mode_the_run_counts_as_heating_and_says_so():
    readings = {name: each for name, each in _pumped(0.0, -3.0).items() if name == "hp"}
    line = account(PUMPED, readings).ledger.heat_pumps[0]
    assert (line.heating_run_hours.value, line.heating_starts.value) == (pytest.approx(10.0, abs=0.02), 1.0)
    assert line.heating_run_hours.basis == line.heating_starts.basis == "estimated"
    assert line.heating_electricity.value == pytest.approx(15.0, rel=0.01)  # 1.5 kW for 10 h
    assert line.heating_electricity.basis == line.cooling_electricity.basis == "estimated"
    assert account(PUMPED, readings).ledger.electricity.heat_pumps.basis == "measured"
    for figure in (line.heating_run_hours, line.heating_electricity, line.cooling_electricity):
        assert figure.why == "No loop tells heating from cooling; all that it ran counts as heating."


def test_a_compressor_that_ran_at_midnight_did_not_start_today():
    readings = _pumped(0.0, -3.0) | {"hp": constant(1500.0), "brine": constant(0.5)}
    line = account(PUMPED, readings).ledger.heat_pumps[0]
    assert (line.heating_run_hours.value, line.heating_starts.value) == (pytest.approx(24.0), 0.0)


@pytest.mark.parametrize("second", [0, 7, 20, 45, 59])
def test_a_start_within_a_minute_is_timed_by_the_compressors_mean_power(second):
    """Loop readings a minute apart cannot tell when within it the run began; a mean power can."""
    start_s = 6 * HOUR + second
    minutes = np.arange(-60, 1501) * 60.0
    on_s = np.clip(np.minimum(minutes, 16 * HOUR) - np.maximum(minutes - 60, start_s), 0, 60)
    readings = _pumped(0.0, -3.0) | {
        "hp": trace(minutes, 1500.0 * on_s / 60),
        "brine": trace(minutes, np.where((minutes > start_s) & (minutes <= 16 * HOUR), 0.5, 0.0)),
    }
    line = account(PUMPED, readings).ledger.heat_pumps[0]
    truth_kwh = 5.9519 * (10 - second / 3600)
    assert line.source_heat.value == pytest.approx(truth_kwh, rel=2e-4)
    assert line.heating_run_hours.value == pytest.approx(10 - second / 3600, abs=2 / 3600)
