"""In what steps counters show, by the steps that they make or the places that they show."""

import numpy as np
import pytest

from analytics.count_step import count_step, last_place
from analytics.plant import Signal
from analytics.site import Point

_KWH = 3.6e6


def _point(unit: str, quantity: str = "energy", gain: float = 1.0) -> Point:
    return Point(id="meter", quantity=quantity, unit=unit, sampling="counter", gain=gain)  # type: ignore[arg-type]


def _signal(*kwh: float) -> Signal:
    return Signal(
        point=_point("kWh"),
        time_s=60.0 * np.arange(len(kwh)),
        value=_KWH * np.array(kwh),
        max_gap_s=600.0,
        edges_s=np.arange(0.0, 86401.0, 60.0),
    )


@pytest.mark.parametrize(
    ("unit", "quantity", "shown", "scale", "step"),
    [
        ("kWh", "energy", 812.0, _KWH, _KWH),
        ("kWh", "energy", 800.0, _KWH, _KWH),  # no house's counter shows hundreds only
        ("kWh", "energy", 0.0, _KWH, _KWH),
        ("kWh", "energy", 812.3, _KWH, 0.1 * _KWH),
        ("kWh", "energy", 123456.78, _KWH, 0.01 * _KWH),
        ("Wh", "energy", 812345.0, 3600.0, 3600.0),
        ("Wh", "energy", 812000.0, 3600.0, _KWH),
        ("MJ", "energy", 52.5, 1e6, 1e5),
        ("MJ", "energy", 50.0, 1e6, 1e6),  # ten would be more than a kilowatt-hour
        ("m3", "volume", 31.254, 1.0, 0.001),
        ("l", "volume", 31250.0, 1e-3, 0.01),
    ],
)
def test_the_last_place_of_a_count(unit: str, quantity: str, shown: float, scale: float, step: float) -> None:
    assert last_place(_point(unit, quantity), shown * scale) == pytest.approx(step)


def test_a_calibrated_count_is_read_as_it_was_shown() -> None:
    assert last_place(_point("kWh", gain=1.03), 812.3 * 1.03 * _KWH) == pytest.approx(0.1 * 1.03 * _KWH)


def test_a_count_that_moves_tells_its_step_by_moving() -> None:
    assert count_step(_signal(810, 812, 812, 813)) == pytest.approx(_KWH)
    assert count_step(_signal(812.4, 812.4)) == pytest.approx(0.1 * _KWH)
    assert count_step(_signal()) == 0.0
