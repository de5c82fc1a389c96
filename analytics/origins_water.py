"""The day in blocks, as the account of origins sees it: the water that moved, and each stage's heat."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.courses import unknown_as_none
from analytics.fluids import water
from analytics.plant import CELL_S, HotWaterDay, PlantDay
from analytics.site import Stage

__all__ = ["BLOCK_CELLS", "BLOCK_S", "J_PER_K_KG", "KG_PER_M3", "MovedWater", "blocks", "moved_water", "stage_heat_w"]

Array = NDArray[np.float64]

BLOCK_CELLS = 15
"""Cells of a block. Steps of 5 minutes brought no better account; days of 23, 24 and 25 h have whole numbers of it."""
BLOCK_S = BLOCK_CELLS * CELL_S
J_PER_K_KG = float(water().capacity(40.0))
KG_PER_M3 = float(water().density(40.0))
_COLD_KG_PER_M3 = float(water().density(10.0))
_LEAST_RISE_K = 3.0  # water that comes out less warm than this above cold tells nothing about how much of it there was


@dataclass(frozen=True, slots=True)
class MovedWater:
    """
    Water through the tanks, by blocks.

    Args:
        kg: Shape (blocks,)
        cold_degc: Of the main, where water moved; the last known elsewhere. Shape (blocks,)
        leaving_j: Metered heat that left each tank with it; NaN throughout where no sensor tells. (tanks, blocks)
        gained_j: The same less what entered; NaN wherever a sensor did not tell all of it. (tanks, blocks)
    """

    kg: Array
    cold_degc: Array
    leaving_j: Array
    gained_j: Array

    @property
    def mean_cold_degc(self) -> float:
        """Of all water that moved; of the last block where none did."""
        total = float(np.add.reduce(self.kg))
        return float(self.kg.dot(self.cold_degc)) / total if total > 0 else float(self.cold_degc[-1])


def blocks(cells: Array) -> Array:
    """Sums over blocks of the last axis; what is not known counts as none."""
    shape = (*cells.shape[:-1], cells.shape[-1] // BLOCK_CELLS, BLOCK_CELLS)
    return np.asarray(np.add.reduce(unknown_as_none(cells).reshape(shape), axis=-1))


def stage_heat_w(plant: PlantDay, stage: Stage) -> Array:
    """Heat that a stage puts in, by cells; what it takes back is a loss like others."""
    heat_w = plant.loops[stage.loop].heat_w if stage.loop else plant.heaters[stage.heater or ""].heat_w
    return np.maximum(unknown_as_none(heat_w), 0.0)


def moved_water(plant: PlantDay, hot_water: HotWaterDay, *, cold_degc: float) -> MovedWater:
    """The day's water. `cold_degc` is the main's temperature where the day does not tell."""
    assert hot_water.leaving_j is not None
    degc, hot_degc = _by_cells(hot_water, cold_degc)
    kg = _kg(plant, hot_water, cold_degc=degc, hot_degc=hot_degc)
    moved = blocks(kg)
    last = degc[BLOCK_CELLS - 1 :: BLOCK_CELLS]
    mean = np.where(moved > 0, blocks(kg * degc) / np.where(moved > 0, moved, 1.0), last)
    leaving = blocks(hot_water.leaving_j)
    leaving[np.isnan(hot_water.leaving_j).all(axis=1)] = np.nan
    return MovedWater(moved, mean, leaving, _gained_j(hot_water.leaving_j, leaving, kg))


def _gained_j(by_cells: Array, leaving_j: Array, kg: Array) -> Array:
    """What the water gained in each tank. Where water moved and no heat with it, its temperature was not known."""
    untold = ((by_cells == 0.0) & (kg > 0.0)).reshape(*leaving_j.shape, BLOCK_CELLS).any(axis=-1)
    told = np.where(untold, np.nan, leaving_j)
    return np.diff(told, axis=0, prepend=0.0)


def _by_cells(hot_water: HotWaterDay, cold_degc: float) -> tuple[Array, Array]:
    """Cold and hot water's temperature in the draw that each cell belongs to, or in the last one before it."""
    n_cells = hot_water.heat_w.size
    if not hot_water.draws:
        return np.full(n_cells, cold_degc), np.full(n_cells, np.nan)
    draws = np.array([(d.start_s, d.cold_degc, d.hot_degc) for d in hot_water.draws])
    ends = (np.arange(n_cells) + 1) * CELL_S
    # A cell belongs to the draw that began last; those before the first one to that one.
    begins = ends.searchsorted(draws[:, 0], side="right")
    begins[0] = 0
    which = np.repeat(np.arange(len(draws)), np.concatenate((begins[1:], [n_cells])) - begins)
    return np.where(np.isnan(draws[which, 1]), cold_degc, draws[which, 1]), draws[which, 2]


def _kg(plant: PlantDay, hot_water: HotWaterDay, *, cold_degc: Array, hot_degc: Array) -> Array:
    """
    Water through the tanks by cells. [kg]

    By the meter in the cold feed; behind a mixing valve, and where the meter was silent, by the heat that left.
    """
    path = plant.site.hot_water
    assert path is not None
    assert hot_water.leaving_j is not None
    metered = unknown_as_none(hot_water.flow_m3_s) * CELL_S * _COLD_KG_PER_M3
    if not path.tanks or np.isnan(hot_water.leaving_j[-1]).all():
        return metered
    if path.hot is None or path.heated is not None:
        hot_degc = plant.tanks[path.tanks[-1]].sensors_degc[0]
    rise_k = np.maximum(hot_degc - cold_degc, _LEAST_RISE_K)
    by_heat = np.maximum(unknown_as_none(hot_water.leaving_j[-1] / (rise_k * J_PER_K_KG)), 0.0)
    if path.flow_at == "mixed":
        return np.asarray(by_heat)
    return np.asarray(np.where(np.isnan(hot_water.flow_m3_s), by_heat, metered))
