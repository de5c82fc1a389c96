"""An upright element heats its whole range, one that lies across the tank heats from its foot: sensors within tell."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import isotonic_regression

from analytics.likeness import UNTOLD, Likeness
from analytics.origins import account_origins
from analytics.origins_gaps import origins_of
from analytics.origins_state import CarriedState, LayeredHeat
from analytics.origins_tank import layered_course
from analytics.origins_water import moved_water
from analytics.plant import PlantDay
from analytics.trace import Trace
from tests.small_sites import account, constant, point, site, stepped, trace
from tests.test_origins import HOUSE as TWO_SENSORS

HOUR = 3600.0
SENSORS = {f"s{k + 1}": 0.9 - 0.2 * k for k in range(5)}  # heights
HOUSE = site(
    [*TWO_SENSORS.points.values(), *(point(name, "temperature", "degC") for name in SENSORS)],
    fluids=TWO_SENSORS.fluids,
    loops=TWO_SENSORS.loops,
    tanks={"store": replace(TWO_SENSORS.tanks["store"], temperatures=tuple(SENSORS), ua_w_per_k=0.01)},
    heaters=TWO_SENSORS.heaters,
    stages=TWO_SENSORS.stages,
    hot_water=TWO_SENSORS.hot_water,
)
SLICES = 200  # of a litre each
HEIGHTS = (np.arange(SLICES) + 0.5) / SLICES
ALONG = (HEIGHTS > 0.6) / (HEIGHTS > 0.6).sum()
AT_FOOT = np.eye(SLICES)[120]


def _sensors(part: np.ndarray) -> dict[str, Trace]:
    """Of a tank of 20 degC below and 60 on top, of which slices get parts of 3 kW from 6 o'clock to 06:40."""
    degc, rows = np.linspace(20.0, 60.0, SLICES), []
    minutes = np.arange(-60, 25 * 60 + 1)
    for minute in minutes:
        if 360 < minute <= 400:
            # Of all stable tanks it is the one that mixing leads to: the closest in the sum of squares.
            degc = isotonic_regression(degc + part * 3000.0 * 60.0 / 4180.0).x
        rows.append(degc[[round(SLICES * height) for height in SENSORS.values()]])
    return {name: trace(minutes * 60.0, row) for name, row in zip(SENSORS, np.array(rows).T, strict=True)}


def _plant(part: np.ndarray, **readings: Trace) -> PlantDay:
    quiet = {name: constant(0.0) for name in ("flow", "pump", "draw")}
    warm = {"in": constant(40.0), "out": constant(40.0), "cold": constant(10.0), "hot": constant(55.0)}
    rod = {"rod.power": stepped(6 * HOUR, 6 * HOUR + 2400, 3000.0)}
    return account(
        HOUSE, {**quiet, **warm, **rod, "top": warm["hot"], "bottom": warm["in"], **_sensors(part), **readings}
    ).plant


def _told(plant: PlantDay) -> Likeness:
    return account_origins(plant, None).state.layers["store"].likeness


def test_a_sensor_in_the_range_tells_whether_heat_comes_along_it():
    """
    From the foot it warms once the water below is as warm, along the range at once.

    The edge of the heated water stays sharp either way, as in plug flow, so only what both differ in is of the element.
    """
    along = _told(_plant(ALONG)).part
    assert along > UNTOLD.part + 0.03
    assert _told(_plant(AT_FOOT)).part < along - 0.1


def test_one_run_in_which_a_front_passes_a_sensor_settles_nothing():
    """It jumps by 15 K, where either way it would rise by two to four."""
    jumps = {"s1": stepped(6 * HOUR + 600, 25 * HOUR, 70.0, rest=55.0)}
    assert 0.05 < _told(_plant(AT_FOOT, **jumps)).part < 0.95


def _of_the_element_k(likeness: Likeness) -> np.ndarray:
    """What a run of two minutes leaves in each layer, the first on top, where sensors had told so much before."""
    still = {name: constant(20.0 + 40.0 * height) for name, height in SENSORS.items()}
    plant = _plant(ALONG, **still, **{"rod.power": stepped(6 * HOUR, 6 * HOUR + 120, 3000.0)})
    state = CarriedState({"store": {}}, 10.0, {"store": LayeredHeat({}, (), None, likeness)})
    moved = moved_water(plant, plant.hot_water, cold_degc=10.0)
    entering = np.zeros((len(moved.kg), len(origins_of(plant, state)) + 1))
    return layered_course(plant, "store", state, moved=moved, entering=entering).course.end[:, 1]


def test_an_element_that_heats_along_its_range_warms_the_top_as_much_as_its_foot():
    """From the foot heat rises no higher than the water is cooler; what is lost until midnight is lost by all."""
    along, at_foot = _of_the_element_k(Likeness(60.0, 50.0)), _of_the_element_k(Likeness(-10.0, 50.0))
    assert along[0] > 0.8 * along.max()
    assert at_foot[0] < 0.2 * at_foot.max()
    assert along.sum() == pytest.approx(at_foot.sum(), rel=0.05)
