"""When a collector stands in the sun without flow and gets far hotter than it ever works."""

import numpy as np
from numpy.typing import NDArray

from analytics.plant import CELL_S, Course, PlantDay
from analytics.site import Collector

__all__ = ["HOT_TANK_DEGC", "HOT_TANK_H", "STAGNANT_DEGC", "STAGNANT_H", "stagnant_cells", "stagnant_hours"]

STAGNANT_H = "stagnant_h"
"""Hours of a day in which a collector stagnated."""

STAGNANT_DEGC = 120.0
"""A collector works below the 95 degC of the hottest store; glycol ages above 120 to 140 degC (common practice)."""

HOT_TANK_H, HOT_TANK_DEGC = "beside_hot_tank_h", "hot_tank_degc"
"""Of these the hours beside a tank whose top is hot enough for its controller to rest, and how hot that was at most."""

_HOT_DEGC = 70.0  # controllers stop at a tank's limit of 60 to 95 degC (common practice)
_MOVES_M3_S = 0.2e-3 / 60  # meter creep and thermosiphon stay below (common practice)
_SUN_W_M2 = 200.0  # a collector gets so hot in the sun only
_SUN_HOLDS = 30  # cells for which it stays hot when a cloud comes
_LEAST_HEARD = 0.5  # of a day; a gateway may rest at night


def stagnant_cells(plant: PlantDay, collector: Collector, *, limit_degc: float = STAGNANT_DEGC) -> NDArray[np.bool_]:
    """
    Cells in which the fluid leaving the collector is hotter than the limit, in the sun, and no meter sees it move.

    Where no meter measures the flow the heat alone tells: fluid that is pumped to a tank does not get there. (cells,)
    """
    loop = plant.loops.get(collector.loop)
    if loop is None:
        return np.zeros(round(plant.day.seconds / CELL_S), bool)
    moves = (loop.flow_m3_s > _MOVES_M3_S) & (not loop.flow_is_assumed)
    hot = np.asarray((loop.leaving_degc > limit_degc) & ~moves)
    sun = plant.signals.get(collector.irradiance or "")
    if sun is None or not hot.any():
        return hot
    shines = ~(sun.course < _SUN_W_M2)
    lately = np.convolve(shines, np.ones(_SUN_HOLDS))[: len(shines)] > 0
    return hot & lately


def stagnant_hours(plant: PlantDay, collector: Collector) -> dict[str, float]:
    """The day's hours of it, by name; empty where the collector was not heard for long enough."""
    loop = plant.loops.get(collector.loop)
    if loop is None or np.isfinite(loop.leaving_degc).mean() < _LEAST_HEARD:
        return {}
    cells = stagnant_cells(plant, collector)
    top = _top_degc(plant, collector)
    beside = cells & (top >= _HOT_DEGC)
    return {
        STAGNANT_H: float(np.count_nonzero(cells)) * CELL_S / 3600,
        HOT_TANK_H: float(np.count_nonzero(beside)) * CELL_S / 3600,
        HOT_TANK_DEGC: float(top[beside].max(initial=-np.inf)),
    }


def _top_degc(plant: PlantDay, collector: Collector) -> Course:
    """The highest sensor of the tank that a collector heats, NaN without one. (cells,)"""
    tanks = [stage.tank for stage in plant.site.stages.values() if stage.loop == collector.loop and stage.tank]
    sensors = plant.tanks[tanks[0]].sensors_degc if tanks and tanks[0] in plant.tanks else np.empty((0, 0))
    return sensors[0] if len(sensors) else np.full(round(plant.day.seconds / CELL_S), np.nan)
