"""How far a loop's heat may be off, with all its sensors at their limits of error at once."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from analytics.accuracy import limit_at
from analytics.plant import Course, LoopDay, PlantDay
from analytics.site import Point, Site

__all__ = ["COUNTER_LIMIT", "heat_limit_w", "relative_limit", "temperature_limit_k"]

COUNTER_LIMIT = 0.05
"""Of a heat meter's counter, relative: flow, pair and calculator together (common practice)."""

_ASSUMED_FLOW_LIMIT = 0.25  # relative (common practice)
_WATER_J_M3K = 4.18e6  # mixtures with water hold less: the limit is not understated
_USUAL_LOOP_DEGC = 40.0


def heat_limit_w(plant: PlantDay, loop: LoopDay, cells: NDArray[np.intp] | None = None) -> Course:
    """
    Half-width of a loop's heat rate by its sensors' limits of error, all in the same direction. [W]

    Args:
        cells: Only at these; all where None.
    """
    relative, per_flow = _limits(plant.site, loop.loop)
    heat_w, flow = (loop.heat_w, loop.flow_m3_s) if cells is None else (loop.heat_w[cells], loop.flow_m3_s[cells])
    limit: Course = relative * np.abs(heat_w)
    return limit + per_flow * flow if per_flow else limit


def _limits(site: Site, loop: str) -> tuple[float, float]:
    """Limit as part of the heat rate, and per volume flow [W per m3/s]."""
    parts, points = site.loops[loop], site.points
    if parts.energy is not None:
        return COUNTER_LIMIT, 0.0
    pair_k = sum(temperature_limit_k(points[point]) for point in (parts.entering, parts.leaving) if point is not None)
    flow_limit = _ASSUMED_FLOW_LIMIT if parts.flow is None else relative_limit(points[parts.flow], 1e-3 / 60)
    return flow_limit, _WATER_J_M3K * pair_k


@lru_cache(maxsize=4096)
def temperature_limit_k(point: Point, at_degc: float = _USUAL_LOOP_DEGC) -> float:
    """Limit of error of a temperature point. [K]"""
    return limit_at(point, at_degc)


@lru_cache(maxsize=4096)
def relative_limit(point: Point, at_si: float) -> float:
    """Limit of error of a flow or power point at a usual value, as part of the reading."""
    return limit_at(point, at_si) / at_si
