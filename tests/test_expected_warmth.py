"""A day's stagnation of a collector and its lukewarm water, as they are kept for the days after."""

import numpy as np
import pytest

from analytics.expected.conditions import day_conditions
from analytics.expected.stagnation import STAGNANT_H, stagnant_hours
from analytics.expected.warmth import LUKEWARM_PART, WARMEST_FROM_DEGC, WARMEST_TO_DEGC, tanks_before_taps, warmth
from tests.plants import changed, healthy_day, house, plant_of

_HOUSE = house()
_PASSING = {'tank = "solar"\nheight = [0.6, 1.0]\nheater': "heater"}
_ONE_SENSOR = {'temperatures = ["solar.top", "solar.bottom"]': 'temperatures = ["solar.bottom"]'}


def _warmth(changes, **replacements):
    site = house(**replacements)
    return warmth(plant_of(site, changed(healthy_day(), changes)), site.tanks["solar"])


def _lukewarm(drawn_degc, *stretches):
    return {
        "solar.top": [("00:00", "24:00", 40.0), *stretches],
        "hot.temp": [("00:00", "24:00", drawn_degc)],
        "mixed.temp": [("00:00", "24:00", 36.0)],
        "solar.bottom": [("00:00", "24:00", 22.0)],
    }


def test_a_tank_at_forty_degrees_is_lukewarm_all_day_whatever_its_bottom():
    told = _warmth(_lukewarm(39.0))
    assert told[LUKEWARM_PART] == 1.0
    assert told[WARMEST_FROM_DEGC] == pytest.approx(40.0, abs=0.1)
    assert told[WARMEST_TO_DEGC] == pytest.approx(40.0, abs=0.1)


def test_hours_above_the_range_and_a_lasting_heat_are_seen():
    told = _warmth(_lukewarm(39.0, ("12:00", "18:00", 60.0)))
    assert told[LUKEWARM_PART] == pytest.approx(0.75, abs=0.01)
    assert told[WARMEST_TO_DEGC] == pytest.approx(60.0, abs=0.1)


def test_some_minutes_of_heat_do_not_heat_a_tank_through():
    assert _warmth(_lukewarm(39.0, ("12:05", "12:25", 60.0)))[WARMEST_TO_DEGC] < 41.0


@pytest.mark.parametrize(("degc", "part"), [(24.9, 0.0), (25.0, 1.0), (45.0, 1.0), (45.1, 0.0)])
def test_the_range_has_two_ends(degc, part):
    plant = plant_of(_HOUSE, changed(healthy_day(), _lukewarm(39.0)))
    plant.tanks["solar"].sensors_degc[:] = degc
    plant.signals["hot.temp"].course[:] = 24.0
    assert warmth(plant, _HOUSE.tanks["solar"])[LUKEWARM_PART] == part


def test_water_drawn_hotter_than_the_sensors_lay_on_top():
    told = _warmth(_lukewarm(52.0))
    assert told[LUKEWARM_PART] == 0.0
    assert told[WARMEST_TO_DEGC] == pytest.approx(52.0, abs=0.1)


def test_a_single_sensor_tells_of_the_top_only_where_water_leaves_past_another_one():
    assert LUKEWARM_PART in _warmth(_lukewarm(39.0), **_ONE_SENSOR)
    no_draws = _lukewarm(39.0) | {"draw.flow": [("00:00", "24:00", 0.0)]}
    assert _warmth(no_draws, **_ONE_SENSOR) == {}


def test_a_day_with_hours_unknown_tells_nothing():
    silent = [("08:00", "12:00", None)]
    assert _warmth({"solar.top": silent, "solar.bottom": silent}) == {}


def test_the_last_tank_should_be_hot_unless_a_heater_in_passing_follows():
    assert tanks_before_taps(_HOUSE) == ("solar",)
    assert tanks_before_taps(house(**_PASSING)) == ()


def test_a_tank_that_a_backup_keeps_warm_should_be_hot_wherever_it_stands():
    kept = house(**{'tank = "solar"\nheight = [0.6, 1.0]': 'tank = "preheat"\nheight = [0.6, 1.0]'})
    assert tanks_before_taps(kept) == ("preheat", "solar")


def _stagnant_h(changes):
    return stagnant_hours(plant_of(_HOUSE, changed(healthy_day(), changes)), _HOUSE.collectors["roof"])


_STILL = {"collector.flow": [("11:00", "13:00", 0.0)]}


def test_two_hours_without_flow_in_the_sun_are_two_hours():
    told = _stagnant_h(_STILL | {"collector.leaving": [("11:00", "13:00", 150.0)]})
    assert told[STAGNANT_H] == pytest.approx(2.0, abs=0.05)


@pytest.mark.parametrize(
    "changes",
    [
        {"collector.leaving": [("11:00", "13:00", 150.0)]},
        _STILL | {"collector.leaving": [("11:00", "13:00", 119.0)]},
        {"collector.leaving": [("00:00", "04:00", 150.0)]},
    ],
    ids=["it flows", "not so hot", "at night"],
)
def test_no_stagnation(changes):
    assert _stagnant_h(changes)[STAGNANT_H] == 0.0


def test_a_collector_that_is_silent_by_day_tells_nothing():
    assert _stagnant_h({"collector.leaving": [("06:00", "20:00", None)]}) == {}


def test_both_are_kept_with_the_day():
    kept = day_conditions(plant_of(_HOUSE, healthy_day()))
    assert kept["collector.roof.stagnant_h"] == 0.0
    assert kept["tank.solar.lukewarm_part"] == 0.0
    assert 50.0 < kept["tank.solar.warmest_from_degc"] < kept["tank.solar.warmest_to_degc"] < 58.0
    assert not np.any([name.startswith("tank.preheat.lukewarm") for name in kept])
