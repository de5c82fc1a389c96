"""The undisturbed ground."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["undisturbed_ground"]


def undisturbed_ground(
    depth_m: ArrayLike,
    day_of_year: ArrayLike,
    *,
    mean_degc: float,
    amplitude_k: float,
    coldest_day: float = 35.0,
    diffusivity_m2_day: float = 0.05,
) -> NDArray[np.float64]:
    """
    Temperature of undisturbed ground through the year.

    Args:
        depth_m: Below the surface. [m]
        day_of_year: 1 is the first of January; fractions allowed.
        mean_degc, amplitude_k: Of the surface temperature over the year.
        coldest_day: Day of the lowest surface temperature.
        diffusivity_m2_day: 0.05 is a usual moist soil; 0.02 to 0.09 are met.
    Returns:
        Temperature in the broadcast shape. [degC]
    References:
        Kusuda and Achenbach 1965.
    """
    z, day = np.asarray(depth_m, float), np.asarray(day_of_year, float)
    damping = np.exp(-z * np.sqrt(np.pi / (365.0 * diffusivity_m2_day)))
    lag_days = z / 2.0 * np.sqrt(365.0 / (np.pi * diffusivity_m2_day))
    return mean_degc - amplitude_k * damping * np.cos(2.0 * np.pi / 365.0 * (day - coldest_day - lag_days))
