"""
What one day tells of a pair of sensors that belong together: carried in the day's ledger, so that days can be combined.

A day alone is often too quiet or too busy to judge a sensor by; a detector looks at the days' checks together.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

__all__ = [
    "AT_A_LOOP",
    "ONE_ROOM_K",
    "Moments",
    "PairCheck",
    "PairMethod",
    "pair_checks_from_json",
    "pair_checks_to_json",
]

PairMethod = Literal["rest", "circulation", "mixed", "inverted", "order", "draw", "layers", "valve", "inlet", "roof"]
"""
rest: a loop's two pipes stood still until both were level. circulation: fluid moved and no heat was exchanged.
mixed: two heights of a tank while its water turned over. inverted: two heights of a tank while the lower one read
clearly more. order: the sign that the physics gives, in working hours. draw, layers, valve: late in draws
(`analytics.outlet_pairs`). roof: a collector's pair at a night's end, beside the air (`analytics.roof_rest`).
"""

AT_A_LOOP: Sequence[PairMethod] = ("circulation", "rest")
"""How a loop's two pipes are held against each other where both must read the same."""

Moments = tuple[float, ...]
"""
Moments of a day's rests beside a tank (`analytics.beside_tank`), empty where there was none: their number; the means of
second - first of the pipes and of how much warmer each of the tank's sensors was than the cooler pipe, top to bottom;
the upper half of the sums of products of these about their means. [K], [K2]
"""

ONE_ROOM_K = 1.5
"""Beyond it a collector's two resting pipes may stand in different rooms (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairCheck:
    """
    One day's finding about two sensors.

    Args:
        component: Id of the loop or tank.
        first, second: Point ids: entering and leaving; the upper and the lower of a tank.
        difference_k: Mean of second - first where both should read the same; for "order", of what should be warmer
            minus what should be cooler, so that a negative one contradicts the physics. [K]
        u_k: Standard uncertainty of the difference by scatter and by the rest's drift. [K]
        minutes: How long the moments lasted in all.
        start_s, end_s: The longest of them, in seconds from the day's start.
        kwh_per_k: Heat by which one kelvin of difference shifts the day's heat of the component; 0 where none. [kWh/K]
        wrong_part: For "order": the part of the moments whose sign contradicts the physics, 0 to 1.
        rounding_k: By how much coarse steps of the two alone may make them differ. [K]
        beside_k: Of a rest beside a tank: how much warmer its water was, at the loop's upper and at its lower port,
            than the cooler of the two; empty where that is not known. [K]
        first_degc: Of a rest: what the first of the two read. [degC]
        air_degc: Of a collector's night: the air outdoors. [degC]
        moments: Of a rest beside a tank.
    """

    component: str
    first: str
    second: str
    method: PairMethod
    difference_k: float
    u_k: float
    minutes: float
    start_s: float
    end_s: float
    kwh_per_k: float = 0.0
    wrong_part: float = 0.0
    rounding_k: float = 0.0
    beside_k: tuple[float, ...] = ()
    first_degc: float | None = None
    air_degc: float | None = None
    moments: Moments = ()


def pair_checks_to_json(checks: Iterable[PairCheck]) -> list[dict[str, Any]]:
    """Plain values, in the order given."""
    told = [
        {name: getattr(check, name) for name in PairCheck.__dataclass_fields__}
        | {name: list(getattr(check, name)) for name in _ROWS}
        for check in checks
    ]
    # What is rare is left out; kept days stay small.
    return [{name: each for name, each in one.items() if name not in _RARE or each not in _NOTHING} for one in told]


def pair_checks_from_json(data: Iterable[dict[str, Any]]) -> tuple[PairCheck, ...]:
    """The inverse of `pair_checks_to_json`."""
    return tuple(PairCheck(**{**each, **{name: tuple(each.get(name, ())) for name in _ROWS}}) for each in data)


_ROWS = ("beside_k", "moments")
_RARE = ("rounding_k", "first_degc", "air_degc", *_ROWS)
_NOTHING: Sequence[object] = (0.0, [], None)
