"""
Heat carriers: water and its mixtures with glycol or alcohol, tabulated over temperature for speed.

Water is IAPWS-IF97, the formulation that heat meters are tested with [1], as a liquid at 0.3 MPa: a house's loops
stand between 0.1 and 0.6 MPa, and pressure moves the heat coefficient by at most 0.04 % up to 1.6 MPa. Mixtures are
Melinder's fits [2]. A table of 0.1 K steps read linearly stays within 1e-7 of the direct evaluation.

References:
    [1] EN 1434-1, heat coefficient; OIML R 75-1 (clauses from memory).
    [2] Melinder, Properties of Secondary Working Fluids for Indirect Systems, IIR 2010.
"""

from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Literal

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import ArrayLike, NDArray

from analytics.compiled import compiled
from analytics.fluid_fits import MIXTURES, MOST_MASS_FRACTION, WATER_DENSITY_KG_M3, WATER_ENTHALPY_J_KG, WATER_TO_DEGC

__all__ = ["Fluid", "Side", "fluid_of", "heat_per_volume", "heat_rate", "water"]

Side = Literal["entering", "leaving"]
Array = NDArray[np.float64]

_STEP_K = 0.1
# Glycol loops of collectors pass 100 degC; the fits' last slopes are continued to here.
_GLYCOL_CONTINUED_DEGC = 160.0


@dataclass(frozen=True, eq=False)
class Fluid:
    """
    Density and enthalpy over temperature at even steps.

    Args:
        name: For messages.
        lowest_degc, highest_degc: Range; the lowest is the freezing point of the mixture.
        density_kg_m3, enthalpy_j_kg: From `lowest_degc` in steps of 0.1 K.
    """

    name: str
    lowest_degc: float
    highest_degc: float
    density_kg_m3: Array
    enthalpy_j_kg: Array

    def density(self, temperature_degc: ArrayLike) -> Array:
        """Density [kg/m3]; beyond the range its end is continued straight."""
        return self._read(self.density_kg_m3, temperature_degc)

    def enthalpy(self, temperature_degc: ArrayLike) -> Array:
        """Specific enthalpy [J/kg] from an arbitrary zero; beyond the range its end is continued straight."""
        return self._read(self.enthalpy_j_kg, temperature_degc)

    def capacity(self, temperature_degc: ArrayLike) -> Array:
        """Specific heat capacity [J/(kg K)], the enthalpy's slope over 1 K around the temperature."""
        above = np.maximum(np.asarray(temperature_degc, float), self.lowest_degc + 0.5)
        middle = np.minimum(above, self.highest_degc - 0.5)
        return self.enthalpy(middle + 0.5) - self.enthalpy(middle - 0.5)

    def heat_j_m3k(self, temperature_degc: float) -> float:
        """Heat that one kelvin makes in a volume [J/(m3 K)], for what needs no more than a typical value."""
        return _typical_heat_j_m3k(self, round(min(max(temperature_degc, self.lowest_degc), self.highest_degc)))

    def refuse_outside(self, temperature_degc: ArrayLike) -> None:
        """
        Raises:
            ValueError: If a temperature is outside the range; NaN is let through.
        """
        values = np.asarray(temperature_degc, float)
        if np.any(values < self.lowest_degc - 1e-9) or np.any(values > self.highest_degc + 1e-9):
            raise ValueError(
                f"temperatures of {self.name} must lie from {self.lowest_degc:.1f} to {self.highest_degc:.1f} degC; "
                f"these reach from {np.nanmin(values):.1f} to {np.nanmax(values):.1f} degC"
            )

    def density_and_enthalpy(self, temperature_degc: ArrayLike) -> tuple[Array, Array]:
        """Both at once, for less than each by itself."""
        return self._read(self.density_kg_m3, temperature_degc), self._read(self.enthalpy_j_kg, temperature_degc)

    def _read(self, table: Array, temperature_degc: ArrayLike) -> Array:
        degc = np.asarray(temperature_degc, float)
        return _between(table, degc.ravel(), self.lowest_degc).reshape(degc.shape)


@compiled
def _between(table: Array, degc: Array, lowest_degc: float) -> Array:
    """A table read at temperatures, straight between its rows; NaN stays NaN."""
    found = np.empty(len(degc))
    last = len(table) - 2
    for n in range(len(degc)):
        place = (degc[n] - lowest_degc) * (1.0 / _STEP_K)
        if place != place:
            found[n] = place
            continue
        row = int(min(max(place, 0.0), float(last)))
        found[n] = table[row] + (table[row + 1] - table[row]) * (place - row)
    return found


@lru_cache(maxsize=4096)
def _typical_heat_j_m3k(fluid: Fluid, temperature_degc: int) -> float:
    return float(fluid.density(temperature_degc) * fluid.capacity(temperature_degc))


@cache
def water() -> Fluid:
    """Water as a liquid, 0 to 130 degC."""
    degc = np.arange(0.0, WATER_TO_DEGC + _STEP_K / 2, _STEP_K)
    place = _place(degc, 0.0, WATER_TO_DEGC)
    density, enthalpy = (chebyshev.chebval(place, series) for series in (WATER_DENSITY_KG_M3, WATER_ENTHALPY_J_KG))
    return Fluid("water", 0.0, WATER_TO_DEGC, np.asarray(density, float), np.asarray(enthalpy, float))


def _place(value: ArrayLike, lowest: float, highest: float) -> Array:
    """Where a value stands between -1 and 1."""
    return np.asarray((np.asarray(value, float) - lowest) / (highest - lowest) * 2.0 - 1.0)


def _mixture(kind: str, mass_percent: float) -> Fluid:
    fit, strength = MIXTURES[kind], _place(mass_percent / 100.0, 0.0, MOST_MASS_FRACTION)
    lowest = float(chebyshev.chebval(strength, fit.freezing_degc))
    degc = np.arange(lowest, fit.highest_degc, _STEP_K)
    place = _place(degc, fit.lowest_degc, fit.highest_degc)
    density, enthalpy = (
        chebyshev.chebval(place, chebyshev.chebval(strength, np.array(series).T))
        for series in (fit.density_kg_m3, fit.enthalpy_j_kg)
    )
    if kind.endswith("glycol"):
        density, enthalpy = _continued(density, enthalpy, round((_GLYCOL_CONTINUED_DEGC - degc[-1]) / _STEP_K))
    highest = lowest + (len(density) - 1) * _STEP_K
    return Fluid(f"{kind} {mass_percent:g} %", lowest, float(highest), density, enthalpy)


def _continued(density: Array, enthalpy: Array, n_steps: int) -> tuple[Array, Array]:
    """Density with its last slope, enthalpy with its last slope and curvature, `n_steps` further."""
    ahead = np.arange(1, n_steps + 1, dtype=float)
    slope = density[-1] - density[-2]
    rise = enthalpy[-1] - enthalpy[-2]
    back = 100  # over 10 K, so that rounding does not become curvature
    bend = (rise - (enthalpy[-1 - back] - enthalpy[-2 - back])) / back
    further = enthalpy[-1] + rise * ahead + bend * ahead * (ahead + 1) / 2
    return np.append(density, density[-1] + slope * ahead), np.append(enthalpy, further)


@lru_cache(maxsize=64)
def fluid_of(kind: str, mass_percent: float = 0.0) -> Fluid:
    """
    The fluid of a site file's `[[fluid]]`: "water", or a mixture by mass percent (0 percent is water).

    Raises:
        ValueError: For a kind that is not known.
    """
    if kind == "water" or mass_percent == 0.0:
        return water()
    if kind not in MIXTURES:
        raise ValueError(f"fluid kind {kind!r} is not one of water, {', '.join(MIXTURES)}")
    return _mixture(kind, mass_percent)


def heat_per_volume(
    entering_degc: ArrayLike, leaving_degc: ArrayLike, *, fluid: Fluid | None = None, flow_side: Side = "entering"
) -> Array:
    """
    Heat that a component gives to each volume metered [J/m3]; beyond the range the fluid is continued straight.

    The sign is that of leaving - entering. NaN wherever an input is NaN. Without a fluid it is water.
    """
    fluid = fluid or water()
    if flow_side == "entering":
        density, enthalpy = fluid.density_and_enthalpy(entering_degc)
        return np.asarray(density * (fluid.enthalpy(leaving_degc) - enthalpy))
    density, enthalpy = fluid.density_and_enthalpy(leaving_degc)
    return np.asarray(density * (enthalpy - fluid.enthalpy(entering_degc)))


def heat_rate(
    flow_m3_s: ArrayLike,
    entering_degc: ArrayLike,
    leaving_degc: ArrayLike,
    *,
    fluid: Fluid | None = None,
    flow_side: Side = "entering",
) -> Array:
    """
    Heat that a component gives to the fluid passing it.

    Positive while the fluid leaves hotter than it entered. Density is taken where the flow sensor sits, heat by
    enthalpy difference [1]; assuming the wrong side costs 0.9 % at 60/40 degC.

    Args:
        flow_m3_s: Volume flow, zero or more. [m3/s]
        entering_degc, leaving_degc: Temperatures; all three inputs broadcast together. [degC]
        fluid: Gives density and enthalpy; refuses temperatures outside its range. Without one it is water.
        flow_side: Where the flow sensor sits.
    Returns:
        Heat rate in the broadcast shape, NaN wherever an input is NaN. [W]
    Raises:
        ValueError: If a flow is negative, a temperature out of range, or the shapes do not broadcast.
    References:
        [1] EN 1434-1, heat meters, heat coefficient.
    """
    flow = np.asarray(flow_m3_s, float)
    if np.any(flow < 0):
        index = int(np.nanargmin(flow))
        raise ValueError(
            f"flow_m3_s must not be negative; {int(np.sum(flow < 0))} of {flow.size} values are, "
            f"lowest {flow.flat[index]:.3g} at index {index}"
        )
    fluid = fluid or water()
    fluid.refuse_outside(entering_degc)
    fluid.refuse_outside(leaving_degc)
    return flow * heat_per_volume(entering_degc, leaving_degc, fluid=fluid, flow_side=flow_side)
