"""
How a standard uncertainty came about, kept beside the number while someone asks for it.

A doubt is a number; whoever wants to work it out again needs what it was multiplied from. Within `derivations_kept`
the numbers that doubts begin with are `Derived`: floats that remember their terms through sums, differences, products
and quotients. They are the same numbers, of the same sums, as at any other time; outside of it they are plain floats
and nothing is remembered.

A term is a product: of what stands in the value's own unit (or its unit per kelvin), of the numbers and roots that
it is multiplied by, and of quotients with a name that it met on its way into other figures.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from math import copysign, hypot, nan, sqrt
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from analytics.site import Point

__all__ = [
    "Derived",
    "Piece",
    "Quotient",
    "Term",
    "derivations_kept",
    "part_of",
    "quotient",
    "ratio_moves",
    "root_of_squares",
    "shown_over",
    "shown_times",
    "spread",
    "stated",
    "stated_own",
    "times_amount",
    "unheard_at_mean",
    "within_limits",
]

_IS_KEPT: ContextVar[bool] = ContextVar("derivations are kept", default=False)
_SQRT_3 = sqrt(3.0)
_ABOVE_MEAN = 1.2  # common practice


@contextmanager
def derivations_kept() -> Iterator[None]:
    """Numbers that doubts begin with remember how they came about, in this context and no other."""
    token = _IS_KEPT.set(True)
    try:
        yield
    finally:
        _IS_KEPT.reset(token)


@dataclass(frozen=True, slots=True)
class Piece:
    """
    One factor or divisor of a term.

    Args:
        text: With {} for each of the numbers, such as "√({} ÷ {})".
        unit: Of the piece as a whole: "K", "W", "l", "kg", "h", or "1".
        is_part: Whether it is a part of something, which is read as a percentage.
    """

    sign: Literal["×", "÷"]
    text: str
    numbers: tuple[float, ...] = ()
    unit: str = "1"
    is_part: bool = False


class Quotient(float):
    """A number with a name, by which a doubt is multiplied on its way into another figure: above ÷ below."""

    __slots__ = ("above", "below", "units", "words")
    above: float
    below: float
    units: tuple[str, str]
    words: str

    def __mul__(self, other: float, /) -> float:
        return other.__rmul__(self) if isinstance(other, Derived) else float(self) * other


@dataclass(frozen=True, slots=True)
class Term:
    """
    A product, with its sign.

    Args:
        own: In the value's unit, or of that unit per unit of the pieces; several make the root of the sum of their
            squares.
        pieces: What it is multiplied and divided by.
        factors: Named quotients that it was multiplied by since.
        over: What the squares of several `own` are divided by.
        point, at: A sensor whose limits of error are the first piece, and the value that they are taken at. [SI]
    """

    own: tuple[float, ...]
    pieces: tuple[Piece, ...] = ()
    factors: tuple[Quotient, ...] = ()
    point: Point | None = None
    at: float = nan
    over: tuple[int, ...] = ()

    def times(self, factor: float) -> "Term":
        if isinstance(factor, Quotient):
            return replace(self, factors=(*self.factors, factor))
        return replace(self, own=tuple(each * float(factor) for each in self.own))


class Derived(float):
    """A number that remembers the terms of which it is the sum; what is neither + − × ÷ makes it a plain one."""

    __slots__ = ("terms",)
    __array_priority__ = 1000.0  # a numpy number to its left lets it multiply
    terms: tuple[Term, ...]

    @classmethod
    def of(cls, value: float, terms: Sequence[Term]) -> "Derived":
        made = cls(value)
        made.terms = tuple(terms)
        return made

    def each(self, value: float, change: Callable[[Term], Term]) -> "Derived":
        """Another value, of terms that are changed alike."""
        return Derived.of(value, [change(term) for term in self.terms])

    def __mul__(self, other: Any, /) -> Any:
        if isinstance(other, Derived) or not isinstance(other, int | float):
            return float(self) * (float(other) if isinstance(other, Derived) else other)
        return self.each(float(self) * float(other), lambda term: term.times(other))

    __rmul__ = __mul__

    def __truediv__(self, other: Any, /) -> Any:
        if isinstance(other, Derived) or not isinstance(other, int | float):
            return float(self) / (float(other) if isinstance(other, Derived) else other)
        return self.each(float(self) / float(other), lambda term: term.times(1.0 / float(other)))

    def __neg__(self) -> "Derived":
        return self.each(-float(self), lambda term: term.times(-1.0))

    def __add__(self, other: Any, /) -> Any:
        if not isinstance(other, int | float):
            return float(self) + other
        more = other.terms if isinstance(other, Derived) else (Term((float(other),)),) if other else ()
        return Derived.of(float(self) + float(other), (*self.terms, *more))

    __radd__ = __add__

    def __sub__(self, other: Any, /) -> Any:
        return self + -other

    def __rsub__(self, other: Any, /) -> Any:
        return -self + other


def stated(value: float, unit: str = "1", *, point: Point | None = None, at: float = nan) -> float:
    """
    A limit of error or a standard uncertainty as it is stated, of which a multiple is in doubt.

    Args:
        value: A part (unit "1"), or in kelvin ("K") or watt ("W").
        point, at: The sensor whose limit it is, and at which value. [SI]
    """
    if not _IS_KEPT.get():
        return value
    return Derived.of(value, [Term((1.0,), (Piece("×", "{}", (value,), unit, unit == "1"),), (), point, at)])


def stated_own(value: float) -> float:
    """A standard uncertainty, or a limit, in the very unit of what is in doubt."""
    return Derived.of(value, [Term((float(value),))]) if _IS_KEPT.get() else value


def within_limits(half_width: float) -> float:
    """Standard uncertainty of an error that lies anywhere within plus or minus `half_width`."""
    if not _IS_KEPT.get():
        return half_width / _SQRT_3
    given = half_width if isinstance(half_width, Derived) else Derived.of(half_width, [Term((float(half_width),))])
    root = Piece("÷", "√3")
    return given.each(float(half_width) / _SQRT_3, lambda term: replace(term, pieces=(*term.pieces, root)))


def shown_times(value: float, factor: float, text: str, *, numbers: Sequence[float] = (), unit: str = "1") -> float:
    """value × factor, remembered as `text` with its numbers, of which the factor's magnitude is made."""
    if not isinstance(value, Derived):
        return value * factor
    piece, sign = Piece("×", text, tuple(map(float, numbers)), unit), copysign(1.0, factor)
    return value.each(float(value) * factor, lambda term: replace(term.times(sign), pieces=(*term.pieces, piece)))


def times_amount(value: float, amount: float, unit: str) -> float:
    """value × a number in litres, kilograms, hours or kelvin, remembered by itself."""
    return shown_times(value, amount, "{}", numbers=[abs(amount)], unit=unit)


def shown_over(value: float, divisor: float) -> float:
    """value ÷ divisor, remembered as such."""
    if not isinstance(value, Derived):
        return value / divisor
    piece = Piece("÷", "{}", (float(divisor),))
    return value.each(float(value) / divisor, lambda term: replace(term, pieces=(*term.pieces, piece)))


def spread(*steps: NDArray[np.float64], over: int = 12) -> float:
    """
    √(sum of squares ÷ over): of changes that may have come at any moment of their steps (12), or that count wholly for
    one of a step's ends (3).
    """
    squares = sum([float(np.add.reduce(step**2)) for step in steps])
    value = sqrt(squares / over)
    if not _IS_KEPT.get():
        return value
    n_steps = sum(int(np.count_nonzero(step)) for step in steps)
    piece = Piece("×", "√({} ÷ {})", (float(n_steps), float(over)))
    return Derived.of(value, [Term((sqrt(squares / max(n_steps, 1)),), (piece,))])


def root_of_squares(parts: Sequence[tuple[float, int]]) -> float:
    """
    The root of the sum of the squares of some independent parts.

    Args:
        parts: Each with what its square is divided by: 12 for a full width of what is evenly spread, 3 for a half.
    """
    value = hypot(*(part / sqrt(over) for part, over in parts))
    if not _IS_KEPT.get():
        return value
    return Derived.of(value, [Term(tuple(float(part) for part, _ in parts), over=tuple(over for _, over in parts))])


def unheard_at_mean(total: float, heard: float) -> float:
    """
    What the part of the time (or water) that was not heard amounts to if it went on a fifth above the part that was.

    An amount that is missing whole is off by all of it as a rule, not at most.
    """
    value = total / heard * (1 - heard) * _ABOVE_MEAN
    if not _IS_KEPT.get():
        return value
    pieces = (Piece("×", "{}", (1.0 - heard,)), Piece("÷", "{}", (heard,)), Piece("×", "{}", (_ABOVE_MEAN,)))
    return Derived.of(value, [Term((float(total),), pieces)])


def quotient(above: float, below: float, words: str, *, units: tuple[str, str] = ("1", "1")) -> float:
    """
    above ÷ below, remembered with a name.

    Args:
        words: What it is, without its numbers.
        units: Of both, SI or a figure's.
    """
    value = above / below
    if not _IS_KEPT.get():
        return value
    named = Quotient(value)
    named.above, named.below, named.units, named.words = float(above), float(below), units, words
    return named


def part_of(part: float, whole: float, words: str) -> float:
    """An energy's part of another one, with a name; none of nothing. [J]"""
    return quotient(part, whole, words, units=("J", "J")) if whole > 0 else 0.0


def ratio_moves(ratio: float, below: float, names: tuple[str, str, str], *, unit: str) -> tuple[float, float]:
    """
    What a ratio moves by with what stands above its line, and with what stands below.

    Args:
        names: Of the ratio, of what stands above, and of what stands below.
        unit: Of both.
    """
    name, above, under = names
    return (
        quotient(1.0, below, f"What 1 kWh more {above} adds to the {name}, 1 ÷ {under}", units=("1", unit)),
        quotient(-ratio, below, f"What 1 kWh more {under} takes from the {name}, {name} ÷ {under}", units=("1", unit)),
    )
