"""A day's account on small houses whose answers can be had with a pencil."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from analytics.accuracy import parse_accuracy
from analytics.site import Baseline, FluidMix, Heater, HotWater, Loop, Prices, Stage, Tank, TariffBand
from analytics.trace import Trace, local_day
from tests.heat_meter import heat_coefficient
from tests.small_sites import DAY, account, constant, point, site, stepped, trace

WATER = {"w": FluidMix(id="w")}
LOOP_POINTS = [
    point("in", "temperature", "degC", accuracy=None),
    point("out", "temperature", "degC"),
    point("flow", "flow", "l/s"),
    point("pump", "status", "1"),
]
LOOP = Loop(id="sun", fluid="w", entering="in", leaving="out", flow="flow", pump="pump", pump_power_w=60)
TANK = Tank(id="store", volume_l=200, temperatures=("top", "bottom"), ua_w_per_k=2.0, ambient=20.0)
TANK_POINTS = [point("top", "temperature", "degC"), point("bottom", "temperature", "degC")]
PATH = HotWater(tanks=("store",), cold="cold", flow="draw", hot="hot")
PATH_POINTS = [
    point("cold", "temperature", "degC"),
    point("hot", "temperature", "degC"),
    point("draw", "flow", "l/min", sampling="mean"),
]
ELEMENT = Heater(id="rod", power="rod.power", rated_w=3000)
SUN = Stage(id="sun", name="Sun", loop="sun", tank="store")
BACKUP = Stage(id="backup", name="Rod", heater="rod", tank="store", backup=True)
HOUSE = site(
    [*LOOP_POINTS, *TANK_POINTS, *PATH_POINTS, point("rod.power", "power", "W", sampling="mean")],
    fluids=WATER,
    loops={"sun": LOOP},
    tanks={"store": TANK},
    heaters={"rod": ELEMENT},
    stages={"sun": SUN, "backup": BACKUP},
    hot_water=PATH,
    prices=Prices(currency="EUR", electricity_per_kwh=0.30, electricity_co2_kg_per_kwh=0.4),
    baseline=Baseline(kind="electric-tank", efficiency=0.8),
)
HOUR = 3600.0


def _readings() -> dict[str, Trace]:
    """Sun from 10 to 12 (0.1 l/s, 40 to 50 degC), rod from 17 to 18, ten minutes of draw at 19 (10 l/min, 10 to 55)."""
    return {
        "in": constant(40.0),
        "out": stepped(9 * HOUR, 13 * HOUR, 50.0, rest=40.0),
        "flow": stepped(10 * HOUR, 12 * HOUR, 0.1),
        "pump": stepped(10 * HOUR, 12 * HOUR, 1.0),
        "top": constant(60.0),
        "bottom": constant(40.0),
        "cold": constant(10.0),
        "hot": constant(55.0),
        "draw": stepped(19 * HOUR, 19 * HOUR + 600, 10.0),
        "rod.power": stepped(17 * HOUR, 18 * HOUR, 3000.0),
    }


SUN_KWH = 0.1e-3 * 2 * HOUR * heat_coefficient(40, 50) * 10 / 3.6e6
DRAW_KWH = 0.1 * heat_coefficient(10, 55) * 45 / 3.6e6


def test_a_loops_heat_is_volume_times_heat_coefficient_times_difference():
    """EN 1434-1: 720 l at 40/50 degC. Instant readings see start and stop both half an interval late."""
    ledger = account(HOUSE, _readings()).ledger
    assert ledger.stages[0].heat.value == pytest.approx(SUN_KWH, rel=1e-6)
    assert ledger.stages[0].reverse.value == 0.0
    assert ledger.stages[0].heat.basis == "measured"


def test_heat_that_goes_back_is_kept_apart():
    readings = _readings() | {"out": stepped(11 * HOUR, 23 * HOUR, 35.0, rest=50.0)}
    line = account(HOUSE, readings).ledger.stages[0]
    assert line.heat.value == pytest.approx(SUN_KWH / 2, rel=0.02)
    assert line.reverse.value == pytest.approx(SUN_KWH / 4, rel=0.02)


def test_the_draw_is_metered_with_the_density_of_the_cold_side():
    water = account(HOUSE, _readings()).ledger.hot_water
    assert water.volume.value == pytest.approx(100.0, rel=1e-9)
    assert water.heat.value == pytest.approx(DRAW_KWH, rel=1e-6)


def test_one_draw_is_one_draw_with_its_temperatures():
    (draw,) = account(HOUSE, _readings()).plant.hot_water.draws
    seen = (draw.start_s, draw.end_s, draw.cold_degc, draw.hot_degc)
    assert seen == pytest.approx((19 * HOUR, 19 * HOUR + 600, 10.0, 55.0))


def test_behind_the_mixing_valve_the_same_heat_is_found():
    """Mixed to 40 degC, 150 l carry what 100 l at 55 degC carry (heat is kept in mixing)."""
    hot, mixed = heat_coefficient(10, 55) * 45, heat_coefficient(10, 40, flow_side="leaving") * 30
    litres_min = 10.0 * hot / mixed
    path = replace(PATH, hot=None, mixed="mixed", flow_at="mixed")
    house = replace(HOUSE, hot_water=path, points={**HOUSE.points, "mixed": point("mixed", "temperature", "degC")})
    readings = _readings() | {"mixed": constant(40.0), "draw": stepped(19 * HOUR, 19 * HOUR + 600, litres_min)}
    assert account(house, readings).ledger.hot_water.heat.value == pytest.approx(DRAW_KWH, rel=1e-6)


def test_fractions_of_backup_by_input():
    ledger = account(HOUSE, _readings()).ledger
    assert ledger.backup_fraction.value == pytest.approx(3.0 / (3.0 + SUN_KWH), rel=1e-6)


def test_a_tank_at_rest_loses_ua_times_difference():
    line = account(HOUSE, _readings()).ledger.tanks[0]
    assert line.loss.value == pytest.approx(2.0 * (50 - 20) * 24 / 1000)
    assert line.stored_change.value == 0.0


def test_the_interval_of_a_backup_share_reaches_as_far_as_the_share_does_when_there_is_less_heat_in_all():
    """By an assumed flow the sun may have given a quarter less; the share is then more than in proportion above it."""
    assumed = replace(LOOP, flow=None, assumed_flow_l_per_s=0.1)
    ledger = account(replace(HOUSE, loops={"sun": assumed}), _readings()).ledger
    share, (sun, rod) = ledger.backup_fraction, (line.heat for line in ledger.stages)
    most = rod.value / (rod.value + sun.value - sun.plus_minus) - share.value
    assert share.plus_minus == pytest.approx(most, rel=0.03)


def test_what_lies_between_two_sensors_makes_a_loss_doubtful_too():
    """20 K from sensor to sensor and 30 K from there to the main: a fifth of their root of squares over 2 x 2."""
    doubt = account(HOUSE, _readings()).plant.tanks["store"].loss.doubt
    assert doubt.steady["mean of store"] == pytest.approx(2.0 * 24 * HOUR * 0.2 * np.hypot(20.0, 30.0) / 4)


def _places_k(foot: float) -> float:
    """How far the mean of the two sensors may be off by where they stand, where nothing heats below a height."""
    stages = {name: replace(stage, height=(foot, 0.9)) for name, stage in HOUSE.stages.items()}
    doubt = account(replace(HOUSE, stages=stages), _readings()).plant.tanks["store"].loss.doubt
    return doubt.steady["places in store"] / (2.0 * 24 * HOUR)


def test_sensors_that_stand_beside_the_middles_of_their_parts_make_a_loss_doubtful():
    """
    Within three tenths of their halves, across which the water differs by 10 K above and 25 K below, evenly spread.
    """
    assert _places_k(0.0) == pytest.approx(0.3 / np.sqrt(3.0) * np.hypot(10.0, 25.0) / 2)


def test_a_sensor_where_a_coil_ends_may_stand_in_the_warm_or_in_the_cold():
    """The lower sensor is at 0.1 to 0.4 of the height; below it are 30 K, above it 20 K to the next."""
    is_between, is_beside = _places_k(0.3), _places_k(0.45)
    assert is_between == pytest.approx(np.hypot(0.3 * 10.0, 0.5 * 30.0) / np.sqrt(3.0) / 2)
    assert is_beside == pytest.approx(_places_k(0.0))


def test_a_tank_of_one_sensor_loses_more_or_less_than_that_sensor_says():
    house = replace(HOUSE, tanks={"store": replace(TANK, temperatures=("top",))})
    doubt = account(house, _readings()).plant.tanks["store"].loss.doubt
    assert doubt.steady["one sensor of store"] == pytest.approx(2.0 * 24 * HOUR * 5.0)


def test_a_sensors_limits_are_those_at_the_temperature_of_the_fluid_while_it_moves():
    """Class B at 50 degC: 0.3 + 0.005 x 50 K, though the pipe is at 20 degC for the rest of the day."""
    resting = {"out": stepped(9 * HOUR, 13 * HOUR, 50.0, rest=20.0)}
    classed, plain = (
        account(
            replace(HOUSE, points={**HOUSE.points, "out": point("out", "temperature", "degC", accuracy=each)}),
            _readings() | resting,
        )
        .plant.loops["sun"]
        .heat.doubt
        for each in (parse_accuracy("IEC 60751 B"), parse_accuracy(0.55))
    )
    assert classed.steady["out"] == pytest.approx(plain.steady["out"])


def test_the_residual_is_what_the_balance_leaves():
    line = account(HOUSE, _readings()).ledger.tanks[0]
    expected = SUN_KWH + 3.0 - DRAW_KWH - 2.0 * 30 * 24 / 1000
    assert line.residual.value == pytest.approx(expected, rel=1e-6)


def test_purchased_and_saved_in_energy_money_and_co2():
    ledger = account(HOUSE, _readings()).ledger
    bought = 3.0 + 2 * 0.060
    assert ledger.purchased.value == pytest.approx(bought, rel=1e-6)
    assert ledger.saved.energy.value == pytest.approx(DRAW_KWH / 0.8 - bought, rel=1e-6)
    assert ledger.saved.money.value == pytest.approx(0.30 * (DRAW_KWH / 0.8 - bought), rel=1e-6)
    assert ledger.saved.co2.value == pytest.approx(0.4 * (DRAW_KWH / 0.8 - bought), rel=1e-6)


def test_time_of_use_prices_go_by_the_hour_of_use():
    bands = (
        TariffBand(from_minute=18 * 60, to_minute=22 * 60, per_kwh=0.50),
        TariffBand(from_minute=0, to_minute=1440, per_kwh=0.10),
    )
    house = replace(HOUSE, prices=replace(HOUSE.prices, electricity_per_kwh=bands))
    saved = account(house, _readings()).ledger.saved
    assert saved.money.value == pytest.approx(0.50 * DRAW_KWH / 0.8 - 0.10 * 3.12, rel=1e-6)


def test_an_energy_counter_is_preferred_and_enough():
    loop = Loop(id="sun", energy="meter")
    house = replace(
        HOUSE,
        loops={"sun": loop},
        points={**HOUSE.points, "meter": point("meter", "energy", "kWh", sampling="counter")},
    )
    time_s = np.arange(-3600, 90_001, 300.0)
    readings = _readings() | {"meter": trace(time_s, 500 + np.floor(np.clip(time_s / HOUR - 10, 0, 2) * 40) / 10)}
    line = account(house, readings).ledger.stages[0]
    assert line.heat.value == pytest.approx(8.0)
    assert line.reverse.basis == "unavailable"


def test_an_assumed_flow_holds_while_the_pump_runs():
    house = replace(HOUSE, loops={"sun": replace(LOOP, flow=None, assumed_flow_l_per_s=0.1)})
    heat = account(house, _readings()).ledger.stages[0].heat
    assert heat.value == pytest.approx(SUN_KWH, rel=1e-6)
    assert heat.basis == "estimated"
    assert "assumed" in heat.why


def test_offset_and_gain_are_applied_and_the_reading_is_not_touched():
    out = point("out", "temperature", "degC", offset=1.0)
    house = replace(HOUSE, points={**HOUSE.points, "out": out})
    readings = _readings() | {"out": stepped(9 * HOUR, 13 * HOUR, 49.0, rest=39.0)}
    before = readings["out"].value.copy()
    assert account(house, readings).ledger.stages[0].heat.value == pytest.approx(SUN_KWH, rel=1e-6)
    assert np.array_equal(readings["out"].value, before)


def test_a_silent_sensor_makes_its_figure_unavailable_and_nothing_else():
    readings = _readings()
    del readings["out"]
    ledger = account(HOUSE, readings).ledger
    assert ledger.stages[0].heat.basis == "unavailable"
    assert ledger.stages[0].heat.why == "out gave no usable reading."
    assert ledger.stages[1].heat.value == pytest.approx(3.0)
    assert ledger.backup_fraction.basis == "unavailable"


def test_a_gap_too_long_to_bridge_is_not_covered_and_widens_the_interval():
    whole = account(HOUSE, _readings()).ledger.stages[0].heat
    readings = _readings()
    for name in ("in", "out", "flow"):
        old = readings[name]
        time_s = (old.time_ms - DAY.start_ms) / 1000
        keep = (time_s < 11 * HOUR) | (time_s > 11.5 * HOUR)
        readings[name] = Trace(old.time_ms[keep], old.value[keep])
    heat = account(HOUSE, readings).ledger.stages[0].heat
    assert heat.coverage == pytest.approx(1 - 32 / 1440, abs=1e-6)
    assert heat.value == pytest.approx(SUN_KWH * 88 / 120, rel=1e-3)
    assert heat.plus_minus > whole.plus_minus


def test_readings_in_any_order_of_arrival_and_computed_again_give_the_same_bits():
    first, second = account(HOUSE, _readings()), account(HOUSE, dict(reversed(_readings().items())))
    assert first.ledger == second.ledger
    assert first.state == second.state


@pytest.mark.parametrize(("when", "hours"), [(date(2026, 3, 29), 23), (date(2026, 10, 25), 25), (date(2026, 6, 1), 24)])
def test_days_of_the_clock_change_have_their_own_length(when, hours):
    day = local_day(when, "Europe/Berlin")
    house = replace(HOUSE, timezone="Europe/Berlin")
    readings = {name: constant(50.0, day=day) for name in HOUSE.points} | {"rod.power": constant(1000.0, day=day)}
    assert account(house, readings, day=day).ledger.stages[1].heat.value == pytest.approx(hours)


def test_the_state_carried_to_the_next_day_adds_up_to_one_in_each_tank():
    state = account(HOUSE, _readings()).state
    assert sum(state.parts["store"].values()) == pytest.approx(1.0, abs=1e-12)


def test_a_heater_in_passing_without_a_sensor_behind_it_is_said_to_be_left_out():
    passing = replace(HOUSE, stages={"sun": SUN, "backup": replace(BACKUP, tank=None)})
    heat = account(passing, _readings()).ledger.hot_water.heat
    assert heat.value == pytest.approx(DRAW_KWH, rel=1e-6)
    assert heat.why == "What Rod adds in passing is not in it: no sensor stands after it (hot_water.heated)."
    assert account(HOUSE, _readings()).ledger.hot_water.heat.why == ""


def test_a_counter_of_large_steps_may_not_show_the_last_of_them():
    """Steps of 20 l: at midnight up to one may not show yet, at both ends of the day."""
    path = replace(PATH, flow=None, volume="litres")
    meters = {"litres": point("litres", "volume", "l", sampling="counter")}
    litres = (
        np.floor(np.interp(np.arange(-3600, 90001, 60.0), [19 * HOUR, 19 * HOUR + 600], [0.0, 100.0]) / 20.0) * 20.0
    )
    house = replace(HOUSE, hot_water=path, points={**HOUSE.points, **meters})
    volume = account(
        house, _readings() | {"litres": trace(np.arange(-3600, 90001, 60.0), litres)}
    ).ledger.hot_water.volume
    assert volume.value == pytest.approx(100.0)
    assert volume.doubt.ends["whole steps of litres"] == pytest.approx(20.0 / 6**0.5)
    assert volume.plus_minus > 1.9 * 20.0 / 6**0.5


def test_a_tap_that_stood_open_as_a_silence_began_ran_for_a_quarter_of_an_hour_at_most():
    """Silence from 19:05 to 20:05 while 10 l/min ran: 150 l, evenly spread, and not the 600 l of all that time."""
    draw = _readings()["draw"]
    seconds = (draw.time_ms - DAY.start_ms) / 1000
    heard = (seconds < 19 * HOUR + 300) | (seconds > 20 * HOUR + 300)
    silent = Trace(draw.time_ms[heard], draw.value[heard])
    volume = account(HOUSE, _readings() | {"draw": silent}).ledger.hot_water.volume
    assert 150 / 3**0.5 < volume.doubt.passing["gaps of draw"] < 160 / 3**0.5


@pytest.mark.parametrize("used_kwh", [0.62, 2.41])
def test_what_a_heaters_counter_of_whole_kilowatt_hours_does_not_show_is_in_doubt(used_kwh):
    """A counter in MWh with three places beside an element of 3 kW: at both ends up to one kWh may not show."""
    time_s = np.arange(-3600, 90001, 60.0)
    run_s = used_kwh / 3.0 * HOUR
    mwh = np.floor(1234_600.0 + np.interp(time_s, [17 * HOUR, 17 * HOUR + run_s], [0.0, used_kwh])) / 1000.0
    meter = {"meter": point("meter", "energy", "MWh", sampling="counter")}
    house = replace(HOUSE, points={**HOUSE.points, **meter}, heaters={"rod": replace(ELEMENT, power="meter")})
    stage = account(house, _readings() | {"meter": trace(time_s, mwh)}).ledger.stages[1].heat
    assert stage.doubt.ends["moments of meter"] == pytest.approx(1.0 / 6**0.5, rel=1e-6)
    assert abs(stage.value - used_kwh) < stage.plus_minus < 1.0


def test_a_pump_that_only_its_loops_flow_tells_of_takes_its_stated_power_while_fluid_moves():
    unwatched = replace(HOUSE, loops={"sun": replace(LOOP, pump=None)})
    result = account(unwatched, _readings())
    pumps = result.ledger.electricity.pumps
    assert pumps.value == pytest.approx(2 * 0.060, rel=0.02)  # two hours of 60 W
    assert pumps.basis == "estimated"
    assert "flow" in pumps.why
    assert np.isnan(result.plant.loops["sun"].pump_on).all()  # that fluid moves proves no pump
    whole = account(HOUSE, _readings()).ledger.purchased
    assert result.ledger.purchased.value == pytest.approx(whole.value, abs=0.002)
