"""
Units: every conversion between what a sensor or a reader says and the SI inside.

Factors are exact fractions. Sources: the SI Brochure (9th edition) for minute, hour and litre; NIST Special
Publication 811 (2008), appendix B, for the US gallon (231 cubic inches) and the international inch; UCUM essence 2.2
for the names in brackets and for Btu_IT; RFC 8428 and RFC 8798 for the SenML names.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from analytics.site import Quantity

__all__ = [
    "UnitSystem",
    "convert",
    "is_unit",
    "j_from_kwh",
    "known_units",
    "kwh_from_j",
    "litre_from_m3",
    "m3_from_litre",
    "shown",
    "shown_unit",
    "si_unit",
    "to_si",
]

UnitSystem = Literal["si", "us"]
Numbers = TypeVar("Numbers", float, NDArray[np.float64])


@dataclass(frozen=True, slots=True)
class _Unit:
    """A value v means scale * v + shift in the unit `si`; `common` ones are named in messages."""

    si: str
    scale: Fraction
    shift: Fraction = Fraction(0)
    common: bool = True


_HOUR_S = Fraction(3600)
_MINUTE_S = Fraction(60)
_LITRE_M3 = Fraction(1, 1000)
_GALLON_M3 = Fraction("3.785411784") / 1000  # NIST SP 811 B.8: gallon (US), exact
_BTU_J = Fraction("1055.05585262")  # UCUM [Btu_IT]; the bare UCUM [Btu] is another unit and is not accepted
_FOOT_M = Fraction("0.3048")  # NIST SP 811 B.8, exact


def _units(si: str, common: Mapping[str, Fraction], also: Mapping[str, Fraction]) -> dict[str, _Unit]:
    named = {name: _Unit(si, scale) for name, scale in common.items()}
    return named | {name: _Unit(si, scale, common=False) for name, scale in also.items()}


_FAHRENHEIT = (Fraction(5, 9), Fraction(-160, 9))
_UNITS: dict[str, dict[str, _Unit]] = {
    "temperature": {
        "degC": _Unit("degC", Fraction(1)),
        "Cel": _Unit("degC", Fraction(1)),
        "degF": _Unit("degC", *_FAHRENHEIT),
        "K": _Unit("degC", Fraction(1), Fraction("-273.15")),
        "[degF]": _Unit("degC", *_FAHRENHEIT, common=False),
    },
    "flow": _units(
        "m3/s",
        {
            "m3/s": Fraction(1),
            "l/s": _LITRE_M3,
            "l/min": _LITRE_M3 / _MINUTE_S,
            "l/h": _LITRE_M3 / _HOUR_S,
            "m3/h": 1 / _HOUR_S,
            "gal/min": _GALLON_M3 / _MINUTE_S,
            "gpm": _GALLON_M3 / _MINUTE_S,
        },
        {
            "L/s": _LITRE_M3,
            "L/min": _LITRE_M3 / _MINUTE_S,
            "L/h": _LITRE_M3 / _HOUR_S,
            "[gal_us]/min": _GALLON_M3 / _MINUTE_S,
        },
    ),
    "power": _units(
        "W",
        {"W": Fraction(1), "kW": Fraction(1000), "Btu/h": _BTU_J / _HOUR_S},
        {"[Btu_IT]/h": _BTU_J / _HOUR_S},
    ),
    "energy": _units(
        "J",
        {
            "J": Fraction(1),
            "Wh": _HOUR_S,
            "kWh": 1000 * _HOUR_S,
            "MWh": 1_000_000 * _HOUR_S,
            "MJ": Fraction(10**6),
            "GJ": Fraction(10**9),
            "Btu": _BTU_J,
        },
        {
            "kJ": Fraction(1000),
            "W.h": _HOUR_S,
            "kW.h": 1000 * _HOUR_S,
            "MW.h": 1_000_000 * _HOUR_S,
            "[Btu_IT]": _BTU_J,
        },
    ),
    "volume": _units(
        "m3", {"m3": Fraction(1), "l": _LITRE_M3, "gal": _GALLON_M3}, {"L": _LITRE_M3, "[gal_us]": _GALLON_M3}
    ),
    "status": _units("1", {"1": Fraction(1), "/": Fraction(1)}, {}),
    "irradiance": _units("W/m2", {"W/m2": Fraction(1), "kW/m2": Fraction(1000)}, {}),
    "speed": {
        **_units("1/s", {"1/s": Fraction(1), "rpm": 1 / _MINUTE_S, "Hz": Fraction(1)}, {"/min": 1 / _MINUTE_S}),
        **_units("m/s", {"m/s": Fraction(1)}, {}),
    },
}


def is_unit(quantity: Quantity, unit: str) -> bool:
    """Whether readings of this quantity may be given in this unit."""
    return unit in _UNITS[quantity]


def known_units(quantity: Quantity) -> tuple[str, ...]:
    """The units to offer a person for this quantity, commonest first. UCUM spellings are accepted besides."""
    return tuple(name for name, unit in _UNITS[quantity].items() if unit.common)


def _unit(quantity: Quantity, name: str) -> _Unit:
    if not is_unit(quantity, name):
        raise ValueError(f"{name!r} is not a unit of {quantity}; use one of {', '.join(known_units(quantity))}")
    return _UNITS[quantity][name]


def si_unit(quantity: Quantity, unit: str) -> str:
    """
    The unit that `to_si` leads to.

    Raises:
        ValueError: If the unit does not belong to the quantity.
    """
    return _unit(quantity, unit).si


@lru_cache(maxsize=256)
def to_si(quantity: Quantity, unit: str) -> tuple[float, float]:
    """
    Scale and shift from a unit to degC, m3/s, W, J, m3, W/m2, 1/s or m/s.

    A value v is scale * v + shift in SI; a difference or an error is only scaled.

    Raises:
        ValueError: If the unit does not belong to the quantity.
    """
    found = _unit(quantity, unit)
    return float(found.scale), float(found.shift)


def convert(value: Numbers, quantity: Quantity, *, from_unit: str, to_unit: str) -> Numbers:
    """
    A value, or an array of them, in another unit of the same quantity.

    The value comes back untouched, to the bit, where both units are the same one (also degC and Cel, l and L).

    Args:
        value: One number or an array; NaN stays NaN.
    Raises:
        ValueError: If a unit does not belong to the quantity, or the two cannot be compared (rpm and m/s).
    """
    source, target = _unit(quantity, from_unit), _unit(quantity, to_unit)
    if source.si != target.si:
        raise ValueError(f"{from_unit!r} cannot be converted to {to_unit!r}; it leads to {source.si}, not {target.si}")
    return _apply(value, source.scale / target.scale, (source.shift - target.shift) / target.scale)


def _apply(value: Numbers, scale: Fraction, shift: Fraction) -> Numbers:
    if scale == 1 and shift == 0:
        return value
    # One rounding at the end instead of three: 68 degF is 20 degC, not 20.000000000000004.
    bottom = scale.denominator * shift.denominator
    return (value * float(scale * bottom) + float(shift * bottom)) / float(bottom)


def kwh_from_j(energy_j: Numbers) -> Numbers:
    """Energy in kWh. [kWh]"""
    return energy_j / 3.6e6


def j_from_kwh(energy_kwh: Numbers) -> Numbers:
    """Energy in joule. [J]"""
    return energy_kwh * 3.6e6


def litre_from_m3(volume_m3: Numbers) -> Numbers:
    """Volume in litre. [l]"""
    return volume_m3 * 1000.0


def m3_from_litre(volume_l: Numbers) -> Numbers:
    """Volume in cubic metre. [m3]"""
    return volume_l / 1000.0


# What a US household reads instead. kWh stays: it is what the electricity bill is written in.
_US: dict[str, tuple[str, Fraction, Fraction]] = {
    "degC": ("degF", Fraction(9, 5), Fraction(32)),
    "K": ("degF difference", Fraction(9, 5), Fraction(0)),
    "K/kW": ("degF/kW", Fraction(9, 5), Fraction(0)),
    "l": ("gal", _LITRE_M3 / _GALLON_M3, Fraction(0)),
    "l/min": ("gal/min", _LITRE_M3 / _GALLON_M3, Fraction(0)),
    "l/s": ("gal/min", 60 * _LITRE_M3 / _GALLON_M3, Fraction(0)),
    "m2": ("ft2", 1 / _FOOT_M**2, Fraction(0)),
    "m": ("ft", 1 / _FOOT_M, Fraction(0)),
    "kg": ("lb", 1 / Fraction("0.45359237"), Fraction(0)),
    "W/m2": ("Btu/(h ft2)", _HOUR_S / _BTU_J * _FOOT_M**2, Fraction(0)),
    "W/K": ("Btu/(h degF)", _HOUR_S / _BTU_J * Fraction(5, 9), Fraction(0)),
}


def shown_unit(unit: str, system: UnitSystem) -> str:
    """The unit in which a person of that system reads a figure of `unit`; "K" stands for a difference."""
    return _US[unit][0] if system == "us" and unit in _US else unit


def shown(value: Numbers, unit: str, *, system: UnitSystem) -> Numbers:
    """A figure's value in `shown_unit`; untouched where that is the unit it already has."""
    if system == "si" or unit not in _US:
        return value
    _, scale, shift = _US[unit]
    return _apply(value, scale, shift)
