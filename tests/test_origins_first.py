"""How sure it is what tanks held as an account began: by what sensors leave open, and by how much of it is left."""

from dataclasses import replace
from math import hypot

import pytest

from analytics.origins import CARRIED_OVER, account_origins
from analytics.origins_first import FirstStore, first_store, u_layered_first_j
from analytics.origins_state import CarriedState
from analytics.plant import PlantDay
from tests.heat_meter import heat_coefficient
from tests.small_sites import account, constant
from tests.test_origins import HOUSE, sun_and_rod

SOURCE = "heat in store at first"
KWH = 3.6e6
SUN_AND_A_LITTLE = {"sun": 1.0, CARRIED_OVER: 1e-9}


def _plant(top_degc: float = 60.0, bottom_degc: float = 40.0) -> PlantDay:
    return account(HOUSE, sun_and_rod() | {"top": constant(top_degc), "bottom": constant(bottom_degc)}).plant


def test_a_tank_at_one_temperature_is_better_known_than_one_with_a_step_between_its_sensors():
    even, stepped = (u_layered_first_j(plant, "store", 10.0) for plant in (_plant(50.0, 50.0), _plant(70.0, 30.0)))
    assert 0.0 < even < 0.6 * stepped


def test_a_step_is_doubted_by_less_than_if_warm_water_ended_sharply_anywhere_between_two_sensors():
    """Half of 200 l by 40 K, evenly spread: a root mean square of 1 / √12."""
    anywhere = 0.1 * heat_coefficient(29.5, 30.5) * 40.0 / 12**0.5
    assert 0.3 * anywhere < u_layered_first_j(_plant(70.0, 30.0), "store", 30.0) < anywhere


def test_the_heat_of_a_tank_whose_water_is_as_cold_as_the_main_is_known():
    assert u_layered_first_j(_plant(10.0, 10.0), "store", 10.0) == 0.0


def test_what_is_left_is_the_less_sure_by_its_size_the_less_is_left():
    """Of 10 kWh the taps get 7, metered; what was 0.8 kWh unsure is then 3 kWh, and unsure by more than 8 % of that."""
    first = FirstStore(0.8 * KWH, 7.0 * KWH, 3.0 * KWH)
    assert first.u_left_j < 0.8 * KWH
    assert first.u_left_j / (3.0 * KWH) > 2.0 * 0.8 / 10.0


def test_what_days_bring_to_light_and_what_stays_in_store_make_the_doubt_of_the_first():
    """As squares: the error of the first store is shared out over the days, and nothing of it comes anew."""
    u_j, released = 0.8 * KWH, []
    for given_j, left_j in ((3.0 * KWH, 7.0 * KWH), (4.0 * KWH, 3.0 * KWH), (2.9 * KWH, 0.1 * KWH)):
        first = FirstStore(u_j, given_j, left_j)
        moved = {origin: doubt.u * factor for origin, factor, doubt in first.doubt_of(SUN_AND_A_LITTLE)}
        released.append(moved[CARRIED_OVER])
        u_j = first.u_left_j
    assert hypot(*released, u_j) == pytest.approx(0.8 * KWH, rel=1e-6)


def test_a_day_whose_taps_got_nothing_but_what_was_carried_over_leaves_no_doubt_of_it():
    assert list(FirstStore(0.8 * KWH, 7.0 * KWH, 3.0 * KWH).doubt_of({"sun": 0.0, CARRIED_OVER: 1.0})) == []


def test_nobody_can_be_wrong_by_more_than_there_is():
    state = CarriedState({}, 10.0, u_first_j=2.0 * KWH)
    assert first_store(state, [], given_j=0.3 * KWH, left_j=0.2 * KWH).u_j < 0.5 * KWH


def test_a_tank_that_joins_is_unsure_by_itself():
    state = CarriedState({}, 10.0, u_first_j=0.3 * KWH)
    assert first_store(state, [0.4 * KWH], given_j=2.0 * KWH, left_j=9.0 * KWH).u_j == pytest.approx(0.5 * KWH)


def test_an_account_of_some_weeks_knows_nothing_of_how_it_began():
    plant = _plant()
    found = account_origins(plant, None)
    at_first = found.heat_doubt[CARRIED_OVER].passing[SOURCE]
    for _ in range(20):
        found = account_origins(plant, found.state)
    assert found.heat_doubt[CARRIED_OVER].passing.get(SOURCE, 0.0) < 0.05 * at_first
    assert found.heat_doubt["sun"].passing.get(SOURCE, 0.0) < 0.05 * at_first


def test_an_account_that_was_kept_without_its_doubt_is_taken_as_long_begun():
    plant = _plant()
    state = account_origins(plant, None).state
    assert SOURCE in account_origins(plant, state).heat_doubt["sun"].passing
    assert SOURCE not in account_origins(plant, replace(state, u_first_j=0.0)).heat_doubt["sun"].passing
