"""Properties of the plant's fluids as polynomials of temperature, fitted once to CoolProp for a fast kernel."""

from functools import lru_cache

import numpy as np
from CoolProp.CoolProp import PropsSI
from numba import njit
from numpy.typing import NDArray

__all__ = ["density", "enthalpy", "fit_fluid", "temperature", "water_temperature"]

_TERMS = 8
_PRESSURE_PA = 3e5  # a usual house pressure; 0.3 to 0.6 MPa changes the heat coefficient by less than 0.02 %
_MIXTURES = {"propylene-glycol": "MPG", "ethylene-glycol": "MEG", "methanol": "MMA", "ethanol": "MEA"}


@lru_cache
def fit_fluid(kind: str, mass_percent: float = 0.0) -> NDArray[np.float64]:
    """
    Density [kg/m3], specific enthalpy [J/kg] and, for water, temperature [degC] from enthalpy, as polynomials.

    Args:
        kind: As in a site file: water, propylene-glycol, ...
        mass_percent: Of the additive in the mixture.
    Returns:
        Ascending coefficients, shape (3, 8): density of degC, enthalpy of degC, degC of enthalpy.
    References:
        CoolProp: IAPWS-95 for water, Melinder 2010 for mixtures (mass fraction).
    """
    if kind == "water" or mass_percent == 0.0:
        return _fit_water()
    name = f"INCOMP::{_MIXTURES[kind]}[{mass_percent / 100.0}]"
    freezing_k = PropsSI("T_FREEZE", "T", 300.0, "P", _PRESSURE_PA, name)
    highest_k = PropsSI("Tmax", "T", 300.0, "P", _PRESSURE_PA, name)
    return _fit_mixture(name, np.linspace(max(freezing_k, 253.15) + 0.2, highest_k - 0.2, 120) - 273.15)


def _fit_water() -> NDArray[np.float64]:
    degc = np.linspace(0.01, 130.0, 500)
    h = PropsSI("H", "T", degc + 273.15, "P", _PRESSURE_PA, "Water")
    rho = PropsSI("D", "T", degc + 273.15, "P", _PRESSURE_PA, "Water")
    return np.stack([_polynomial(degc, rho, 7), _polynomial(degc, h, 7), _polynomial(h, degc, 7)])


def _fit_mixture(name: str, degc: NDArray[np.float64]) -> NDArray[np.float64]:
    # Low degrees, since a collector may be hotter than the published range and the fit must not bend away there.
    rho = _polynomial(degc, PropsSI("D", "T", degc + 273.15, "P", _PRESSURE_PA, name), 3)
    cp = _polynomial(degc, PropsSI("C", "T", degc + 273.15, "P", _PRESSURE_PA, name), 2)
    h = np.zeros(_TERMS)
    h[1:] = cp[:-1] / np.arange(1, _TERMS)
    linear = np.zeros(_TERMS)
    linear[1] = 1.0 / cp[0]
    return np.stack([rho, h, linear])


def _polynomial(x: NDArray[np.float64], y: NDArray[np.float64], degree: int) -> NDArray[np.float64]:
    coefficients = np.polynomial.Polynomial.fit(x, y, degree).convert().coef
    return np.pad(coefficients, (0, _TERMS - len(coefficients)))


@njit(error_model="numpy")
def _evaluate(coefficients, x):  # type: ignore[no-untyped-def]
    total = 0.0
    for k in range(7, -1, -1):
        total = total * x + coefficients[k]
    return total


@njit(error_model="numpy")
def density(fluid, degc):  # type: ignore[no-untyped-def]
    """Density of a fitted fluid. [kg/m3]"""
    return _evaluate(fluid[0], degc)


@njit(error_model="numpy")
def enthalpy(fluid, degc):  # type: ignore[no-untyped-def]
    """Specific enthalpy of a fitted fluid. [J/kg]"""
    return _evaluate(fluid[1], degc)


@njit(error_model="numpy")
def water_temperature(water, h_j_kg):  # type: ignore[no-untyped-def]
    """Temperature of water straight from the fit, to 0.001 K: quick, for the tanks' nodes. [degC]"""
    return _evaluate(water[2], h_j_kg)


@njit(error_model="numpy")
def temperature(fluid, h_j_kg):  # type: ignore[no-untyped-def]
    """Temperature of a fitted fluid with this enthalpy, by Newton's steps from the fit. [degC]"""
    degc = _evaluate(fluid[2], h_j_kg)
    for _ in range(2):
        slope = 0.0
        for k in range(7, 0, -1):
            slope = slope * degc + k * fluid[1, k]
        degc -= (_evaluate(fluid[1], degc) - h_j_kg) / slope
    return degc
