"""Where heating begins half way up a tank, its water changes at once, and a sensor there is on either side."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from analytics.coil_foot import foot_of, has_cold_below, has_sensor_at_any_foot, has_sensor_at_foot, with_foot
from analytics.day import DayResult, account_day
from analytics.doubt import OVER_COLD
from analytics.site import Site, Stage, Tank
from analytics.trace import Trace
from tests.small_sites import DAY, account, constant, point
from tests.test_day_account import HOUSE, _readings

_SENSORS = ("top", "upper", "lower", "bottom")
_DEPTHS = (0.125, 0.375, 0.625, 0.875)
_J_PER_K = 0.160 * 992.2 * 4180.0  # water at 40 degC: handbook values from memory


def _heated_from(*heights: tuple[float, float], n_sensors: int = 4) -> Site:
    """Four sensors, and a coil at each of these heights."""
    stages = {f"coil{k}": Stage(id=f"coil{k}", loop="sun", tank="store", height=each) for k, each in enumerate(heights)}
    tank = Tank(id="store", volume_l=160.0, temperatures=_SENSORS[:n_sensors], ua_w_per_k=1.0)
    points = {name: point(name, "temperature", "degC") for name in _SENSORS}
    return replace(HOUSE, points={**HOUSE.points, **points}, tanks={"store": tank}, stages=stages)


def _at_rest(sensors_degc: Sequence[float]) -> dict[str, Trace]:
    """A day without motion, with these sensors."""
    still = {name: constant(0.0) for name in ("flow", "pump", "draw")}
    return {**_readings(), **still, **{n: constant(degc) for n, degc in zip(_SENSORS, sensors_degc, strict=True)}}


def _days(low: float, sensors_degc: Sequence[float]) -> list[DayResult]:
    """Two days at rest."""
    readings = _at_rest(sensors_degc)
    first = account(_heated_from((low, 0.7)), readings)
    return [first, account_day(_heated_from((low, 0.7)), readings, DAY, state=first.state)]


def _mean_degc(result: DayResult) -> float:
    held = result.state.layers["store"]
    return float(np.mean(np.sum([*held.heat_k.values(), held.cold_degc], axis=0)))


@pytest.mark.parametrize(
    ("shown_degc", "at_055", "at_065"), [([50.0, 50.0, 48.0, 10.0], 48.4, 10.0), ([50.0, 50.0, 12.0, 10.0], 50.0, 11.8)]
)
def test_a_sensor_at_the_foot_stands_in_the_water_of_its_nearer_neighbour(
    shown_degc: list[float], at_055: float, at_065: float
) -> None:
    """Foot at 0.4 of the height: above it 50 or 48 degC, below it 10 or 12."""
    found = np.interp([0.55, 0.65], *with_foot(_DEPTHS, np.array(shown_degc), 0.4))
    assert found == pytest.approx([at_055, at_065], abs=0.3)


def test_in_a_tank_that_is_heated_from_its_bottom_sensors_are_what_they_show():
    shown_degc = np.array([50.0, 50.0, 12.0, 10.0])
    depths, degc = with_foot(_DEPTHS, shown_degc, 0.0)
    assert list(depths) == list(_DEPTHS)
    assert degc is shown_degc


def test_the_foot_is_the_lowest_of_all_stages():
    assert foot_of(_heated_from((0.4, 0.7), (0.6, 0.9)), "store") == 0.4
    assert foot_of(_heated_from((0.4, 0.7), (0.6, 0.6)), "store") == 0.0  # it takes its water from the bottom


@pytest.mark.parametrize(
    ("low", "n_sensors", "stands_there"),
    [(0.31, 4, True), (0.29, 4, False), (0.44, 4, True), (0.46, 4, False), (0.41, 3, True), (0.35, 3, False)],
)
def test_three_tenths_of_its_part_of_the_height_is_where_a_sensor_may_be(
    low: float, n_sensors: int, stands_there: bool
) -> None:
    """The third of four is said to stand at 0.375 of the height, within 0.075; of three the second at 0.5, 0.1."""
    assert has_sensor_at_foot(_heated_from((low, 0.7), n_sensors=n_sensors), "store") is stands_there


@pytest.mark.parametrize(("low", "stays_cold"), [(0.12, False), (0.13, True), (0.0, False)])
def test_water_below_a_coil_stays_cold_where_the_lowest_of_four_sensors_stands_in_it(low, stays_cold):
    """It is said to stand at an eighth of the height."""
    assert has_cold_below(_heated_from((low, 0.7)), "store") is stays_cold


def test_an_account_begins_with_warm_water_down_to_the_foot():
    """Two sensors in warm water, two in cold: warm water ends at 0.6 of the depth, not in the middle between them."""
    readings, soon_ms = _at_rest([50.0, 50.0, 10.0, 10.0]), DAY.start_ms + 600_000
    at_foot, at_bottom = (
        _mean_degc(account_day(_heated_from((low, 0.7)), readings, DAY, until_ms=soon_ms)) for low in (0.4, 0.0)
    )
    assert at_foot - at_bottom == pytest.approx(0.1 * 40.0, rel=0.1)


def test_a_sensor_at_the_foot_makes_the_change_of_stored_heat_less_sure():
    """By the sensors 0.7 of a step in place of 0.4 (beside their errors), by the layers 0.5 K in place of 0.4 K."""
    at_foot, beside = (_days(low, [50.0, 50.0, 10.0, 10.0]) for low in (0.4, 0.2))
    alone = [days[0].ledger.tanks[0].stored_change.doubt.ends["layers of store"] for days in (at_foot, beside)]
    assert alone[0] / alone[1] == pytest.approx(0.7 / 0.4)
    followed = at_foot[1].ledger.tanks[0].stored_change.doubt.ends[f"followed layers{OVER_COLD} of store"]
    assert followed * 3.6e6 == pytest.approx(0.5 * _J_PER_K, rel=0.02)


def test_a_sensor_beside_a_coil_further_up_makes_the_layers_change_less_sure_too():
    """Of three sensors the second stands within 0.4 to 0.6 of the height: an upper coil from 0.5 on, or from 0.7."""
    low = (0.0, 0.3)
    beside, above = (_heated_from(low, upper, n_sensors=3) for upper in ((0.5, 0.9), (0.7, 0.9)))
    assert [has_sensor_at_any_foot(site, "store") for site in (beside, above)] == [True, False]
    assert not has_sensor_at_foot(beside, "store")


def _settled_kwh(low: float, n_days: int) -> list[float]:
    """Of each day after the first, what its change of stored heat may be of what the account found out."""
    site, readings = _heated_from((low, 0.7)), _at_rest([50.0, 50.0, 10.0, 10.0])
    last, found = account(site, readings), []
    for _ in range(n_days):
        last = account_day(site, readings, DAY, state=last.state)
        found.append(last.ledger.tanks[0].stored_change.doubt.steady.get("beginning of store", 0.0))
    return found


def test_over_days_an_account_finds_out_what_it_began_with_and_no_more():
    """Between the second and the third of four sensors 40 K are open; the days' parts add up to 0.15 of their heat."""
    days = _settled_kwh(0.2, 20)
    assert days == sorted(days, reverse=True)
    assert days[-1] < 0.05 * days[0]
    assert sum(days) * 3.6e6 == pytest.approx(0.15 * 0.25 * 40.0 * _J_PER_K, rel=0.03)


def test_where_a_coil_heats_the_tank_from_its_foot_the_sensors_have_told_after_a_day():
    assert _settled_kwh(0.0, 2) == [0.0, 0.0]
