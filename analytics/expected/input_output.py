"""The input-output correlation of a solar-only system: a day's yield from the sun and two temperatures."""

import numpy as np
from numpy.typing import ArrayLike

from analytics.expected.linear import LinearFit, fit_linear

__all__ = ["fit_input_output"]


def fit_input_output(
    yield_mj: ArrayLike, irradiation_mj_m2: ArrayLike, *, air_degc: ArrayLike, cold_degc: ArrayLike
) -> LinearFit | None:
    """
    Q = a1 H + a2 (Ta - Tm) + a3 over days with similar draws.

    Args:
        yield_mj: Heat that the system gave on each day. [MJ]
        irradiation_mj_m2: Of the day, in the collector's plane. [MJ/m2]
        air_degc, cold_degc: The day's mean air temperature and the temperature of the cold water. [degC]
    Returns:
        Coefficients a1 [m2], a2 [MJ/K], a3 [MJ]; inputs in the order irradiation, air less cold water. None where the
        days are too few (6 are needed) or too alike.
    References:
        ISO 9459-2 (CSTG method), formula from memory.
    """
    warmth = np.asarray(air_degc, float) - np.asarray(cold_degc, float)
    inputs = np.column_stack((np.asarray(irradiation_mj_m2, float), warmth))
    return fit_linear(inputs, yield_mj, names=("irradiation_mj_m2", "air_less_cold_k"))
