"""
Pipes at rest beside a tank, half hour by half hour: how they differed, and how much warmer each of its sensors was.

Through a long rest the tank cools and its lower part turns cold with draws. A pipe that the tank keeps warm follows
within hours, a sensor's offset does not: so one day tells them apart at several moments, where its rests are long.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from analytics.pair_check import Moments
from analytics.plant import Course, PlantDay

__all__ = ["moments_beside"]

_BLOCK = 30  # cells
_RESTED_BLOCKS = 8  # pipes lose what they hold within the first hours: of 4 K of it a hundredth is left after these
_STEADY_BLOCKS = 6  # a pipe follows its tank by a good half an hour: three hours of a steady tank leave a hundredth
_STEADY_K = 2.0


def moments_beside(plant: PlantDay, loop: str, pipes: tuple[Course, Course], still: NDArray[np.bool_]) -> Moments:
    """Moments late in the day's rests before which the tank had been steady; none where its warmth is not known."""
    stage = next((each for each in plant.site.stages.values() if each.loop == loop and each.tank), None)
    tank = None if stage is None else plant.tanks.get(stage.tank or "")
    n = len(still) // _BLOCK
    if tank is None or not len(tank.sensors_degc):
        return ()
    at = _rested(_blocks(still, n) >= 1.0)
    if not len(at):
        return ()
    water_degc = _blocks(tank.sensors_degc, n)
    spans = water_degc[:, at[:, np.newaxis] - np.arange(_STEADY_BLOCKS + 1)]
    at = at[(np.ptp(spans, axis=2) <= _STEADY_K).all(axis=0)]
    first_degc, second_degc = (_blocks(course, n)[at] for course in pipes)
    told = np.vstack((second_degc - first_degc, water_degc[:, at] - np.minimum(first_degc, second_degc)))
    return _summed(told[:, np.isfinite(told).all(axis=0)])


def _rested(rests: NDArray[np.bool_]) -> NDArray[np.intp]:
    """The blocks of rest with as many before them."""
    counted = np.concatenate(([0], np.cumsum(rests)))
    long = counted[_RESTED_BLOCKS + 1 :] - counted[: -_RESTED_BLOCKS - 1] == _RESTED_BLOCKS + 1
    return np.flatnonzero(long) + _RESTED_BLOCKS


def _summed(told: Course) -> Moments:
    """Number, means, and the upper half of the sums of products about the means: all that a fit needs."""
    count = told.shape[1]
    if not count:
        return ()
    mean = told.mean(axis=1)
    apart = told - mean[:, np.newaxis]
    products = (apart @ apart.T)[_upper(len(told))]
    return (float(count), *np.round(mean, 5).tolist(), *np.round(products, 6).tolist())


@lru_cache
def _upper(n: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    rows, columns = np.triu_indices(n)
    return rows, columns


def _blocks(course: NDArray[np.generic], n: int) -> Course:
    """Means of `n` blocks along the last axis."""
    blocks = course[..., : n * _BLOCK].reshape(*course.shape[:-1], n, _BLOCK)
    return np.asarray(np.add.reduce(blocks, axis=-1, dtype=np.float64) / _BLOCK)
