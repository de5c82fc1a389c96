"""When a tank's account begins anew by its sensors, since hours before were not heard."""

import numpy as np
from numpy.typing import NDArray

from analytics.origins_water import BLOCK_CELLS, BLOCK_S
from analytics.plant import PlantDay

__all__ = ["renewed_after_gaps"]

Flags = NDArray[np.bool_]


def renewed_after_gaps(plant: PlantDay, tank: str, sensors_degc: NDArray[np.float64]) -> Flags | None:
    """
    Blocks of a tank's day that are the first heard after some that were not; None where there is none.

    Args:
        sensors_degc: At the blocks' ends, NaN where not known. Shape (blocks, sensors)
    """
    unheard = _unheard(plant, tank)
    if not unheard.any():
        return None
    looks = np.isfinite(sensors_degc.sum(axis=1))
    found, pending = np.zeros(len(looks), bool), False
    for block, (missed, look) in enumerate(zip(unheard.tolist(), looks.tolist(), strict=True)):
        pending |= missed
        if look and pending and not missed:
            found[block], pending = True, False
    return found


def _unheard(plant: PlantDay, tank: str) -> Flags:
    """Blocks in which a stage of the tank was not heard at all. (blocks,)"""
    n_blocks = round(plant.day.seconds / BLOCK_S)
    unheard = np.zeros(n_blocks, bool)
    for stage in plant.site.stages.values():
        if stage.tank != tank:
            continue
        missed = np.isnan(plant.loops[stage.loop].heat_w if stage.loop else plant.heaters[stage.heater or ""].heat_w)
        # A part of which nothing is known all day is no gap in what is: the pull toward the sensors does what it can.
        if missed.any() and not missed.all():
            unheard |= missed.reshape(n_blocks, BLOCK_CELLS).all(axis=1)
    return unheard & ((np.arange(n_blocks) + 1) * BLOCK_S <= plant.until_s)
