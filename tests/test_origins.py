"""Heat by origin: conservation, limits that a pencil can follow, and the state from day to day."""

import json
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from analytics.layers import LAYERS
from analytics.origins import (
    CARRIED_OVER,
    DEFAULT_COLD_DEGC,
    CarriedState,
    account_origins,
    state_from_json,
    state_to_json,
)
from analytics.origins_gaps import origins_of
from analytics.origins_tank import LayeredCourse, layered_course
from analytics.origins_water import moved_water
from analytics.plant import PlantDay
from analytics.site import FluidMix, Heater, HotWater, Loop, Site, Stage, Tank
from analytics.trace import Trace, local_day
from tests.heat_meter import heat_coefficient
from tests.small_sites import account, constant, point, site, stepped, trace

HOUR = 3600.0
TEMPERATURES = ("in", "out", "top", "bottom", "cold", "hot")
HOUSE = site(
    [
        *(point(name, "temperature", "degC") for name in TEMPERATURES),
        point("flow", "flow", "l/s"),
        point("pump", "status", "1"),
        point("draw", "flow", "l/min", sampling="mean"),
        point("rod.power", "power", "W", sampling="mean"),
    ],
    fluids={"w": FluidMix(id="w")},
    loops={"sun": Loop(id="sun", fluid="w", entering="in", leaving="out", flow="flow", pump="pump")},
    tanks={"store": Tank(id="store", volume_l=200, temperatures=("top", "bottom"), ua_w_per_k=2.0, ambient=20.0)},
    heaters={"rod": Heater(id="rod", power="rod.power", rated_w=3000)},
    stages={
        "sun": Stage(id="sun", name="Sun", loop="sun", tank="store"),
        "backup": Stage(id="backup", name="Rod", heater="rod", tank="store", height=(0.6, 1.0), backup=True),
    },
    hot_water=HotWater(tanks=("store",), cold="cold", flow="draw", hot="hot"),
)
SUN_J = 0.1e-3 * 2 * HOUR * heat_coefficient(40, 50) * 10
ROD_J = 3000.0 * HOUR
DRAW_J = 0.1 * heat_coefficient(10, 55) * 45


def sun_and_rod() -> dict[str, Trace]:
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


def _one_sensor(house: Site = HOUSE) -> Site:
    return replace(house, tanks={"store": replace(house.tanks["store"], temperatures=("top",))})


def test_a_tank_with_one_sensor_counts_as_mixed():
    """The same account in a loop of three lines, by blocks of a quarter of an hour, for the 19 o'clock draw."""
    plant = account(_one_sensor(), sun_and_rod() | {"top": constant(50.0)}).plant
    found = account_origins(plant, None).by_origin
    stored = 0.2 * heat_coefficient(39.5, 40.5) * 40
    sun = backup = 0.0
    for heat, own, quarters in ((SUN_J, "sun", 8), (ROD_J, "backup", 4)):
        for _ in range(quarters):
            w = heat / quarters / stored
            sun, backup = (1 - w) * sun + w * (own == "sun"), (1 - w) * backup + w * (own == "backup")
    assert found["sun"] == pytest.approx(DRAW_J * sun, rel=0.01)
    assert found["backup"] == pytest.approx(DRAW_J * backup, rel=0.01)


def test_an_element_in_the_upper_part_serves_the_draw_that_follows_it():
    """3 kWh lift the upper 80 l, 50 K above cold, by some 32 K; the draw takes those and 20 l from below them."""
    found = account_origins(_plant(), None).by_origin
    rise_k = ROD_J / (0.08 * heat_coefficient(50, 60))
    in_the_upper_part = rise_k / (rise_k + 50.0)
    assert 0.75 * in_the_upper_part < found["backup"] / DRAW_J < in_the_upper_part
    assert found["sun"] < 0.25 * SUN_J


def _plant() -> PlantDay:
    return account(HOUSE, sun_and_rod()).plant


def test_the_parts_add_up_to_the_hot_water_and_the_doubt_names_the_same_origins():
    plant = _plant()
    found = account_origins(plant, None)
    assert sum(found.by_origin.values()) == pytest.approx(plant.hot_water.heat.amount, rel=1e-9)
    assert list(found.by_origin) == ["sun", "backup", CARRIED_OVER]
    assert found.account_doubt.keys() == found.by_origin.keys()
    assert all(0.0 <= part < 0.1 for part in found.account_doubt.values())


def test_a_stage_that_gave_all_but_what_was_carried_over_is_doubted_as_much_as_that():
    """What the room may owe is missing from the heat of the stages, however little of it came from elsewhere."""
    plant = _plant()
    found = account_origins(plant, None)
    for _ in range(30):  # until all that was in store at first is used up
        found = account_origins(plant, found.state)
    shares = {origin: heat / found.of_tanks for origin, heat in found.by_origin.items()}
    assert shares[CARRIED_OVER] < 0.1
    assert sum(found.account_doubt[origin] for origin in ("sun", "backup")) >= 0.9 * found.account_doubt[CARRIED_OVER]
    assert all(found.account_doubt[origin] >= 0.05 * shares[origin] for origin in ("sun", "backup"))


def test_more_heat_in_store_at_first_would_be_carried_over_and_less_of_all_others():
    found = account_origins(_plant(), account_origins(_plant(), None).state)
    shares = {origin: heat / found.of_tanks for origin, heat in found.by_origin.items()}
    moved = {origin: doubt.passing.get("heat in store at first", 0.0) for origin, doubt in found.heat_doubt.items()}
    assert 0.1 < shares[CARRIED_OVER] < 0.9
    assert moved[CARRIED_OVER] > 0.01 * found.of_tanks
    assert sum(moved.values()) == pytest.approx(0.0, abs=1e-6 * found.of_tanks)
    assert moved["sun"] / moved["backup"] == pytest.approx(shares["sun"] / shares["backup"])


def test_what_plug_flow_and_stirred_water_differ_in_at_the_taps_is_in_doubt():
    """What one origin gets more of in plug flow the others get less of; half of it is a standard uncertainty."""
    result = account(HOUSE, sun_and_rod())
    found = account_origins(result.plant, None)
    apart = {origin: tanks["store"] for origin, tanks in found.ways_j.items()}
    assert list(apart) == ["sun", "backup", CARRIED_OVER]
    assert abs(apart["backup"]) > 0.01 * DRAW_J
    assert sum(apart.values()) == pytest.approx(0.0, abs=1e-6 * DRAW_J)
    (line,) = [line for line in result.ledger.stages if line.stage == "backup"]
    assert line.delivered.doubt.passing["ways of store"] == pytest.approx(0.5 * apart["backup"] / 3.6e6)
    assert line.delivered.plus_minus > 0.98 * abs(apart["backup"]) / 3.6e6


def test_a_mixed_account_is_doubted_more_than_a_layered_one():
    layered = account_origins(_plant(), None)
    mixed = account_origins(account(_one_sensor(), sun_and_rod()).plant, None)
    assert mixed.account_doubt["backup"] > layered.account_doubt["backup"] > 0.0


def test_the_same_day_again_is_the_same_to_the_bit_also_through_json():
    plant = _plant()
    first = account_origins(plant, None)
    again = state_from_json(json.loads(json.dumps(state_to_json(first.state))))
    assert again == first.state
    assert account_origins(plant, again) == account_origins(plant, first.state)


def test_a_state_from_before_layers_counts_as_all_layers_alike():
    old = state_from_json({"parts": {"store": {"sun": 0.25, "backup": 0.75}}, "cold_degc": 10.0})
    assert old == CarriedState({"store": {"sun": 0.25, "backup": 0.75}}, 10.0)
    plant = account(HOUSE, sun_and_rod() | {"flow": constant(0.0), "rod.power": constant(0.0)}).plant
    found = account_origins(plant, old).by_origin
    assert found["sun"] / (found["sun"] + found["backup"]) == pytest.approx(0.25, abs=1e-6)


@pytest.mark.parametrize(("when", "hours"), [(date(2026, 3, 29), 23), (date(2026, 10, 25), 25)])
def test_a_day_of_the_clock_change_is_followed_to_its_end(when, hours):
    day = local_day(when, "Europe/Berlin")
    house = replace(HOUSE, timezone="Europe/Berlin")
    readings = {name: constant(50.0, day=day) for name in HOUSE.points}
    readings |= {"cold": constant(10.0, day=day), "rod.power": constant(100.0, day=day), "draw": constant(0.2, day=day)}
    plant = account(house, readings, day=day).plant
    found = account_origins(plant, None)
    assert plant.day.seconds == hours * 3600.0
    assert sum(found.by_origin.values()) == pytest.approx(plant.hot_water.heat.amount, rel=1e-9)
    assert found.by_origin["backup"] > 0.0


def test_a_stage_that_the_site_no_longer_has_counts_as_carried_over():
    state = account_origins(_plant(), None).state
    house = replace(HOUSE, stages={"backup": HOUSE.stages["backup"]})
    found = account_origins(account(house, sun_and_rod()).plant, state)
    assert list(found.by_origin) == ["backup", CARRIED_OVER]
    assert found.by_origin[CARRIED_OVER] > 0.0


def test_sensors_silent_all_day_leave_the_layers_to_their_heat_balance():
    state = account_origins(_plant(), None).state
    silent = {k: v for k, v in sun_and_rod().items() if k not in ("top", "bottom")}
    found = account_origins(account(HOUSE, silent).plant, state)
    assert "store" in found.state.layers
    assert sum(found.by_origin.values()) > 0.0


@pytest.mark.parametrize("main_degc", [6.0, 20.0])
def test_heat_stored_before_the_first_water_moved_is_counted_from_the_main_of_that_water(main_degc):
    readings = sun_and_rod() | {"cold": constant(main_degc)}
    resting = {name: constant(0.0) for name in ("draw", "flow", "pump", "rod.power")}
    state = account_origins(account(HOUSE, readings | resting).plant, None).state
    assert set(state.layers["store"].cold_degc) == {DEFAULT_COLD_DEGC}
    course = _course(readings, state)
    held = state.layers["store"]
    np.testing.assert_allclose(course.start[:, -1], main_degc)
    np.testing.assert_allclose(course.start.sum(axis=1), np.add(held.heat_k[CARRIED_OVER], held.cold_degc))


def _course(readings: dict[str, Trace], state: CarriedState | None = None) -> LayeredCourse:
    plant = account(HOUSE, readings).plant
    moved = moved_water(plant, plant.hot_water, cold_degc=10.0)
    entering = np.zeros((len(moved.kg), len(origins_of(plant, state)) + 1))
    entering[:, -1] = moved.kg * moved.cold_degc
    return layered_course(plant, "store", state, moved=moved, entering=entering)


def _ramp(per_block_k: float, *, at_ten: float) -> Trace:
    """A temperature that changes by so much in each quarter of an hour."""
    time_s = np.arange(-HOUR, 25 * HOUR + 60, 60.0)
    return trace(time_s, at_ten + per_block_k * (time_s - 10 * HOUR) / 900.0)


def _mixes_at_eleven(readings: dict[str, Trace]) -> bool:
    """Whether water half-way between the two sensors may mix by their word, while the sun heats."""
    return bool(_course(sun_and_rod() | readings).store.slack_k[44, LAYERS // 2 - 1] > 0.0)


@pytest.mark.parametrize("apart_k", [-0.4, 0.0, 0.4])
def test_a_tank_heated_below_has_turned_over_where_its_sensors_rise_together_whatever_their_offsets(apart_k):
    rising = {"bottom": _ramp(0.3, at_ten=50.0), "top": _ramp(0.3, at_ten=50.0 + apart_k)}
    cooling = {"bottom": _ramp(0.3, at_ten=50.0), "top": _ramp(-0.05, at_ten=51.2 + apart_k)}
    assert _mixes_at_eleven(rising)
    assert not _mixes_at_eleven(cooling)


def _slack_on_top(readings: dict[str, Trace], hour: float) -> float:
    """By how much the highest layer must be the warmer one to stay as it is."""
    return float(_course(sun_and_rod() | readings).store.slack_k[int(4 * hour), 0])


def test_a_top_that_goes_on_cooling_while_it_warms_below_has_not_mixed_until_something_heats_it():
    """Sun from 10 to 12 warms the bottom, which comes near the top; the rod heats from 17 to 18."""
    ramp = _ramp(0.3, at_ten=45.0)
    bottom = {"bottom": replace(ramp, value=np.minimum(ramp.value, 49.0))}
    cooling, rising = bottom | {"top": _ramp(-0.05, at_ten=51.2)}, bottom | {"top": _ramp(0.3, at_ten=45.3)}
    assert _slack_on_top(cooling, 9.0) == 0.0
    assert _slack_on_top(cooling, 11.0) < -1.0
    assert _slack_on_top(cooling, 15.0) < -1.0
    assert _slack_on_top(cooling, 17.5) == 0.0
    assert _slack_on_top(rising, 11.0) >= 0.0


def test_a_bottom_that_just_comes_up_to_a_cooling_top_as_the_sun_sets_has_not_mixed_with_it():
    """Both show one temperature from about 11:30 on; a top that has mixed with what the sun warms cools no more."""
    ramp = _ramp(0.3, at_ten=49.0)
    bottom = {"bottom": replace(ramp, value=np.minimum(ramp.value, 50.3))}
    cooling = _ramp(-0.05, at_ten=50.6)
    mixed = replace(cooling, value=np.maximum(cooling.value, 50.35))
    assert _slack_on_top(bottom | {"top": cooling}, 11.75) < -1.0
    assert _slack_on_top(bottom | {"top": mixed}, 11.75) > 0.0


def test_sensors_that_rise_together_say_nothing_while_the_element_heats_as_well():
    rising = {"bottom": _ramp(0.3, at_ten=50.0), "top": _ramp(0.3, at_ten=50.4)}
    element = {"rod.power": stepped(10 * HOUR, 12 * HOUR, 1000.0)}
    assert not _mixes_at_eleven(rising | element)
    assert _mixes_at_eleven(rising | element | {"top": _ramp(0.3, at_ten=50.05)})
