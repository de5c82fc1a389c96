"""
Heat by origin in numbers: what each tank held of an origin, got, passed on and lost, and its share at the taps.

The account itself goes in quarters of an hour and by layers; what is shown are its sums over the day, which add up.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analytics.origins import CARRIED_OVER, DEFAULT_COLD_DEGC, CarriedState, heat_at_tap
from analytics.origins_mixed import MixedCourse, mixed_course
from analytics.origins_state import ROOM
from analytics.origins_tank import LayeredCourse, is_layered, layered_course
from analytics.origins_water import BLOCK_S, J_PER_K_KG, moved_water
from analytics.plant import PlantDay
from analytics.units import kwh_from_j
from analytics.workings.rows import largest_and_rest
from analytics.workings.stretches import clock
from analytics.workings.water import left_part
from analytics.workings.written import Number, Step, Table, Working, added, kwh, multiplied, written

__all__ = ["Followed", "delivered_working", "follow_origins"]

Array = NDArray[np.float64]

_KWH_PER_KG_K = J_PER_K_KG / 3.6e6
_SAME_KWH = 5e-4


@dataclass(frozen=True, slots=True)
class _TankSums:
    """A tank's sums over the day by origin [kWh]: start + put in + came = passed + lost + end."""

    tank: str
    start: Array
    put_in: Array
    came: Array
    passed: Array
    lost: Array
    end: Array


@dataclass(frozen=True, slots=True)
class Followed:
    """
    A day's heat by origin.

    Args:
        origins: Stages, the room, carried over.
        tanks: In the order in which the water passes them.
        mixed: Those that are taken as mixed.
        at_tap_j: Heat that left the last tank by quarter hours and origins. (blocks, origins)
        passing_j: By origins: heat gained after the last tank.
    """

    origins: Sequence[str]
    tanks: Sequence[_TankSums]
    mixed: Sequence[str]
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
    origins = [*plant.site.stages, ROOM, CARRIED_OVER]
    moved = moved_water(plant, water, cold_degc=before.cold_degc if before else DEFAULT_COLD_DEGC)
    passing = np.zeros((len(moved.kg), len(origins) + 1))
    passing[:, -1] = moved.kg * moved.cold_degc
    tanks, mixed = [], []
    for index, tank in enumerate(path.tanks):
        if is_layered(plant, tank):
            found = layered_course(plant, tank, before, moved=moved, entering=passing)
            tanks.append(_sums(tank, found, passing))
            passing = found.course.leaving * found.layer_kg
        else:
            course = mixed_course(plant, tank, before, moved=moved, entering=passing, index=index)
            tanks.append(_mixed_sums(tank, course))
            mixed.append(tank)
            passing = np.hstack((course.left / J_PER_K_KG, (moved.kg * moved.cold_degc)[:, None]))
    at_tap = heat_at_tap(passing, moved) if path.tanks else np.zeros((len(moved.kg), len(origins)))
    return Followed(origins, tanks, mixed, at_tap, _in_passing(plant, len(origins)))


def _sums(tank: str, found: LayeredCourse, entering: Array) -> _TankSums:
    scale = found.layer_kg * _KWH_PER_KG_K
    put_in = np.zeros(found.start.shape[1])
    for charge in found.store.charges:
        put_in[charge.column] += float(charge.rise_k.sum())
    sums = (found.start.sum(axis=0), put_in, entering.sum(axis=0) / found.layer_kg, found.course.leaving.sum(axis=0))
    ends = (found.course.lost, found.course.end.sum(axis=0))
    return _TankSums(tank, *(column[:-1] * scale for column in (*sums, *ends)))


def _mixed_sums(tank: str, course: MixedCourse) -> _TankSums:
    """Of a mixed tank, what was lost is what is left open: its loss, and what its sensors found less than the sums."""
    put_in, came, passed = (each.sum(axis=0) / 3.6e6 for each in (course.put_in, course.came, course.left))
    start, end = (course.stored[k] * course.mix[k] / 3.6e6 for k in (0, -1))
    return _TankSums(tank, start, put_in, came, passed, start + put_in + came - passed - end, end)


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
    inputs, steps = [*gained.inputs], [*gained.steps, *account]
    scaled = _brought_to_meter(plant, followed, account[-1].result, origin=origin)
    inputs += scaled.inputs
    # Where the two are the same as shown, the sum stands for the figure.
    steps = [*steps, *scaled.steps] if scaled.steps else [*steps[:-1], replace(steps[-1], result=scaled.value)]
    return Working(path, inputs, [*_tank_tables(followed, which, origin), *tables], steps, _remarks(followed))


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
    """The origin's columns; what the room gave counts with what was carried over."""
    names = (ROOM, CARRIED_OVER) if origin == CARRIED_OVER else (origin,)
    return [followed.origins.index(name) for name in names]


def _all_kwh(followed: Followed) -> float:
    """Heat of all origins at the taps by the account; room and carried over together not less than nothing."""
    heat = followed.at_tap_j.sum(axis=0) + followed.passing_j
    return kwh_from_j(float(heat[:-2].sum() + max(float(heat[-2:].sum()), 0.0)))


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


def _tank_tables(followed: Followed, which: Sequence[int], origin: str) -> list[Table]:
    rows = []
    for sums in followed.tanks:
        values = [
            float(column[list(which)].sum())
            for column in (sums.start, sums.put_in, sums.came, sums.passed, sums.lost, sums.end)
        ]
        if any(abs(value) >= _SAME_KWH for value in values):
            rows.append((sums.tank, *(written(value, 3) for value in values)))
    if not rows:
        return []
    note = (
        "at the start + put in + came with the water − passed on − lost = at the end, in kWh above the water of the "
        "main as it entered; lost are the walls' loss and what the sensors found less than the account (or more)."
    )
    columns = ("Tank", "at the start", "put in", "came with the water", "passed on", "lost", "at the end")
    return [Table(f"Heat of {origin} in the tanks", columns, rows, note)]


def _remarks(followed: Followed) -> list[str]:
    return [
        f"{tank} is taken as one mixed store: what leaves it has the mix of all that it holds."
        for tank in followed.mixed
    ]
