"""
How fast a tank cools while nothing goes in or out: its loss coefficient as the quiet hours of a day show it.

The water on top tells it. A mean of few sensors would not: while warm and cold layers grow into each other, it moves
without any loss. Nor does the top, where the water below it is far colder than the room: it cools into that as well.
"""

import numpy as np
from numpy.typing import NDArray

from analytics.compiled import compiled
from analytics.plant import CELL_S, Course, PlantDay, TankDay
from analytics.site import Tank

__all__ = ["ABOVE_ROOM_K", "STANDBY_H", "STANDBY_W_K", "above_room", "standby_sums"]

STANDBY_H, STANDBY_W_K = "standby_h", "standby_w_k"
"""Quiet hours of a day, and the heat that the tank lost in them per kelvin above its room. [h, W/K]"""

ABOVE_ROOM_K = "above_room_k"
"""A tank's mean above its room, over all hours of a day. [K]"""

_LEAST_HEARD = 0.9  # of a day's hours
_GIVES_W = 50.0
_SETTLING = 30  # cells after a draw or a heater until the layers rest (common practice)
_SHORTEST = 60  # cells of quiet that are looked at
_ENDS = 10  # cells over which both ends are averaged: noise and rounding
_LEAST_H = 2.0
_WARM_J_M3K = 4.13e6  # water of 20 to 70 degC holds 4.09 to 4.17 MJ/(m3 K): from memory
_COLD_PART = 0.25  # of what the top is above the room the water below it may be colder than that (common practice)
_LEAST_K = 8.0  # above the room; below, there is too little to lose


def above_room(plant: PlantDay, tank: Tank) -> dict[str, float]:
    """How far a tank stood above its room on average, by name; empty where too few hours tell it."""
    day = plant.tanks.get(tank.id)
    if day is None:
        return {}
    above_k = day.mean_degc - day.ambient_degc
    known = np.isfinite(above_k)
    return {ABOVE_ROOM_K: float(above_k[known].mean())} if known.mean() >= _LEAST_HEARD else {}


def standby_sums(plant: PlantDay, tank: Tank) -> dict[str, float]:
    """What the day's quiet stretches tell of a tank, by name; empty where they tell nothing."""
    day = plant.tanks.get(tank.id)
    busy = None if day is None else _busy(plant, tank)
    if day is None or busy is None or len(day.sensors_degc) < max(len(tank.temperatures), 1):
        return {}
    first, stop = _not_above_cold(day, *_quiet(busy))
    n_cells = stop - first
    if not len(first):
        return {}
    top_degc = day.sensors_degc[0]
    top_k, above_k = _ends_and_between(np.array((top_degc, top_degc - day.ambient_degc)), first, stop)
    fell_k = float((top_k[0] - top_k[2]).sum()) / _ENDS
    lost_k_s = float((above_k.sum(axis=0) / n_cells * (n_cells - _ENDS)).sum()) * CELL_S
    cells = int((n_cells - _ENDS).sum())
    hours = cells * CELL_S / 3600
    # Not a number where a sensor was silent within a quiet stretch.
    if hours < _LEAST_H or not lost_k_s >= _LEAST_K * cells * CELL_S:
        return {}
    per_k = tank.volume_l / 1e3 * _WARM_J_M3K
    return {STANDBY_H: hours, STANDBY_W_K: per_k * fell_k / lost_k_s}


def _busy(plant: PlantDay, tank: Tank) -> NDArray[np.bool_] | None:
    """Cells in which heat goes into the tank, water through it, or in which that is not known; None where never."""
    path = plant.site.hot_water
    n_cells = round(plant.day.seconds / CELL_S)
    busy = np.arange(n_cells) >= plant.until_s // CELL_S
    if path is not None and tank.id in path.tanks:
        if plant.hot_water is None:
            return None
        busy |= ~(plant.hot_water.flow_m3_s <= 0.0)
    for stage in plant.site.stages.values():
        if stage.tank == tank.id:
            part = plant.loops.get(stage.loop) if stage.loop else plant.heaters.get(stage.heater or "")
            if part is None:
                return None
            busy |= ~(np.abs(part.heat_w) <= _GIVES_W)
    return busy


def _quiet(busy: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Where long quiet stretches begin and end, what follows a busy cell closely left out. [cells]"""
    edges = np.concatenate(([-1], busy.nonzero()[0], [len(busy)]))
    long = (edges[1:] - edges[:-1] > _SETTLING + _SHORTEST).nonzero()[0]
    return edges[long] + 1 + _SETTLING, edges[long + 1]


def _not_above_cold(
    day: TankDay, first: NDArray[np.intp], stop: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The stretches in which the water below the top, where a sensor tells it, takes no more from it than the room."""
    if len(day.sensors_degc) < 2:
        return first, stop
    warm = _above_cold(day.sensors_degc[0], day.sensors_degc[1], day.ambient_degc, first, stop)
    return first[warm], stop[warm]


@compiled
def _above_cold(
    top_degc: Course, below_degc: Course, ambient_degc: Course, first: NDArray[np.intp], stop: NDArray[np.intp]
) -> NDArray[np.bool_]:
    """In which stretches the water below the top is on the mean not so cold beside the room as to take more."""
    warm = np.zeros(len(first), np.bool_)
    for n in range(len(first)):
        above_k = 0.0
        for cell in range(first[n], stop[n]):
            here_k = _COLD_PART * (top_degc[cell] - ambient_degc[cell]) + below_degc[cell] - ambient_degc[cell]
            above_k += 0.0 if np.isnan(here_k) else here_k
        warm[n] = above_k > 0.0
    return warm


def _ends_and_between(courses: Course, first: NDArray[np.intp], stop: NDArray[np.intp]) -> Course:
    """Each stretch's sums over its first cells, those between, and its last, by course. (courses, 3, stretches)"""
    edges = np.array((first, first + _ENDS, stop - _ENDS, stop)).T.ravel()
    and_one = np.zeros((len(courses), courses.shape[1] + 1))
    and_one[:, :-1] = courses
    sums = np.add.reduceat(and_one, edges, axis=1).reshape(len(courses), -1, 4)
    return np.asarray(sums[:, :, :3].swapaxes(1, 2))
