"""How much a tank is like plug flow: a straight line through what its sensors tell, by least squares."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.likeness import UNTOLD, Likeness
from analytics.origins_state import CarriedState, LayeredHeat, state_from_json, state_to_json

NONE = np.zeros(200)


def _told(part: float, apart_k: np.ndarray, likeness: Likeness = UNTOLD, around_k: np.ndarray = NONE) -> Likeness:
    """By sensors of a tank that is so much like plug flow, in which both ways are so far apart."""
    stirred = np.full(len(apart_k), 40.0)
    degc = stirred + part * apart_k
    return likeness.told(degc, stirred=stirred, plug=stirred + apart_k, around_k=around_k[: len(apart_k)])


@given(st.floats(0.0, 1.0), st.lists(st.floats(0.5, 8.0), min_size=100, max_size=200), st.booleans())
def test_a_tank_between_both_ways_is_found_to_be_where_it_is(part, apart_k, is_below):
    sign = -1.0 if is_below else 1.0
    assert _told(part, sign * np.array(apart_k)).part == pytest.approx(part, abs=0.1)


def test_least_squares_are_those_of_numpy():
    """Of words alike in their variance: numpy.linalg.lstsq of the same line; the part at first is one word more."""
    apart_k, noise = np.array([1.0, -1.0, 1.0, -1.0, 1.0]), np.array([0.2, 0.1, -0.3, 0.4, 0.0])
    stirred = np.full(5, 40.0)
    found = UNTOLD.told(stirred + 0.7 * apart_k + noise, stirred=stirred, plug=stirred + apart_k, around_k=np.zeros(5))
    a, b = np.ones(5) / np.sqrt(0.5), (0.7 + noise * apart_k) / np.sqrt(0.5)
    line = np.linalg.lstsq(np.append(a, 2.0)[:, None], np.append(b, 2.0 * UNTOLD.part), rcond=None)[0]
    assert found.part == pytest.approx(float(line[0]))


def test_where_both_ways_say_the_same_or_a_sensor_is_silent_nothing_is_told():
    assert _told(1.0, np.zeros(5)) == UNTOLD
    silent = UNTOLD.told(np.full(5, np.nan), stirred=np.full(5, 40.0), plug=np.full(5, 45.0), around_k=np.zeros(5))
    assert silent == UNTOLD


def test_a_sensor_in_a_front_tells_less_for_it_may_stand_elsewhere():
    apart_k = np.full(3, 4.0)
    clear, in_front = _told(1.0, apart_k), _told(1.0, apart_k, around_k=np.full(200, 20.0))
    assert UNTOLD.part < in_front.part < clear.part


def test_what_is_far_off_both_ways_tells_no_more_than_what_is_somewhat_off():
    apart_k = np.full(1, 2.0)
    assert _told(50.0, apart_k) == _told(2.0, apart_k)
    assert _told(-50.0, apart_k) == _told(-1.0, apart_k)
    assert 0.0 < _told(-50.0, apart_k, _told(0.5, np.full(20, 2.0))).part < 0.5


def test_what_was_told_long_ago_fades():
    """A tank that was stirred and is no more, since its inlet was changed, is known as such again."""
    apart_k = np.full(200, 5.0)
    stirred = _told(0.0, apart_k)
    assert stirred.part < 0.05
    assert _told(1.0, apart_k[:100], stirred).part > 0.8


def test_it_is_carried_to_the_next_day_as_it_is_and_unknown_of_older_records():
    state = CarriedState({"t": {}}, 10.0, {"t": LayeredHeat({}, (), None, Likeness(1.25, 3.5))})
    data = json.loads(json.dumps(state_to_json(state)))
    assert state_from_json(data) == state
    del data["layers"]["t"]["likeness"]
    assert state_from_json(data).layers["t"].likeness == UNTOLD
