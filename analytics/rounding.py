"""How coarsely a sensor's readings are rounded, as they show it themselves."""

from math import inf

import numpy as np
from numpy.typing import NDArray

__all__ = ["COARSE_K", "coarse_step_k", "least_step"]

COARSE_K = 0.2
"""Steps from here on hide what a fine sensor shows, and are no part of its class (common practice: half a kelvin)."""

_FIRST = 64  # readings that show most fine sensors to be fine
_SAME = 1e-6  # what two readings may differ by and still be the same


def least_step(value: NDArray[np.float64]) -> float:
    """The smallest step between two readings that differ; infinite where none do."""
    steps = np.abs(value[1:] - value[:-1])
    return float(steps[steps > _SAME].min(initial=inf))


def coarse_step_k(value: NDArray[np.float64]) -> float:
    """The step of a thermometer that is rounded coarsely; zero where it is not, or never moved."""
    first = value[:_FIRST]
    steps = np.abs(first[1:] - first[:-1])
    if ((steps > _SAME) & (steps < COARSE_K)).any():
        return 0.0
    step = least_step(value)
    return step if COARSE_K <= step < inf else 0.0
