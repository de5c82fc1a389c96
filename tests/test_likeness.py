"""How much a tank is like plug flow: a straight line through what its sensors tell, by least squares."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.likeness import UNTOLD, Likeness
from analytics.origins_state import CarriedState, LayeredHeat, state_from_json, state_to_json

NONE = np.zeros(200)


def _told(part: float, apart_k: np.ndarray, likeness: Likeness = UNTOLD, slope_k: np.ndarray = NONE) -> Likeness:
    """By a sensor of a tank that is so much like plug flow, in which both ways are so far apart."""
    stirred = np.full((len(apart_k), 1), 40.0)
    apart_k, slope_k = apart_k[:, None], slope_k[: len(apart_k), None]
    return likeness.told(stirred + part * apart_k, stirred=stirred, plug=stirred + apart_k, slope_k=slope_k)


@given(st.floats(0.0, 1.0), st.lists(st.floats(0.5, 8.0), min_size=100, max_size=200), st.booleans())
def test_a_tank_between_both_ways_is_found_to_be_where_it_is(part, apart_k, is_below):
    sign = -1.0 if is_below else 1.0
    assert _told(part, sign * np.array(apart_k)).part == pytest.approx(part, abs=0.1)


def test_least_squares_are_those_of_numpy():
    """numpy.linalg.lstsq of the part and two sensors' places together; what holds at first is one word more."""
    apart_k, noise = np.array([1.0, -1.0, 1.0, -1.0, 1.0]), np.array([0.2, 0.1, -0.3, 0.4, 0.0])
    slope_k = np.array([[0.0, 4.0], [6.0, -1.0], [2.0, 3.0], [5.0, 5.0], [1.0, 2.0]])
    apart_k, stirred = np.stack((apart_k, -0.5 * apart_k), axis=1), np.full((5, 2), 40.0)
    off_k = 0.7 * apart_k + np.array([0.2, -0.1]) * slope_k + np.stack((noise, noise[::-1]), axis=1)
    found = UNTOLD.told(stirred + off_k, stirred=stirred, plug=stirred + apart_k, slope_k=slope_k)
    u = np.sqrt(0.5**2 + (0.08 * slope_k) ** 2 + (0.5 * apart_k) ** 2)
    rows = [np.eye(3) * [2.0, 4.0, 4.0]]
    for sensor in range(2):
        of_place = slope_k[:, sensor, None] * np.eye(2)[sensor]
        rows.append(np.column_stack((apart_k[:, sensor], of_place)) / u[:, sensor, None])
    told = np.concatenate(([2.0 * UNTOLD.part, 0.0, 0.0], *(off_k / u).T))
    line = np.linalg.lstsq(np.concatenate(rows), told, rcond=None)[0]
    assert found.part == pytest.approx(float(line[0]))
    halves = UNTOLD
    for cut in (slice(0, 2), slice(2, 5)):
        halves = halves.told(
            stirred[cut] + off_k[cut], stirred=stirred[cut], plug=(stirred + apart_k)[cut], slope_k=slope_k[cut]
        )
    assert halves.part == pytest.approx(float(line[0]))


def test_where_both_ways_say_the_same_or_a_sensor_is_silent_nothing_is_told():
    assert _told(1.0, np.zeros(5)).part == UNTOLD.part
    k = np.ones((5, 1))
    silent = UNTOLD.told(np.nan * k, stirred=40.0 * k, plug=45.0 * k, slope_k=10.0 * k)
    assert silent.part == UNTOLD.part
    assert silent.apart == 0.0


def test_a_sensor_in_a_front_tells_less_for_it_may_stand_elsewhere():
    apart_k = np.full(3, 4.0)
    clear, in_front = _told(1.0, apart_k), _told(1.0, apart_k, slope_k=np.full(200, 20.0))
    assert UNTOLD.part < in_front.part < clear.part


@given(st.floats(0.0, 1.0), st.floats(-0.3, 0.3), st.integers(0, 99))
def test_a_sensor_that_stands_elsewhere_is_not_taken_for_a_way_of_the_tank(part, place, seed):
    """It is off wherever the water is layered, also where both ways say the same."""
    drawn = np.random.default_rng(seed)
    apart_k, slope_k, stirred = (
        drawn.normal(0.0, 3.0, (200, 3)),
        drawn.uniform(0.0, 12.0, (200, 3)),
        np.full((200, 3), 40.0),
    )
    degc = stirred + part * apart_k + place * slope_k + drawn.normal(0.0, 0.2, (200, 3))
    found = UNTOLD.told(degc, stirred=stirred, plug=stirred + apart_k, slope_k=slope_k)
    assert found.part == pytest.approx(part, abs=0.1)


def test_one_that_is_always_off_where_both_ways_differ_tells_little():
    """Its place explains it as well as either way does."""
    apart_k, slope_k = np.full(100, 2.0), np.full(200, 8.0)
    assert abs(_told(1.0, apart_k, slope_k=slope_k).part - UNTOLD.part) < 0.5 * abs(
        _told(1.0, apart_k).part - UNTOLD.part
    )


def test_what_is_far_off_both_ways_tells_no_more_than_what_is_somewhat_off():
    apart_k = np.full(1, 2.0)
    assert _told(50.0, apart_k) == _told(1.5, apart_k)
    assert _told(-50.0, apart_k) == _told(-0.5, apart_k)
    assert 0.0 < _told(-50.0, apart_k, _told(0.5, np.full(20, 2.0))).part < 0.5


def test_what_was_told_long_ago_fades():
    """A tank that was stirred and is no more, since its inlet was changed, is known as such again."""
    apart_k = np.full(200, 5.0)
    stirred = _told(0.0, apart_k)
    assert stirred.part < 0.05
    assert _told(1.0, apart_k[:100], stirred).part > 0.8


def test_it_is_carried_to_the_next_day_as_it_is_and_unknown_of_older_records():
    state = CarriedState({"t": {}}, 10.0, {"t": LayeredHeat({}, (), None, Likeness(1.25, 3.5, ((0.5, 2.0, -0.25),)))})
    data = json.loads(json.dumps(state_to_json(state)))
    assert state_from_json(data) == state
    del data["layers"]["t"]["likeness"]
    assert state_from_json(data).layers["t"].likeness == UNTOLD
