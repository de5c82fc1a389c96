"""Heat by origin: conservation, limits that a pencil can follow, and the state from day to day."""

import json
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.layers import LAYERS, Charge, Quiet, Store, Water, follow
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


COLUMNS = 5  # two stages, the room, carried over, cold
ROOM = 2
seeds = st.integers(min_value=0, max_value=2**32 - 1)


def _store(seed: int, steps: int = 24) -> tuple[Store, np.ndarray]:
    """A tank with all that can happen to it, at random."""
    rng = np.random.default_rng(seed)

    def sometimes(high: float) -> np.ndarray:
        return rng.uniform(0, high, steps) * (rng.random(steps) < 0.4)

    entering = np.hstack((rng.uniform(0, 20, (steps, COLUMNS - 1)), rng.uniform(3, 20, (steps, 1))))
    coil = np.where(np.arange(LAYERS) > 10, 1.0, 0.0)
    charges = [
        Charge(0, sometimes(60.0), coil / coil.sum(), fluid_degc=rng.uniform(20, 90, (steps, LAYERS))),
        Charge(1, sometimes(60.0), np.eye(LAYERS)[rng.integers(LAYERS)], turned=sometimes(20.0)),
    ]
    quiet = Quiet(
        due=rng.random(steps) < 0.5,
        conduction=0.05,
        loss=0.01,
        room_degc=rng.uniform(5, 30, steps),
        pull=0.5 * np.ones((LAYERS, 1)),
        at_sensor=np.ones((1, LAYERS)) / LAYERS,
        sensors_degc=np.where(rng.random((steps, 1)) < 0.2, np.nan, rng.uniform(20, 70, (steps, 1))),
        around_sensor=np.stack((np.eye(1, LAYERS, 4), np.eye(1, LAYERS, 11))),
        part_per_k=rng.uniform(0.0, 0.5, steps),
        doubt_k=0.3,
    )
    start = np.hstack((rng.uniform(0, 15, (LAYERS, COLUMNS - 1)), rng.uniform(3, 20, (LAYERS, 1))))
    slack = 2.0 * (rng.random((steps, LAYERS - 1)) < 0.2)
    return Store(Water(sometimes(6.0), entering), charges, quiet, ROOM, slack), start


def _part(store: Store, steps: slice) -> Store:
    """Some of a store's steps."""
    quiet = store.quiet
    charges = [
        replace(
            c,
            rise_k=c.rise_k[steps],
            fluid_degc=None if c.fluid_degc is None else c.fluid_degc[steps],
            lift_k=None if c.lift_k is None else c.lift_k[steps],
            turned=None if c.turned is None else c.turned[steps],
        )
        for c in store.charges
    ]
    quiet = replace(
        quiet,
        due=quiet.due[steps],
        room_degc=quiet.room_degc[steps],
        sensors_degc=quiet.sensors_degc[steps],
        part_per_k=quiet.part_per_k[steps],
    )
    water = Water(store.water.layers[steps], store.water.entering[steps])
    return Store(water, charges, quiet, store.room, store.slack_k[steps])


def _entered(store: Store) -> np.ndarray:
    entered = store.water.layers @ store.water.entering
    for charge in store.charges:
        entered[charge.column] += charge.rise_k.sum()
    return entered


@given(seeds)
@settings(max_examples=60, deadline=None)
def test_heat_of_each_origin_is_kept(seed):
    """start + entered + put in = left + lost + end, to 1e-9 of what passed."""
    store, start = _store(seed)
    course = follow(store, start)
    entered = _entered(store)
    missing = start.sum(axis=0) + entered - course.leaving.sum(axis=0) - course.lost - course.end.sum(axis=0)
    throughput = np.abs(start).sum() + np.abs(entered).sum()
    assert np.abs(missing).max() <= 1e-9 * throughput


@given(seeds, st.integers(min_value=1, max_value=23))
@settings(max_examples=30, deadline=None)
def test_a_day_in_two_parts_comes_to_the_same_as_in_one(seed, cut):
    store, start = _store(seed)
    whole = follow(store, start)
    first = follow(_part(store, slice(0, cut)), start)
    second = follow(_part(store, slice(cut, None)), first.end)
    np.testing.assert_allclose(np.vstack((first.leaving, second.leaving)), whole.leaving, rtol=0, atol=1e-9)
    np.testing.assert_allclose(second.end, whole.end, rtol=0, atol=1e-9)
    np.testing.assert_allclose(first.lost + second.lost, whole.lost, rtol=0, atol=1e-8)


def test_where_meters_contradict_the_sensors_no_origin_grows_beyond_what_was_put_in():
    steps = 200
    room = np.full(steps, 20.0)
    pull, at_bottom = 0.5 * np.ones((LAYERS, 1)), np.eye(1, LAYERS, LAYERS - 1)
    around = np.stack((at_bottom, at_bottom))
    quiet = Quiet(np.ones(steps, bool), 0.0, 0.01, room, pull, at_bottom, room[:, None], around, np.zeros(steps))
    store = Store(Water(np.zeros(steps), np.zeros((steps, COLUMNS))), [], quiet, ROOM, np.zeros((steps, LAYERS - 1)))
    start = np.full((LAYERS, COLUMNS), 10.0)
    start[:, ROOM], start[:, 0] = -1500.0, 1450.0  # the room owes what a meter says that came
    assert np.abs(follow(store, start).end).max() < 2 * 1500.0


def _told(reads_degc: float, part_per_k: float, around: tuple[int, int]) -> float:
    """Mean change of a tank, warm above and cold below, by one sensor in its middle that is believed at once. [K]"""
    start = _halves()
    middle = np.eye(1, LAYERS, LAYERS // 2)
    quiet = Quiet(
        np.ones(1, bool),
        0.0,
        0.0,
        np.full(1, 20.0),
        np.ones((LAYERS, 1)),
        middle,
        np.full((1, 1), reads_degc),
        np.stack([np.eye(1, LAYERS, layer) for layer in around]),
        np.full(1, part_per_k),
    )
    water = Water(np.zeros(1), np.zeros((1, start.shape[1])))
    course = follow(Store(water, [], quiet, ROOM, np.zeros((1, LAYERS - 1))), start)
    return float((course.end - start).sum()) / LAYERS


def test_a_sensor_that_may_stand_beside_the_step_tells_little_of_it():
    """60 degC above, 40 below, 50 read: 10 K where its place is known, 10 / (1 + (0.25 x 20)^2) where it is not."""
    assert _told(50.0, 0.25, (LAYERS // 2, LAYERS // 2)) == pytest.approx(10.0)
    assert _told(50.0, 0.25, (LAYERS // 2 - 3, LAYERS // 2 + 3)) == pytest.approx(10.0 / 26.0)
    assert _told(50.0, 0.0, (LAYERS // 2 - 3, LAYERS // 2 + 3)) == pytest.approx(10.0)


def test_what_no_place_of_a_sensor_explains_is_believed():
    """65 degC read where 40 to 60 are possible: the 5 K beyond are believed wholly."""
    assert _told(65.0, 0.25, (LAYERS // 2 - 3, LAYERS // 2 + 3)) == pytest.approx(5.0 + 20.0 / 26.0)


@given(seeds)
@settings(max_examples=30, deadline=None)
def test_no_layer_ends_warmer_than_the_one_above_it_and_the_start_stays_as_it_was(seed):
    store, start = _store(seed)
    before = start.copy()
    degc = follow(store, start).end.sum(axis=1)
    assert (np.diff(degc) <= 1e-5).all()
    np.testing.assert_array_equal(start, before)


def _resting(start: np.ndarray, moved: float, charge: Charge | None = None) -> Store:
    """One step without losses: cold water of 10 degC moves up, or a stage heats."""
    quiet = Quiet(
        due=np.array([False]),
        conduction=0.0,
        loss=0.0,
        room_degc=np.array([20.0]),
        pull=np.zeros((LAYERS, 1)),
        at_sensor=np.ones((1, LAYERS)) / LAYERS,
        sensors_degc=np.full((1, 1), np.nan),
        around_sensor=np.ones((2, 1, LAYERS)) / LAYERS,
        part_per_k=np.zeros(1),
    )
    entering = np.zeros((1, start.shape[1]))
    entering[0, -1] = 10.0
    return Store(Water(np.array([moved]), entering), [charge] if charge else [], quiet, ROOM, np.zeros((1, LAYERS - 1)))


def _halves() -> np.ndarray:
    """Sun below at 40 degC, backup on top at 60 degC, above water of 10 degC."""
    start = np.zeros((LAYERS, COLUMNS))
    start[:, -1] = 10.0
    start[: LAYERS // 2, 1], start[LAYERS // 2 :, 0] = 50.0, 30.0
    return start


def _asked_of(reads_degc: tuple[float, float], open_part: float) -> np.ndarray:
    """What a tank of 60 degC above and 40 below gains by sensors in the middles of its halves. (layers,) [K]"""
    start, middles = _halves(), np.stack([np.eye(1, LAYERS, k)[0] for k in (LAYERS // 4, 3 * LAYERS // 4)])
    upper = np.repeat([1.0, 0.0], LAYERS // 2)
    quiet = Quiet(
        due=np.ones(1, bool),
        conduction=0.0,
        loss=0.0,
        room_degc=np.full(1, 20.0),
        pull=np.stack((upper, 1.0 - upper), axis=1),
        at_sensor=middles,
        sensors_degc=np.array([reads_degc]),
        around_sensor=np.stack((middles, middles)),
        part_per_k=np.zeros(1),
        open_part=open_part,
    )
    still = Water(np.zeros(1), np.zeros((1, COLUMNS)))
    course = follow(Store(still, [], quiet, ROOM, np.zeros((1, LAYERS - 1))), start)
    return np.asarray((course.end - start).sum(axis=1))


def test_sensors_move_warm_water_and_add_no_heat_within_what_they_leave_open():
    """They ask for 4 K more above: 32 K of layers. They leave open a part of eight layers × the 24 K between them."""
    np.testing.assert_allclose(_asked_of((64.0, 40.0), 0.0), np.repeat([4.0, 0.0], LAYERS // 2))
    assert _asked_of((64.0, 40.0), 0.1).sum() == pytest.approx(32.0 - 0.1 * 8 * 24.0)
    assert _asked_of((64.0, 40.0), 0.5).sum() == pytest.approx(0.0)
    moved = _asked_of((62.0, 36.0), 0.5)  # 16 K of layers more above, 32 K less below
    assert moved.sum() == pytest.approx(0.0)
    assert moved[0] == pytest.approx(2.0)
    assert moved[-1] == pytest.approx(-2.0)


def test_a_small_draw_takes_only_what_stands_on_top():
    """Two of sixteen layers: through eight stirred layers in a row the lower half does not show (Poisson, 1e-3)."""
    left = follow(_resting(_halves(), 2.0), _halves()).leaving[0]
    assert left[1] == pytest.approx(2.0 * 50.0, rel=2e-3)
    assert left[0] < 0.1


def test_a_draw_of_many_tanks_takes_everything():
    course = follow(_resting(_halves(), 80.0), _halves())
    assert course.leaving[0][:2] == pytest.approx([8 * 30.0, 8 * 50.0], rel=1e-6)
    assert np.abs(course.end[:, :2]).max() < 1e-6


def test_heat_from_below_stays_below_until_it_is_as_warm_as_the_top():
    """Eight layers of 40 degC need 8 x 20 K to reach 60 degC: below that the top keeps its mix, beyond it all mixes."""
    coil = np.where(np.arange(LAYERS) >= 12, 0.25, 0.0)
    little = follow(_resting(_halves(), 0.0, Charge(0, np.array([140.0]), coil)), _halves()).end
    much = follow(_resting(_halves(), 0.0, Charge(0, np.array([200.0]), coil)), _halves()).end
    assert little[0, 0] == 0.0
    assert little[:8, 1] == pytest.approx(50.0)
    assert much.sum(axis=1) == pytest.approx(60.0 + 40.0 / 16)
    assert much[0, 0] == pytest.approx((8 * 30.0 + 200.0) / 16)


def test_a_loop_that_takes_from_the_bottom_brings_its_heat_on_top():
    charge = Charge(0, np.array([30.0]), np.eye(LAYERS)[0], turned=np.array([0.5]))
    end = follow(_resting(_halves(), 0.0, charge), _halves()).end
    assert end[:, :2].sum() == pytest.approx(8 * 80.0 + 30.0)
    assert end[0, 0] > end[7, 0]


def _one_sensor(house: Site = HOUSE) -> Site:
    return replace(house, tanks={"store": replace(house.tanks["store"], temperatures=("top",))})


def test_a_tank_with_one_sensor_counts_as_mixed():
    """The same account in a loop of three lines, by blocks of a quarter of an hour, for the 19 o'clock draw."""
    plant = account(_one_sensor(), _readings() | {"top": constant(50.0)}).plant
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
    return account(HOUSE, _readings()).plant


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
    moved = {origin: doubt.steady.get("heat in store at first", 0.0) for origin, doubt in found.heat_doubt.items()}
    assert 0.1 < shares[CARRIED_OVER] < 0.9
    assert moved[CARRIED_OVER] > 0.01 * found.of_tanks
    assert sum(moved.values()) == pytest.approx(0.0, abs=1e-6 * found.of_tanks)
    assert moved["sun"] / moved["backup"] == pytest.approx(shares["sun"] / shares["backup"])


def test_a_mixed_account_is_doubted_more_than_a_layered_one():
    layered = account_origins(_plant(), None)
    mixed = account_origins(account(_one_sensor(), _readings()).plant, None)
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
    plant = account(HOUSE, _readings() | {"flow": constant(0.0), "rod.power": constant(0.0)}).plant
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
    found = account_origins(account(house, _readings()).plant, state)
    assert list(found.by_origin) == ["backup", CARRIED_OVER]
    assert found.by_origin[CARRIED_OVER] > 0.0


def test_sensors_silent_all_day_leave_the_layers_to_their_heat_balance():
    state = account_origins(_plant(), None).state
    silent = {k: v for k, v in _readings().items() if k not in ("top", "bottom")}
    found = account_origins(account(HOUSE, silent).plant, state)
    assert "store" in found.state.layers
    assert sum(found.by_origin.values()) > 0.0


@pytest.mark.parametrize("main_degc", [6.0, 20.0])
def test_heat_stored_before_the_first_water_moved_is_counted_from_the_main_of_that_water(main_degc):
    readings = _readings() | {"cold": constant(main_degc)}
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
    return bool(_course(_readings() | readings).store.slack_k[44, LAYERS // 2 - 1] > 0.0)


@pytest.mark.parametrize("apart_k", [-0.4, 0.0, 0.4])
def test_a_tank_heated_below_has_turned_over_where_its_sensors_rise_together_whatever_their_offsets(apart_k):
    rising = {"bottom": _ramp(0.3, at_ten=50.0), "top": _ramp(0.3, at_ten=50.0 + apart_k)}
    cooling = {"bottom": _ramp(0.3, at_ten=50.0), "top": _ramp(-0.05, at_ten=51.2 + apart_k)}
    assert _mixes_at_eleven(rising)
    assert not _mixes_at_eleven(cooling)


def test_sensors_that_rise_together_say_nothing_while_the_element_heats_as_well():
    rising = {"bottom": _ramp(0.3, at_ten=50.0), "top": _ramp(0.3, at_ten=50.4)}
    element = {"rod.power": stepped(10 * HOUR, 12 * HOUR, 1000.0)}
    assert not _mixes_at_eleven(rising | element)
    assert _mixes_at_eleven(rising | element | {"top": _ramp(0.3, at_ten=50.05)})


def test_a_coil_of_which_no_temperature_is_known_heats_the_cooler_layers():
    """Its fluid is 5 K warmer than the water on the mean, 55 degC: less than the upper half's 60 degC."""
    everywhere = np.full(LAYERS, 1.0 / LAYERS)
    charge = Charge(0, np.array([80.0]), everywhere, lift_k=np.full((1, LAYERS), 5.0))
    before = _halves()
    gained = follow(_resting(before, 0.0, charge), before).end - before
    np.testing.assert_allclose(gained[: LAYERS // 2, 0], 0.0)
    np.testing.assert_allclose(gained[LAYERS // 2 :, 0], 10.0)
