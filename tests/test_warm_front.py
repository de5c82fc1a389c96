"""What a tank's layers tell otherwise than its sensors is in the doubt of its stored heat."""

from dataclasses import replace

import pytest

from analytics.day import account_day
from analytics.doubt import Doubt
from analytics.figure_paths import figures_by_path
from analytics.layers import LAYERS
from analytics.origins_state import CarriedState, LayeredHeat
from analytics.plant import Total, not_known
from analytics.site import Tank
from analytics.warm_front import with_front_in_doubt
from tests.small_sites import DAY, account
from tests.test_day_account import HOUSE, _readings

_TANK = Tank(id="store", volume_l=160.0, temperatures=("top", "bottom"))
_J_PER_K = 0.160 * 992.2 * 4180.0  # water at 40 degC: handbook values from memory


def _state(*layers_degc: float) -> CarriedState:
    each = [degc - 10.0 for degc in layers_degc for _ in range(LAYERS // len(layers_degc))]
    return CarriedState({}, 10.0, {"store": LayeredHeat({"sun": each}, [10.0] * LAYERS)})


def test_a_front_that_the_sensors_miss_widens_the_interval():
    """A quarter of 160 l that is 40 K warmer at the day's end, of which the sensors tell a half."""
    told = Total(0.5 * 0.25 * 40.0 * _J_PER_K, Doubt({}, {"layers of store": 1.0}), 1.0)
    found = with_front_in_doubt(told, _TANK, before=_state(20, 20, 20, 60), after=_state(20, 20, 60, 60))
    assert (found.amount, found.covered) == (told.amount, 1.0)
    assert found.doubt.passing["layers of store"] == 1.0
    assert found.doubt.passing["warm front of store"] == pytest.approx(1.7 * told.amount, rel=0.01)
    assert found.u > told.u


def test_layers_that_tell_the_same_add_nothing():
    told = Total(0.25 * 40.0 * _J_PER_K, Doubt({}, {}), 1.0)
    found = with_front_in_doubt(told, _TANK, before=_state(20, 20, 20, 60), after=_state(20, 20, 60, 60))
    assert found.u < 0.01 * told.amount


@pytest.mark.parametrize(("before", "after"), [(None, _state(20.0)), (_state(20.0), None)])
def test_where_nothing_was_carried_nothing_is_added(before, after):
    told = Total(1.0e6, Doubt({}, {}), 1.0)
    assert with_front_in_doubt(told, _TANK, before=before, after=after) is told


def test_what_is_not_known_stays_so():
    unknown = not_known("No sensor spoke.")
    assert with_front_in_doubt(unknown, _TANK, before=_state(20.0), after=_state(30.0)) is unknown


def test_the_ledgers_residual_has_it_too():
    first = account(HOUSE, _readings())
    second = account_day(HOUSE, _readings(), DAY, state=replace(first.state))
    for path in ("tanks.store.stored_change", "tanks.store.residual"):
        alone, carried = (figures_by_path(each.ledger)[path] for each in (first, second))
        assert "warm front of store" not in alone.doubt.passing
        assert carried.doubt.passing["warm front of store"] != 0.0
