"""
Where the lowest stage of a tank begins to heat it, water changes at once: warm above, cold below. A sensor that may
stand on either side of this foot shows the one or the other, whatever part of the height it stands for.
"""

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from analytics.by_site import once_a_site
from analytics.site import Site

__all__ = [
    "PLACE_PART",
    "foot_of",
    "has_cold_below",
    "has_sensor_at_any_foot",
    "has_sensor_at_foot",
    "is_at_foot",
    "with_foot",
]

Array = NDArray[np.float64]

PLACE_PART = 0.3
"""
Where a sensor stands is not stated but for its equal part of the height. Common practice puts it within so much of that
part from its middle: two sensors at a tenth of the height from its ends are as far from the middles of halves.
"""
_HALF_STEP = 1 / 64  # of the height: a fourth of a layer to each side of the foot


@once_a_site
def foot_of(site: Site, tank: str) -> float:
    """Height below which nothing heats a tank, 0 bottom to 1 top."""
    stages = [stage for stage in site.stages.values() if stage.tank == tank]
    # What takes its water from the bottom warms all of it.
    lows = [stage.height[0] if stage.heater or stage.height[0] < stage.height[1] else 0.0 for stage in stages]
    return min(lows, default=0.0)


@lru_cache(maxsize=256)
def is_at_foot(foot: float, n_sensors: int) -> NDArray[np.bool_]:
    """Which of a tank's sensors, the highest first, may stand above the foot or below it. (sensors,)"""
    part = 1.0 / max(n_sensors, 1)
    middles = 1.0 - (np.arange(n_sensors) + 0.5) * part
    return np.asarray(np.abs(middles - foot) < PLACE_PART * part)


@once_a_site
def has_sensor_at_foot(site: Site, tank: str) -> bool:
    """Whether any may."""
    foot = foot_of(site, tank)
    return foot > 0.0 and bool(is_at_foot(foot, len(site.tanks[tank].temperatures)).any())


@once_a_site
def has_sensor_at_any_foot(site: Site, tank: str) -> bool:
    """Whether any may stand above or below where a stage begins to heat, be it the lowest or one further up."""
    stages = [stage for stage in site.stages.values() if stage.tank == tank]
    feet = [stage.height[0] for stage in stages if stage.heater or stage.height[0] < stage.height[1]]
    n_sensors = len(site.tanks[tank].temperatures)
    return any(foot > 0.0 and bool(is_at_foot(foot, n_sensors).any()) for foot in feet)


@once_a_site
def has_cold_below(site: Site, tank: str) -> bool:
    """Whether a loop heats a tank from above its lowest sensor on, so that the water below stays cold."""
    lowest_sensor = 0.5 / max(len(site.tanks[tank].temperatures), 1)
    loops = [stage for stage in site.stages.values() if stage.tank == tank and stage.loop]
    return any(lowest_sensor < stage.height[0] < 1.0 for stage in loops)


def with_foot(depths: Sequence[float], degc: Array, foot: float) -> tuple[Array, Array]:
    """
    A sensor at the foot, between two others, told as the water just above and just below the foot.

    It stands in the water of that neighbour that it is closer to; the other side is as the other neighbour shows.

    Args:
        depths: Of evenly spread sensors, 0 top to 1 bottom. (sensors,)
        degc: What they show. (sensors,)
    Returns:
        Depths and temperatures, one more than sensors if one stands at the foot.
    """
    at = np.flatnonzero(is_at_foot(foot, len(depths))[1:-1]) + 1
    if not len(at):
        return np.asarray(depths), degc
    k = int(at[0])
    is_warm = abs(degc[k] - degc[k - 1]) < abs(degc[k] - degc[k + 1])
    sides = (degc[k], degc[k + 1]) if is_warm else (degc[k - 1], degc[k])
    places = (1.0 - foot - _HALF_STEP, 1.0 - foot + _HALF_STEP)
    return np.concatenate((depths[:k], places, depths[k + 1 :])), np.concatenate((degc[:k], sides, degc[k + 1 :]))
