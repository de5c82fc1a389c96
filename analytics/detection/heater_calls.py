"""By what a heater in a tank is known to be called: its status, or a top colder than it ever was before it came on."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analytics.detection.moments import Flags, course_of
from analytics.expected.conditions import conditions_of, record_column
from analytics.expected.heater import OnLevel, on_level
from analytics.figures import DayLedger
from analytics.plant import CELL_S, Course, PlantDay
from analytics.site import Site, Stage

__all__ = ["RISE_CELLS", "CalledRise", "called_rise", "earlier_level", "lately_on_degc", "let_on", "status_on"]

RISE_CELLS = 20
"""So long a stretch of a call is looked at for warming, without water drawn."""

_LATELY_DAYS = 3
_TIMER_DAYS = 5  # on which it heated, before its hours are believed
_TIMER_HOURS = 10  # of the day, an hour before and after included; a thermostat alone comes on at more of them
_WATER_WH_LK = 1.163
_LEAST_ZONE = 0.2  # of the tank's height: heat does not stay in a thinner layer (common practice)


def earlier_level(history: Sequence[DayLedger], heater: str) -> OnLevel | None:
    """The level of the tank's top at which the heater came on, by the days of `history`."""
    record = [conditions_of(day) for day in history]
    starts, idle = (record_column(record, f"heater.{heater}.{name}").tolist() for name in ("start_degc", "idle_degc"))
    return on_level(starts, idle)


def lately_on_degc(history: Sequence[DayLedger], heater: str) -> float:
    """The lowest temperature of the tank's top at which the heater came on in the last days; NaN where it did not."""
    record = [conditions_of(day) for day in history[-_LATELY_DAYS:]]
    starts = record_column(record, f"heater.{heater}.start_degc")
    return float(np.fmin.reduce(starts, initial=np.nan))


def let_on(history: Sequence[DayLedger], heater: str, cells: int) -> Flags:
    """
    Cells in which a timer or a tariff lets the heater heat: all, unless it heated in the same few hours on all days.

    Shape (cells,)
    """
    column = record_column([conditions_of(day) for day in history], f"heater.{heater}.on_hours")
    masks = [int(value) for value in column if np.isfinite(value)]
    heated = np.array([any(mask >> hour & 1 for mask in masks) for hour in range(24)])
    let = heated | np.roll(heated, 1) | np.roll(heated, -1)
    if len(masks) < _TIMER_DAYS or np.count_nonzero(let) > _TIMER_HOURS:
        return np.ones(cells, bool)
    return np.asarray(let[np.arange(cells) // (3600 // round(CELL_S)) % 24])


def status_on(plant: PlantDay, heater: str) -> Flags:
    """Cells in which a status point says that the heater is called."""
    return np.asarray(course_of(plant, plant.site.heaters[heater].status) >= 0.99)


@dataclass(frozen=True, slots=True)
class CalledRise:
    """
    What a called heater's zone did over the last RISE_CELLS.

    Args:
        counts: Cells at the end of such a stretch: called all along, no water drawn, temperatures known.
        rise_k: Of the sensor in the heated zone that rose most.
        due_k: What its rated power makes of the zone in that time.
    """

    counts: Flags
    rise_k: Course
    due_k: float


def called_rise(plant: PlantDay, stage: Stage, called: Flags) -> CalledRise:
    """Whether a tank warms while its heater's status says that it is called."""
    sensors = _zone(plant, stage)
    rise_k = np.full(len(called), np.nan)
    rise_k[RISE_CELLS:] = np.max(sensors[:, RISE_CELLS:] - sensors[:, :-RISE_CELLS], axis=0)
    still = called if plant.hot_water is None else called & ~(plant.hot_water.flow_m3_s > 0)
    counted = np.concatenate(([0], np.cumsum(still)))
    whole = np.zeros(len(called), bool)
    whole[RISE_CELLS:] = counted[RISE_CELLS + 1 :] - counted[1:-RISE_CELLS] == RISE_CELLS
    return CalledRise(whole & ~np.isnan(rise_k), rise_k, _due_k(plant.site, stage))


def _zone(plant: PlantDay, stage: Stage) -> Course:
    """Sensors that stand where the heater's heat comes to; the top one where none does. Shape (sensors, cells)"""
    sensors = plant.tanks[stage.tank or ""].sensors_degc
    heights = 1.0 - (np.arange(len(sensors)) + 0.5) / max(len(sensors), 1)
    inside = heights >= stage.height[0]
    return np.asarray(sensors[inside] if inside.any() else sensors[:1])


def _due_k(site: Site, stage: Stage) -> float:
    heater, tank = site.heaters[stage.heater or ""], site.tanks[stage.tank or ""]
    zone_l = tank.volume_l * max(1.0 - stage.height[0], _LEAST_ZONE)
    return (heater.rated_w or 0.0) * heater.efficiency * RISE_CELLS / 60 / (zone_l * _WATER_WH_LK)
