"""Whether the pipe by which a loop's heat comes cools down at rest: one that stays as warm as the tank is fed by it."""

import numpy as np
from numpy.typing import NDArray

from analytics.plant import CELL_S, Course, PlantDay
from analytics.site import Loop

__all__ = ["LATE_H", "REST_H", "WARM_H", "rest_warmth"]

REST_H, LATE_H, WARM_H = "rest_h", "late_h", "warm_h"
"""Hours of a day in which the pump rested; those long after its stop, beside a warm tank; with a pipe as warm. [h]"""

_LATE = 120  # cells after a stop in which an insulated pipe loses most of its warmth (common practice)
_LEAST_K = 12.0  # the tank above its room
_WARM_PART = 0.75  # of the tank's warmth above the room
_ABOVE_K = 3.0  # beyond two sensors' limits of error: a warmer pipe is warmed by something else


def rest_warmth(plant: PlantDay) -> dict[str, float]:
    """By condition's name, of loops that heat a tank and pass no collector; nothing where it cannot be told."""
    found: dict[str, float] = {}
    passed = {collector.loop for collector in plant.site.collectors.values()}
    for loop in plant.site.loops.values():
        told = {} if loop.id in passed else _of_loop(plant, loop)
        found |= {f"loop.{loop.id}.{name}": hours for name, hours in told.items()}
    return found


def _of_loop(plant: PlantDay, loop: Loop) -> dict[str, float]:
    stage = next((each for each in plant.site.stages.values() if each.loop == loop.id and each.tank), None)
    day = plant.loops.get(loop.id)
    tank = None if stage is None else plant.tanks.get(stage.tank or "")
    if stage is None or day is None or tank is None or not len(tank.sensors_degc) or loop.leaving is None:
        return {}
    rests = day.pump_on <= 0.0
    tank_k = _beside(tank.sensors_degc, stage.height[1]) - tank.ambient_degc
    pipe_k = day.leaving_degc - tank.ambient_degc
    late = _late(rests) & (tank_k >= _LEAST_K) & np.isfinite(pipe_k)
    warm = late & (pipe_k >= _WARM_PART * tank_k) & (pipe_k <= tank_k + _ABOVE_K)
    return {REST_H: _hours(rests), LATE_H: _hours(late), WARM_H: _hours(warm)}


def _beside(sensors_degc: Course, height: float) -> Course:
    """The sensor nearest to a height: water that flows back leaves by the pipe on top. Shape (cells,)"""
    n = len(sensors_degc)
    heights = 1.0 - (np.arange(n) + 0.5) / n
    return np.asarray(sensors_degc[int(np.abs(heights - height).argmin())])


def _late(rests: NDArray[np.bool_]) -> NDArray[np.bool_]:
    counted = np.concatenate(([0], np.cumsum(rests)))
    late = np.zeros(len(rests), bool)
    late[_LATE:] = counted[_LATE + 1 :] - counted[1:-_LATE] == _LATE
    return late


def _hours(flags: NDArray[np.bool_] | Course) -> float:
    return float(np.count_nonzero(flags)) * CELL_S / 3600
