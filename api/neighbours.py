"""The sun over a house that does not measure it: what houses near by measured."""

from collections.abc import Mapping
from datetime import date
from math import asin, cos, radians, sin, sqrt
from statistics import median

from sqlalchemy.orm import Session

from analytics.expected.conditions import conditions_of
from analytics.figures import DayLedger
from analytics.site import Site
from api.day_rows import ledgers
from api.sites import present_sites

__all__ = ["NEAR_KM", "distance_km", "sky_of_neighbours"]

NEAR_KM = 30.0
"""So far a day's irradiation says something of another place (common practice; clouds differ more the further)."""

_MOST_NEIGHBOURS = 5
_EARTH_KM = 6371.0


def distance_km(one: Site, other: Site) -> float:
    """Along the sphere (haversine)."""
    north, east = radians(other.latitude_deg - one.latitude_deg), radians(other.longitude_deg - one.longitude_deg)
    part = sin(north / 2) ** 2 + cos(radians(one.latitude_deg)) * cos(radians(other.latitude_deg)) * sin(east / 2) ** 2
    return 2 * _EARTH_KM * asin(min(1.0, sqrt(part)))


def sky_of_neighbours(session: Session, site: Site) -> Mapping[date, float] | None:
    """
    By day, the part of a cloudless sky's irradiation that the nearest houses measured, each in its own plane.

    None where the house measures the sun itself, has no collector, or no house within NEAR_KM measures it.
    """
    if not any(collector.irradiance is None for collector in site.collectors.values()):
        return None
    others = [
        (distance_km(site, other), other)
        for other in present_sites(session).values()
        if other.id != site.id and any(collector.irradiance for collector in other.collectors.values())
    ]
    near = [other for far, other in sorted(others, key=lambda pair: pair[0]) if far <= NEAR_KM][:_MOST_NEIGHBOURS]
    if not near:
        return None
    told: dict[date, list[float]] = {}
    for other in near:
        for day in ledgers(session, other.id):
            for collector in other.collectors:
                part = _part_of_ceiling(day, collector)
                if part is not None:
                    told.setdefault(day.day, []).append(part)
    return {day: median(parts) for day, parts in told.items()}


def _part_of_ceiling(day: DayLedger, collector: str) -> float | None:
    conditions = conditions_of(day)
    sun, ceiling = (conditions.get(f"collector.{collector}.{each}_kwh_m2") for each in ("irradiation", "ceiling"))
    return None if sun is None or not ceiling else sun / ceiling
