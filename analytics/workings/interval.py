"""A figure's interval in numbers: ± = k × the root of the sum of squares of its standard uncertainties."""

from dataclasses import dataclass
from typing import Any

from analytics.doubt import Doubt
from analytics.workings.written import Number, Step, amount, multiplied, written

__all__ = ["Interval", "Source", "interval_of", "interval_to_json"]

_LEAST_PART = 1e-3  # of the variance, from which a source is named; the rest makes one line
_LEAST_FLAT = 0.01  # of the variance, from which a source's square counts in the flatness
_NOTE = (
    "f is 1.2 × the sum of the squared parts of the variance of what errs alike every day (limits of error, evenly "
    "spread): for one of them alone k is 1.645, for many sources 1.960."
)
_RECTANGULAR = 1.2  # of a source evenly spread within limits, its want of excess kurtosis


@dataclass(frozen=True, slots=True)
class Source:
    """A source of doubt: its standard uncertainty, its part of the variance, and whether it errs alike every day."""

    name: str
    u: Number
    part: float
    is_steady: bool


@dataclass(frozen=True, slots=True)
class Interval:
    """Sources, the largest first, and the sums that make the half-width of them."""

    sources: list[Source]
    steps: list[Step]
    note: str


def interval_of(doubt: Doubt, unit: str) -> Interval | None:
    """How a half-width comes about; None where there is no doubt."""
    if doubt.u == 0.0:
        return None
    parts = {**doubt.steady, **doubt.passing}
    shares = doubt.shares()
    named = [
        Source(name, _u(abs(parts[name]), unit), part, name in doubt.steady)
        for name, part in shares
        if part > _LEAST_PART
    ]
    rest = sum(parts[name] ** 2 for name, part in shares if part <= _LEAST_PART) ** 0.5
    if rest > 0.0:
        named.append(Source("all others together", _u(rest, unit), rest**2 / doubt.u**2, False))
    return Interval(named, _steps(doubt, named, unit), _NOTE)


def _u(value: float, unit: str) -> Number:
    return amount(value, unit, digits=4)


def _steps(doubt: Doubt, named: list[Source], unit: str) -> list[Step]:
    u, k = _u(doubt.u, unit), Number(doubt.half_width / doubt.u, 3)
    squares = " + ".join(f"{written(s.u.value, s.u.places)}²" for s in named)
    flat = Number(_RECTANGULAR * sum((c * c / doubt.u**2) ** 2 for c in doubt.steady.values()), 3)
    parts = " + ".join(f"{s.part:.3f}²" for s in named if s.is_steady and s.part > _LEAST_FLAT)
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
             "errs": "alike every day" if s.is_steady else "anew every day"}
            for s in interval.sources
        ],
        "steps": [
            {"what": s.what, "expression": s.expression, "value": s.result.value, "unit": s.result.unit,
             "shown": s.result.text, "text": s.text}
            for s in interval.steps
        ],
        "note": interval.note,
    }  # fmt: skip
