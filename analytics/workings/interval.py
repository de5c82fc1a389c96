"""A figure's interval in numbers: ± = k × the root of the sum of squares of its standard uncertainties."""

from dataclasses import dataclass, replace
from math import hypot
from typing import Any

from analytics.derived import Derived
from analytics.doubt import Doubt
from analytics.workings.doubt_words import Errs, because, carried, hints
from analytics.workings.doubts import derivation_of
from analytics.workings.written import Number, Step, amount, multiplied, written

__all__ = ["Interval", "Source", "interval_of", "interval_to_json"]

# Of the variance, from which a source is named: what is less changes none of the digits that are shown. Over a period
# the small ones make one line.
_LEAST_PART = 1e-6
_LEAST_PART_CARRIED = 1e-3
_LEAST_FLAT = 0.003  # of the variance, from which a source's square counts in the flatness
_NOTE = (
    "f is 1.2 × the sum of the squared parts of the variance of what errs alike every day (limits of error, evenly "
    "spread): for one of them alone k is 1.645, for many sources 1.960."
)
_RECTANGULAR = 1.2  # of a source evenly spread within limits, its want of excess kurtosis


@dataclass(frozen=True, slots=True)
class Source:
    """
    A source of doubt: its standard uncertainty, its part of the variance, and how it errs from day to day.

    Args:
        expression: The sum that gives its standard uncertainty; empty where a table does.
        because: Why there is doubt, as a sentence.
        quotients: Sums that give named numbers in the expression.
    """

    name: str
    u: Number
    part: float
    errs: Errs
    expression: str = ""
    because: str = ""
    quotients: tuple[Step, ...] = ()


@dataclass(frozen=True, slots=True)
class Interval:
    """
    Sources, the largest first, and the sums that make the half-width of them.

    Args:
        quotients: Sums that give named numbers in the sources' sums.
        hints: How the sources' sums are read.
    """

    sources: list[Source]
    quotients: list[Step]
    hints: list[str]
    steps: list[Step]
    note: str


def interval_of(doubt: Doubt, unit: str) -> Interval | None:
    """
    How a half-width comes about; None where there is no doubt.

    Of a day accounted within `analytics.derived.derivations_kept` every source has its own sum; of days added up, the
    working's tables carry them.
    """
    if doubt.u == 0.0:
        return None
    parts = doubt.by_source
    is_day = any(isinstance(u, Derived) for u in parts.values())
    least = _LEAST_PART if is_day else _LEAST_PART_CARRIED
    named = [
        _source(name, parts[name], unit, part=part, errs=_errs(name, doubt), is_day=is_day)
        for name, part in doubt.shares()
        if part > least
    ]
    small = {name: parts[name] for name, part in doubt.shares() if 0.0 < part <= least}
    if small and not is_day:
        named.append(_all_others(small, unit, of_u=doubt.u))
    quotients = list(dict.fromkeys(step for source in named for step in source.quotients))
    return Interval(named, quotients, hints([s.expression for s in named]), _steps(doubt, named, unit), _NOTE)


def _errs(source: str, doubt: Doubt) -> Errs:
    if source in doubt.steady:
        return "alike every day"
    return "at the days' ends" if source in doubt.ends else "anew every day"


def _source(name: str, value: float, unit: str, *, part: float, errs: Errs, is_day: bool) -> Source:
    u, found = _u(abs(float(value)), unit), derivation_of(value, unit)
    if found is None:
        return Source(name, u, part, errs, "", "" if is_day else carried(errs))
    why = because(name, found.terms)
    return Source(name, u, part, errs, found.expression, why, tuple(found.quotients))


def _all_others(small: dict[str, float], unit: str, *, of_u: float) -> Source:
    """Those that are too small to be named alone: the root of the sum of their squares."""
    u = hypot(*small.values())
    squares = " + ".join(f"{_u(abs(value), '').text}²" for value in small.values())
    return Source(
        "all others together", _u(u, unit), (u / of_u) ** 2, "anew every day", f"√({squares})", f"{', '.join(small)}."
    )


def _u(value: float, unit: str) -> Number:
    """Four digits, and a place at the least: without any a number counts as exact."""
    number = amount(value, unit, digits=4)
    return replace(number, places=max(number.places, 1))


def _steps(doubt: Doubt, named: list[Source], unit: str) -> list[Step]:
    u, k = _u(doubt.u, unit), Number(doubt.half_width / doubt.u, 3)
    squares = " + ".join(f"{written(s.u.value, s.u.places)}²" for s in named)
    flat = Number(_RECTANGULAR * sum((c * c / doubt.u**2) ** 2 for c in doubt.steady.values()), 3)
    parts = " + ".join(f"{s.part:.3f}²" for s in named if s.errs == "alike every day" and s.part > _LEAST_FLAT)
    return [
        Step("Standard uncertainty u", f"√({squares})", u),
        Step("Flatness f", f"{_RECTANGULAR} × ({parts or '0'})", flat),
        Step("k", f"1.960 + 0.0692 × {flat.text} − 0.2764 × {flat.text}²", k),
        Step("± = k × u", multiplied([k, u]), _u(doubt.half_width, unit)),
    ]


def interval_to_json(interval: Interval | None) -> dict[str, Any] | None:
    """An interval as plain JSON data."""
    if interval is None:
        return None
    return {
        "sources": [
            {"source": s.name, "standard_uncertainty": s.u.value, "shown": s.u.text, "part_of_variance": s.part,
             "errs": s.errs,
             "expression": s.expression, "because": s.because}
            for s in interval.sources
        ],
        "quotients": [_step_to_json(step) for step in interval.quotients],
        "hints": interval.hints,
        "steps": [_step_to_json(step) for step in interval.steps],
        "note": interval.note,
    }  # fmt: skip


def _step_to_json(step: Step) -> dict[str, Any]:
    number = step.result
    return {
        "what": step.what, "expression": step.expression, "value": number.value, "unit": number.unit,
        "shown": number.text, "text": step.text,
    }  # fmt: skip
