"""How coarsely a sensor's readings are rounded, as they show it themselves."""

from math import inf

import numpy as np
from numpy.typing import NDArray

from analytics.compiled import compiled

__all__ = ["COARSE_K", "coarse_step_k", "least_step"]

COARSE_K = 0.2
"""Steps from here on hide what a fine sensor shows, and are no part of its class (common practice: half a kelvin)."""

_SAME = 1e-6  # what two readings may differ by and still be the same


@compiled
def least_step(value: NDArray[np.float64]) -> float:
    """The smallest step between two readings that differ; infinite where none do."""
    least = inf
    for n in range(1, len(value)):
        step = abs(value[n] - value[n - 1])
        if _SAME < step < least:
            least = step
    return least


def coarse_step_k(value: NDArray[np.float64]) -> float:
    """The step of a thermometer that is rounded coarsely; zero where it is not, or never moved."""
    step = least_step(value)
    return step if COARSE_K <= step < inf else 0.0
