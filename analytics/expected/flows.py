"""A loop's flow while its pump runs: kept of each day, so that later days can be held against it."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from analytics.plant import CELL_S, MOVES_M3_S, Course, LoopDay, PlantDay

__all__ = ["loop_flows", "settled_flow"]

_LEAST_CELLS = 6  # a boiler heats a tank in runs of some minutes; what needs more asks for it (`first_flows`)


def settled_flow(loop: LoopDay) -> NDArray[np.bool_]:
    """Cells in which the fluid moves, as in those beside them, by a pump that is not known to rest. Shape (cells,)"""
    moves = (loop.flow_m3_s > MOVES_M3_S) & ~(loop.pump_on < 0.99)
    settled = np.zeros(len(moves), bool)
    settled[1:-1] = moves[1:-1] & moves[:-2] & moves[2:]
    return settled


def loop_flows(plant: PlantDay) -> Mapping[str, float]:
    """
    Of each metered loop that moved for some minutes: `flow_l_min`, the middle of its settled flow; `flow_evenness`,
    the flow that a tenth of the time stays below over the one that a tenth exceeds; and `flow_h`.
    """
    found: dict[str, float] = {}
    for loop in plant.loops.values():
        if plant.site.loops[loop.loop].flow is None:
            continue
        flow: Course = np.sort(loop.flow_m3_s[settled_flow(loop)])
        n = len(flow)
        if n >= _LEAST_CELLS:
            name = f"loop.{loop.loop}.flow_"
            found[f"{name}l_min"] = float(flow[n // 2]) * 6e4
            found[f"{name}evenness"] = float(flow[n // 10] / flow[n - 1 - n // 10])
            found[f"{name}h"] = n * CELL_S / 3600
    return found
