"""Density and enthalpy of liquids, read from CoolProp."""

from dataclasses import dataclass
from functools import cache
from typing import Self

import numpy as np
from CoolProp.CoolProp import PropsSI
from numpy.typing import NDArray

__all__ = ["WATER_STEP_J_KG", "Liquid", "water_by_enthalpy"]

_PRESSURE_PA, _ZERO_K = 0.3e6, 273.15
_CODES = {"propylene-glycol": "MPG", "ethylene-glycol": "MEG"}

WATER_STEP_J_KG = 500.0


@dataclass(frozen=True, eq=False)
class Liquid:
    """Tables over temperature; enthalpy rises with it. [degC, kg/m3, J/kg]"""

    degc: NDArray[np.float64]
    kg_m3: NDArray[np.float64]
    j_kg: NDArray[np.float64]

    @classmethod
    @cache
    def of(cls, kind: str, mass_percent: float) -> Self:
        is_water = kind == "water" or not mass_percent
        name = "Water" if is_water else f"INCOMP::{_CODES[kind]}[{mass_percent / 100:.4f}]"
        degc = np.arange(0.5 if is_water else -6.0, 130.0 if is_water else 99.0, 0.5)
        kg_m3, j_kg = (
            np.array([PropsSI(what, "T", each + _ZERO_K, "P", _PRESSURE_PA, name) for each in degc]) for what in "DH"
        )
        return cls(degc, kg_m3, j_kg)

    def density(self, degc: float) -> float:
        return float(np.interp(degc, self.degc, self.kg_m3))

    def enthalpy(self, degc: float) -> float:
        beyond = max(degc - self.degc[-1], 0.0) * (self.j_kg[-1] - self.j_kg[-2]) / (self.degc[-1] - self.degc[-2])
        return float(np.interp(degc, self.degc, self.j_kg)) + float(beyond)

    def temperature(self, j_kg: float) -> float:
        beyond = max(j_kg - self.j_kg[-1], 0.0) * (self.degc[-1] - self.degc[-2]) / (self.j_kg[-1] - self.j_kg[-2])
        return float(np.interp(j_kg, self.j_kg, self.degc)) + float(beyond)

    def capacity(self, degc: float) -> float:
        """Specific heat capacity. [J/(kg K)]"""
        return self.enthalpy(degc + 0.5) - self.enthalpy(degc - 0.5)


@cache
def water_by_enthalpy() -> NDArray[np.float64]:
    """Water's temperature at 0, WATER_STEP_J_KG, ... of enthalpy. [degC]"""
    water = Liquid.of("water", 0.0)
    return np.interp(np.arange(0.0, 540_000.0, WATER_STEP_J_KG), water.j_kg, water.degc)
