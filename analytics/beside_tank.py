"""
Pipes at rest beside a tank, half hour by half hour: how they differed, and how much warmer each of its sensors was.

Through a long rest the tank cools and its lower part turns cold with draws. A pipe that the tank keeps warm follows
within hours, a sensor's offset does not: so one day tells them apart at several moments, where its rests are long.
"""

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
    rested = _rows(_blocks(still, n) >= 1.0, _RESTED_BLOCKS).all(axis=-1)
    if not rested.any():
        return ()
    water_degc = _blocks(tank.sensors_degc, n)
    spans = _rows(water_degc, _STEADY_BLOCKS)[:, _RESTED_BLOCKS - _STEADY_BLOCKS :]
    steady = (spans.max(axis=-1) - spans.min(axis=-1) <= _STEADY_K).all(axis=0)
    at = np.flatnonzero(rested & steady) + _RESTED_BLOCKS
    first_degc, second_degc = (_blocks(course, n)[at] for course in pipes)
    told = np.vstack((second_degc - first_degc, water_degc[:, at] - np.minimum(first_degc, second_degc)))
    return _summed(told[:, np.isfinite(told).all(axis=0)])


def _summed(told: Course) -> Moments:
    """Number, means, and the upper half of the sums of products about the means: all that a fit needs."""
    count = told.shape[1]
    if not count:
        return ()
    mean = told.mean(axis=1)
    apart = told - mean[:, np.newaxis]
    products = (apart @ apart.T)[np.triu_indices(len(told))]
    return (float(count), *np.round(mean, 5).tolist(), *np.round(products, 6).tolist())


def _rows(course: NDArray[np.generic], before: int) -> NDArray[np.generic]:
    """Each block with those before it along a new last axis."""
    return np.lib.stride_tricks.sliding_window_view(course, before + 1, axis=-1)


def _blocks(course: NDArray[np.generic], n: int) -> Course:
    """Means of `n` blocks along the last axis."""
    return np.asarray(course[..., : n * _BLOCK].reshape(*course.shape[:-1], n, _BLOCK).mean(axis=-1), np.float64)
