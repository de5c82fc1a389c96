"""
Pipes at rest beside a tank: how much warmer its water was at the loop's ports, and how the pipes differed meanwhile.

Through a long rest the tank cools and its lower port turns cold with draws. A pipe that the tank keeps warm follows
within hours, a sensor's offset does not: so one day tells of them apart at several hours, where its rests are long.
"""

import numpy as np
from numpy.typing import NDArray

from analytics.pair_check import Hours
from analytics.plant import Course, PlantDay

__all__ = ["beside_k", "hours_beside"]

_BLOCK = 30  # cells
_RESTED_BLOCKS = 8  # pipes lose what they hold within the first hours: of 4 K of it a hundredth is left after these
_STEADY_BLOCKS = 6  # a pipe follows its tank by a good half an hour: three hours of a steady tank leave a hundredth
_STEADY_K = 2.0


def beside_k(plant: PlantDay, loop: str, pipes: tuple[Course, Course], cells: slice) -> tuple[float, ...]:
    """How much warmer a tank's water was at the loop's two ports than the cooler pipe; empty where not known."""
    ports = _ports(plant, loop)
    if ports is None:
        return ()
    sensors_degc, weights = ports
    pipe_degc = min(float(np.mean(course[cells])) for course in pipes)
    warmer_k = weights @ sensors_degc[:, cells].mean(axis=1) - pipe_degc
    return tuple(warmer_k.tolist()) if np.isfinite(warmer_k).all() else ()


def hours_beside(plant: PlantDay, loop: str, pipes: tuple[Course, Course], still: NDArray[np.bool_]) -> Hours:
    """Moments late in the day's rests in which the tank had been steady; none where its warmth is not known."""
    ports, n = _ports(plant, loop), len(still) // _BLOCK
    if ports is None or n <= _RESTED_BLOCKS:
        return ()
    sensors_degc, weights = ports
    rested = np.lib.stride_tricks.sliding_window_view(_blocks(still, n) >= 1.0, _RESTED_BLOCKS + 1).all(axis=1)
    port_degc = weights @ _blocks(sensors_degc, n)
    spans = np.lib.stride_tricks.sliding_window_view(port_degc, _STEADY_BLOCKS + 1, axis=1)
    steady = (np.ptp(spans, axis=2) <= _STEADY_K).all(axis=0)[_RESTED_BLOCKS - _STEADY_BLOCKS :]
    at = np.flatnonzero(rested & steady) + _RESTED_BLOCKS
    first_degc, second_degc = (_blocks(course, n)[at] for course in pipes)
    warmer_k = port_degc[:, at] - np.minimum(first_degc, second_degc)
    told = np.column_stack((second_degc - first_degc, *warmer_k))
    known = told[np.isfinite(told).all(axis=1)]
    return tuple((round(d, 4), round(upper, 2), round(lower, 2)) for d, upper, lower in known.tolist())


def _ports(plant: PlantDay, loop: str) -> tuple[Course, Course] | None:
    """A tank's sensors, and what each counts at the loop's upper and lower port. (2, sensors)"""
    stage = next((each for each in plant.site.stages.values() if each.loop == loop and each.tank), None)
    day = None if stage is None else plant.tanks.get(stage.tank or "")
    if stage is None or day is None or not len(day.sensors_degc):
        return None
    n = len(day.sensors_degc)
    depths = (np.arange(n) + 0.5) / n
    low, high = stage.height
    # Of a loop without a coil only the level is told at which its water comes back: it is taken from the bottom.
    at = (1.0 - high, 1.0 - (low if low < high else 0.0))
    return day.sensors_degc, np.column_stack([np.interp(at, depths, unit) for unit in np.eye(n)])


def _blocks(course: NDArray[np.generic], n: int) -> Course:
    """Means of `n` blocks along the last axis."""
    return np.asarray(course[..., : n * _BLOCK].reshape(*course.shape[:-1], n, _BLOCK).mean(axis=-1), np.float64)
