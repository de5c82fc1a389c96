"""
What a sensor's maker promises: limits of error from a standard's class, a number or a percentage.

Temperature sensors after IEC 60751 (platinum resistance thermometers), flow sensors after EN 1434-1. Both formulas
are those of `tests/reference/pt_sensor.csv` and `tests/reference/heat_meter_mpe.csv`.
"""

import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.site import Accuracy, Point, Quantity
from analytics.units import to_si

__all__ = [
    "ACCURACY_FORMS",
    "accuracy_in_words",
    "default_limit_of_error",
    "limit_at",
    "limit_in_words",
    "limit_of_error",
    "parse_accuracy",
]

ACCURACY_FORMS = (
    'write a class ("IEC 60751 A", "EN 1434 class 2"), a percentage ("2 %") or a number in the point\'s unit'
)

# Constant part [K] and part of |t| [-].
_IEC_60751 = {"AA": (0.1, 0.0017), "A": (0.15, 0.002), "B": (0.3, 0.005), "C": (0.6, 0.01)}
# Constant part [% of reading] and factor of qp/q [%].
_EN_1434 = {"1": (1.0, 0.01), "2": (2.0, 0.02), "3": (3.0, 0.05)}
_EN_1434_CAP_PERCENT = 5.0
# Common practice: a meter is chosen so that the usual flow is about a tenth of its permanent flow qp.
_QP_OVER_Q = 10.0

# Common practice for an installed sensor of which nothing is known: kelvin, or percent of the reading.
_DEFAULT_TEMPERATURE_K = 0.5
_DEFAULT_PERCENT = {
    "flow": 5.0,
    "power": 2.0,
    "irradiance": 5.0,
    "energy": 2.0,
    "volume": 2.0,
    "speed": 2.0,
    "status": 0.0,
}

_IEC_TEXT = re.compile(r"IEC 60751(?: class)? (AA|A|B|C)")
_EN_TEXT = re.compile(r"EN 1434(?: class)? ([123])")
_PERCENT_TEXT = re.compile(r"(\d+(?:\.\d+)?) ?%")


def parse_accuracy(text: str | float) -> Accuracy:
    """
    A maker's statement as a value: "IEC 60751 A", "EN 1434 class 2", "2 %", or a number in the point's unit.

    Raises:
        ValueError: If it is none of these, or a negative number.
    """
    if not isinstance(text, str):
        if not 0 <= text < float("inf"):
            raise ValueError(f"{text} is not a half-width; {ACCURACY_FORMS}, zero or more")
        return Accuracy(standard="absolute", value=float(text))
    if found := _IEC_TEXT.fullmatch(text):
        return Accuracy(standard="IEC 60751", grade=found[1])
    if found := _EN_TEXT.fullmatch(text):
        return Accuracy(standard="EN 1434", grade=found[1])
    if found := _PERCENT_TEXT.fullmatch(text):
        return Accuracy(standard="percent", value=float(found[1]))
    raise ValueError(f"{text!r} is not an accuracy; {ACCURACY_FORMS}")


def accuracy_in_words(accuracy: Accuracy | None, unit: str) -> str:
    """A maker's statement as it is shown to people; a number is in the point's unit."""
    if accuracy is None:
        return "not stated; a usual one is taken"
    if accuracy.standard == "absolute":
        return f"± {accuracy.value:g} {'K' if unit == 'degC' else unit}"
    if accuracy.standard == "percent":
        return f"± {accuracy.value:g} %"
    return f"{accuracy.standard} class {accuracy.grade}"


def limit_in_words(accuracy: Accuracy | None) -> str:
    """What a class comes to, for people; empty where the statement itself says it."""
    if accuracy is not None and accuracy.standard == "IEC 60751":
        constant, part = _IEC_60751[accuracy.grade]
        return f"{constant:g} K + {part:g} × the temperature"
    if accuracy is not None and accuracy.standard == "EN 1434":
        constant, part = _EN_1434[accuracy.grade]
        return f"{constant:g} % + {part:g} % × {_QP_OVER_Q:g}, as at a tenth of its permanent flow"
    return ""


def limit_of_error(
    accuracy: Accuracy | None,
    value_si: ArrayLike,
    quantity: Quantity,
    *,
    unit: str,
    qp_over_q: float = _QP_OVER_Q,
) -> NDArray[np.float64]:
    """
    Half-width of a sensor's limits of error at the values it showed.

    Args:
        accuracy: The maker's statement; None takes `default_limit_of_error`.
        value_si: Readings, calibrated. [degC, m3/s, W, J, m3 ...]
        unit: The point's own unit, in which an absolute accuracy is given.
        qp_over_q: Permanent flow over actual flow, for EN 1434; a tenth load where the meter's size is not known.
    Returns:
        Half-width in SI, shape of `value_si`, NaN where the value is NaN. [K, m3/s, W, J, m3 ...]
    Raises:
        ValueError: If the unit does not belong to the quantity.
    References:
        IEC 60751, tolerance classes; EN 1434-1, maximum permissible errors of flow sensors (never above 5 %).
    """
    line = _default_line(quantity) if accuracy is None else _line(accuracy, quantity, unit, qp_over_q)
    return line.at(value_si)


def limit_at(point: Point, value_si: float) -> float:
    """`limit_of_error` of a point at one value, for those who ask often."""
    if point.accuracy is None:
        line = _default_line(point.quantity)
    else:
        line = _line(point.accuracy, point.quantity, point.unit, _QP_OVER_Q)
    return line.constant + line.part * abs(float(value_si) - line.zero)


def default_limit_of_error(value_si: ArrayLike, quantity: Quantity) -> NDArray[np.float64]:
    """
    Half-width for a sensor of which nothing is known, in SI; common practice, no standard.

    0.5 K for a temperature; 5 % of the reading for flow and irradiance; 2 % for power, energy, volume and speed;
    none for a status.
    """
    return _default_line(quantity).at(value_si)


@dataclass(frozen=True, slots=True)
class _Line:
    """Limits of error that grow straight with what is shown above `zero`: all that makers state do."""

    constant: float
    part: float
    zero: float = 0.0

    def at(self, value_si: ArrayLike) -> NDArray[np.float64]:
        return np.asarray(self.constant + self.part * np.abs(np.asarray(value_si, np.float64) - self.zero))


@lru_cache
def _line(accuracy: Accuracy, quantity: Quantity, unit: str, qp_over_q: float) -> _Line:
    scale, shift = to_si(quantity, unit)
    match accuracy.standard:
        case "absolute":
            return _Line(accuracy.value * abs(scale), 0.0)
        case "percent":
            # Percent of what the meter shows: 2 % of 100 degF is 2 degF, whatever that is in degC.
            return _Line(0.0, accuracy.value / 100.0, shift)
        case "IEC 60751":
            return _Line(*_IEC_60751[accuracy.grade])
        case "EN 1434":
            constant, part = _EN_1434[accuracy.grade]
            return _Line(0.0, min(constant + part * qp_over_q, _EN_1434_CAP_PERCENT) / 100.0)


def _default_line(quantity: Quantity) -> _Line:
    if quantity == "temperature":
        return _Line(_DEFAULT_TEMPERATURE_K, 0.0)
    return _Line(0.0, _DEFAULT_PERCENT[quantity] / 100.0)
