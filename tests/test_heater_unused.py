"""A backup beside a tank that nobody draws from may wait as long as its thermostat's differential lets it."""

from dataclasses import replace

import pytest

from analytics.detection.findings import Fault
from analytics.detection.heater_no_output import HeaterNoOutput
from analytics.figures import DayLedger, Figure
from tests.ledgers import record
from tests.plants import DAY, Change, changed, healthy_day, house, plant_of

_RESTS: dict[str, list[Change]] = {
    "element.power": [("00:00", "24:00", 0.0)],
    "collector.pump": [("00:00", "24:00", 0.0)],
    "collector.flow": [("00:00", "24:00", 0.0)],
    "solar.bottom": [("00:00", "24:00", 25.0)],
}
_NOBODY: list[Change] = [("00:00", "24:00", 0.0)]


def _before(drawn_l: float) -> list[DayLedger]:
    days = record(DAY, days=3, kwh_per_h=1.2)
    return [replace(day, hot_water=replace(day.hot_water, volume=Figure(drawn_l, "l"))) for day in days]


@pytest.mark.parametrize(
    ("top_degc", "drawn_l", "draws", "is_told"),
    [
        (38.0, 0.0, _NOBODY, False),
        (33.0, 0.0, _NOBODY, True),
        (38.0, 120.0, _NOBODY, True),  # it was used on the day before
        (38.0, 0.0, [*_NOBODY, ("07:00", "07:10", 8.0)], True),  # and from now on
    ],
)
def test_water_below_40_degc_calls_for_heat_once_it_is_used(
    top_degc: float, drawn_l: float, draws: list[Change], *, is_told: bool
) -> None:
    changes = {**_RESTS, "draw.flow": draws, "solar.top": [("00:00", "24:00", top_degc)]}
    changes |= {"hot.temp": [("00:00", "24:00", 28.0)]}
    verdict = HeaterNoOutput().assess(plant_of(house(), changed(healthy_day(), changes)), _before(drawn_l), "element")
    assert isinstance(verdict, Fault) == is_told
