"""A tank's layers: heat by origin is kept, water rises and mixes, sensors are believed as far as they tell."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.layers import LAYERS, Charge, Course, Quiet, Store, Water, follow, follow_ways
from analytics.likeness import Likeness

COLUMNS = 5  # two stages, the room, carried over, cold
HALF = LAYERS // 2
ROOM = 2
OFF_K = 0.35
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
    moved = sometimes(6.0)
    gained_k = np.where(rng.random(steps) < 0.3, np.nan, moved * rng.uniform(-20.0, 60.0, steps))
    return Store(Water(moved, entering, gained_k), charges, quiet, ROOM, slack), start


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
    assert store.water.gained_k is not None
    water = Water(store.water.layers[steps], store.water.entering[steps], store.water.gained_k[steps])
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
def test_heat_of_each_origin_is_kept_over_any_split_of_a_day(seed, cut):
    store, start = _store(seed)
    first = follow(_part(store, slice(0, cut)), start)
    second = follow(replace(_part(store, slice(cut, None)), likeness=first.likeness), first.end)
    entered = _entered(store)
    left = first.leaving.sum(axis=0) + second.leaving.sum(axis=0) + first.lost + second.lost
    throughput = np.abs(start).sum() + np.abs(entered).sum()
    assert np.abs(start.sum(axis=0) + entered - left - second.end.sum(axis=0)).max() <= 1e-9 * throughput


@given(seeds, st.integers(min_value=1, max_value=23), st.sampled_from([0, 1]))
@settings(max_examples=30, deadline=None)
def test_a_day_in_two_parts_comes_to_the_same_as_in_one_in_either_way(seed, cut, way):
    store, start = _store(seed)
    whole = follow_ways(store, start)[way]
    first = follow_ways(_part(store, slice(0, cut)), start)[way]
    second = follow_ways(_part(store, slice(cut, None)), first.end)[way]
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
    middle = np.eye(1, LAYERS, HALF)
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
    assert _told(50.0, 0.25, (HALF, HALF)) == pytest.approx(10.0)
    assert _told(50.0, 0.25, (HALF - 3, HALF + 3)) == pytest.approx(10.0 / 26.0)
    assert _told(50.0, 0.0, (HALF - 3, HALF + 3)) == pytest.approx(10.0)


def test_what_no_place_of_a_sensor_explains_is_believed():
    """65 degC read where 40 to 60 are possible: the 5 K beyond are believed wholly."""
    assert _told(65.0, 0.25, (HALF - 3, HALF + 3)) == pytest.approx(5.0 + 20.0 / 26.0)


@given(seeds)
@settings(max_examples=30, deadline=None)
def test_no_layer_ends_warmer_than_the_one_above_it_and_the_start_stays_as_it_was(seed):
    """By no more, that is, than the account may be off."""
    store, start = _store(seed)
    before = start.copy()
    degc = follow(store, start).end.sum(axis=1)
    assert (np.diff(degc) <= OFF_K).all()
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
    start[:HALF, 1], start[HALF:, 0] = 50.0, 30.0
    return start


def _asked_of(reads_degc: tuple[float, float], open_part: float, *, meters_k: float = 0.0) -> np.ndarray:
    """What a tank of 60 degC above and 40 below gains by sensors in the middles of its halves. (layers,) [K]"""
    start, middles = _halves(), np.stack([np.eye(1, LAYERS, k)[0] for k in (LAYERS // 4, 3 * LAYERS // 4)])
    upper = np.repeat([1.0, 0.0], HALF)
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
        meters_k=meters_k,
    )
    still = Water(np.zeros(1), np.zeros((1, COLUMNS)))
    course = follow(Store(still, [], quiet, ROOM, np.zeros((1, LAYERS - 1))), start)
    return np.asarray((course.end - start).sum(axis=1))


def test_sensors_move_warm_water_and_add_no_heat_within_what_they_leave_open():
    """They ask for 4 K more in the upper half, and leave open a part of that half × the 24 K between them."""
    np.testing.assert_allclose(_asked_of((64.0, 40.0), 0.0), np.repeat([4.0, 0.0], HALF))
    assert _asked_of((64.0, 40.0), 0.1).sum() == pytest.approx(HALF * 4.0 - 0.1 * HALF * 24.0)
    assert _asked_of((64.0, 40.0), 0.5).sum() == pytest.approx(0.0, abs=1e-12)
    moved = _asked_of((62.0, 36.0), 0.5)  # 2 K more above, 4 K less below
    assert moved.sum() == pytest.approx(0.0)
    assert moved[0] == pytest.approx(2.0)
    assert moved[-1] == pytest.approx(-2.0)


def test_of_a_tanks_heat_sensors_and_meters_have_the_weight_of_what_they_know():
    """4 K of half of the tank are asked for. Sensors leave half of 24 K open there: as 6 K of all layers."""
    assert _asked_of((64.0, 40.0), 0.5, meters_k=6.0).sum() == pytest.approx(HALF * 4.0 / 2)
    assert _asked_of((64.0, 40.0), 0.5, meters_k=12.0).sum() == pytest.approx(HALF * 4.0 * 4 / 5)
    assert _asked_of((104.0, 80.0), 0.5, meters_k=6.0).sum() == pytest.approx(HALF * (84.0 - 12.0))  # far beyond it


def _drawn_as_a_piston(moved: float) -> tuple[Course, float]:
    """Of a tank of 60 degC above and 40 below with 10 degC coming in; and what is left in it, in K of layers."""
    start, rests = _halves(), _resting(_halves(), moved)
    degc = start.sum(axis=1)
    whole = int(moved)
    left_k = degc[:whole].sum() + (moved - whole) * degc[whole]
    told = replace(rests.water, gained_k=np.array([left_k - moved * 10.0]))
    return follow(replace(rests, water=told), start), degc.sum() + moved * 10.0 - left_k


@pytest.mark.parametrize(("moved", "within_k"), [(7.5, 1e-6), (11.25, 1e-3), (15.0, 0.5), (21.0, 20.0)])
def test_heat_that_meters_did_not_see_leave_is_still_in_the_tank(moved, within_k):
    """
    Water comes out as from a piston, where stirred layers give cool water too early and warm water too late.

    Where a whole tank is drawn, little of an origin is left that could be taken still.
    """
    course, left_k = _drawn_as_a_piston(moved)
    assert course.end.sum() == pytest.approx(left_k, abs=within_k)
    stirred = follow(_resting(_halves(), moved), _halves())
    assert abs(stirred.end.sum() - left_k) > abs(course.end.sum() - left_k)
    np.testing.assert_array_equal(course.leaving, stirred.leaving)


@pytest.mark.parametrize("moved", [1.0, 4.5])
def test_a_small_draw_leaves_in_the_tank_what_a_piston_leaves_with_and_without_a_meters_word(moved):
    """Nothing of the lower half has come through twelve layers in two strides, and a trace of it in nine."""
    course, left_k = _drawn_as_a_piston(moved)
    plain = follow(_resting(_halves(), moved), _halves())
    assert course.end.sum() == pytest.approx(left_k, abs=1e-6)
    assert plain.end.sum() == pytest.approx(left_k, abs=0.05)
    np.testing.assert_array_equal(course.leaving, plain.leaving)


def test_what_is_still_in_the_tank_is_of_the_origin_that_did_not_leave():
    """Nine of twelve layers of the backup are drawn, but 30 K of layers of its heat less: the sun's stays as it is."""
    rests = _resting(_halves(), 0.75 * HALF)
    left_k = float(follow(rests, _halves()).leaving.sum())
    told = replace(rests.water, gained_k=np.array([left_k - 30.0 - 0.75 * HALF * 10.0]))
    course = follow(replace(rests, water=told), _halves())
    plain = follow(rests, _halves())
    more = (course.end - plain.end).sum(axis=0)
    assert more[1] == pytest.approx(30.0, rel=0.1)
    assert more.sum() == pytest.approx(30.0)
    assert abs(more[0]) < 3.0


def test_a_small_draw_takes_only_what_stands_on_top():
    """Two layers: on its way through twelve the lower half does not show (binomial: 4 strides)."""
    left = follow(_resting(_halves(), 2.0), _halves()).leaving[0]
    assert left[1] == pytest.approx(2.0 * 50.0, rel=2e-3)
    assert left[0] < 0.1


def test_conduction_passes_heat_and_not_water():
    """
    Layers of one temperature keep their origins, however long they stand side by side; a warmer one gives of its own.

    Fourier's law: what passes is proportional to the difference.
    """
    start = np.zeros((LAYERS, COLUMNS))
    start[:, -1] = 10.0
    start[:HALF, 1], start[HALF:20, 0], start[20:, 0] = 40.0, 40.0, 30.0
    store = _resting(start, 0.0)
    quiet = replace(store.quiet, due=np.array([True]), conduction=0.2)
    change = follow(replace(store, quiet=quiet), start).end - start
    expected = np.zeros_like(start)
    expected[19, 0], expected[20, 0] = -0.2 * 10.0, 0.2 * 10.0
    np.testing.assert_allclose(change, expected, atol=1e-12)


@pytest.mark.parametrize(("way", "variance"), [(0, 4 * LAYERS / 18), (1, 0.0)])
def test_what_passes_spreads_as_in_a_row_of_vessels_or_hardly_at_all(way, variance):
    """Four layers further: so many parts of a tank, of which each vessel adds its own square (Poisson)."""
    start = np.zeros((LAYERS, 3))
    start[:, -1] = np.linspace(60.0, 20.0, LAYERS)  # so that nothing rises by itself
    start[12, 0] = 1e-3
    gone = follow_ways(_resting(start, 4.0), start)[way].end[:, 0] / 1e-3
    mean = float(gone @ np.arange(LAYERS))
    assert mean == pytest.approx(8.0)
    assert gone @ (np.arange(LAYERS) - mean) ** 2 == pytest.approx(variance, abs=0.05)


def test_the_account_is_the_mean_of_both_ways_by_how_much_the_tank_is_like_either():
    store, start = _store(3)
    for likeness in (Likeness(), Likeness(30.0, 40.0), Likeness(-5.0, 40.0), Likeness(90.0, 40.0)):
        course = follow(replace(store, likeness=likeness), start)
        (stirred, plug), part = course.ways, course.likeness.part
        np.testing.assert_allclose(course.leaving, (1 - part) * stirred.leaving + part * plug.leaving, atol=1e-9)
        assert np.abs(plug.leaving - stirred.leaving).max() > 0.1


def test_a_draw_of_many_tanks_takes_everything():
    course = follow(_resting(_halves(), 80.0), _halves())
    assert course.leaving[0][:2] == pytest.approx([HALF * 30.0, HALF * 50.0], rel=1e-6)
    assert np.abs(course.end[:, :2]).max() < 1e-6


def test_heat_from_below_stays_below_until_it_is_as_warm_as_the_top():
    """The half of 40 degC needs 20 K to reach 60 degC: below that the top keeps its mix, beyond it all mixes."""
    coil = np.where(np.arange(LAYERS) >= 0.75 * LAYERS, 4.0 / LAYERS, 0.0)
    little, much = (
        follow(_resting(_halves(), 0.0, Charge(0, np.array([rise_k * HALF]), coil)), _halves()).end
        for rise_k in (17.5, 25.0)
    )
    assert little[0, 0] == 0.0
    assert little[:HALF, 1] == pytest.approx(50.0)
    assert much.sum(axis=1) == pytest.approx(60.0 + 2.5)
    assert much[0, 0] == pytest.approx((30.0 + 25.0) / 2)


def test_water_that_sensors_show_to_be_apart_mixes_only_where_the_account_is_far_off():
    """The lower half comes to 61 or to 63 degC, below 60: within 2 K it is the account that may be wrong."""
    coil = np.where(np.arange(LAYERS) >= HALF, 2.0 / LAYERS, 0.0)

    def end(rise_k: float) -> np.ndarray:
        store = _resting(_halves(), 0.0, Charge(0, np.array([HALF * rise_k]), coil))
        return follow(replace(store, slack_k=np.full((1, LAYERS - 1), -2.0)), _halves()).end

    assert end(21.0)[0, 0] == 0.0
    np.testing.assert_allclose(end(21.0).sum(axis=1), np.repeat([60.0, 61.0], HALF))
    assert end(23.0)[HALF - 1, 0] > 0.0
    assert np.diff(end(23.0).sum(axis=1)).max() <= 2.0


def test_a_loop_that_takes_from_the_bottom_brings_its_heat_on_top():
    charge = Charge(0, np.array([30.0]), np.eye(LAYERS)[0], turned=np.array([0.5]))
    end = follow(_resting(_halves(), 0.0, charge), _halves()).end
    assert end[:, :2].sum() == pytest.approx(HALF * 80.0 + 30.0)
    assert end[0, 0] > end[HALF - 1, 0]


def test_a_coil_of_which_no_temperature_is_known_heats_the_cooler_layers():
    """Its fluid is 5 K warmer than the water on the mean, 55 degC: less than the upper half's 60 degC."""
    everywhere = np.full(LAYERS, 1.0 / LAYERS)
    charge = Charge(0, np.array([10.0 * HALF]), everywhere, lift_k=np.full((1, LAYERS), 5.0))
    before = _halves()
    gained = follow(_resting(before, 0.0, charge), before).end - before
    np.testing.assert_allclose(gained[:HALF, 0], 0.0)
    np.testing.assert_allclose(gained[HALF:, 0], 10.0)
