"""
A tank in layers: what the plant's day says about what moves through it, heats it and cools it.

The sensors of a tank stand, as far as a site file tells, in the middles of equal parts of its height; in truth they may
be anywhere in these. Where warm water ends is known better by what flowed in and out than by such a sensor: in virtual
tanks with sensors elsewhere the change of stored heat was then off by a fourth of what it was with all trust in them.

A coil of which no temperature is known is taken as a usual one.

How well it does, against the node-by-node truth of the virtual houses (seven layouts, a week in each of four seasons,
eight houses that it was not fitted on; ordinary sensors, `make studies`): of the shares of a day's hot water by origin
95 % are within 0.016 with two tanks in a row, 0.020 with sun and element on one tank, 0.020 with three sources and heat
meters alone, 0.031 with two sensors. The largest error on any day was 0.056, 0.040, 0.085 and 0.215; over a week 0.013,
0.011, 0.018 and 0.026. The largest belong to an account's first days, to two sensors that may stand a quarter of the
height elsewhere, and to hours when the sun brings a tank just to the temperature of its heated top, above the highest
sensor.

Against independent plants (eleven kinds of house with faultless sensors; parcels of water that do not mix, or 48 nodes;
elements at their foot or along their range): 34 of 1621 shares of a day beyond 0.05, 14 of them in a house whose last
tank has one sensor, and none beyond 0.085.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import exp, sqrt

import numpy as np
from numpy.typing import NDArray

from analytics.coil_foot import foot_of, with_foot
from analytics.layers import LAYERS, Course, Quiet, Store, Water, follow
from analytics.likeness import UNTOLD
from analytics.origins_charges import charge_of
from analytics.origins_gaps import origins_of, renewed_after_gaps
from analytics.origins_metered import is_metered, place_on_path, u_meters_j
from analytics.origins_mixed import start_parts
from analytics.origins_state import CARRIED_OVER, DEFAULT_COLD_DEGC, ROOM, UNHEARD, CarriedState, LayeredHeat
from analytics.origins_turned import slack_k
from analytics.origins_water import BLOCK_CELLS, BLOCK_S, J_PER_K_KG, KG_PER_M3, MovedWater
from analytics.plant import CELL_S, PlantDay
from analytics.site import Tank

__all__ = [
    "LayeredCourse",
    "LayeredDay",
    "LayersChange",
    "follow_layers",
    "is_layered",
    "is_new",
    "layered_course",
]

Array = NDArray[np.float64]

_LEAST_SENSORS = 2
_QUIET_BLOCKS = 8  # losses and the pull toward the sensors every two hours; each hour brought no better account
_PULL_S = 7200.0  # in which two thirds of a difference to the sensors are made up for; half and twice did alike
_SENSOR_DOUBT_K = 0.3  # tank sensors in pockets; common practice
_PLACE = 0.5  # of a sensor's part of the height, by which it may stand higher or lower
_U_PLACE = 0.25  # the same as a standard uncertainty; common practice
_U_ANYWHERE = 1 / sqrt(12)  # of what lies anywhere between two sensors
_U_ACCOUNT_K = 1.0  # of the account at a sensor's place; half and twice did alike
_U_NEW_K = 6.0  # the more so as an account begins, with what is read between the sensors, and less by and by:
_NEW_S = 6 * 3600.0  # about as long as the water of a tank stays, or the sun needs to warm it
_CONDUCTION_W_K = 0.1  # along water and wall of a slim steel tank, over all of its height; common practice
_MOST_CONDUCTED = 0.45  # of two neighbours' difference at once: beyond the half a step would turn it round
_USUAL_DEGC = 45.0  # of a tank of which nothing is known
_ROOM_DEGC = 20.0
_SAME_K = 1e-6
_USED_UP_J = 0.1 * 3.6e6  # of heat that came unheard: less is lost in the doubt of the account
_MIDDLES = tuple((k + 0.5) / LAYERS for k in range(LAYERS))


def is_layered(plant: PlantDay, tank: str) -> bool:
    """Whether sensors along a tank allow to follow it in layers."""
    return len(plant.site.tanks[tank].temperatures) >= _LEAST_SENSORS


@dataclass(frozen=True, slots=True)
class LayersChange:
    """
    What became of a tank's layers over a day.

    Args:
        heat_j: Of their heat in all. [J]
        rms_k: Root mean square of the layers' changes. [K]
        settled_j: How much of the change may be no heat that came or went, but what an account finds out by and by of
            what the tank held as it began, as a standard uncertainty. [J]
    """

    heat_j: float
    rms_k: float
    settled_j: float = 0.0


@dataclass(frozen=True, slots=True)
class LayeredDay:
    """
    One day of one tank.

    Args:
        leaving: Columns of the water that leaves. (blocks, columns) [kg K]
        apart: By how much the share of each origin in the heat that left is more in plug flow than of a stirred tank.
            (origins,)
        held: The layers at the end.
        parts: Their heat's parts by origin.
        change: What became of them; None where no layers were carried to the day's start, or too little is known of
            what flowed in and out.
    """

    leaving: Array
    apart: Array
    held: LayeredHeat
    parts: Mapping[str, float]
    change: LayersChange | None


def follow_layers(
    plant: PlantDay, tank: str, state: CarriedState | None, *, moved: MovedWater, entering: Array
) -> LayeredDay:
    """
    One day of one tank.

    Args:
        entering: Columns of the water that enters: origins, then the main's temperature. (blocks, columns) [kg K]
    """
    found = layered_course(plant, tank, state, moved=moved, entering=entering)
    is_whole = found.store.quiet.renews is None and not is_new(tank, state)
    change = found.change if is_whole and is_metered(plant, tank) else None
    end = found.course.end
    leaving = found.course.leaving * found.layer_kg
    stirred, plug = (_shares(way.leaving * found.layer_kg, moved) for way in found.course.ways)
    held = _held(found, found.origins)
    return LayeredDay(leaving, plug - stirred, held, _parts(end, found.origins), change)


def _shares(leaving: Array, moved: MovedWater) -> Array:
    """Of the heat that left, above the main of then; what a change of that makes counts as carried over. (origins,)"""
    heat = leaving[:, :-1].sum(axis=0)
    heat[-1] += float(leaving[:, -1].sum() - moved.kg.dot(moved.cold_degc))
    total = float(heat.sum())
    return heat / total if total > 0.0 else np.zeros(len(heat))


def is_new(tank: str, state: CarriedState | None) -> bool:
    """Whether no layers of a tank were carried, so that its account begins."""
    held = state.layers.get(tank) if state else None
    return held is None or len(held.cold_degc) != LAYERS


@dataclass(frozen=True, slots=True)
class LayeredCourse:
    """
    A tank's day in layers: what it began with, what happened, and what came of it. A layer holds `layer_kg`.

    `origins` are those of the columns; `unheard_m3` as in `LayeredHeat`, at the day's end.
    """

    origins: Sequence[str]
    start: Array
    store: Store
    course: Course
    layer_kg: float
    unheard_m3: float | None = None

    @property
    def change_j(self) -> float:
        """Of the heat in all layers. [J]"""
        return float(self.course.end.sum() - self.start.sum()) * self.layer_kg * J_PER_K_KG

    @property
    def change(self) -> LayersChange:
        moved_k = (self.course.end - self.start).sum(axis=1)
        return LayersChange(self.change_j, sqrt(float(moved_k.dot(moved_k)) / LAYERS))


def layered_course(
    plant: PlantDay, tank: str, state: CarriedState | None, *, moved: MovedWater, entering: Array
) -> LayeredCourse:
    """One day of one tank, as in `follow_layers`."""
    origins = origins_of(plant, state)
    layer_kg = plant.site.tanks[tank].volume_l / 1e3 * KG_PER_M3 / LAYERS
    flows = moved.kg > 0
    gained_k = moved.gained_j[place_on_path(plant, tank)] / (layer_kg * J_PER_K_KG)
    water = Water(moved.kg / layer_kg, entering / np.where(flows, moved.kg, 1.0)[:, None], gained_k)
    depths, sensors_degc = _sensors(plant, tank)
    held = state.layers.get(tank) if state else None
    stages = [stage for stage in plant.site.stages.values() if stage.tank == tank]
    charges = [charge_of(plant, stage, origins, layer_kg=layer_kg) for stage in stages]
    u_k = _u_account_k(len(flows), is_new=is_new(tank, state))
    part_per_k = _U_PLACE / u_k if is_metered(plant, tank) else np.zeros(len(flows))
    renewals = renewed_after_gaps(plant, tank, sensors_degc, before_m3=held.unheard_m3 if held else None)
    quiet = _quiet(
        plant,
        tank,
        depths,
        sensors_degc=sensors_degc,
        layer_kg=layer_kg,
        part_per_k=part_per_k,
        renews=renewals.part if renewals is not None else None,
        unknown=origins.index(UNHEARD if UNHEARD in origins else CARRIED_OVER),
        # A new account has its heat from the sensors alone, and has to learn it from them.
        open_part=_U_ANYWHERE if is_metered(plant, tank) and not is_new(tank, state) else 0.0,
        meters_k=u_meters_j(plant, tank) / (LAYERS * layer_kg * J_PER_K_KG),
    )
    left_m3 = renewals.left_m3 if renewals is not None else None
    start = _start(plant, tank, state, origins=origins, depths=depths, cold_degc=moved.mean_cold_degc)
    likeness = held.likeness if held else UNTOLD
    store = Store(water, charges, quiet, origins.index(ROOM), slack_k(depths, sensors_degc, charges), likeness)
    return LayeredCourse(origins, start, store, follow(store, start), layer_kg, left_m3)


def _u_account_k(n_blocks: int, *, is_new: bool) -> Array:
    """How far the account may be off where a sensor stands, as a standard uncertainty. (blocks,)"""
    known_s = np.arange(1, n_blocks + 1) * BLOCK_S
    return np.asarray(_U_ACCOUNT_K + (_U_NEW_K if is_new else 0.0) * np.exp(-known_s / _NEW_S))


def _sensors(plant: PlantDay, tank: str) -> tuple[tuple[float, ...], Array]:
    """Depths of the sensors that spoke (0 top, 1 bottom) and their readings at the blocks' ends, (blocks, sensors)."""
    points = plant.site.tanks[tank].temperatures
    spoke = [k for k, point in enumerate(points) if point in plant.signals and len(plant.signals[point].time_s)]
    if not spoke:
        return (0.5,), np.full((round(plant.day.seconds / BLOCK_S), 1), np.nan)
    depths = tuple((k + 0.5) / len(points) for k in spoke)
    return depths, plant.tanks[tank].sensors_degc[:, BLOCK_CELLS - 1 :: BLOCK_CELLS].T


def _quiet(
    plant: PlantDay,
    tank: str,
    depths: tuple[float, ...],
    *,
    sensors_degc: Array,
    layer_kg: float,
    part_per_k: Array,
    renews: Array | None,
    unknown: int,
    open_part: float,
    meters_k: float,
) -> Quiet:
    described: Tank = plant.site.tanks[tank]
    place = _PLACE / len(described.temperatures)
    n_blocks = len(sensors_degc)
    ends = np.arange(1, n_blocks + 1)
    per_k = _QUIET_BLOCKS * BLOCK_S / (layer_kg * J_PER_K_KG)
    ua_w_k = described.ua_w_per_k or 0.0
    room = plant.tanks[tank].ambient_degc[BLOCK_CELLS - 1 :: BLOCK_CELLS]
    return Quiet(
        due=(ends % _QUIET_BLOCKS == 0) & (ends * BLOCK_S <= plant.until_s + CELL_S),
        conduction=min(_CONDUCTION_W_K * LAYERS * per_k, _MOST_CONDUCTED),
        loss=1.0 - exp(-ua_w_k / LAYERS * per_k),
        room_degc=np.where(np.isnan(room), _ROOM_DEGC, room),
        pull=(1.0 - exp(-_QUIET_BLOCKS * BLOCK_S / _PULL_S)) * _between(depths, _MIDDLES),
        at_sensor=_between(_MIDDLES, depths),
        sensors_degc=sensors_degc,
        around_sensor=_around(depths, place),
        part_per_k=part_per_k,
        doubt_k=_SENSOR_DOUBT_K,
        renews=renews,
        renewing=_between(depths, _MIDDLES),
        unknown=unknown,
        open_part=open_part,
        meters_k=meters_k,
    )


@lru_cache(maxsize=64)
def _between(known: tuple[float, ...], wanted: tuple[float, ...]) -> Array:
    """Straight interpolation over depth as a matrix, level beyond the ends. Shape (wanted, known)"""
    return np.stack([np.interp(wanted, known, row) for row in np.eye(len(known))], axis=1)


@lru_cache(maxsize=64)
def _around(depths: tuple[float, ...], place: float) -> Array:
    """Straight interpolation of the layers above and below each depth. Shape (2, depths, LAYERS)"""
    return np.stack([_between(_MIDDLES, tuple(depth + way * place for depth in depths)) for way in (-1, 1)])


def _profile(plant: PlantDay, tank: str, depths: tuple[float, ...]) -> Array:
    """The layers' temperatures by the sensors' first words."""
    sensors = plant.tanks[tank].sensors_degc
    known = ~np.isnan(sensors)
    if not known.any(axis=1).all():
        return np.full(LAYERS, _USUAL_DEGC)
    first = sensors[np.arange(len(sensors)), known.argmax(axis=1)]
    middles = np.array(_MIDDLES)
    foot = foot_of(plant.site, tank) if len(depths) == len(plant.site.tanks[tank].temperatures) else 0.0
    profile = np.interp(middles, *with_foot(depths, first, foot))
    if len(first) > 1:  # below the lowest sensor it goes on falling
        below = np.maximum(middles - depths[-1], 0.0)
        profile += below * min(first[-1] - first[-2], 0.0) / (depths[-1] - depths[-2])
    return np.asarray(profile)


def _start(
    plant: PlantDay,
    tank: str,
    state: CarriedState | None,
    *,
    origins: Sequence[str],
    depths: tuple[float, ...],
    cold_degc: float,
) -> Array:
    """The layers as the day before left them; else all alike, at the sensors' temperatures."""
    layers = np.zeros((LAYERS, len(origins) + 1))
    held = state.layers.get(tank) if state else None
    if held is None or is_new(tank, state):
        profile = _profile(plant, tank, depths)
        layers[:, -1] = np.minimum(cold_degc, profile)
        layers[:, :-1] = (profile - layers[:, -1])[:, None] * start_parts(state, tank, origins)
        return layers
    layers[:, -1] = held.cold_degc
    for origin, heat_k in held.heat_k.items():
        layers[:, origins.index(origin) if origin in origins else -2] += heat_k
    if np.logical_and.reduce(np.abs(layers[:, -1] - DEFAULT_COLD_DEGC) < _SAME_K):
        # No water has moved yet: what is carried over is counted from the main's temperature once that is known.
        colder_k = np.minimum(cold_degc - layers[:, -1], layers[:, -2])
        layers[:, -2] -= colder_k
        layers[:, -1] += colder_k
    return layers


def _held(found: LayeredCourse, origins: Sequence[str]) -> LayeredHeat:
    """What the next day begins with; the last of the heat that came unheard as carried over."""
    *heat_k, cold_degc = (tuple(column) for column in found.course.end.T.tolist())
    held = dict(zip(origins, heat_k, strict=True))
    if UNHEARD in held and sum(held[UNHEARD]) * found.layer_kg * J_PER_K_KG < _USED_UP_J:
        rest = held.pop(UNHEARD)
        held[CARRIED_OVER] = tuple(map(sum, zip(held[CARRIED_OVER], rest, strict=True)))
    return LayeredHeat(held, cold_degc, found.unheard_m3, found.course.likeness)


def _parts(layers: Array, origins: Sequence[str]) -> Mapping[str, float]:
    """The whole tank's heat by origin, adding up to one; the room's and what came unheard count as carried over."""
    heat = dict(zip(origins, np.maximum(layers[:, :-1].sum(axis=0), 0.0).tolist(), strict=True))
    heat[CARRIED_OVER] += heat.pop(ROOM) + heat.pop(UNHEARD, 0.0)
    total = sum(heat.values())
    if total <= 0:
        return {origin: float(origin == CARRIED_OVER) for origin in heat}
    return {origin: held / total for origin, held in heat.items()}
