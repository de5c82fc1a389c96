"""When a tank's heater comes on: what days tell of how cold the tank's top gets before its thermostat calls."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite, nan

import numpy as np

from analytics.plant import Course, PlantDay
from analytics.site import Stage

__all__ = ["HEATS_W", "OnLevel", "heater_levels", "on_level", "top_degc"]

HEATS_W = 100.0
"""From here on a heater heats; below, it is a meter's zero or a lamp (common practice)."""

_HOUR = 60  # cells
_BLOCK = 30  # cells: what holds for half an hour is no passing dip of a draw
_LEAST_DAYS = 5  # on which it came on, before a level is believed (common practice)


@dataclass(frozen=True, slots=True)
class OnLevel:
    """
    Args:
        degc: The tank's top never was colder than this without its heater coming on. [degC]
        on_days, days: Days on which it came on, of how many that the level was learned from.
    """

    degc: float
    on_days: int
    days: int


def top_degc(plant: PlantDay, tank: str) -> Course:
    """What the tank's highest sensor said, NaN throughout where it is silent, whatever those below it say. (cells,)"""
    points = plant.site.tanks[tank].temperatures
    signal = plant.signals.get(points[0]) if points else None
    if signal is None or len(signal.time_s) == 0:
        return np.full(len(plant.tanks[tank].mean_degc), nan)
    return signal.course


def heater_levels(plant: PlantDay, stage: Stage) -> Mapping[str, float]:
    """
    The day's lowest temperatures of the tank's top: as the stage's heater or loop came on, and of half hours in which
    it rested; and the hours of the day in which it heated (hour n counts 2^n).

    Nothing where the tank has no sensor, neither power nor heat of the stage is known, or either was not heard.
    """
    tank, power_w = plant.tanks.get(stage.tank or ""), _power(plant, stage)
    if tank is None or power_w is None:
        return {}
    top = top_degc(plant, tank.tank)
    on = power_w >= HEATS_W
    found = {}
    if on.any():
        begins = np.flatnonzero(on[1:] & ~on[:-1]) + 1
        found["start_degc"] = float(np.fmin.reduce(top[begins], initial=np.inf))
        hours = np.logical_or.reduceat(on, np.arange(0, len(on), _HOUR)).nonzero()[0]
        found["on_hours"] = float((2.0 ** hours[hours < 24]).sum())
    blocks = (len(on) // _BLOCK, _BLOCK)
    # Where it is on, or its input is not known, nothing rests: these cells must not count as cold ones.
    rests = np.where(power_w < HEATS_W, top, np.inf)[: blocks[0] * _BLOCK]
    found["idle_degc"] = float(np.fmin.reduce(np.maximum.reduce(rests.reshape(blocks), axis=1), initial=np.inf))
    return {name: value for name, value in found.items() if isfinite(value)}


def _power(plant: PlantDay, stage: Stage) -> Course | None:
    """What a stage's heater takes, or its loop brings. [W]"""
    if stage.heater:
        heater = plant.heaters.get(stage.heater)
        return None if heater is None else heater.input_w
    loop = plant.loops.get(stage.loop or "")
    return None if loop is None else loop.heat_w


def on_level(starts_degc: Sequence[float], idle_degc: Sequence[float]) -> OnLevel | None:
    """
    The level from earlier days, oldest first, NaN where a day told nothing; None where it came on too rarely.

    Days after the last on which the heater came on do not count: it may have failed by then.
    """
    on = [index for index, value in enumerate(starts_degc) if isfinite(value)]
    if len(on) < _LEAST_DAYS:
        return None
    until = on[-1] + 1
    known = [value for value in (*starts_degc[:until], *idle_degc[:until]) if isfinite(value)]
    return OnLevel(min(known, default=nan), len(on), until)
