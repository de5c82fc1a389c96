"""
How a working is written: named amounts, tables, and sums in numbers that can be typed into a calculator.

A sum is text of numbers with their units and + − × ÷ ( ) √, worked from left to right as a calculator does it. The
numbers stand as they are shown, so that whoever types them in comes to the figure within what rounding allows.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import floor, isnan, log10
from typing import Any

__all__ = [
    "Number",
    "Step",
    "Table",
    "Working",
    "added",
    "amount",
    "difference",
    "exact",
    "kwh",
    "multiplied",
    "result",
    "working_to_json",
    "written",
]

_MINUS = "−"
_DASH = "—"
_KWH_PLACES = 3  # a watt-hour: below what any meter of a house shows
_MOST_PLACES = 6


@dataclass(frozen=True, slots=True)
class Number:
    """A number as it is shown, with `places` decimals; if it `is_exact`, it has no more. `source` is its origin."""

    value: float
    places: int
    unit: str = ""
    name: str = ""
    source: str = ""
    is_exact: bool = False

    @property
    def text(self) -> str:
        unit = "" if self.unit in ("", "1") else f" {self.unit}"
        return f"{written(self.value, self.places)}{unit}"


def written(value: float, places: int) -> str:
    """A number with so many decimals and a true minus; a dash where it is not known."""
    if isnan(value):
        return _DASH
    text = f"{abs(value):.{places}f}"
    return f"{_MINUS}{text}" if value < 0 and float(text) != 0.0 else text


def amount(value: float, unit: str, *, digits: int = 5, name: str = "", source: str = "") -> Number:
    """A number with so many significant digits."""
    is_plain = value == 0.0 or isnan(value)
    places = 0 if is_plain else min(max(digits - 1 - floor(log10(abs(value))), 0), _MOST_PLACES)
    return Number(value, places, unit, name, source)


def kwh(value_kwh: float, *, name: str = "", source: str = "") -> Number:
    """An energy, to the watt-hour."""
    return Number(value_kwh, _KWH_PLACES, "kWh", name, source)


def exact(value: float, unit: str, *, name: str = "", source: str = "") -> Number:
    """A number that is stated, as it is stated."""
    text = f"{value:.9f}".rstrip("0").rstrip(".")
    return Number(value, len(text.partition(".")[2]), unit, name, source, is_exact=True)


def result(value: float, unit: str) -> Number:
    """A sum's result in the figure's unit."""
    if unit == "kWh":
        return kwh(value)
    return Number(value, 0, unit) if unit == "" else amount(value, unit)


@dataclass(frozen=True, slots=True)
class Step:
    """One sum: what it gives, its expression in numbers, and its result."""

    what: str
    expression: str
    result: Number

    @property
    def text(self) -> str:
        if self.expression == self.result.text:
            return f"{self.what}: {self.expression}"
        return f"{self.what}: {self.expression} = {self.result.text}"


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of written cells; `note` says how a row is worked out."""

    title: str
    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Working:
    """
    A figure's working.

    Args:
        path: The figure.
        inputs: The amounts that the sums begin with, each with its source.
        tables: Amounts that come in rows.
        steps: The sums in order; the last one's result is the figure.
        remarks: What else a reader should know, as sentences: gaps, stand-ins.
    """

    path: str
    inputs: Sequence[Number] = ()
    tables: Sequence[Table] = ()
    steps: Sequence[Step] = ()
    remarks: Sequence[str] = field(default=())

    @property
    def value(self) -> float:
        """What the last sum comes to."""
        return self.steps[-1].result.value if self.steps else float("nan")


def multiplied(factors: Iterable[Number], over: Iterable[Number] = ()) -> str:
    """The product of some numbers, divided by others."""
    product = " × ".join(_factor(number) for number in factors)
    return product + "".join(f" ÷ {_factor(number)}" for number in over)


def _factor(number: Number) -> str:
    return f"({number.text})" if number.text.startswith(_MINUS) else number.text


def added(terms: Sequence[tuple[float, Number]]) -> str:
    """The sum of some numbers, each with its sign."""
    if not terms:
        return "0"
    text = ""
    for sign, number in terms:
        shown = number.text
        # Adding what is less than nothing is written as taking it away.
        if shown.startswith(_MINUS):
            sign, shown = -sign, shown[1:]
        text += (f" {'+' if sign > 0 else _MINUS} " if text else "" if sign > 0 else _MINUS) + shown
    return text


def difference(later: Number, earlier: Number) -> str:
    """One number less another, such as two temperatures; below zero in parentheses."""
    return f"{later.text} {_MINUS} {_factor(earlier)}"


def working_to_json(working: Working) -> dict[str, Any]:
    """A working as plain JSON data: every number as a value, and as it is shown."""
    return {
        "inputs": [{"name": n.name, **_number_to_json(n), "source": n.source} for n in working.inputs],
        "tables": [
            {"title": t.title, "columns": list(t.columns), "rows": [list(row) for row in t.rows], "note": t.note}
            for t in working.tables
        ],
        "steps": [
            {"what": s.what, "expression": s.expression, **_number_to_json(s.result), "text": s.text}
            for s in working.steps
        ],
        "remarks": list(working.remarks),
    }


def _number_to_json(number: Number) -> dict[str, Any]:
    return {
        "value": None if isnan(number.value) else number.value,
        "unit": number.unit,
        "shown": number.text,
        "is_exact": number.is_exact,
    }
