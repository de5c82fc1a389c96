"""
A calculator that takes what is shown: numbers with units, + − × ÷ ( ) √ ² %, by ordinary precedence.

Each number stands for all values that round to it as shown, so that a sum comes to a range; a whole number without
decimals is exact. It knows nothing of the program that wrote the text.
"""

import re
from collections.abc import Collection
from dataclasses import dataclass

__all__ = ["Range", "evaluate", "numbers_in", "shown_range", "typed_in"]

_NUMBER = re.compile(r"−?\d+(?:\.\d+)?")
_TOKEN = re.compile(r"\s*(?:(?P<number>\d+(?:\.\d+)?)|(?P<sign>[+−×÷()√²]))")


@dataclass(frozen=True)
class Range:
    low: float
    high: float

    def __add__(self, other: "Range") -> "Range":
        return Range(self.low + other.low, self.high + other.high)

    def __neg__(self) -> "Range":
        return Range(-self.high, -self.low)

    def __mul__(self, other: "Range") -> "Range":
        ends = [a * b for a in (self.low, self.high) for b in (other.low, other.high)]
        return Range(min(ends), max(ends))

    def __truediv__(self, other: "Range") -> "Range":
        if other.low <= 0 <= other.high:
            raise ZeroDivisionError(f"a divisor may be nothing: {other}")
        return self * Range(1 / other.high, 1 / other.low)

    def root(self) -> "Range":
        return Range(max(self.low, 0.0) ** 0.5, self.high**0.5)

    @property
    def width(self) -> float:
        return self.high - self.low

    def meets(self, other: "Range") -> bool:
        return self.low <= other.high and other.low <= self.high


def shown_range(text: str) -> Range:
    """All values that round to a number as it is shown."""
    found = _NUMBER.search(text)
    assert found, f"{text!r} shows no number"
    value, decimals = float(found[0].replace("−", "-")), len(found[0].partition(".")[2])
    half = 0.5000001 * 10.0**-decimals if decimals else 0.0
    return Range(value - half, value + half)


def numbers_in(expression: str) -> list[str]:
    """The numbers of an expression without their units, signs left out."""
    return re.findall(r"\d+(?:\.\d+)?", _without_units(expression))


def evaluate(expression: str, *, exact: Collection[str] = ()) -> Range:
    """
    The range of an expression.

    Args:
        exact: Numbers, as they are shown, that are stated and not rounded.
    Raises:
        ValueError: If it is not one.
    """
    tokens = [f"={token}" if token in exact else token for token in _tokens(_without_units(expression))]
    value, rest = _sum(tokens)
    if rest:
        raise ValueError(f"{expression!r} goes on after its end: {rest}")
    return value


def typed_in(expression: str) -> float:
    """What comes of an expression whose numbers are typed in as they are shown."""
    return evaluate(expression, exact=numbers_in(expression)).low


def _without_units(text: str) -> str:
    # Units such as kJ/(kg K) have parentheses that are no sum; others are letters, ° and / after a number. A
    # calculator's percent key divides by a hundred.
    text = re.sub(r" per [A-Za-z]+|[A-Za-z]+/\([a-z]+ K\)", "", text)
    text = re.sub(r"(\d+(?:\.\d+)?) %", r"(\1 ÷ 100)", text)
    return re.sub(r"(?<=[\d)]) ?[A-Za-z°€$][A-Za-z°/0-9]*", "", text)


def _tokens(text: str) -> list[str]:
    found, at = [], 0
    text = text.rstrip()
    while at < len(text):
        match = _TOKEN.match(text, at)
        if match is None:
            raise ValueError(f"{text[at:]!r} cannot be typed into a calculator")
        found.append(match["number"] or match["sign"])
        at = match.end()
    return found


def _sum(tokens: list[str]) -> tuple[Range, list[str]]:
    value, tokens = _product(tokens)
    while tokens and tokens[0] in "+−":
        sign, (term, tokens) = tokens[0], _product(tokens[1:])
        value = value + (term if sign == "+" else -term)
    return value, tokens


def _product(tokens: list[str]) -> tuple[Range, list[str]]:
    value, tokens = _factor(tokens)
    while tokens and tokens[0] in "×÷":
        sign, (factor, tokens) = tokens[0], _factor(tokens[1:])
        value = value * factor if sign == "×" else value / factor
    return value, tokens


def _factor(tokens: list[str]) -> tuple[Range, list[str]]:
    if not tokens:
        raise ValueError("a number is wanting at the end")
    first, tokens = tokens[0], tokens[1:]
    if first == "−":
        value, tokens = _factor(tokens)
        return -value, tokens
    if first == "√":
        value, tokens = _factor(tokens)
        return value.root(), tokens
    if first == "(":
        value, tokens = _sum(tokens)
        if tokens[:1] != [")"]:
            raise ValueError("a parenthesis is not closed")
        tokens = tokens[1:]
    elif first.startswith("="):
        value = Range(float(first[1:]), float(first[1:]))
    else:
        value = shown_range(first)
    while tokens[:1] == ["²"]:
        value, tokens = value * value, tokens[1:]
    return value, tokens
