"""The sun over a house that does not measure it, as far as several houses near by agree on it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from statistics import median

__all__ = ["LEAST_HOUSES", "NearbySun", "agreed_sun"]

LEAST_HOUSES = 3
"""So many must agree before their word counts against a house: of two that differ, nobody knows which is right."""

_AGREE_PART = 0.12  # of a cloudless sky: clouds differ so much within 30 km on a day (common practice)


@dataclass(frozen=True, slots=True, kw_only=True)
class NearbySun:
    """
    Args:
        parts: By day, the part of a cloudless sky's irradiation; only days on which enough houses agreed.
        houses: By day, how many agreed.
        within_km: How far the farthest of the houses is.
    """

    parts: Mapping[date, float] = field(default_factory=dict)
    houses: Mapping[date, int] = field(default_factory=dict)
    within_km: float = 0.0


def agreed_sun(told: Mapping[date, Sequence[float]], *, within_km: float) -> NearbySun:
    """
    What houses near by measured, where at least LEAST_HOUSES agree.

    Args:
        told: By day, each house's part of a cloudless sky's irradiation in its own plane.
        within_km: Distance of the farthest of them.
    """
    parts, houses = {}, {}
    for day, each in told.items():
        middle = median(each)
        agreeing = [part for part in each if abs(part - middle) <= _AGREE_PART]
        if len(agreeing) >= LEAST_HOUSES:
            parts[day], houses[day] = median(agreeing), len(agreeing)
    return NearbySun(parts=parts, houses=houses, within_km=within_km)
