"""
What a ground loop should bring: the season after Kusuda and Achenbach, and the load that cools or warms it; and how far
its fluid falls within one run, which follows from its contact with the ground alone.
"""

from collections.abc import Sequence
from datetime import date
from math import inf, nan

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.expected.linear import LinearFit, fit_linear

__all__ = ["fall_in_runs", "fit_ground", "ground_inputs", "ground_temperature"]

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


# Minutes of a run: as it begins the fluid is as warm as the ground, then it has found its distance from it.
_EARLY_CELLS, _LATE_CELLS = np.arange(1, 4), np.arange(16, 22)
_BEFORE_CELLS = 15  # at least so long a rest, in which fluid and ground become level again
_LEAST_W = 500.0


def fall_in_runs(cells: NDArray[np.intp], entering_degc: ArrayLike, taken_w: ArrayLike) -> float:
    """
    How far the entering fluid falls within a run for each kilowatt taken from it, as the mean of a day's long runs.

    Ground is as warm at a run's end as at its beginning, so neither season nor year shows in it; lost fluid, less flow
    and lost contact do.

    Args:
        cells: Places in the day of the cells in which the compressor runs.
        entering_degc, taken_w: In these cells, entering temperature and heat taken from the ground. [degC], [W]
    Returns:
        NaN without a run of 22 minutes after a rest. [K/kW]
    """
    starts = ((cells[1:] - cells[:-1]) > _BEFORE_CELLS).nonzero()[0] + 1
    long, last = _LATE_CELLS[-1], len(cells) - 1
    begins = [0, *starts.tolist()] if cells[0] >= _BEFORE_CELLS else starts.tolist()
    first = [at for at in begins if at + long <= last and cells[at + long] - cells[at] == long]
    if not first:
        return nan
    at = np.array(first)[:, None]
    late = at + _LATE_CELLS
    early_degc = np.add.reduce(np.asarray(entering_degc)[at + _EARLY_CELLS], axis=1) / len(_EARLY_CELLS)
    late_degc = np.add.reduce(np.asarray(entering_degc)[late], axis=1) / len(_LATE_CELLS)
    late_w = np.add.reduce(np.asarray(taken_w)[late], axis=1) / len(_LATE_CELLS)
    # A comparison with what is not known is false.
    told = [
        1000.0 * (early - end) / power
        for early, end, power in zip(early_degc.tolist(), late_degc.tolist(), late_w.tolist(), strict=True)
        if power > _LEAST_W and abs(early - end) < inf
    ]
    return sum(told) / len(told) if told else nan
