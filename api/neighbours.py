"""The sun over a house that does not measure it: what houses near by measured."""

from collections.abc import Mapping, Sequence
from datetime import date
from math import asin, cos, radians, sin, sqrt
from statistics import median

from sqlalchemy.orm import Session

from analytics.expected.conditions import conditions_of
from analytics.expected.nearby import LEAST_HOUSES, NearbySun, agreed_sun
from analytics.figures import DayLedger
from analytics.site import Site
from api.day_rows import ledgers
from api.sites import present_sites

__all__ = ["NEAR_KM", "distance_km", "sky_of_neighbours", "sun_nearby"]

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
    near = _near(session, site)
    told = _told(session, [other for _, other in near], first="", last="9999-12-31")
    return {day: median(parts) for day, parts in told.items()} if near else None


def sun_nearby(session: Session, site: Site, *, first: date, last: date) -> NearbySun | None:
    """
    The same of the days first..last as far as it is worth an alarm: of days on which enough houses agree.

    None where the house measures the sun itself, has no collector, or too few houses within NEAR_KM measure it.
    """
    near = _near(session, site)
    if len(near) < LEAST_HOUSES:
        return None
    told = _told(session, [other for _, other in near], first=first.isoformat(), last=last.isoformat())
    return agreed_sun(told, within_km=near[-1][0])


def _near(session: Session, site: Site) -> list[tuple[float, Site]]:
    """The nearest houses that measure the sun, with their distances; none for a house that has no need of them."""
    if not any(collector.irradiance is None for collector in site.collectors.values()):
        return []
    others = [
        (distance_km(site, other), other)
        for other in present_sites(session).values()
        if other.id != site.id and any(collector.irradiance for collector in other.collectors.values())
    ]
    nearest = sorted(others, key=lambda pair: pair[0])
    return [(far, other) for far, other in nearest if far <= NEAR_KM][:_MOST_NEIGHBOURS]


def _told(session: Session, others: Sequence[Site], *, first: str, last: str) -> dict[date, list[float]]:
    """By day, what each house tells."""
    told: dict[date, list[float]] = {}
    for other in others:
        for day in ledgers(session, other.id, first=first, last=last):
            parts = [part for each in other.collectors if (part := _part_of_ceiling(day, each)) is not None]
            if parts:
                told.setdefault(day.day, []).append(median(parts))
    return told


def _part_of_ceiling(day: DayLedger, collector: str) -> float | None:
    conditions = conditions_of(day)
    sun, ceiling = (conditions.get(f"collector.{collector}.{each}_kwh_m2") for each in ("irradiation", "ceiling"))
    return None if sun is None or not ceiling else sun / ceiling
