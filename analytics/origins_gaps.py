"""
What hours that were not heard leave of a tank's account: it begins anew by its sensors, with heat of unknown origin.

Beside what the sensors find more than the account, heat has lost its origin that water may have carried out and stages
may have put in again meanwhile, with no change that a sensor could show.
"""

from dataclasses import dataclass, replace
from math import isnan

import numpy as np
from numpy.typing import NDArray

from analytics.courses import sum_of_known
from analytics.origins_state import CARRIED_OVER, ROOM, UNHEARD, CarriedState
from analytics.origins_water import BLOCK_CELLS, BLOCK_S
from analytics.plant import CELL_S, PlantDay
from analytics.site import Stage
from analytics.unheard import usual_draws_m3

__all__ = ["Renewals", "not_followed", "origins_of", "renewed_after_gaps"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_DRAWN_FIRST = 1.5  # what was heated anew stands on top and is drawn first (seen in virtual houses)
# An account that began anew so late has not found its layers by the day's end, and begins anew on the next day too.
_LATE_BLOCKS = round(6 * 3600.0 / BLOCK_S)  # about as long as the water of a tank stays, or the sun needs to warm it
_LEAST_UNTIMED_M3 = 0.005  # a flow meter's edges of gaps lie within cells of a minute


@dataclass(frozen=True, slots=True)
class Renewals:
    """
    When a tank's account begins anew.

    Args:
        part: Of the tank's heat, the part that lost its origin, at the first blocks heard after some that were not;
            NaN at all others. (blocks,)
        left_m3: Water that may have passed unheard at the day's end; None where the tank was heard for hours then.
    """

    part: Array
    left_m3: float | None


def origins_of(plant: PlantDay, state: CarriedState | None) -> list[str]:
    """A day's origins: the stages, heat that came unheard where there is any, the room, and what was carried over."""
    held = state.layers.values() if state is not None else ()
    is_left = any(UNHEARD in each.heat_k or each.unheard_m3 is not None for each in held)
    path = plant.site.hot_water
    tanks = path.tanks if path is not None else ()
    unheard = [UNHEARD] if is_left or any(_unheard(plant, tank).any() for tank in tanks) else []
    return [*plant.site.stages, *unheard, ROOM, CARRIED_OVER]


def renewed_after_gaps(plant: PlantDay, tank: str, sensors_degc: Array, *, before_m3: float | None) -> Renewals | None:
    """
    When a tank's account begins anew, since blocks before were not heard; None where every block was.

    Args:
        sensors_degc: At the blocks' ends, NaN where not known. Shape (blocks, sensors)
        before_m3: What the day before left of such water.
    """
    unheard = _unheard(plant, tank)
    if before_m3 is None and not unheard.any():
        return None
    looks = np.isfinite(sensors_degc.sum(axis=1))
    volume_m3, drawn_m3 = plant.site.tanks[tank].volume_l / 1e3, _water_unheard_m3(plant)
    found, passed_m3 = np.full(len(looks), np.nan), before_m3
    for block, (missed, look) in enumerate(zip(unheard.tolist(), looks.tolist(), strict=True)):
        if missed or passed_m3 is not None:
            passed_m3 = (passed_m3 or 0.0) + float(drawn_m3[block])
        if look and passed_m3 is not None and not missed:
            found[block], passed_m3 = min(_DRAWN_FIRST * passed_m3 / volume_m3, 1.0), None
    if passed_m3 is None and not np.isnan(found[-_LATE_BLOCKS:]).all():
        passed_m3 = 0.0
    return Renewals(found, passed_m3)


def not_followed(plant: PlantDay, state: CarriedState) -> CarriedState:
    """What a day leaves on which no account could go on: its tanks begin anew by their sensors."""
    passed_m3 = float(_water_unheard_m3(plant).sum())
    layers = {
        tank: replace(held, unheard_m3=(held.unheard_m3 or 0.0) + passed_m3) for tank, held in state.layers.items()
    }
    return replace(state, layers=layers)


def _unheard(plant: PlantDay, tank: str) -> Flags:
    """Blocks in which a stage of the tank was not heard at all. (blocks,)"""
    n_blocks = round(plant.day.seconds / BLOCK_S)
    unheard = np.zeros(n_blocks, bool)
    for stage in plant.site.stages.values():
        if stage.tank != tank:
            continue
        heat_w = _heat_w(plant, stage)
        if not isnan(np.add.reduce(heat_w)):  # most often all is known, and one sum tells so
            continue
        missed = np.isnan(heat_w)
        # A part of which nothing is known all day is no gap in what is: the pull toward the sensors does what it can,
        # while they speak.
        if missed.all():
            missed &= _is_silent(plant, tank)
        unheard |= missed.reshape(n_blocks, BLOCK_CELLS).all(axis=1)
    unheard[int(plant.until_s // BLOCK_S) :] = False
    return unheard


def _is_silent(plant: PlantDay, tank: str) -> Flags:
    """When none of a tank's sensors speaks, where it has any. (cells,)"""
    silent = np.isnan(plant.tanks[tank].sensors_degc).all(axis=0)
    return np.asarray(silent & (len(plant.site.tanks[tank].temperatures) > 0))


def _heat_w(plant: PlantDay, stage: Stage) -> Array:
    return plant.loops[stage.loop].heat_w if stage.loop else plant.heaters[stage.heater or ""].heat_w


def _water_unheard_m3(plant: PlantDay) -> Array:
    """Water that may have passed in each block while the taps were not heard, or that a counter told of later. [m3]"""
    water = plant.hot_water
    if water is None:
        return np.zeros(round(plant.day.seconds / BLOCK_S))
    unheard_s = np.isnan(water.flow_m3_s).reshape(-1, BLOCK_CELLS).sum(axis=1) * CELL_S
    untimed_m3 = water.volume.amount - sum_of_known(water.flow_m3_s) * CELL_S
    if untimed_m3 > _LEAST_UNTIMED_M3:
        return np.asarray(untimed_m3 * unheard_s / unheard_s.sum())
    return np.asarray(usual_draws_m3(1.0) * unheard_s)
