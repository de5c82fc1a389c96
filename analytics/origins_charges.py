"""
Where a stage heats its tank, layer by layer.

An element heats from its lower end upward, or in plug flow along its range. A coil heats over its
range, more where its fluid is warmer than the water beside it; one of which no temperature is known is taken as a usual
one. A loop that returns water at one height in the upper half takes it from the bottom.
"""

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from analytics.layers import LAYERS, Charge
from analytics.origins_water import J_PER_K_KG, KG_PER_M3, blocks, stage_heat_w
from analytics.plant import CELL_S, LoopDay, PlantDay
from analytics.site import Stage

__all__ = ["UPPER_HALF", "charge_of"]

Array = NDArray[np.float64]

_USUAL_RISE_K = 5.0  # of water through a heat pump's or a desuperheater's exchanger; common practice
_USUAL_COIL_W_K = 500.0  # of a coil in a tank: some 1.5 m2; common practice
UPPER_HALF = 0.5
"""Of a tank's height: from here up water is fed in that a loop took from the bottom."""


def charge_of(plant: PlantDay, stage: Stage, origins: Sequence[str], *, layer_kg: float) -> Charge:
    """A stage's heat by blocks, and where in the tank it goes."""
    heat_w = stage_heat_w(plant, stage)
    sums_w = blocks(heat_w)
    rise_k = sums_w * CELL_S / (layer_kg * J_PER_K_KG)
    column = origins.index(stage.id)
    low, high = stage.height
    if stage.heater:
        return Charge(column, rise_k, _at(low), along=_over(low, high) if low < high else None)
    loop = plant.loops[stage.loop or ""]
    if low == high:
        turned = _turned(loop, rise_k, layer_kg=layer_kg) if high >= UPPER_HALF else None
        return Charge(column, rise_k, _at(high), turned=turned)
    spread = _over(low, high)
    fluid_degc = _beside_coil(loop, heat_w, spread, sums_w=sums_w)
    lift_k = _usual_lift_k(heat_w, spread, sums_w=sums_w) if fluid_degc is None else None
    return Charge(column, rise_k, spread, fluid_degc=fluid_degc, lift_k=lift_k)


def _turned(loop: LoopDay, rise_k: Array, *, layer_kg: float) -> Array:
    """Water that a loop takes from the bottom, in layers by blocks; by a usual rise where no flow is known."""
    if np.isnan(loop.flow_m3_s).all():
        return rise_k / _USUAL_RISE_K
    return np.asarray(blocks(loop.flow_m3_s) * CELL_S * KG_PER_M3 / layer_kg)


def _at(height: float) -> Array:
    """All in the lowest layer that is wholly above a height, the highest for the top."""
    spread = np.zeros(LAYERS)
    above = int(round((1.0 - height) * LAYERS, 6))
    spread[max(above - 1, 0)] = 1.0
    return spread


@lru_cache(maxsize=256)
def _over(low: float, high: float) -> Array:
    """Evenly over a range of heights."""
    edges = np.clip((1.0 - np.arange(LAYERS + 1) / LAYERS - low) / (high - low), 0.0, 1.0)
    return np.asarray(edges[:-1] - edges[1:])


def _beside_coil(loop: LoopDay, heat_w: Array, spread: Array, *, sums_w: Array) -> Array | None:
    """The coil's fluid beside each layer: it enters high as it left the component, and goes back low."""
    if any(np.logical_and.reduce(np.isnan(degc)) for degc in (loop.leaving_degc, loop.entering_degc)):
        return None
    heats = sums_w > 0
    weighted = blocks(np.array((heat_w * loop.leaving_degc, heat_w * loop.entering_degc)))
    flow, back = np.where(heats, weighted / np.where(heats, sums_w, 1.0), 0.0)
    passed = np.cumsum(spread) - 0.5 * spread
    return np.asarray(flow[:, None] + (back - flow)[:, None] * passed)


def _usual_lift_k(heat_w: Array, spread: Array, *, sums_w: Array) -> Array:
    """How much warmer a usual coil's fluid is beside each layer than the water around it on the mean."""
    mean_k = blocks(heat_w**2) / np.maximum(sums_w, 1.0) / _USUAL_COIL_W_K
    passed = np.cumsum(spread) - 0.5 * spread
    return np.asarray(mean_k[:, None] + _USUAL_RISE_K * (0.5 - passed))
