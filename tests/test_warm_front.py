"""A tank's change of stored heat is that of its followed layers, and the sensors' own where none were carried."""

from dataclasses import replace
from datetime import timedelta

import pytest

from analytics.day import CarriedState, account_day
from analytics.doubt import Doubt, over_days
from analytics.figure_paths import figures_by_path
from analytics.origins_tank import LayersChange
from analytics.plant import Total, not_known
from analytics.site import Tank
from analytics.trace import Trace
from analytics.warm_front import by_layers
from tests.small_sites import DAY, account
from tests.test_day_account import HOUSE, _readings

_TANK = Tank(id="store", volume_l=160.0, temperatures=("top", "bottom"))
_J_PER_K = 0.160 * 992.2 * 4180.0  # water at 40 degC: handbook values from memory


def test_the_layers_tell_the_change_and_what_the_sensors_tell_otherwise_widens_it():
    """0.4 K, of two sensors a twentieth of what the layers moved by ÷ 2, a fifth of the difference."""
    told = Total(10.0 * _J_PER_K, Doubt({"top": 3.0}, ends={"layers of store": 1.0}), 1.0)
    found = by_layers(told, _TANK, LayersChange(16.0 * _J_PER_K, 20.0))
    assert (found.amount, found.covered, found.basis) == (16.0 * _J_PER_K, 1.0, "derived")
    assert found.doubt.steady == {"top": 3.0}
    assert found.doubt.ends["followed layers of store"] == pytest.approx(0.4 * _J_PER_K, rel=0.01)
    assert found.doubt.ends["warm front of store"] == pytest.approx(0.2 * 6.0 * _J_PER_K)
    assert found.doubt.ends["moved layers of store"] == pytest.approx(0.05 * 10.0 * _J_PER_K, rel=0.01)
    assert "layers of store" not in found.doubt.ends


def test_over_cold_water_layers_are_as_far_off_on_a_day_and_further_off_over_weeks():
    """Below a coil half way up nothing tells how much is warm: what an account has wrong it keeps for days."""
    told = Total(10.0 * _J_PER_K, Doubt({}, {}), 1.0)
    here, over = (
        by_layers(told, _TANK, LayersChange(16.0 * _J_PER_K, 20.0), has_cold_below=cold) for cold in (False, True)
    )
    assert over.doubt.u == here.doubt.u
    weeks = [over_days([(DAY.date + timedelta(days=n), one.doubt) for n in range(14)]).u for one in (here, over)]
    assert weeks[1] > 1.3 * weeks[0]


def test_where_nothing_was_carried_the_sensors_tell():
    told = Total(1.0e6, Doubt({}, {}), 1.0)
    assert by_layers(told, _TANK, None) is told


def test_what_is_not_known_stays_so():
    unknown = not_known("No sensor spoke.")
    assert by_layers(unknown, _TANK, LayersChange(1.0e6, 5.0)) is unknown


def test_the_ledgers_residual_has_it_too():
    first = account(HOUSE, _readings())
    second = account_day(HOUSE, _readings(), DAY, state=replace(first.state))
    for path in ("tanks.store.stored_change", "tanks.store.residual"):
        alone, carried = (figures_by_path(each.ledger)[path] for each in (first, second))
        assert "followed layers of store" not in alone.doubt.ends
        assert carried.doubt.ends["followed layers of store"] != 0.0


def test_without_the_heat_of_a_stage_the_sensors_tell_alone():
    """A loop whose flow nobody knows may have brought any heat."""
    first = account(HOUSE, _readings())
    silent = {name: trace for name, trace in _readings().items() if name != "flow"}
    second = account_day(HOUSE, silent, DAY, state=first.state)
    assert second.ledger.tanks[0].stored_change.value == pytest.approx(0.0, abs=1e-9)


def test_after_a_day_without_any_reading_the_sensors_tell_alone():
    """Nobody knows what the layers were at the silent day's end; what they take over from the sensors is no change."""
    before = account(HOUSE, _readings())
    at_its_end = {name: _from(trace, DAY.end_ms - 60_000) for name, trace in _readings().items()}
    of_tank = {name: at_its_end[name] for name in HOUSE.tanks["store"].temperatures}
    for readings in ({}, at_its_end, of_tank):
        silent = account_day(HOUSE, readings, DAY, state=before.state)
        _assert_begins_anew_after(silent.state)


def _from(trace: Trace, start_ms: int) -> Trace:
    heard = trace.time_ms >= start_ms
    return Trace(trace.time_ms[heard], trace.value[heard])


def _assert_begins_anew_after(state: CarriedState) -> None:
    after = account_day(HOUSE, _readings(), DAY, state=state)
    next_after = account_day(HOUSE, _readings(), DAY, state=after.state)
    told = [day.ledger.tanks[0].stored_change.doubt.ends for day in (after, next_after)]
    assert ["followed layers of store" in ends for ends in told] == [False, True]
