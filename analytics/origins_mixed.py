"""
A tank as one mixed store, where no sensors tell its layers.

The stored heat's parts by origin add up to one. Heat put in shifts them toward its own origin; what leaves, to the
taps or through the walls, leaves in the mix that is there, so it shifts nothing. Against the node-by-node truth of
the virtual houses a mixed account misplaces up to 0.24 of a day's hot water and 0.08 of a week's with all sensors in
its mean, and 0.55 and 0.14 with a single one. A layered account that only one sensor holds was no better: 0.53, 0.18.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_banded

from analytics.origins_gaps import origins_of
from analytics.origins_state import CARRIED_OVER, ROOM, UNHEARD, CarriedState
from analytics.origins_water import BLOCK_CELLS, BLOCK_S, J_PER_K_KG, KG_PER_M3, MovedWater, blocks, stage_heat_w
from analytics.plant import PlantDay
from analytics.site import Site

__all__ = ["MIXED_DOUBT", "MixedCourse", "follow_mixed", "mixed_course", "mixed_doubt", "start_parts"]

Array = NDArray[np.float64]

MIXED_DOUBT = 0.28
"""Of an origin's share p of a day's hot water 95 % of the errors lie within this times sqrt(p (1 - p))."""
_BARE_DOUBT = 0.6  # the same where a tank has no sensor at all: so far it was off in an independent virtual house
_LEAST_RISE_K = 2.0  # a tank's stored heat counts as at least this far above cold water
_USUAL_RISE_K = 30.0  # of a tank without sensors
_CELL_S = BLOCK_S / BLOCK_CELLS


def mixed_doubt(site: Site) -> float:
    """How sure the account is where a tank of the path is taken as mixed."""
    path = site.hot_water
    is_bare = path is not None and any(not site.tanks[tank].temperatures for tank in path.tanks)
    return _BARE_DOUBT if is_bare else MIXED_DOUBT


def follow_mixed(
    plant: PlantDay,
    tank: str,
    state: CarriedState | None,
    *,
    moved: MovedWater,
    entering: Array,
    index: int,
) -> tuple[Array, Mapping[str, float], Array]:
    """
    One day of one tank.

    Args:
        index: The tank's place on the path.
        entering: Columns of the water that enters: origins, then the main's temperature. (blocks, columns) [kg K]
    Returns:
        The columns of the water that leaves, the stored heat's parts by origin at the end, and the stored heat at the
        end of each block. (blocks,) [J]
    """
    origins = origins_of(plant, state)
    found = mixed_course(plant, tank, state, moved=moved, entering=entering, index=index)
    columns = np.hstack((found.left / J_PER_K_KG, (moved.kg * moved.cold_degc)[:, None]))
    parts = dict(zip(origins, map(float, found.mix[-1]), strict=True))
    parts[CARRIED_OVER] += parts.pop(ROOM) + parts.pop(UNHEARD, 0.0)
    return columns, parts, found.stored


@dataclass(frozen=True, slots=True)
class MixedCourse:
    """
    A mixed tank's day.

    Args:
        put_in, came, left: Heat of its own stages, of water that came in, and of water that left. (blocks, origins) [J]
        stored: Heat above cold water at the end of each block. (blocks,) [J]
        mix: Parts by origin at the blocks' edges. (blocks + 1, origins)
    """

    put_in: Array
    came: Array
    left: Array
    stored: Array
    mix: Array


def mixed_course(
    plant: PlantDay, tank: str, state: CarriedState | None, *, moved: MovedWater, entering: Array, index: int
) -> MixedCourse:
    """One day of one tank, as in `follow_mixed`."""
    origins = origins_of(plant, state)
    came, put_in = np.maximum(entering[:, :-1], 0.0) * J_PER_K_KG, _stage_inputs(plant, tank, origins)
    stored = _stored(plant, tank, moved)
    mix = _mix(came + put_in, stored, start_parts(state, tank, origins))
    leaving = moved.leaving_j[index]
    # Where no sensor tells what leaves a tank, what comes in counts as going on at once.
    unknown = bool(np.isnan(leaving).all())
    left = came + put_in if unknown else np.maximum(leaving, 0.0)[:, None] * 0.5 * (mix[:-1] + mix[1:])
    return MixedCourse(put_in, came, left, stored, mix)


def start_parts(state: CarriedState | None, tank: str, origins: Sequence[str]) -> Array:
    """Parts at the day's start; origins that the site no longer has count as carried over."""
    mix = state.parts.get(tank, {}) if state else {}
    start = np.array([mix.get(origin, 0.0) for origin in origins])
    start[-1] += max(1.0 - start.sum(), 0.0)
    return np.asarray(start / start.sum())


def _stage_inputs(plant: PlantDay, tank: str, origins: Sequence[str]) -> Array:
    """Heat put into a tank by its own stages, per block and origin [J]."""
    inputs = np.zeros((round(plant.day.seconds / BLOCK_S), len(origins)))
    for stage in plant.site.stages.values():
        if stage.tank == tank:
            inputs[:, origins.index(stage.id)] += blocks(stage_heat_w(plant, stage)) * _CELL_S
    return inputs


def _stored(plant: PlantDay, tank: str, moved: MovedWater) -> Array:
    """Stored heat above cold water at the end of each block [J], held through gaps, never below a floor."""
    mean = plant.tanks[tank].mean_degc
    known = ~np.isnan(mean)
    cold_degc = float(moved.cold_degc.mean())
    if known.any():
        index = np.maximum.accumulate(np.where(known, np.arange(len(mean)), 0))
        mean = np.where(np.isnan(mean[index]), mean[known][0], mean[index])
    else:
        mean = np.full(len(mean), cold_degc + _USUAL_RISE_K)
    per_k = plant.site.tanks[tank].volume_l / 1e3 * KG_PER_M3 * J_PER_K_KG
    return np.maximum(mean[BLOCK_CELLS - 1 :: BLOCK_CELLS] - cold_degc, _LEAST_RISE_K) * per_k


def _mix(inputs: Array, stored: Array, start: Array) -> Array:
    """
    Parts by origin at the blocks' edges, shape (blocks + 1, origins).

    part[k+1] = (1 - w) part[k] + w own, w = heat in / stored heat at the block's end: a bidiagonal system, solved
    whole.
    """
    total = inputs.sum(axis=1)
    weight = np.minimum(total / np.maximum(stored, total + 1e-9), 1.0)
    own = inputs * np.where(total > 0, weight / np.maximum(total, 1e-9), 0.0)[:, None]
    banded = np.ones((2, len(stored) + 1))
    banded[1, :-1] = weight - 1.0
    mix: Array = solve_banded((1, 0), banded, np.vstack((start, own)), check_finite=False)
    return mix
