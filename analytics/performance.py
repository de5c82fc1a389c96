"""Closed formulas of the trade: what a heat pump, a collector and a tank can be held against."""

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "carnot_cop",
    "collector_rate",
    "stagnation_temperature",
    "standing_temperature",
]

Array = NDArray[np.float64]

Mode = Literal["heating", "cooling"]

_ZERO_DEGC_K = 273.15


def carnot_cop(
    source_degc: ArrayLike, sink_degc: ArrayLike, *, mode: Literal["heating", "cooling"] = "heating"
) -> Array:
    """
    The highest COP that nature allows between two temperatures.

    Args:
        source_degc, sink_degc: Where heat is taken and where it is given; they broadcast together. [degC]
        mode: In cooling the useful heat is that taken, so the COP is one less.
    Returns:
        COP [-]; infinite or negative where the sink is not hotter than the source.
    """
    source, sink = np.asarray(source_degc, float), np.asarray(sink_degc, float)
    with np.errstate(divide="ignore"):
        heating = (sink + _ZERO_DEGC_K) / (sink - source)
    return np.asarray(heating if mode == "heating" else heating - 1.0)


def collector_rate(irradiance_w_m2: ArrayLike, rise_k: ArrayLike, *, eta0: float, a1: float, a2: float) -> Array:
    """
    Steady heat of a collector per area [W/m2], at a mean fluid temperature `rise_k` above the air.

    References:
        ISO 9806: q = eta0 G - a1 dT - a2 dT^2.
    """
    rise = np.asarray(rise_k, float)
    return np.asarray(eta0 * np.asarray(irradiance_w_m2, float) - a1 * rise - a2 * rise * rise)


def stagnation_temperature(irradiance_w_m2: float, air_degc: float, *, eta0: float, a1: float, a2: float) -> float:
    """Temperature at which a collector without flow gives no more heat [degC]: the root of `collector_rate`."""
    gain = eta0 * irradiance_w_m2
    rise = gain / a1 if a2 == 0 else (-a1 + (a1 * a1 + 4 * a2 * gain) ** 0.5) / (2 * a2)
    return air_degc + rise


def standing_temperature(
    start_degc: float, ambient_degc: float, *, hours: float, capacity_j_k: float, ua_w_k: float
) -> float:
    """Temperature of a mixed tank that only loses heat [degC]: T = Ta + (T0 - Ta) exp(-UA t / C)."""
    return float(ambient_degc + (start_degc - ambient_degc) * np.exp(-ua_w_k * hours * 3600.0 / capacity_j_k))
