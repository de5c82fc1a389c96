"""
What a running loop's pipes tell against its tank, whichever of the two is which.

Fluid that only takes heat out of a tank is nowhere warmer than the water around its heat exchanger. Where one of the
pipes clearly is, the loop's source gives heat. Of a loop with a counter alone there are no pipes to ask; there the tank
tells that grows warmer while the loop's pump alone works on it.
"""

import numpy as np
from numpy.typing import NDArray

from analytics.plant import MOVES_M3_S, PlantDay
from analytics.site import Loop, Stage

__all__ = ["gives_warmth", "warms_tank"]

_SETTLED = 10  # cells of running after which no pipe holds what stood in it (common practice)
_WARMER_K = 3.0  # beyond a tank sensor's and a pipe sensor's limits of error, and layers between sensors
_WARMING = 30  # cells over which a tank's sensors are read against each other
_LEAST_RISE_K = 0.3  # of a tank's mean meanwhile; less is noise, and layers that even out (common practice)


def gives_warmth(plant: PlantDay, loop: Loop) -> NDArray[np.bool_]:
    """
    Cells in which a loop has run for a while and one of its pipes is warmer than the tank around its heat exchanger.

    Nowhere without a pair of sensors, a stage on a tank, or the tank's sensors. Shape (cells,)
    """
    day = plant.loops[loop.id]
    stage = next((each for each in plant.site.stages.values() if each.loop == loop.id and each.tank), None)
    runs = day.flow_m3_s > MOVES_M3_S
    tank = plant.tanks.get(stage.tank or "") if stage is not None else None
    if stage is None or tank is None or not len(tank.sensors_degc) or not (loop.entering and loop.leaving):
        return np.zeros(len(runs), bool)
    counted = np.concatenate(([0], np.cumsum(runs)))
    settled = np.zeros(len(runs), bool)
    settled[_SETTLED:] = counted[_SETTLED + 1 :] - counted[1:-_SETTLED] == _SETTLED
    warmest = np.maximum(day.entering_degc, day.leaving_degc)
    return np.asarray(settled & (warmest > _around_degc(tank.sensors_degc, stage.height) + _WARMER_K))


def warms_tank(plant: PlantDay, loop: Loop) -> NDArray[np.bool_]:
    """
    Cells before which a loop's pump ran for half an hour, nothing else heated its tank, and that grew warmer.

    Nowhere without a stage on a tank, the tank's sensors, a pump point, or a word of every other stage. Shape (cells,)
    """
    stage = next((each for each in plant.site.stages.values() if each.loop == loop.id and each.tank), None)
    alone = plant.loops[loop.id].pump_on >= 0.99
    tank = plant.tanks.get(stage.tank or "") if stage is not None else None
    if stage is None or tank is None:
        return np.zeros(len(alone), bool)
    for other in plant.site.stages.values():
        if other.tank == stage.tank and other is not stage:
            alone = alone & _is_off(plant, other)
    counted = np.concatenate(([0], np.cumsum(alone)))
    found = np.zeros(len(alone), bool)
    whole = counted[_WARMING + 1 :] - counted[1:-_WARMING] == _WARMING
    found[_WARMING:] = whole & (tank.mean_degc[_WARMING:] - tank.mean_degc[:-_WARMING] >= _LEAST_RISE_K)
    return found


def _is_off(plant: PlantDay, stage: Stage) -> NDArray[np.bool_]:
    """Cells in which a stage is known to be off. Shape (cells,)"""
    if stage.loop:
        course = plant.loops[stage.loop].pump_on if stage.loop in plant.loops else np.full(1, np.nan)
    else:
        heater = plant.heaters.get(stage.heater or "")
        course = heater.input_w if heater is not None else np.full(1, np.nan)
    return np.asarray(course <= 0)


def _around_degc(sensors_degc: NDArray[np.float64], height: tuple[float, float]) -> NDArray[np.float64]:
    """The warmest that the water around a heat exchanger can be; NaN where no sensor tells. Shape (cells,)"""
    n = len(sensors_degc)
    heights = 1.0 - (np.arange(n) + 0.5) / n
    telling = np.flatnonzero((heights >= height[0]) & (heights <= height[1]))
    # Where none stands in its upper half, the next one above is no colder than the water there.
    if not len(telling) or heights[telling[0]] < (height[0] + height[1]) / 2:
        telling = np.append(telling, np.flatnonzero(heights > height[1])[-1:])
    return np.asarray(sensors_degc[telling].max(axis=0) if len(telling) else np.full(sensors_degc.shape[1], np.nan))
