"""The plant of other physics keeps its heat, and figures hold against it."""

from datetime import date, timedelta

import numpy as np
import pytest

from ingest.virtual.truth import truth_of_day, truth_to_json
from tests.parcels.house import ParcelHouse
from tests.parcels.tank import Tank
from tests.studies.coverage import held
from tests.studies.houses import PARCEL_HOUSES
from tests.studies.instruments import Instruments, by_plan
from tests.studies.origins import shares

_COLD_J_KG = 42e3


def _tank() -> Tank:
    return Tank(300.0, ua_w_k=2.0, room_degc=18.0, origins=4, cold_j_kg=_COLD_J_KG)


def test_water_leaves_a_tank_as_it_came_in_for_nothing_mixes_that_lies_in_order() -> None:
    tank, nothing = _tank(), np.zeros(4)
    for _ in range(2):
        tank.take(1.0, 100.0)
        tank.put(0.0, 100.0, 60e3, _COLD_J_KG, np.array([100.0 * 18e3, 0.0, 0.0, 0.0]))
    above, _, _ = tank.take(1.0, 100.0)
    tank.put(0.0, 100.0, _COLD_J_KG, _COLD_J_KG, nothing)
    warm, cold, heat = tank.take(1.0, 100.0)
    assert above > 60e3
    assert (warm, cold) == (pytest.approx(60e3), pytest.approx(_COLD_J_KG))
    assert heat == pytest.approx([100.0 * 18e3, 0.0, 0.0, 0.0])


def test_a_rod_along_a_range_warms_it_evenly_and_one_below_mixes_what_it_passes() -> None:
    along, below = _tank(), _tank()
    along.warm(0.5, 1.0, 1e6, 0)
    below.warm(0.5, 0.6, 8e6, 0)
    before = _tank()
    for height in (0.55, 0.95):
        assert along.degc(height) - before.degc(height) == pytest.approx(1e6 / 150.0 / 4180.0, abs=0.05)
    assert below.degc(0.95) - below.degc(0.55) < 0.3
    assert below.degc(0.45) == pytest.approx(before.degc(0.45), abs=0.2)


@pytest.mark.parametrize("kind", ["two-tank in parcels", "boiler-backup in parcels"])
def test_what_its_sources_give_is_stored_lost_or_drawn_and_every_joule_has_an_origin(kind: str) -> None:
    house = ParcelHouse(PARCEL_HOUSES[kind], first_day=date(2025, 4, 10), seed=5)
    for _ in range(2):
        record = house.finish_day()
        truth = truth_to_json(truth_of_day(house, record))
        drawn = truth["hot_water"]["heat"]
        given = sum(stage["heat"] - stage["reverse"] for stage in truth["stages"])
        kept = sum(tank["stored_change"] + tank["loss"] for tank in truth["tanks"])
        origins = sum(stage["delivered"] for stage in truth["stages"])
        origins += truth["hot_water"]["carried_over"] + truth["hot_water"]["from_room"]
        assert min(given, drawn) > 1.0
        assert given == pytest.approx(drawn + kept, abs=1e-9 * given)
        assert origins == pytest.approx(drawn, abs=1e-9 * drawn)


@pytest.mark.parametrize("seed", [2, 3])
def test_sensors_without_an_error_of_calibration_read_the_winters_hot_water_and_pumps_without_a_bias(seed: int) -> None:
    """The main is cold then, pipes are not, and a heat pump starts and stops all day."""
    found = held("two-tank in parcels", seed=seed, days=2, instruments=[Instruments(seed, lambda name: 0.0)])
    for name, part in (("hot_water heat", 0.004), ("electricity pumps", 0.015)):
        of_it = [one for one in found if one.name == name]
        true = sum(one.truth for one in of_it)
        assert true > 0.5
        assert sum(one.value for one in of_it) == pytest.approx(true, rel=part)


def test_figures_hold_against_tanks_of_parcels() -> None:
    kind = "boiler-backup in parcels"
    sets = [by_plan(kind, index, of=9) for index in range(9)]
    each = [
        held(kind, seed=seed, days=2, instruments=sets[3 * n : 3 * n + 3]) for n, seed in enumerate((211, 212, 213))
    ]
    some = [one.is_inside for found in each for one in found if one.truth != 0.0]
    assert len(some) > 180
    assert np.mean(some) >= 0.9


@pytest.mark.parametrize("kind", ["solar-one-tank in parcels", "boiler-backup in parcels"])
def test_over_a_week_each_origins_share_is_that_of_tanks_of_parcels(kind: str) -> None:
    start = date(2025, 1, 13) + timedelta(days=91)
    weeks = [one for one in shares(kind, start, seed=901) if one.is_week]
    assert len(weeks) == 2
    assert max(one.error for one in weeks) <= 0.02
