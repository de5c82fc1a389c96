"""
A source of doubt in numbers: the limit or part that is stated, what it is divided by, what it is multiplied with.

The numbers are those that the doubt was made of (`analytics.derived`), brought to the units of the edges.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import floor, isclose, log10, prod

from analytics.derived import Derived, Piece, Quotient, Term
from analytics.units import kwh_from_j
from analytics.workings.written import Number, Step, added, exact

__all__ = ["Derivation", "derivation_of", "many_digits"]

_DIGITS = 5
_DIGITS_OF_QUOTIENTS = 7  # what one adds and another takes may nearly cancel
_MOST_PLACES = 12
_KWH_PER_J = kwh_from_j(1.0)
_STATED_PLACES = 4  # what is stated has no more decimals than this


@dataclass(frozen=True, slots=True)
class Derivation:
    """
    How a standard uncertainty is worked out.

    Args:
        expression: A sum for a calculator; empty where nothing of it is known.
        quotients: Sums that give the named numbers in it.
        terms: What it was written from.
    """

    expression: str
    quotients: Sequence[Step]
    terms: Sequence[Term]


def derivation_of(value: float, unit: str) -> Derivation | None:
    """How a source's standard uncertainty came about, in the unit of its figure; None where that was not kept."""
    if not isinstance(value, Derived):
        return None
    groups = _groups([term for term in value.terms if _counts(term)])
    groups = [group for group in groups if not _cancels(group)]
    groups.sort(key=lambda group: _is_less(group, than=float(value)))
    text = ""
    for group in groups:
        negative = _is_less(group, than=float(value))
        joint = f" {'−' if negative else '+'} " if text else "−" if negative and len(groups) > 1 else ""
        text += joint + _product(group, unit, negative=_own_sum(group) < 0)
    steps = [_named(factor) for group in groups for factor in _telling(group[0].factors)]
    return Derivation(text, list(dict.fromkeys(steps)), [group[0] for group in groups])


def many_digits(value: float, unit: str, *, digits: int = _DIGITS) -> Number:
    """A number with enough digits that a product of some of them still gives four; rounded, so never without places."""
    if value == 0.0:
        return Number(0.0, 0, unit)
    return Number(value, min(max(digits - 1 - floor(log10(abs(value))), 1), _MOST_PLACES), unit)


def _counts(term: Term) -> bool:
    """Whether a term is more than nothing."""
    alone = (number for piece in term.pieces if piece.text == "{}" for number in piece.numbers)
    return any(term.own) and all(term.factors) and all(alone)


def _groups(terms: Sequence[Term]) -> list[list[Term]]:
    """Terms with the same pieces and factors stand together; what is their own is added up in parentheses."""
    groups: list[list[Term]] = []
    for term in terms:
        alike = next((g for g in groups if not term.over and _alike(g[0], term)), None)
        if alike is None:
            groups.append([term])
        else:
            alike.append(term)
    return groups


def _alike(one: Term, other: Term) -> bool:
    factors = [(float(factor), factor.words) for factor in one.factors]
    return (
        not one.over
        and one.pieces == other.pieces
        and factors == [(float(factor), factor.words) for factor in other.factors]
    )


def _cancels(group: Sequence[Term]) -> bool:
    """Whether its parts take each other away: an error that stands at both ends of a day."""
    return abs(_own_sum(group)) < 1e-9 * abs(_own_sum(group[:1]))


def _own_sum(group: Sequence[Term]) -> float:
    """Of a root of squares the sign tells, which all of its parts have that are not nothing."""
    return sum(next((own for own in term.own if own), 0.0) for term in group)


def _is_less(group: Sequence[Term], *, than: float) -> bool:
    """Whether a group is taken away from the others, so that the whole is more than nothing."""
    sign = _own_sum(group) * prod(map(float, group[0].factors))
    return (sign < 0) != (than < 0)


def _product(group: Sequence[Term], unit: str, *, negative: bool) -> str:
    term = group[0]
    own, pieces = _own(group, unit, negative=negative), [(p.sign, _piece(p)) for p in term.pieces]
    if term.pieces and (term.pieces[0].is_part or term.pieces[0].unit in ("K", "W")):
        parts = [*pieces, ("×", own)]
    else:
        parts = [("×", own), *pieces]
    parts += [("×", _result(factor).text) for factor in _telling(term.factors)]
    first, *rest = parts
    return first[1] + "".join(f" {sign} {text}" for sign, text in rest)


def _telling(factors: Sequence[Quotient]) -> list[Quotient]:
    """Those that are not one: a meter that serves one purpose only has no part to speak of."""
    return [factor for factor in factors if not isclose(abs(float(factor)), 1.0, rel_tol=1e-9)]


def _own(group: Sequence[Term], unit: str, *, negative: bool) -> str:
    """What stands in the figure's own unit (per kelvin): one number, a sum in parentheses, or a root of squares."""
    term, scale = group[0], 1.0 / prod(_scale(factor) for factor in group[0].factors)
    units = sorted({piece.unit for piece in term.pieces} - {"1"}, key=lambda each: each == "K")
    per = f"/({' '.join(units)})" if len(units) > 1 else "".join(f"/{each}" for each in units)
    shown = f"{_own_unit(unit, term.factors)}{per}"
    if term.over:
        return f"√({_squares(term, scale)}) {shown}".rstrip()
    sign = -scale if negative else scale
    numbers = [many_digits(each.own[0] * sign, shown) for each in group]
    if len(numbers) == 1:
        return numbers[0].text
    places = max(number.places for number in (*numbers, many_digits(sum(n.value for n in numbers), "")))
    return f"({added([(1.0, replace(number, places=places, unit='')) for number in numbers])}) {shown}".rstrip()


def _squares(term: Term, scale: float) -> str:
    parts = [
        (many_digits(abs(own) * scale, "").text, over) for own, over in zip(term.own, term.over, strict=True) if own
    ]
    return " + ".join(f"{text}²" if over == 1 else f"{text}² ÷ {over}" for text, over in parts)


def _own_unit(unit: str, factors: Sequence[Quotient]) -> str:
    """The figure's unit without those that the quotients bring."""
    power = Counter({_edge_unit(unit): 1})
    for factor in factors:
        above, below = (_edge_unit(each) for each in factor.units)
        power[above] -= 1
        power[below] += 1
    return " ".join(each for each, count in power.items() if each and count > 0)


def _piece(piece: Piece) -> str:
    if piece.is_part:
        return f"{_stated(100.0 * piece.numbers[0]).text} %"
    unit = "" if piece.unit == "1" else piece.unit
    if piece.text == "{}":
        return _stated(piece.numbers[0], unit).text
    return piece.text.format(*(_stated(number).text for number in piece.numbers)) + (f" {unit}" if unit else "")


def _stated(value: float, unit: str = "", *, digits: int = _DIGITS) -> Number:
    """As it is stated where that is short, else with enough digits."""
    if isclose(value, round(value, _STATED_PLACES), rel_tol=1e-12):
        return exact(round(value, _STATED_PLACES), unit)
    return many_digits(value, unit, digits=digits)


def _scale(factor: Quotient) -> float:
    """From the SI units of a quotient to those that are shown."""
    above, below = (_KWH_PER_J if unit == "J" else 1.0 for unit in factor.units)
    return above / below


def _result(factor: Quotient) -> Number:
    above, below = (_edge_unit(unit) for unit in factor.units)
    unit = "" if above == below else f"{above}/{below}" if above and below else above or f"per {below}"
    return _stated(abs(float(factor)) * _scale(factor), unit, digits=_DIGITS_OF_QUOTIENTS)


def _edge_unit(unit: str) -> str:
    return {"J": "kWh", "1": ""}.get(unit, unit)


def _named(factor: Quotient) -> Step:
    """The sum that gives a named number."""
    (above, above_unit), (below, below_unit) = (
        (abs(value) * (_KWH_PER_J if unit == "J" else 1.0), _edge_unit(unit))
        for value, unit in zip((factor.above, factor.below), factor.units, strict=True)
    )
    found = _result(factor)
    if below == 1.0:
        return Step(factor.words, found.text, found)
    above_text, below_text = (
        _stated(value, unit, digits=_DIGITS_OF_QUOTIENTS).text
        for value, unit in ((above, above_unit), (below, below_unit))
    )
    return Step(factor.words, f"{above_text} ÷ {below_text}", found)
