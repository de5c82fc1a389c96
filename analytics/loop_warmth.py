"""
What a running loop's pipes tell against its tank, whichever of the two is which.

Fluid that only takes heat out of a tank is nowhere warmer than the water around its heat exchanger. Where one of the
pipes clearly is, the loop's source gives heat.
"""

import numpy as np
from numpy.typing import NDArray

from analytics.plant import MOVES_M3_S, PlantDay
from analytics.site import Loop

__all__ = ["gives_warmth"]

_SETTLED = 10  # cells of running after which no pipe holds what stood in it (common practice)
_WARMER_K = 3.0  # beyond a tank sensor's and a pipe sensor's limits of error, and layers between sensors


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


def _around_degc(sensors_degc: NDArray[np.float64], height: tuple[float, float]) -> NDArray[np.float64]:
    """The warmest that the water around a heat exchanger can be; NaN where no sensor tells. Shape (cells,)"""
    n = len(sensors_degc)
    heights = 1.0 - (np.arange(n) + 0.5) / n
    telling = np.flatnonzero((heights >= height[0]) & (heights <= height[1]))
    # Where none stands in its upper half, the next one above is no colder than the water there.
    if not len(telling) or heights[telling[0]] < (height[0] + height[1]) / 2:
        telling = np.append(telling, np.flatnonzero(heights > height[1])[-1:])
    return np.asarray(sensors_degc[telling].max(axis=0) if len(telling) else np.full(sensors_degc.shape[1], np.nan))
