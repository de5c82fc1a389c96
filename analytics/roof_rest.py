"""
A collector's pair at rest in the dark: its outlet sensor beside the air outdoors, the other one beside its own room.

Where the outlet sensor stands on the roof the two never have to read the same. But each keeps to what is around it: at
a night's end the one to the air, which a clear sky makes it fall short of by some kelvin, the other to its room.
"""

from math import hypot

import numpy as np
from numpy.typing import NDArray

from analytics.pair_check import PairCheck
from analytics.plant import CELL_S, Course, LoopDay, PlantDay
from analytics.site import Collector, Loop

__all__ = ["roof_check"]

_REST_CELLS = 150  # as pipes at rest are given in `analytics.quiet_pairs`
_TAIL_CELLS = 60
_EDGE_CELLS = 2
_LEVEL_K = 3.0  # over the last hour: beyond it the roof still cools from the day, or the weather turns
_LEAST_U_K = 0.005


def roof_check(
    plant: PlantDay, loop: Loop, day: LoopDay, collector: Collector, quiet: NDArray[np.bool_]
) -> PairCheck | None:
    """
    The last hour of the night's rest.

    Args:
        quiet: Cells without flow and without sun.
    """
    air = plant.signals.get(collector.outdoor or "")
    forenoon = np.flatnonzero(quiet[: len(quiet) // 2])
    if air is None or not len(forenoon):
        return None
    end = int(forenoon[-1]) + 1
    if end < _REST_CELLS or not quiet[end - _REST_CELLS : end].all():
        return None
    cells = slice(end - _TAIL_CELLS - _EDGE_CELLS, end - _EDGE_CELLS)
    first, second, outdoor = (course[cells] for course in (day.entering_degc, day.leaving_degc, air.course))
    moved_k = [_moved_k(course) for course in (first, second - outdoor)]
    if not all(each <= _LEVEL_K for each in moved_k):  # nor where one is not known
        return None
    return PairCheck(
        component=loop.id,
        first=loop.entering or "",
        second=loop.leaving or "",
        method="roof",
        difference_k=float(np.mean(second - first)),
        u_k=hypot(*moved_k, _LEAST_U_K),
        minutes=_TAIL_CELLS * CELL_S / 60,
        start_s=cells.start * CELL_S,
        end_s=cells.stop * CELL_S,
        first_degc=float(np.mean(first)),
        air_degc=float(np.mean(outdoor)),
    )


def _moved_k(course: Course) -> float:
    half = len(course) // 2
    return abs(float(np.mean(course[half:]) - np.mean(course[:half])))
