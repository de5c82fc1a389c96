"""
A tank in layers: heat by origin that moves with the water, rises by natural convection and is lost to the room.

The tank is cut into LAYERS of equal mass, the first on top. Each layer is a row; its columns say where its
temperature comes from [K]: one column an origin, the last the temperature at which its water entered from the main.
A row's sum is the layer's temperature [degC]. Heat of an origin is its column's sum times the layers' heat capacity.

Water moves in a row of well-stirred layers. What passes a layer of such a row is spread by a Poisson law, so a whole
draw is one matrix [1]. Warmer water below cooler water mixes until no layer is warmer than the one above it. What the
layers do by themselves (conduction along water and wall, loss to the room) and the pull toward the sensors is done
once in a while. A sensor may stand somewhat higher or lower than it is said to, so it tells little where the water is
layered sharply: there the account goes on by what flowed in and out. Heat that no meter saw (a sensor shows more than
the account holds, or less) falls on all origins in proportion, as a loss does; a layer that holds no heat takes it from
or gives it to the room.

References:
    [1] Levenspiel, Chemical Reaction Engineering, tanks in series (from memory).
    [2] Duffie and Beckman, Solar Engineering of Thermal Processes, ch. 8, multi-node tank (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from analytics.layer_spread import poisson, wrapped

__all__ = ["LAYERS", "Charge", "Course", "Quiet", "Store", "Water", "follow"]

Array = NDArray[np.float64]

LAYERS = 16
"""As many as tell a tank's quarter from its middle; 12 to 20 came to nearly the same."""

_STABLE_K = -1e-6  # rounding is no inversion
_NO_SLACK = [_STABLE_K] * (LAYERS - 1)
_EACH = np.ones(LAYERS)
_HELD_K = 1.0  # a layer with less heat than this above its cold water has no origins to speak of
_LEAST_LEFT = 0.2  # no single step takes more than the rest of a layer's heat
_LEAST_LIFT_K = 0.1  # a coil's fluid must be this much warmer than the water, on the mean, to choose among layers
_MOST_TURNED = 2.0 * LAYERS  # water that goes round more often than twice in a step is stirred anyway
_ROW, _COLUMN = np.indices((LAYERS, LAYERS))
_ABOVE, _IS_ABOVE = abs(_COLUMN - _ROW), _COLUMN >= _ROW


@dataclass(frozen=True, slots=True)
class Water:
    """
    Water that moves up through the tank, by steps.

    Args:
        layers: Moved water in layers of this tank. Shape (steps,)
        entering: Columns of the water that enters below; any row where none moves. Shape (steps, columns) [K]
    """

    layers: Array
    entering: Array


@dataclass(frozen=True, slots=True)
class Charge:
    """
    A stage that heats the tank.

    Args:
        column: Its origin's column.
        rise_k: Its heat by steps, as the rise of a single layer. Shape (steps,) [K]
        spread: The part of the heat that each layer gets; adds up to one. Shape (LAYERS,)
        fluid_degc: Of a coil's fluid beside each layer: the heat goes where that is warmer. Shape (steps, LAYERS)
        lift_k: By how much it is warmer than the water around the coil on the mean, where no more is known. Shape
            (steps, LAYERS)
        turned: Of water that the pump takes from the bottom and brings back to the highest layer of `spread`: layers
            moved. Shape (steps,)
    """

    column: int
    rise_k: Array
    spread: Array
    fluid_degc: Array | None = None
    lift_k: Array | None = None
    turned: Array | None = None


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


@dataclass(frozen=True, slots=True)
class Store:
    """
    A tank over some steps: what moves, what heats, what happens by itself.

    Args:
        room: The room's column.
        slack_k: While the tank is heated, two neighbouring layers mix if the upper one is no more than this warmer:
            what the account may lag behind sensors that show them at one temperature. Shape (steps, LAYERS - 1)
    """

    water: Water
    charges: Sequence[Charge]
    quiet: Quiet
    room: int
    slack_k: Array


@dataclass(frozen=True, slots=True)
class Course:
    """
    What became of the heat, in kelvin times layers.

    Args:
        leaving: Columns that left on top. Shape (steps, columns)
        lost: Columns lost to the room or to the sensors' word, gains negative. Shape (columns,)
        end: The layers at the end. Shape (LAYERS, columns)
    """

    leaving: Array
    lost: Array
    end: Array


def follow(store: Store, start: Array) -> Course:
    """
    Follow the layers step by step: first the water moves, then the stages heat, then the tank is left to itself.

    For every origin: start + entered + put in = left + lost + end, to rounding.

    Args:
        start: The layers at the start. Shape (LAYERS, columns)
    """
    quiet, moves = store.quiet, _Moves(store.water)
    stages = [_Stage(charge, start.shape[1]) for charge in store.charges]
    conduct, rest, is_due = _conduction(quiet.conduction), _Rest(quiet), quiet.due.tolist()
    layers, one = start.copy(), np.ones(start.shape[1])
    degc: Array = layers.dot(one)
    slacks, moving = store.slack_k, moves.steps
    renewed = frozenset(() if quiet.renews is None else np.isfinite(quiet.renews).nonzero()[0].tolist())
    leaving, lost = np.zeros_like(store.water.entering), np.zeros(start.shape[1])
    happens = np.logical_or.reduce([moves.any, quiet.due, *(stage.any for stage in stages)])
    if renewed:
        happens[list(renewed)] = True
    for step in happens.nonzero()[0].tolist():
        if step in moving:
            layers, leaving[step] = moves.through(step, layers)
            degc = layers.dot(one)
        slack = _NO_SLACK
        for stage in stages:
            if step in stage.steps:
                slack = slacks[step].tolist()
                degc = stage.heat(step, layers, degc)
        if is_due[step]:
            lost += _EACH.dot(layers)
            layers = conduct.dot(layers)
            degc = layers.dot(one)
            _change(layers, *rest.change(step, degc), held=degc - layers[:, -1], room=store.room)
            lost -= _EACH.dot(layers)
            degc = layers.dot(one)
        if step in renewed:
            lost += _EACH.dot(layers)
            _renew(layers, quiet, step)
            lost -= _EACH.dot(layers)
            degc = layers.dot(one)
        _settle(layers, degc, slack)
    return Course(leaving, lost, layers)


def _renew(layers: Array, quiet: Quiet, step: int) -> None:
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


def _settle(layers: Array, degc: Array, slack: Sequence[float]) -> None:
    """Mix in place what is warmer below than above, neighbours with neighbours, until the tank is stable."""
    for first, count, mean_degc in _pools(degc.tolist(), slack):
        pool = slice(first, first + count)
        layers[pool] = _EACH[:count].dot(layers[pool]) / count
        degc[pool] = mean_degc


def _pools(degc: Sequence[float], slack: Sequence[float]) -> list[tuple[int, int, float]]:
    """First layer, number and common temperature of those that mix."""
    for place, least in enumerate(slack):
        if degc[place] < degc[place + 1] + least:
            break
    else:
        return []
    means, counts = list(degc[: place + 1]), [1] * (place + 1)
    for layer in range(place + 1, len(degc)):
        mean, count = degc[layer], 1
        while means and means[-1] < mean + slack[layer - count]:
            above, n_above = means.pop(), counts.pop()
            mean = (mean * count + above * n_above) / (count + n_above)
            count += n_above
        means.append(mean)
        counts.append(count)
    pools = zip(accumulate(counts), counts, means, strict=True)
    return [(end - count, count, mean) for end, count, mean in pools if count > 1]


class _Moves:
    """The steps in which water moves up: matrices whose last row is what leaves on top."""

    def __init__(self, water: Water) -> None:
        self.any = water.layers > 0
        steps = np.flatnonzero(self.any)
        self.steps = self._place = dict(zip(steps.tolist(), range(len(steps)), strict=True))
        moved = water.layers[steps]
        passing = poisson(moved, LAYERS)
        stays = (1.0 - passing.cumsum(axis=1))[:, ::-1]  # of what enters, the bottom last, in layers
        inside = passing[:, _ABOVE] * _IS_ABOVE
        matrix = np.concatenate((inside, 1.0 - np.add.reduce(inside, axis=1, keepdims=True)), axis=1)
        passes = np.hstack((stays, (moved - stays.sum(axis=1))[:, None]))
        self._matrix, self._entered = matrix, passes[:, :, None] * water.entering[steps][:, None, :]

    def through(self, step: int, layers: Array) -> tuple[Array, Array]:
        """The layers after a step, and what left."""
        place = self._place[step]
        moved: Array = self._matrix[place].dot(layers)
        moved += self._entered[place]
        return moved[:-1], moved[-1]


class _Stage:
    """A stage made ready for its steps; one that turns water over has a matrix for each."""

    def __init__(self, charge: Charge, n_columns: int) -> None:
        self._charge, self._rise_k = charge, charge.rise_k.tolist()
        self.any = charge.rise_k > 0
        self._turn: dict[int, tuple[Array, Array]] = {}
        if charge.turned is not None:
            self.any |= charge.turned > 0
            self._first = int(np.argmax(charge.spread > 0))
            self._turn = self._turns(charge.turned)
        self.steps = frozenset(self.any.nonzero()[0].tolist())
        self._one = np.ones(n_columns)
        heated = charge.spread.nonzero()[0].tolist()
        self._only = heated[0] if len(heated) == 1 and charge.fluid_degc is None else None

    def _turns(self, turned: Array) -> dict[int, tuple[Array, Array]]:
        """By step, where the water goes, and by how much heat that it was given on its way warms each layer."""
        n = LAYERS - self._first
        steps = np.flatnonzero(turned > 0)
        chance = poisson(np.minimum(turned[steps], _MOST_TURNED), 4 * LAYERS)
        later = np.maximum(1.0 - chance.cumsum(axis=1), 0.0)
        back, found = wrapped(chance, n), wrapped(later, n)
        matrices = back[:, (_ROW[:n, :n] - _COLUMN[:n, :n]) % n]
        rise_k = np.zeros((len(steps), LAYERS))
        rise_k[:, self._first :] = self._charge.rise_k[steps, None] * found
        return dict(zip(steps.tolist(), zip(matrices, rise_k, strict=True), strict=True))

    def heat(self, step: int, layers: Array, degc: Array) -> Array:
        """Change the layers in place; their temperatures after the step."""
        if step in self._turn:
            matrix, rise_k = self._turn[step]
            layers[self._first :] = matrix.dot(layers[self._first :])
            degc = layers.dot(self._one)
        elif self._only is not None:
            layers[self._only, self._charge.column] += self._rise_k[step]
            degc[self._only] += self._rise_k[step]
            return degc
        else:
            rise_k = self._rise(step, degc)
        own = layers[:, self._charge.column]
        own += rise_k
        return np.asarray(degc + rise_k)

    def _rise(self, step: int, degc: Array) -> Array:
        """What it adds to each layer without turning water over. Shape (LAYERS,) [K]"""
        spread = self._charge.spread
        if self._charge.fluid_degc is not None or self._charge.lift_k is not None:
            weight = spread * np.maximum(self._fluid(step, degc) - degc, 0.0)
            lift_k = float(_EACH.dot(weight))
            if lift_k > _LEAST_LIFT_K:
                return np.asarray(self._rise_k[step] / lift_k * weight)
        return np.asarray(self._rise_k[step] * spread)

    def _fluid(self, step: int, degc: Array) -> Array:
        """Of a coil's fluid beside each layer, where not known by how much warmer it is than the water. [degC]"""
        charge = self._charge
        if charge.fluid_degc is not None:
            return np.asarray(charge.fluid_degc[step])
        assert charge.lift_k is not None
        return np.asarray(charge.lift_k[step] + float(charge.spread.dot(degc)))


@lru_cache(maxsize=64)
def _conduction(part: float) -> Array:
    """Neighbours exchange a part of their difference; the tank's ends have one neighbour."""
    matrix = np.eye(LAYERS)
    for upper in range(LAYERS - 1):
        pair = slice(upper, upper + 2)
        matrix[pair, pair] += part * np.array([[-1.0, 1.0], [1.0, -1.0]])
    return matrix


class _Rest:
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
            change += quiet.pull.dot(self._told(step, degc))
        return change, gain

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


def _change(layers: Array, change: Array, gain: Array | None, *, held: Array, room: int) -> None:
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
