"""A heat pump's load sensors in each other's place: told as that after one day, and as nothing else."""

from collections.abc import Sequence
from datetime import timedelta

import numpy as np
import pytest

from analytics.detection import Assessment, Clear, Detector, Fault, NotAssessed
from analytics.detection.balance_open import BalanceOpen
from analytics.detection.heat_pump_low_cop import HeatPumpLowCop
from analytics.detection.loop_always_on import LoopAlwaysOn
from analytics.detection.precedence import explainers, told_once
from analytics.detection.sensor_swapped import SensorSwapped
from analytics.figures import DayLedger
from analytics.plant import PlantDay
from tests.ledgers import record, with_checks, with_residuals
from tests.plants import DAY, healthy_day, house, plant_of

_LOADED = house(
    **{
        'desuperheater_loop = "desuperheater"': 'load_loop = "desuperheater"\nrating = [\n'
        '{ mode = "heating", entering_c = 0.0, leaving_c = 35.0, capacity_w = 9000, power_w = 2200 },\n'
        '{ mode = "heating", entering_c = 10.0, leaving_c = 35.0, capacity_w = 11000, power_w = 2200 }]'
    }
)
_RUNS = (np.arange(1440) % 90 < 30) & (np.arange(1440) < 1439)


def _day(rise_k: float, *, is_exchanged: bool, compressor: bool = True) -> PlantDay:
    """The load takes 26 l/min; by hand 1.8 kW for each kelvin."""
    pipes = {"dsh.entering": 30.0 + 0.0 * _RUNS, "dsh.leaving": 30.0 + rise_k * _RUNS}
    if is_exchanged:
        pipes = dict(zip(pipes, reversed(pipes.values()), strict=True))
    load = {"dsh.flow": np.where(_RUNS, 26.0, 0.0), "hp.power": np.where(_RUNS & compressor, 2300.0, 8.0)}
    return plant_of(_LOADED, healthy_day() | pipes | load)


def _order(days: int, **told: object) -> list[DayLedger]:
    pair = {"component": "desuperheater", "first": "dsh.entering", "second": "dsh.leaving", "method": "order"}
    check = pair | {"difference_k": -5.0, "wrong_part": 1.0, "minutes": 90.0} | told
    return with_checks(record(DAY, days=10, kwh_per_h=1.0), check, days=days)


def _assessment(detector: Detector, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Assessment:
    start_ms = plant.day.start_ms
    return Assessment(
        site=plant.site.id,
        timezone=plant.day.timezone,
        kind=detector.kind,
        component=component,
        from_ms=start_ms,
        until_ms=start_ms + 86_400_000,
        rejoin=timedelta(days=1),
        verdict=detector.assess(plant, history, component),
        explained_by=explainers(plant.site, detector.kind, component),
    )


def test_a_heat_pump_that_seems_to_cool_its_tank_is_no_poor_machine() -> None:
    verdict = HeatPumpLowCop().assess(_day(4.5, is_exchanged=True), [], "hp")
    assert isinstance(verdict, NotAssessed)
    assert "exchanged" in verdict.reason
    assert isinstance(HeatPumpLowCop().assess(_day(5.6, is_exchanged=False), [], "hp"), Clear)
    assert isinstance(HeatPumpLowCop().assess(_day(2.2, is_exchanged=False), [], "hp"), Fault)


def test_the_load_of_a_running_compressor_is_no_pump_without_gain() -> None:
    always = LoopAlwaysOn()
    assert not isinstance(always.assess(_day(4.5, is_exchanged=True), [], "desuperheater"), Fault)
    resting = _day(0.0, is_exchanged=False, compressor=False)
    assert not isinstance(always.assess(resting, [], "desuperheater"), Fault)  # it rests between half hours
    runs_on = healthy_day() | {"dsh.pump": np.ones(1440), "hp.power": np.full(1440, 8.0)}
    flat = {"dsh.flow": np.full(1440, 26.0), "dsh.entering": np.full(1440, 22.0), "dsh.leaving": np.full(1440, 22.0)}
    assert isinstance(always.assess(plant_of(_LOADED, runs_on | flat), [], "desuperheater"), Fault)


def test_one_day_tells_exchanged_sensors_of_a_load() -> None:
    plant = _day(4.5, is_exchanged=True)
    verdict = SensorSwapped().assess(plant, _order(1), "desuperheater")
    assert isinstance(verdict, Fault)
    assert "dsh.entering was on average 5.0 K warmer than dsh.leaving" in verdict.findings[0].summary


@pytest.mark.parametrize("told", [{"wrong_part": 0.9}, {"minutes": 59.0}, {"difference_k": -2.1}], ids=str)
def test_one_day_in_doubt_tells_nothing(told: dict[str, float]) -> None:
    plant = _day(4.5, is_exchanged=True)
    assert isinstance(SensorSwapped().assess(plant, _order(1, **told), "desuperheater"), NotAssessed)


def test_the_balance_that_they_open_is_told_by_them() -> None:
    plant = _day(4.5, is_exchanged=True)
    history = with_residuals(_order(3), "preheat", [(-7.0, 1.0)] * 3)
    opened = _assessment(BalanceOpen(), plant, history, "preheat")
    swapped = _assessment(SensorSwapped(), plant, history, "desuperheater")
    other = _assessment(SensorSwapped(), plant, history, "ground")
    assert isinstance(opened.verdict, Fault)
    assert isinstance(told_once([], [opened, other])[0].verdict, Fault)
    alone = told_once([], [opened, swapped])[0].verdict
    assert isinstance(alone, NotAssessed)
    assert "desuperheater" in alone.reason
