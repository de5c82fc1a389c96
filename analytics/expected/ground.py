"""What a ground loop should bring: the season after Kusuda and Achenbach, and the load that cools or warms it."""

from collections.abc import Sequence
from datetime import date

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.expected.linear import LinearFit, fit_linear

__all__ = ["fit_ground", "ground_inputs", "ground_temperature"]

Array = NDArray[np.float64]

# A usual trench and moist soil; the fit finds mean and swing, so only the lag of the season rests on them.
_DEPTH_M, _DIFFUSIVITY_M2_DAY = 1.5, 0.05
_COLDEST_DAY = 35.0
# Ground loops follow the weather of the week by no less than this. [K]
_LEAST_SD_K = 0.3


def ground_temperature(
    depth_m: ArrayLike,
    day_of_year: ArrayLike,
    *,
    mean_degc: float,
    amplitude_k: float,
    coldest_day: float = _COLDEST_DAY,
    diffusivity_m2_day: float = _DIFFUSIVITY_M2_DAY,
) -> Array:
    """
    Undisturbed ground through the year.

    Args:
        day_of_year: 1 is the first of January.
        mean_degc, amplitude_k: Of the surface temperature over the year.
        coldest_day: Of the surface; half a year later in the south.
        diffusivity_m2_day: Soils have 0.02 to 0.09.
    Returns:
        Temperature in the broadcast shape. [degC]
    References:
        Kusuda and Achenbach 1965.
    """
    z, day = np.asarray(depth_m, float), np.asarray(day_of_year, float)
    decay = np.sqrt(np.pi / (365.0 * diffusivity_m2_day))
    lag = z / 2.0 * np.sqrt(365.0 / (np.pi * diffusivity_m2_day))
    wave = np.cos(2.0 * np.pi / 365.0 * (day - coldest_day - lag))
    return np.asarray(mean_degc - amplitude_k * np.exp(-z * decay) * wave)


def ground_inputs(days: Sequence[date], source_w: ArrayLike, *, is_south: bool = False) -> Array:
    """
    What a loop's entering temperature depends on: season (-1 coldest to 1 warmest) and load. Shape (days, 2)

    Args:
        source_w: Mean heat that the day took from the ground, negative where it was rejected to it. [W]
    """
    of_year = np.asarray([day.timetuple().tm_yday for day in days], float)
    coldest = _COLDEST_DAY + (182.5 if is_south else 0.0)
    lag = _DEPTH_M / 2.0 * np.sqrt(365.0 / (np.pi * _DIFFUSIVITY_M2_DAY))
    season = -np.cos(2.0 * np.pi / 365.0 * (of_year - coldest - lag))
    return np.column_stack((season, np.asarray(source_w, float)))


def fit_ground(inputs: ArrayLike, entering_degc: ArrayLike) -> LinearFit | None:
    """Entering temperature over season and load (`ground_inputs`), fitted on a house's own days."""
    return fit_linear(inputs, entering_degc, names=("season", "source_w"), least_sd=_LEAST_SD_K)
