"""A compressor in short bursts beside flow that is read between them, and beside flow that is not there."""

import numpy as np
import pytest

from analytics.detection import Clear, Fault, NotAssessed, Verdict
from analytics.detection.heat_pump_short_cycles import HeatPumpShortCycles
from analytics.detection.loop_no_flow import LoopNoFlow
from tests.plants import healthy_day, house, plant_of

_MINUTES = np.arange(1440)
_FLOW = '"ground.flow" = { quantity = "flow", '


def _verdict(*, burst_min: int, period_min: int, flows: bool, interval_s: int = 60, power_w: float = 2300.0) -> Verdict:
    runs = _MINUTES % period_min < burst_min
    courses = healthy_day() | {
        "hp.power": np.where(runs, power_w, 8.0),
        "ground.pump": np.where(runs, 120.0, 0.0),
        "ground.flow": np.where(runs & flows, 28.0, 0.0),
    }
    plant = plant_of(house(**{_FLOW: f"{_FLOW}interval_s = {interval_s}, "}), courses)
    short = HeatPumpShortCycles().assess(plant, [], "hp")
    assert isinstance(short, Fault) == (burst_min <= 5)
    return LoopNoFlow().assess(plant, [], "ground")


def test_bursts_between_two_readings_of_flow_are_no_loop_without_flow() -> None:
    # By hand: flow is read at minutes 1, 3, 5 ..., the compressor runs in minutes 0, 10, 20 ...
    assert isinstance(_verdict(burst_min=1, period_min=10, flows=True, interval_s=120), NotAssessed)


@pytest.mark.parametrize("burst_min", [4, 30])
def test_a_loop_without_flow_is_found_though_its_compressor_trips(burst_min: int) -> None:
    assert isinstance(_verdict(burst_min=burst_min, period_min=60, flows=False), Fault)
    assert isinstance(_verdict(burst_min=burst_min, period_min=60, flows=True), Clear)
