"""What a tank's layers do without pumps: conduction, loss to the room, and the pull toward the sensors."""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["LAYERS", "Quiet", "Rest", "changed", "conduction", "renew"]

Array = NDArray[np.float64]

LAYERS = 16
"""As many as tell a tank's quarter from its middle; 12 to 20 came to nearly the same."""

_HELD_K = 1.0  # a layer with less heat than this above its cold water has no origins to speak of
_LEAST_LEFT = 0.2  # no single step takes more than the rest of a layer's heat


@dataclass(frozen=True, slots=True)
class Quiet:
    """
    What goes on without pumps, at the end of the steps that `due` names.

    Args:
        due: Shape (steps,)
        conduction: Part of the difference of two neighbours that passes between them.
        loss: Part of the difference to the room that is lost.
        room_degc: Shape (steps,)
        pull: Rise of each layer for each degree that a sensor is above the account. Shape (LAYERS, sensors)
        at_sensor: The account's temperature where the sensors are, from the layers'. Shape (sensors, LAYERS)
        sensors_degc: NaN where not known. Shape (steps, sensors)
        around_sensor: As `at_sensor`, for the highest and the lowest place where a sensor may be. Shape (2, sensors,
            LAYERS)
        part_per_k: Where the account changes by so many kelvin between these places, a sensor within them tells less,
            by 1 / (1 + (part_per_k K)^2): nobody knows whether the water or the sensor is elsewhere. Shape (steps,)
        doubt_k: A sensor is not believed to be better than this.
        renews: The part of a layer's heat whose origin was lost, at steps where the sensors have the last word, since
            hours before them were not heard; NaN elsewhere. It falls on the column `unknown`, as does what the sensors
            find more than the account. Shape (steps,)
        renewing: As `pull`, for such a step.
        open_part: Of the height between two sensors, where nobody sees at which place warm water ends: so much heat in
            all they do not tell.
    """

    due: NDArray[np.bool_]
    conduction: float
    loss: float
    room_degc: Array
    pull: Array
    at_sensor: Array
    sensors_degc: Array
    around_sensor: Array
    part_per_k: Array
    doubt_k: float = 0.0
    renews: Array | None = None
    renewing: Array | None = None
    unknown: int = -2
    open_part: float = 0.0


@lru_cache(maxsize=64)
def conduction(part: float) -> Array:
    """Neighbours exchange a part of their difference; the tank's ends have one neighbour."""
    matrix = np.eye(LAYERS)
    for upper in range(LAYERS - 1):
        pair = slice(upper, upper + 2)
        matrix[pair, pair] += part * np.array([[-1.0, 1.0], [1.0, -1.0]])
    return matrix


class Rest:
    """What goes on without pumps, made ready for its steps."""

    def __init__(self, quiet: Quiet) -> None:
        self._quiet = quiet
        self._room_k = (quiet.loss * quiet.room_degc).tolist()
        self._part_per_k = quiet.part_per_k.tolist()
        self._is_known = np.isfinite(quiet.sensors_degc.sum(axis=1)).tolist()

    def change(self, step: int, degc: Array) -> tuple[Array, Array | None]:
        """Each layer's loss and pull toward the sensors, and what it gains where the room is warmer. [K]"""
        quiet, gain = self._quiet, None
        change = self._room_k[step] - quiet.loss * degc
        if change[change.argmax()] > 0.0:
            gain = np.maximum(change, 0.0)
            change -= gain
        if self._is_known[step]:
            told = quiet.pull.dot(self._told(step, degc))
            change += _held_to(told, self._left_open_k[step]) if quiet.open_part > 0.0 else told
        return change, gain

    @cached_property
    def _left_open_k(self) -> list[float]:
        """By step, what sensors leave open of all layers' sum: where between two of them warm water ends. [K]"""
        degc = self._quiet.sensors_degc
        steps_k = degc[:, 1:] - degc[:, :-1]
        scale = self._quiet.open_part * LAYERS / degc.shape[1]
        return list((scale * np.sqrt(np.add.reduce(steps_k * steps_k, axis=1))).tolist())

    def _told(self, step: int, degc: Array) -> Array:
        """By how much each sensor shows the account to be off, as far as it is believed. (sensors,) [K]"""
        quiet, doubt_k, part_per_k = self._quiet, self._quiet.doubt_k, self._part_per_k[step]
        account, around = quiet.at_sensor.dot(degc).tolist(), quiet.around_sensor.dot(degc).tolist()
        told = []
        for sensor, here, high, low in zip(quiet.sensors_degc[step].tolist(), account, *around, strict=True):
            most, least = max(high - here, low - here, 0.0), min(high - here, low - here, 0.0)
            above = sensor - here
            within = min(max(above, least - doubt_k), most + doubt_k)
            believed = within - min(max(within, -doubt_k), doubt_k)
            moves = part_per_k * (most - least)
            told.append(above - within + believed / (1.0 + moves * moves))
        return np.array(told)


def _held_to(told_k: Array, left_open_k: float) -> Array:
    """
    The layers' change as sensors ask for it, with less heat in all, by what they leave open of it: they tell where warm
    water ends, and the meters better than they how much of it there is.
    """
    net_k = float(np.add.reduce(told_k))
    less_k = min(max(net_k, -left_open_k), left_open_k)
    with_it = np.maximum(told_k, 0.0) if less_k > 0 else np.minimum(told_k, 0.0)
    return np.asarray(told_k - less_k / float(np.add.reduce(with_it)) * with_it) if less_k else told_k


def changed(layers: Array, change: Array, gain: Array | None, *, held: Array, room: int) -> None:
    """
    Change all origins in proportion, in place; what a layer hardly holds the room owes, or is owed.

    The proportion is to what the origins brought, or to what is owed: where the room owes nearly all that they brought
    (meters that contradict the sensors), little is held of much, and a change in proportion to it would run away.
    """
    least = held
    brought, owed = layers[:, :-1], layers[:, room]
    if held[held.argmin()] < _HELD_K:
        least = np.maximum(held, _HELD_K)
    if owed[owed.argmin()] < 0.0:
        least = np.maximum(np.maximum(np.abs(held), np.maximum(brought, 0.0).sum(axis=1)), least)
    brought *= np.maximum(1.0 + change / least, _LEAST_LEFT)[:, None]
    if least is not held:
        owed += change * (1.0 - held / least)
    if gain is not None:
        owed += gain


def renew(layers: Array, quiet: Quiet, step: int) -> None:
    """Take the layers to what the sensors say, in place; more heat than was held is of unknown origin."""
    assert quiet.renewing is not None
    assert quiet.renews is not None
    degc = layers.sum(axis=1)
    change = quiet.renewing @ (quiet.sensors_degc[step] - quiet.at_sensor @ degc)
    held = np.maximum(degc - layers[:, -1], _HELD_K)
    layers[:, :-1] *= np.maximum(1.0 + np.minimum(change, 0.0) / held, _LEAST_LEFT)[:, None]
    gained = np.maximum(change, 0.0)
    lost = quiet.renews[step] * layers[:, :-1]
    layers[:, :-1] -= lost
    layers[:, quiet.unknown] += lost.sum(axis=1) + gained
