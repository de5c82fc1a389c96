"""Whether a tank warms while its heater's status says that it is called."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.plant import CELL_S, Course, PlantDay
from analytics.site import Site, Stage

__all__ = ["RISE_CELLS", "CalledRise", "called_rise", "status_on"]

Flags = NDArray[np.bool_]

RISE_CELLS = 20
"""So long a stretch of a call is looked at for warming, without water drawn."""

_WATER_WH_LK = 1.163
_LEAST_ZONE = 0.2  # of the tank's height: heat does not stay in a thinner layer (common practice)


def status_on(plant: PlantDay, heater: str) -> Flags:
    """Cells in which a status point says that the heater is called."""
    signal = plant.signals.get(plant.site.heaters[heater].status or "")
    return np.zeros(round(plant.day.seconds / CELL_S), bool) if signal is None else np.asarray(signal.course >= 0.99)


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
