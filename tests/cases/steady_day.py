"""A plain invented day for any site: every sensor works, every pump runs for a while, the taps open three times."""

from collections.abc import Mapping

import numpy as np

from analytics.site import Point, Site
from analytics.trace import LocalDay, Trace
from analytics.units import convert, si_unit

__all__ = ["steady_day"]

_STEP_S = 60.0


def steady_day(site: Site, day: LocalDay) -> Mapping[str, Trace]:
    """Readings of every point, a minute apart, from an hour before the day to an hour after it."""
    time_ms = np.arange(day.start_ms - 3_600_000, day.end_ms + 3_600_001, round(_STEP_S * 1000))
    hour = (time_ms - day.start_ms) / 3.6e6
    courses = _courses(site, hour)
    return {id: Trace(time_ms, _as_read(point, courses[id], hour)) for id, point in site.points.items()}


def _as_read(point: Point, value_si: np.ndarray, hour: np.ndarray) -> np.ndarray:
    """In the point's unit, a counter added up, with a ripple on temperatures, for no sensor is ever quite still."""
    if point.quantity == "temperature":
        value_si = value_si + 0.05 * np.sin(hour * 40.0)
    if point.sampling == "counter":
        value_si = np.cumsum(value_si) * _STEP_S
    read = convert(value_si, point.quantity, from_unit=si_unit(point.quantity, point.unit), to_unit=point.unit)
    return np.asarray(read)


def _while(hour: np.ndarray, *spans: tuple[float, float]) -> np.ndarray:
    return np.sum([(hour >= start) & (hour < end) for start, end in spans], axis=0).astype(float)


def _courses(site: Site, hour: np.ndarray) -> Mapping[str, np.ndarray]:
    """In SI, by point: what the roles that the site gives to a point ask for."""
    still = {"temperature": 45.0, "irradiance": 500.0, "speed": 10.0}
    courses = {id: np.full(len(hour), still.get(point.quantity, 0.0)) for id, point in site.points.items()}
    works, cools = _while(hour, (2, 5), (9, 13), (15, 18)), _while(hour, (15, 18))
    for loop in site.loops.values():
        gain_k = np.where(cools > 0, 4.0, -4.0) if loop.id in _sources(site) else 8.0
        _set(courses, loop.entering, np.full(len(hour), 8.0 if loop.id in _sources(site) else 30.0))
        _set(courses, loop.leaving, (8.0 if loop.id in _sources(site) else 30.0) + gain_k * works)
        _set(courses, loop.flow, 2e-4 * works)
        _set(courses, loop.energy, 3000.0 * works)
        if loop.pump:
            _set(courses, loop.pump, works * (60.0 if site.points[loop.pump].quantity == "power" else 1.0))
    for pump in site.heat_pumps.values():
        _set(courses, pump.power, 1500.0 * works)
    for heater in site.heaters.values():
        _set(courses, heater.power, 2000.0 * works)
        _set(courses, heater.status, works)
    _water(site, courses, hour)
    return courses


def _water(site: Site, courses: dict[str, np.ndarray], hour: np.ndarray) -> None:
    water = site.hot_water
    if water is None:
        return
    draw = 1.3e-4 * _while(hour, (7, 7.2), (12, 12.1), (19, 19.3))
    _set(courses, water.flow, draw)
    _set(courses, water.volume, draw)
    levels = {water.cold: 10.0, water.hot: 52.0, water.heated: 55.0, water.mixed: 48.0}
    for point, level in {**levels, **dict.fromkeys(water.between, 35.0)}.items():
        _set(courses, point, np.full(len(hour), level))


def _set(courses: dict[str, np.ndarray], point: str | None, course: np.ndarray) -> None:
    if point is not None:
        courses[point] = course


def _sources(site: Site) -> set[str]:
    return {pump.source_loop for pump in site.heat_pumps.values()}
