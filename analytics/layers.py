"""
A tank in layers: heat by origin that moves with the water, rises by natural convection and is lost to the room.

The tank is cut into LAYERS of equal mass, the first on top. Each layer is a row; its columns say where its
temperature comes from [K]: one column an origin, the last the temperature at which its water entered from the main.
A row's sum is the layer's temperature [degC]. Heat of an origin is its column's sum times the layers' heat capacity.

Water moves in a row of well-stirred layers. What passes a layer of such a row is spread by a Poisson law, so a whole
draw is one matrix [1]. Warmer water below cooler water mixes until no layer is warmer than the one above it. What the
layers do by themselves (conduction along water and wall, loss to the room) and the pull toward the sensors is done
once in a while. A sensor may stand somewhat higher or lower than it is said to, so it tells little where the water is
layered sharply: there the account goes on by what flowed in and out. Nor do sensors tell where between two of them warm
water ends, so they move heat up and down within that and add none. Heat that no meter saw (a sensor shows more than
the account holds, or less) falls on all origins in proportion, as a loss does; a layer that holds no heat takes it from
or gives it to the room.

References:
    [1] Levenspiel, Chemical Reaction Engineering, tanks in series (from memory).
    [2] Duffie and Beckman, Solar Engineering of Thermal Processes, ch. 8, multi-node tank (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from analytics.layer_spread import poisson, wrapped
from analytics.layers_rest import LAYERS, Quiet, Rest, changed, conduction, renew

__all__ = ["LAYERS", "Charge", "Course", "Quiet", "Store", "Water", "follow"]

Array = NDArray[np.float64]

_STABLE_K = -1e-6  # rounding is no inversion
_NO_SLACK = [_STABLE_K] * (LAYERS - 1)
_EACH = np.ones(LAYERS)
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
    conduct, rest, is_due = conduction(quiet.conduction), Rest(quiet), quiet.due.tolist()
    layers, one = start.copy(), np.ones(start.shape[1])
    degc: Array = layers.dot(one)
    slacks, moving = store.slack_k, moves.steps
    renewed = frozenset(() if quiet.renews is None else np.isfinite(quiet.renews).nonzero()[0].tolist())
    leaving, lost = np.zeros_like(store.water.entering), np.zeros(start.shape[1])
    entering_degc = store.water.entering.sum(axis=1).tolist()
    happens = np.logical_or.reduce([moves.any, quiet.due, *(stage.any for stage in stages)])
    if renewed:
        happens[list(renewed)] = True
    for step in happens.nonzero()[0].tolist():
        may_turn = False
        if step in moving:
            may_turn = entering_degc[step] > degc[-1]  # water that is cooler than all of it keeps a tank stable
            layers, leaving[step] = moves.through(step, layers)
            degc = layers.dot(one)
        slack = _NO_SLACK
        for stage in stages:
            if step in stage.steps:
                slack, may_turn = slacks[step].tolist(), True
                degc = stage.heat(step, layers, degc)
        if is_due[step]:
            may_turn = True
            lost += _EACH.dot(layers)
            layers = conduct.dot(layers)
            degc = layers.dot(one)
            changed(layers, *rest.change(step, degc), held=degc - layers[:, -1], room=store.room)
            lost -= _EACH.dot(layers)
            degc = layers.dot(one)
        if step in renewed:
            may_turn = True
            lost += _EACH.dot(layers)
            renew(layers, quiet, step)
            lost -= _EACH.dot(layers)
            degc = layers.dot(one)
        if may_turn:
            _settle(layers, degc, slack)
    return Course(leaving, lost, layers)


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
