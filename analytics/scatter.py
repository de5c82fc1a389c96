"""How far readings scatter about their course."""

from math import nan, sqrt

import numpy as np
from numpy.typing import NDArray

__all__ = ["scatter_k"]


def scatter_k(degc: NDArray[np.float64]) -> float:
    """
    Standard deviation of evenly spaced temperatures about their trend; NaN of fewer than three that follow each other.

    From second differences, to which a steady rise or fall adds nothing and of which white noise has six times its
    variance, by their median, which starts and stops do not move.
    """
    bend = np.abs(degc[2:] - 2.0 * degc[1:-1] + degc[:-2])
    bend = np.sort(bend[~np.isnan(bend)])
    return 1.4826 / sqrt(6.0) * float(bend[len(bend) // 2]) if len(bend) else nan
