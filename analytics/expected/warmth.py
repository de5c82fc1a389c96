"""For how much of a day a tank before the taps was lukewarm: at its warmest in the range where Legionella grows."""

from math import isfinite

import numpy as np
from numpy.typing import NDArray

from analytics.plant import Course, PlantDay
from analytics.site import Site, Tank

__all__ = [
    "GROWS_FROM_DEGC",
    "GROWS_TO_DEGC",
    "LUKEWARM_PART",
    "WARMEST_FROM_DEGC",
    "WARMEST_TO_DEGC",
    "heats_in_passing",
    "tanks_before_taps",
    "warmth",
]

GROWS_FROM_DEGC, GROWS_TO_DEGC = 25.0, 45.0
"""Natural multiplication of Legionella (Wadowsky & Yee 1983 by way of WHO 2007; reference sheet, section 10)."""

LUKEWARM_PART, WARMEST_FROM_DEGC, WARMEST_TO_DEGC = "lukewarm_part", "warmest_from_degc", "warmest_to_degc"
"""The part of a day that a tank's warmest water was in that range, and its lowest and highest half hour."""

_BLOCK = 30  # cells: what holds for half an hour is no passing dip of a draw
_LEAST_HEARD = 0.9  # of the day
_SETTLING = 2  # cells of a draw in which a sensor in a pipe is still on its way (common practice)


def tanks_before_taps(site: Site) -> tuple[str, ...]:
    """
    The tanks whose water should be hot: the last one of the path, and any other that a backup keeps warm.

    A preheat tank is lukewarm by nature; so is the last tank where a heater in passing comes after it.
    """
    path = site.hot_water.tanks if site.hot_water else ()
    kept = {stage.tank for stage in site.stages.values() if stage.backup and stage.tank}
    return tuple(tank for tank in path if tank in kept or (tank == path[-1] and not heats_in_passing(site)))


def heats_in_passing(site: Site) -> bool:
    """Whether the water of the last tank passes a heater on its way to the taps."""
    heated = site.hot_water is not None and site.hot_water.heated is not None
    return heated or any(stage.tank is None for stage in site.stages.values())


def warmth(plant: PlantDay, tank: Tank) -> dict[str, float]:
    """A day's warmth of a tank's warmest water, by name; empty where its sensors were not heard for long enough."""
    day = plant.tanks.get(tank.id)
    if day is None or not len(day.sensors_degc):
        return {}
    warmest = np.fmax.reduce(day.sensors_degc, axis=0)
    known = np.isfinite(warmest)
    drawn_degc = _drawn_degc(plant, tank)
    # A single sensor may stand anywhere; where nothing leaves past another one it does not tell of the water on top.
    if known.mean() < _LEAST_HEARD or (len(tank.temperatures) < 2 and not isfinite(drawn_degc)):
        return {}
    grows = known & (warmest >= GROWS_FROM_DEGC) & (warmest <= GROWS_TO_DEGC)
    blocks = _blocks(warmest)
    hottest = float(np.fmax.reduce(np.minimum.reduce(blocks, axis=1), initial=-np.inf))
    coldest = float(np.fmin.reduce(np.maximum.reduce(blocks, axis=1), initial=np.inf))
    # Warmer water than any sensor saw lay on top: for how long is not known.
    part = 0.0 if drawn_degc > GROWS_TO_DEGC else float(grows.sum() / known.sum())
    told = {
        LUKEWARM_PART: part,
        WARMEST_FROM_DEGC: coldest,
        WARMEST_TO_DEGC: max(hottest, drawn_degc) if isfinite(drawn_degc) else hottest,
    }
    return told if all(isfinite(value) for value in told.values()) else {}


def _blocks(course: Course) -> Course:
    return course[: len(course) // _BLOCK * _BLOCK].reshape(-1, _BLOCK)


def _drawn_degc(plant: PlantDay, tank: Tank) -> float:
    """The warmest water that left a tank in the day's draws; NaN where no sensor saw any. [degC]"""
    path, water = plant.site.hot_water, plant.hot_water
    if path is None or water is None or tank.id not in path.tanks:
        return np.nan
    place = path.tanks.index(tank.id)
    is_last = place == len(path.tanks) - 1
    points = [path.hot if is_last else next(iter(path.between[place : place + 1]), None)]
    points += [path.mixed] if is_last and not heats_in_passing(plant.site) else []
    heard = [plant.signals[point].course for point in points if point and point in plant.signals]
    settled = _settled(water.flow_m3_s > 0)
    told = np.concatenate([course[settled] for course in heard] or [np.empty(0)])
    return float(np.fmax.reduce(told, initial=-np.inf)) if np.isfinite(told).any() else np.nan


def _settled(flows: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Cells of flow, from the third of a draw on."""
    index = np.arange(len(flows))
    rested = np.maximum.accumulate(np.where(flows, -1, index))
    return np.asarray(flows & (index - rested > _SETTLING))
