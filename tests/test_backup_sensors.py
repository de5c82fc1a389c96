"""A backup's want of heat is judged only by sensors that stand where it heats."""

from dataclasses import replace

import pytest

from analytics.detection import NotAssessed
from analytics.detection.findings import Fault
from analytics.detection.heater_no_output import HeaterNoOutput
from analytics.site import Heater, Stage, Tank
from tests.small_sites import account, constant, point, site, stepped

_TEMPERATURES = ("top", "bottom")
_HOUSE = site(
    [
        *(point(name, "temperature", "degC") for name in _TEMPERATURES),
        point("rod.power", "power", "W", sampling="mean"),
    ],
    tanks={"store": Tank(id="store", volume_l=200, temperatures=_TEMPERATURES)},
    heaters={"rod": Heater(id="rod", power="rod.power", rated_w=3000)},
    stages={"backup": Stage(id="backup", name="Rod", heater="rod", tank="store", height=(0.6, 1.0), backup=True)},
)
_COLD = {"bottom": constant(15.0), "rod.power": constant(0.0)}


def _verdict(house, traces):
    return HeaterNoOutput().assess(account(house, traces).plant, [], "rod")


def test_a_cold_top_beside_a_resting_element_is_a_fault():
    assert isinstance(_verdict(_HOUSE, _COLD | {"top": constant(20.0)}), Fault)


def test_with_the_top_sensor_gone_the_cold_water_below_tells_nothing():
    assert isinstance(_verdict(_HOUSE, _COLD), NotAssessed)


@pytest.mark.parametrize(("points", "is_lacking"), [(("bottom",), True), (_TEMPERATURES, False)])
def test_a_sensor_below_the_element_alone_is_not_enough(points, is_lacking):
    house = replace(_HOUSE, tanks={"store": replace(_HOUSE.tanks["store"], temperatures=points)})
    (need,) = HeaterNoOutput().needs(house)
    assert ("where its backup heats" in need.lacking) is is_lacking


@pytest.mark.parametrize(("came_on_degc", "is_fault"), [(35.0, False), (46.0, True), (None, True)])
def test_a_thermostat_that_came_on_lately_at_less_is_set_lower_and_has_not_failed(came_on_degc, is_fault):
    result = account(_HOUSE, _COLD | {"top": constant(32.0)})
    told = {} if came_on_degc is None else {"heater.rod.start_degc": came_on_degc}
    verdict = HeaterNoOutput().assess(result.plant, [replace(result.ledger, conditions=told)], "rod")
    assert isinstance(verdict, Fault) is is_fault


_EVENING, _MORNING = float(sum(2**hour for hour in (20, 21, 22))), float(2**6)


@pytest.mark.parametrize(
    ("hours", "is_fault"),
    [
        ([_EVENING] * 5, False),  # its timer lets it on in the evening: no water is cold then
        ([_EVENING] * 2, False),
        ([_EVENING], True),  # too few days to know
        ([_EVENING + _MORNING] * 4, True),  # two stretches are a timer's on five days alike
        ([_EVENING, _MORNING, _EVENING, 2.0**12, _EVENING], True),  # a thermostat's hours
    ],
)
def test_a_heater_is_missed_only_in_the_hours_in_which_a_timer_lets_it_on(hours, is_fault):
    result = account(_HOUSE, _COLD | {"top": stepped(18 * 3600.0, 30 * 3600.0, 55.0, rest=30.0)})
    history = [replace(result.ledger, conditions={"heater.rod.on_hours": each}) for each in hours]
    assert isinstance(HeaterNoOutput().assess(result.plant, history, "rod"), Fault) is is_fault


_NIGHT = float(sum(2**hour for hour in (21, 22, 23, 0, 1, 2, 3, 4, 5)))


@pytest.mark.parametrize(
    ("hours", "is_fault"),
    [
        ([_NIGHT] * 2, False),  # a night tariff of nine hours
        ([_NIGHT] * 29 + [_NIGHT + 2.0**15], False),  # asked for by hand once
        ([_NIGHT] * 9 + [_NIGHT + 2.0**15], True),
        ([_NIGHT + 2.0**15 + 2.0**9] * 30, True),  # a thermostat's
    ],
)
def test_a_tank_that_is_cold_before_the_nights_release_is_no_heaters_fault(hours, is_fault):
    result = account(_HOUSE, _COLD | {"top": stepped(10 * 3600.0, 20 * 3600.0, 30.0, rest=55.0)})
    history = [replace(result.ledger, conditions={"heater.rod.on_hours": each}) for each in hours]
    assert isinstance(HeaterNoOutput().assess(result.plant, history, "rod"), Fault) is is_fault
