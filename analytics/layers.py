"""
A tank in layers: heat by origin that moves with the water, rises by natural convection and is lost to the room.

The tank is cut into LAYERS of equal mass, the first on top. Each layer is a row; its columns say where its
temperature comes from [K]: one column an origin, the last the temperature at which its water entered from the main.
A row's sum is the layer's temperature [degC]. Heat of an origin is its column's sum times the layers' heat capacity.

Nobody knows how a tank mixes. So it is followed in two ways from the same start, between which real tanks lie: as
a row of stirred vessels [1], in which what passes is spread and an element warms the water at its foot, and in plug
flow, in which water keeps its order and an element warms each layer along its range. Whenever the tank is left to
itself, its sensors tell which way they follow; the account is the mean of both, weighted by what they have told until
now (`Likeness`). Both are linear in the origins, and so is the mean: it keeps the heat of each.

Warmer water below cooler water mixes until no layer is warmer than the one above it. What the layers do by themselves
(conduction along water and wall, loss to the room) and the pull toward the sensors is done once in a while. A sensor
may stand somewhat higher or lower than it is said to, so it tells little where the water is layered sharply: there the
account goes on by what flowed in and out. Nor do sensors tell where between two of them warm water ends: how much of it
there is they tell with the weight of what they know, and the meters with that of theirs. Where a meter tells what a
draw took, so much has left the tank and no more, however well its layers were stirred.

Heat that no meter saw (a sensor shows more than the account holds, or less) falls on all origins in proportion, as a
loss does; a layer that holds no heat takes it from or gives it to the room.

References:
    [1] Levenspiel, Chemical Reaction Engineering, tanks in series (from memory).
    [2] Duffie and Beckman, Solar Engineering of Thermal Processes, ch. 8, multi-node tank (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.layers_inputs import Moving, Resting, Staging
from analytics.layers_kernel import compiled
from analytics.likeness import UNTOLD, Likeness

__all__ = ["LAYERS", "Charge", "Course", "Quiet", "Store", "Water", "Way", "follow", "follow_ways"]

Array = NDArray[np.float64]

LAYERS = 24


@dataclass(frozen=True, slots=True)
class Water:
    """
    Water that moves up through the tank, by steps.

    Args:
        layers: Moved water in layers of this tank. Shape (steps,)
        entering: Columns of the water that enters below; any row where none moves. Shape (steps, columns) [K]
        gained_k: What meters say that it took with it from the tank, as the rise of a single layer; NaN where they do
            not tell. Shape (steps,) [K]
    """

    layers: Array
    entering: Array
    gained_k: Array | None = None


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
        along: As `spread`, in plug flow, where that is another: of an element, which may lie across the tank and warm
            what is above it, or stand upright along its range.
    """

    column: int
    rise_k: Array
    spread: Array
    fluid_degc: Array | None = None
    lift_k: Array | None = None
    turned: Array | None = None
    along: Array | None = None


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
        meters_k: How far the layers' mean may be off by the meters alone.
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
    meters_k: float = 0.0


@dataclass(frozen=True, slots=True)
class Store:
    """
    A tank over some steps: what moves, what heats, what happens by itself.

    Args:
        room: The room's column.
        slack_k: While the tank is heated, two neighbouring layers mix if the upper one is no more than this warmer:
            what the account may lag behind sensors that show them at one temperature. Below nought, at all times they
            mix only if the upper one is so much cooler. Shape (steps, LAYERS - 1)
        likeness: What its sensors have told before.
    """

    water: Water
    charges: Sequence[Charge]
    quiet: Quiet
    room: int
    slack_k: Array
    likeness: Likeness = UNTOLD


@dataclass(frozen=True, slots=True)
class Way:
    """
    What became of the heat if the tank goes one way, in kelvin times layers.

    Args:
        leaving: Columns that left on top. Shape (steps, columns)
        lost: Columns lost to the room or to the sensors' word, gains negative. Shape (columns,)
        end: The layers at the end. Shape (LAYERS, columns)
        expected: What the sensors should have shown where the tank was left to itself; NaN elsewhere. (steps, sensors)
        around: What lay between the highest and the lowest place where each may be. (steps, sensors) [K]
    """

    leaving: Array
    lost: Array
    end: Array
    expected: Array
    around: Array


@dataclass(frozen=True, slots=True)
class Course:
    """
    What became of the heat, in kelvin times layers: the mean of both ways.

    Args:
        leaving, lost, end: As in `Way`.
        ways: In stirred vessels and in plug flow.
        likeness: What sensors have told until the end; its `part` is the weight of plug flow.
    """

    leaving: Array
    lost: Array
    end: Array
    ways: tuple[Way, Way]
    likeness: Likeness


def follow(store: Store, start: Array) -> Course:
    """
    Follow the layers step by step in both ways: first the water moves, then the stages heat, then the tank is left to
    itself.

    For every origin: start + entered + put in = left + lost + end, to rounding.

    Args:
        start: The layers at the start. Shape (LAYERS, columns)
    """
    ways = stirred, plug = follow_ways(store, start)
    due, part = store.quiet.due, store.likeness.part
    slope_k = stirred.around[due] + part * (plug.around[due] - stirred.around[due])
    likeness = store.likeness.told(
        store.quiet.sensors_degc[due], stirred=stirred.expected[due], plug=plug.expected[due], slope_k=slope_k
    )
    part = likeness.part
    leaving, lost, end = (
        one + part * (other - one)
        for one, other in ((stirred.leaving, plug.leaving), (stirred.lost, plug.lost), (stirred.end, plug.end))
    )
    return Course(leaving, lost, end, ways, likeness)


def follow_ways(store: Store, start: Array) -> tuple[Way, Way]:
    """In stirred vessels and in plug flow, each by itself; as in `follow`."""
    water, stages, quiet = _moving(store.water), _staging(store), _resting(store, start.shape[1])
    stirred, plug = (_way(np.array(start, np.float64, order="C"), water, stages, quiet, w) for w in (False, True))
    return stirred, plug


def _way(layers: Array, water: Moving, stages: Staging, quiet: Resting, is_plug: bool) -> Way:
    leaving, lost, expected, around = compiled()(layers, water, stages, quiet, is_plug)
    return Way(leaving, lost, layers, expected, around)


def _moving(water: Water) -> Moving:
    gained_k = np.full(len(water.layers), np.nan) if water.gained_k is None else _packed(water.gained_k)
    return Moving(_packed(water.layers), _packed(water.entering), gained_k)


def _staging(store: Store) -> Staging:
    """All stages' arrays stacked, with nothing where a stage has none."""
    charges, steps = store.charges, len(store.water.layers)
    beside_k, turned = np.zeros((len(charges), steps, LAYERS)), np.zeros((len(charges), steps))
    rise_k, spread = np.zeros((len(charges), steps)), np.zeros((len(charges), LAYERS))
    along = np.zeros((len(charges), LAYERS))
    knows = np.zeros(len(charges), np.int64)
    for k, charge in enumerate(charges):
        rise_k[k], spread[k] = charge.rise_k, charge.spread
        if charge.fluid_degc is not None:
            knows[k], beside_k[k] = 1, charge.fluid_degc
        elif charge.lift_k is not None:
            knows[k], beside_k[k] = 2, charge.lift_k
        if charge.turned is not None:
            turned[k] = charge.turned
        along[k] = charge.spread if charge.along is None else charge.along
    column = np.array([charge.column for charge in charges], np.int64)
    return Staging(column, rise_k, spread, knows, beside_k, turned, _packed(store.slack_k), along)


def _resting(store: Store, n_columns: int) -> Resting:
    quiet, never = store.quiet, np.full(len(store.quiet.due), np.nan)
    return Resting(
        due=np.ascontiguousarray(quiet.due),
        conduction=float(quiet.conduction),
        loss=float(quiet.loss),
        room_degc=_packed(quiet.room_degc),
        pull=_packed(quiet.pull),
        at_sensor=_packed(quiet.at_sensor),
        around_sensor=_packed(quiet.around_sensor),
        sensors_degc=_packed(quiet.sensors_degc),
        part_per_k=_packed(quiet.part_per_k),
        doubt_k=float(quiet.doubt_k),
        left_open_k=_left_open_k(quiet),
        meters_k=float(quiet.meters_k),
        renews=never if quiet.renews is None else _packed(quiet.renews),
        renewing=_packed(quiet.pull if quiet.renewing is None else quiet.renewing),
        unknown=quiet.unknown % n_columns,
        room=store.room,
    )


def _left_open_k(quiet: Quiet) -> Array:
    """By step, what sensors leave open of all layers' sum: where between two of them warm water ends. [K]"""
    degc = quiet.sensors_degc
    if quiet.open_part == 0.0:
        return np.zeros(len(degc))
    steps_k = degc[:, 1:] - degc[:, :-1]
    return np.asarray(quiet.open_part * LAYERS / degc.shape[1] * np.sqrt(np.add.reduce(steps_k * steps_k, axis=1)))


def _packed(values: Array) -> Array:
    """As the kernel takes them."""
    return np.ascontiguousarray(values, np.float64)
