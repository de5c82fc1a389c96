"""
Heat by origin in numbers: what each tank held of an origin, got, passed on and lost, and its share at the taps.

The account itself goes in quarters of an hour and by layers (`analytics.workings.layers` shows them); each tank's sums
over the day add up.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analytics.origins import CARRIED_OVER, DEFAULT_COLD_DEGC, LEAST_RISE_K, CarriedState, heat_at_tap
from analytics.origins_gaps import origins_of
from analytics.origins_mixed import MixedCourse, mixed_course
from analytics.origins_state import ROOM, UNHEARD
from analytics.origins_tank import LayeredCourse, is_layered, layered_course
from analytics.origins_water import BLOCK_S, J_PER_K_KG, MovedWater, moved_water
from analytics.plant import PlantDay
from analytics.units import kwh_from_j
from analytics.workings.layers import (
    TankSums,
    account_table,
    layer_sums,
    layer_tables,
    left_table,
    mixed_draw,
    taken,
    taken_step,
    taken_table,
)
from analytics.workings.rows import largest_and_rest
from analytics.workings.stretches import clock
from analytics.workings.water import left_part
from analytics.workings.written import Number, Step, Table, Working, added, kwh, multiplied, written

__all__ = ["Followed", "delivered_working", "follow_origins"]

Array = NDArray[np.float64]

_KWH_PER_KG_K = J_PER_K_KG / 3.6e6
_SAME_KWH = 5e-4


@dataclass(frozen=True, slots=True)
class Followed:
    """
    A day's heat by origin.

    Args:
        origins: Stages, the room, carried over.
        tanks: In the order in which the water passes them.
        layered, mixed: The course of each, as it is followed.
        moved: The water that moved.
        at_tap_j: Heat that left the last tank by quarter hours and origins. (blocks, origins)
        passing_j: By origins: heat gained after the last tank.
    """

    origins: Sequence[str]
    tanks: Sequence[TankSums]
    layered: Mapping[str, LayeredCourse]
    mixed: Mapping[str, MixedCourse]
    moved: MovedWater
    at_tap_j: Array
    passing_j: Array


def follow_origins(plant: PlantDay, before: CarriedState | None) -> Followed:
    """
    Follow the day's heat again, tank by tank, keeping what `analytics.origins` does not.

    Raises:
        ValueError: If the water's path is not metered; no figure by origin is available then.
    """
    water, path = plant.hot_water, plant.site.hot_water
    if water is None or water.leaving_j is None or path is None:
        raise ValueError(f"the water of {plant.site.id} is not metered on {plant.day.date}")
    origins = origins_of(plant, before)
    moved = moved_water(plant, water, cold_degc=before.cold_degc if before else DEFAULT_COLD_DEGC)
    passing = np.zeros((len(moved.kg), len(origins) + 1))
    passing[:, -1] = moved.kg * moved.cold_degc
    tanks: list[TankSums] = []
    layered: dict[str, LayeredCourse] = {}
    mixed: dict[str, MixedCourse] = {}
    for index, tank in enumerate(path.tanks):
        if is_layered(plant, tank):
            found = layered[tank] = layered_course(plant, tank, before, moved=moved, entering=passing)
            tanks.append(_sums(tank, found, passing))
            passing = found.course.leaving * found.layer_kg
        else:
            course = mixed[tank] = mixed_course(plant, tank, before, moved=moved, entering=passing, index=index)
            tanks.append(_mixed_sums(tank, course))
            passing = np.hstack((course.left / J_PER_K_KG, (moved.kg * moved.cold_degc)[:, None]))
    at_tap = heat_at_tap(passing, moved) if path.tanks else np.zeros((len(moved.kg), len(origins)))
    return Followed(origins, tanks, layered, mixed, moved, at_tap, _in_passing(plant, len(origins)))


def _sums(tank: str, found: LayeredCourse, entering: Array) -> TankSums:
    scale = found.layer_kg * _KWH_PER_KG_K
    put_in = np.zeros(found.start.shape[1])
    for charge in found.store.charges:
        put_in[charge.column] += float(charge.rise_k.sum())
    sums = (found.start.sum(axis=0), put_in, entering.sum(axis=0) / found.layer_kg, found.course.leaving.sum(axis=0))
    ends = (found.course.lost, found.course.end.sum(axis=0))
    return TankSums(tank, *(column[:-1] * scale for column in (*sums, *ends)))


def _mixed_sums(tank: str, course: MixedCourse) -> TankSums:
    """Of a mixed tank, what was lost is what is left open: its loss, and what its sensors found less than the sums."""
    put_in, came, passed = (each.sum(axis=0) / 3.6e6 for each in (course.put_in, course.came, course.left))
    start, end = (course.stored[k] * course.mix[k] / 3.6e6 for k in (0, -1))
    return TankSums(tank, start, put_in, came, passed, start + put_in + came - passed - end, end)


def _in_passing(plant: PlantDay, n_origins: int) -> Array:
    gained, water = np.zeros(n_origins), plant.hot_water
    in_passing = [index for index, stage in enumerate(plant.site.stages.values()) if stage.tank is None]
    if in_passing and water is not None and water.passing_j is not None:
        gained[in_passing[0]] = float(np.nansum(water.passing_j))
    return gained


def delivered_working(plant: PlantDay, followed: Followed, path: str, *, origin: str) -> Working:
    """Hot-water heat of one origin."""
    which = _columns(followed, origin)
    gained = _gained(plant, followed, which)
    tables, terms = _tap_rows(plant, followed, followed.at_tap_j[:, which].sum(axis=1))
    account = _at_taps(terms, gained)
    layers, largest, accounts = Working(""), Working(""), []
    if terms or any(set(which) & set(sums.present) for sums in followed.tanks):  # it was in a tank at all
        layers = _in_layers(plant, followed, which, origin=origin)
        largest = _largest_draw(plant, followed, which, origin=origin)
        accounts = [account_table(sums, followed.origins) for sums in followed.tanks]
    inputs = [*layers.inputs, *gained.inputs]
    steps = [*layers.steps, *largest.steps, *gained.steps, *account]
    scaled = _brought_to_meter(plant, followed, account[-1].result, origin=origin)
    inputs += scaled.inputs
    # Where the two are the same as shown, the sum stands for the figure.
    steps = [*steps, *scaled.steps] if scaled.steps else [*steps[:-1], replace(steps[-1], result=scaled.value)]
    return Working(path, inputs, [*accounts, *tables, *largest.tables, *layers.tables], steps, _remarks(followed))


@dataclass(frozen=True, slots=True)
class _Sums:
    """Amounts and sums of a part of the working, and what they come to."""

    inputs: Sequence[Number]
    steps: Sequence[Step]
    value: Number


def _brought_to_meter(plant: PlantDay, followed: Followed, account: Number, *, origin: str) -> _Sums:
    """The account's sum × metered heat ÷ heat of all origins; no step where that changes nothing shown."""
    assert plant.hot_water is not None
    heat = kwh(kwh_from_j(plant.hot_water.heat.amount), name="Heat in hot water, metered", source="hot_water.heat")
    total = kwh(_all_kwh(followed), name="Of all origins, by the account", source="the same sums for every origin")
    if total.value <= 0.0:
        value = kwh(heat.value if origin == CARRIED_OVER else 0.0)
        what = "Arrived at the taps: the account knows of no heat, so all counts as in store before"
        return _Sums([heat], [Step(what, value.text, value)], value)
    value = kwh(account.value * heat.value / total.value)
    if value.text == account.text:
        return _Sums([], [], value)
    step = Step("Arrived at the taps, brought to the metered heat", multiplied([account, heat], [total]), value)
    return _Sums([heat, total], [step], value)


def _gained(plant: PlantDay, followed: Followed, which: Sequence[int]) -> _Sums:
    """Heat that the water was given after the last tank: heat at its end − heat that left the tank."""
    gained = kwh(kwh_from_j(float(followed.passing_j[list(which)].sum())))
    water = plant.site.hot_water
    if gained.value == 0.0 or water is None or plant.hot_water is None or not water.tanks:
        return _Sums([], [], gained)
    heat = kwh(kwh_from_j(plant.hot_water.heat.amount), name="Heat in hot water", source="hot_water.heat")
    left = left_part(plant, water.tanks[-1])
    if abs(heat.value - left.energy.value - gained.value) > _SAME_KWH:  # some of it cooled on the way
        told = replace(gained, name="Heat gained after the last tank", source=f"{water.heated}, draw by draw")
        return _Sums([told], [], gained)
    step = Step("Heat gained after the last tank", added([(1.0, heat), (-1.0, left.energy)]), gained)
    return _Sums([heat, *left.inputs], [*left.steps, step], gained)


def _columns(followed: Followed, origin: str) -> list[int]:
    """The origin's columns; what came unheard and what the room gave count with what was carried over."""
    names = (UNHEARD, ROOM, CARRIED_OVER) if origin == CARRIED_OVER else (origin,)
    return [followed.origins.index(name) for name in names if name in followed.origins]


def _all_kwh(followed: Followed) -> float:
    """Heat of all origins at the taps by the account; what no stage is known to have given is not less than nothing."""
    heat = followed.at_tap_j.sum(axis=0) + followed.passing_j
    others = _columns(followed, CARRIED_OVER)[0]
    return kwh_from_j(float(heat[:others].sum() + max(float(heat[others:].sum()), 0.0)))


def _at_taps(terms: Sequence[tuple[float, Number]], gained: _Sums) -> list[Step]:
    """The account's own sum of an origin at the taps."""
    every = [*terms, (1.0, gained.value)] if gained.value.value else list(terms)
    total = kwh(sum(sign * number.value for sign, number in every))
    steps = [Step("At the taps", added(every) if every else "0.000 kWh", total)]
    if total.value < 0.0:
        steps.append(Step("Not less than nothing", "0.000 kWh", kwh(0.0)))
    return steps


def _tap_rows(plant: PlantDay, followed: Followed, by_block: Array) -> tuple[list[Table], list[tuple[float, Number]]]:
    """Quarter hours in which water left the last tank: metered heat × the origin's share."""
    metered = followed.at_tap_j.sum(axis=1)
    blocks = np.flatnonzero(metered != 0.0)
    if len(blocks) == 0 or not by_block.any():
        return [], []
    alone, rest = largest_and_rest([float(metered[block]) for block in blocks])
    groups = [(clock(plant, float(blocks[k]) * BLOCK_S), blocks[[k]]) for k in alone]
    if rest:
        groups.append((f"{len(rest)} smaller", blocks[rest]))
    rows, terms = [], []
    for name, group in groups:
        heat, mine = (kwh_from_j(float(each[group].sum())) for each in (metered, by_block))
        rows.append((name, written(heat, 4), written(mine / heat if heat else 0.0, 4), written(mine, 4)))
        terms.append((1.0, Number(mine, 4, "kWh")))
    note = "Heat that left the last tank by the meters × the share that the water at its top had by then = kWh."
    return [Table("Quarters of an hour with draws", ("From", "kWh in all", "share", "kWh"), rows, note)], terms


def _in_layers(plant: PlantDay, followed: Followed, which: Sequence[int], *, origin: str) -> Working:
    """What each tank held layer by layer and what left it, in the order in which the water passes them."""
    tables: list[Table] = []
    inputs: list[Number] = []
    steps: list[Step] = []
    for sums in followed.tanks:
        found = followed.layered.get(sums.tank)
        if found is not None:
            tables += layer_tables(sums.tank, found, sums, followed.origins)
            more = layer_sums(plant.site.tanks[sums.tank], found, sums, which=which, origin=origin)
            inputs, steps = [*inputs, *more[0]], [*steps, *more[1]]
        tables += _left(plant, followed, sums)
    return Working("", list(dict.fromkeys(inputs)), tables, steps)


def _left(plant: PlantDay, followed: Followed, sums: TankSums) -> list[Table]:
    found, kg = followed.layered.get(sums.tank), followed.moved.kg
    left = followed.mixed[sums.tank].left / 3.6e6 if found is None else _KWH_PER_KG_K * _leaving(found)
    names = [clock(plant, float(block) * BLOCK_S) for block in range(len(kg))]
    table = left_table(sums, left, kg, names=names, origins=followed.origins)
    return [] if table is None else [table]


def _leaving(found: LayeredCourse) -> Array:
    return found.course.leaving[:, :-1] * found.layer_kg


def _largest_draw(plant: PlantDay, followed: Followed, which: Sequence[int], *, origin: str) -> Working:
    """The mix that the day's largest draw took from the last tank; nothing where none was drawn, or it was cold."""
    metered = followed.at_tap_j.sum(axis=1)
    if not followed.tanks or not metered.any():
        return Working("")
    block, tank = int(np.argmax(metered)), followed.tanks[-1].tank
    when = clock(plant, block * BLOCK_S)
    if tank in followed.mixed:
        title = f"What the largest draw took from {tank} from {when}, as parts"
        mix = mixed_draw(followed.mixed[tank], block, which=which, origins=followed.origins, title=title)
        return Working("", (), [mix[0]], [mix[1]])
    found, cold_degc = taken(followed.layered[tank], block), float(followed.moved.cold_degc[block])
    if float(found.kg @ (found.layers.sum(axis=1) - cold_degc)) <= LEAST_RISE_K * float(found.kg.sum()):
        return Working("")
    mine_k = found.layers[:, list(which)].sum(axis=1)
    if origin == CARRIED_OVER:  # and what a change of the main's temperature makes of the water
        mine_k = mine_k + found.layers[:, -1] - cold_degc
    table = taken_table(found, tank=f"{tank} from {when}", mine_k=mine_k, cold_degc=cold_degc, origin=origin)
    return Working("", (), [table], [taken_step(found, mine_k=mine_k, cold_degc=cold_degc, origin=origin)])


def _remarks(followed: Followed) -> list[str]:
    return [
        f"{tank} is taken as one mixed store: what leaves it has the mix of all that it holds."
        for tank in followed.mixed
    ]
