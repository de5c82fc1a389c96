"""
Fits density, enthalpy and freezing points to CoolProp: `python -m tests.fluid_fitting > analytics/fluid_fits.py`.

Importing CoolProp takes two seconds and more, which no command of the program should pay.
"""

import textwrap
from collections.abc import Iterator, Sequence

import numpy as np
from CoolProp.CoolProp import AbstractState, PropsSI, iT_freeze
from numpy.polynomial import chebyshev

PRESSURE_PA = 0.3e6
MOST_MASS_FRACTION = 0.6
ZERO_DEGC_K = 273.15
CODES = {"propylene-glycol": "MPG", "ethylene-glycol": "MEG", "methanol": "MMA", "ethanol": "MEA"}
FITTED_TO_DEGC = {"propylene-glycol": 100.0, "ethylene-glycol": 100.0, "methanol": 40.0, "ethanol": 40.0}
WATER_TO_DEGC = 130.0
_WATER_DEGREE = 16
_DEGREES = {"density": (3, 5), "enthalpy": (4, 5)}  # Melinder's fits of density and heat capacity are polynomials

_HEAD = '''"""
Density, enthalpy and freezing point as Chebyshev series: numbers only, written by `python -m tests.fluid_fitting`.

Water is IAPWS-IF97 at 0.3 MPa over 0 to 130 degC. Mixtures are Melinder's fits [1] from the freezing point upward, over
mass fractions of 0 to 0.6. Both were read from CoolProp; `tests/test_fluids.py` holds them against it.

References:
    [1] Melinder, Properties of Secondary Working Fluids for Indirect Systems, IIR 2010.
"""

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = [
    "MIXTURES",
    "MOST_MASS_FRACTION",
    "WATER_DENSITY_KG_M3",
    "WATER_ENTHALPY_J_KG",
    "WATER_TO_DEGC",
    "MixtureFit",
]


@dataclass(frozen=True, slots=True)
class MixtureFit:
    """
    One additive's series.

    Args:
        lowest_degc, highest_degc: Temperatures that the series' -1 and 1 stand for; below freezing it means nothing.
        freezing_degc: Over the mass fraction. Shape (terms,)
        density_kg_m3, enthalpy_j_kg: Over temperature, then mass fraction. Shape (terms, terms)
    """

    lowest_degc: float
    highest_degc: float
    freezing_degc: Sequence[float]
    density_kg_m3: Sequence[Sequence[float]]
    enthalpy_j_kg: Sequence[Sequence[float]]


# fmt: off
'''


def _written() -> Iterator[str]:
    yield _HEAD
    yield f"MOST_MASS_FRACTION = {MOST_MASS_FRACTION!r}\nWATER_TO_DEGC = {WATER_TO_DEGC!r}"
    degc = np.linspace(0.0, WATER_TO_DEGC, 2001)
    place = degc / WATER_TO_DEGC * 2 - 1
    for quantity, name in (("D", "WATER_DENSITY_KG_M3"), ("H", "WATER_ENTHALPY_J_KG")):
        # IF97 begins at 273.15 K exactly; a nudge keeps the first one inside.
        values = PropsSI(quantity, "T", np.maximum(degc, 1e-6) + ZERO_DEGC_K, "P", PRESSURE_PA, "IF97::Water")
        yield _wrapped(f"{name} = {_row(chebyshev.chebfit(place, values, _WATER_DEGREE))}")
    yield "MIXTURES = {"
    for kind in CODES:
        yield _wrapped(f'    "{kind}": {_mixture(kind)},')
    yield "}"


def _mixture(kind: str) -> str:
    top, state = FITTED_TO_DEGC[kind], AbstractState("INCOMP", CODES[kind])
    # CoolProp takes a name's mass fraction to six decimals at most, so those are asked for.
    fractions = np.round(np.linspace(0.002, MOST_MASS_FRACTION, 40), 6)
    freezing, rows = [], []
    for fraction in fractions.tolist():
        state.set_mass_fractions([fraction])
        freezing.append(state.keyed_output(iT_freeze) - ZERO_DEGC_K)
        degc = np.linspace(freezing[-1] + 1e-3, top - 1e-6, 60)
        read = [
            PropsSI(quantity, "T", degc + ZERO_DEGC_K, "P", PRESSURE_PA, f"INCOMP::{CODES[kind]}[{fraction!r}]")
            for quantity in "DH"
        ]
        rows.append((degc, np.full(60, fraction), *read))
    degc, mass, density, enthalpy = np.concatenate(rows, axis=1)
    lowest = float(degc.min())
    places = (degc - lowest) / (top - lowest) * 2 - 1, mass / MOST_MASS_FRACTION * 2 - 1
    frozen = chebyshev.chebfit(fractions / MOST_MASS_FRACTION * 2 - 1, freezing, 5)
    named = {"density": density, "enthalpy": enthalpy}
    surfaces = (_surface(*places, values, _DEGREES[name]) for name, values in named.items())
    return f"MixtureFit({lowest!r}, {top!r}, {_row(frozen)}, {', '.join(surfaces)})"


def _surface(x: np.ndarray, y: np.ndarray, values: np.ndarray, degrees: tuple[int, int]) -> str:
    terms = chebyshev.chebvander2d(x, y, degrees)
    found = np.linalg.lstsq(terms, values, rcond=None)[0].reshape(degrees[0] + 1, degrees[1] + 1)
    return f"({', '.join(_row(row) for row in found)})"


def _wrapped(line: str) -> str:
    return textwrap.fill(line, 118, subsequent_indent="        ")


def _row(numbers: Sequence[float]) -> str:
    return f"({', '.join(repr(float(number)) for number in numbers)})"


if __name__ == "__main__":
    print("\n".join(_written()))
