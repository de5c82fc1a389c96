"""Plant's days for the detectors' tests: an invented house, a day on which all is well, and changes to it."""

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analytics.plant import PlantDay
from analytics.reading import read_plant
from analytics.site import Site
from analytics.site_file import parse_site
from analytics.trace import Trace, local_day

__all__ = ["DAY", "Change", "changed", "healthy_day", "house", "minute", "plant_of"]

DAY = date(2026, 4, 14)
"""An ordinary day of 24 hours in the house's time zone."""

_MINUTES = np.arange(1440)
_MARGIN_S = 7200
_HOUSE = Path(__file__).parent / "cases" / "detection_house.toml"

Courses = dict[str, NDArray[np.float64]]

Change = tuple[str, str, float | Sequence[float] | None]
"""From, until ("HH:MM"), and a value, a ramp [first, last], or None for silence."""


def house(**replacements: str) -> Site:
    """The house; `replacements` exchange pieces of its file, old for new: house(**{'old text': 'new text'})."""
    text = _HOUSE.read_text(encoding="utf-8")
    for old, new in replacements.items():
        assert old in text, f"{old!r} is not in {_HOUSE.name}"
        text = text.replace(old, new)
    return parse_site(text, file=_HOUSE.name)


def minute(clock: str) -> int:
    """Minute of the day of "HH:MM"."""
    hours, minutes = clock.split(":")
    return int(hours) * 60 + int(minutes)


def _between(start: str, end: str) -> NDArray[np.bool_]:
    first, last = minute(start), minute(end)
    return (first <= _MINUTES) & (last > _MINUTES)


def healthy_day() -> Courses:
    """A sunny spring day on which everything works, a value a minute, in the points' own units."""
    draws = _between("07:00", "07:06") | _between("12:00", "12:04") | _between("19:00", "19:09")
    element = _between("05:30", "06:10")
    runs = (_MINUTES % 90 < 30) & _between("00:00", "23:59")
    courses = _path(draws) | _solar() | _ground(runs)
    courses |= {
        "element.power": np.where(element, 4500.0, 0.0),
        "solar.top": 54.0 + 3.0 * np.sin(2 * np.pi * _MINUTES / 1440),
        "outdoor.temp": 12.0 + 4.0 * np.sin(2 * np.pi * (_MINUTES - 540) / 1440),
    }
    return {point: _with_noise(point, course) for point, course in courses.items()}


def _with_noise(point: str, course: NDArray[np.float64]) -> NDArray[np.float64]:
    """A tenth of a degree of unrest on temperatures, the same on each call."""
    if not point.endswith(("temp", "entering", "leaving", "top", "bottom", "out")):
        return course
    return course + np.random.default_rng(len(point) * 31 + ord(point[0])).normal(0.0, 0.03, len(course))


def _path(draws: NDArray[np.bool_]) -> Courses:
    return {
        "draw.flow": np.where(draws, 8.0, 0.0),
        "cold.temp": np.where(draws, 10.0, 17.0),
        "preheat.out": np.where(draws, 28.0, 21.0),
        "hot.temp": np.where(draws, 55.0, 30.0),
        "mixed.temp": np.where(draws, 48.5, 24.0),
        "preheat.top": 29.0 + np.sin(2 * np.pi * _MINUTES / 360),
        "preheat.bottom": 24.0 + np.sin(2 * np.pi * _MINUTES / 360),
    }


def _solar() -> Courses:
    sun = np.clip(880.0 * np.sin(np.pi * (_MINUTES - 390) / 660), 0.0, None) * _between("06:30", "17:30")
    runs = _between("08:20", "16:40")
    bottom = np.interp(_MINUTES, [0, 500, 1000, 1439], [28.0, 24.0, 44.0, 36.0])
    # By hand: 5 m2 x (0.76 G - 3.6 dT - 0.012 dT^2), dT about 25 K; 5 l/min of brine takes 330 W/K.
    power_w = np.clip(5.0 * (0.76 * sun - 3.6 * 25.0 - 0.012 * 625.0), 0.0, None)
    return {
        "collector.sun": sun,
        "collector.pump": np.where(runs, 38.0, 0.0),
        "collector.flow": np.where(runs, 5.0, 0.0),
        "collector.entering": np.where(runs, bottom + 1.0, 20.0),
        "collector.leaving": np.where(runs, bottom + 1.0 + power_w / 330.0, 16.0),
        "solar.bottom": bottom,
    }


def _ground(runs: NDArray[np.bool_]) -> Courses:
    return {
        "hp.power": np.where(runs, 2300.0, 8.0),
        "ground.pump": np.where(runs, 120.0, 0.0),
        "ground.flow": np.where(runs, 28.0, 0.0),
        "ground.entering": np.where(runs, 6.0, 9.0),
        "ground.leaving": np.where(runs, 2.5, 9.0),
        "dsh.pump": np.where(runs, 1.0, 0.0),
        "dsh.flow": np.where(runs, 6.0, 0.0),
        "dsh.entering": np.where(runs, 25.0, 23.0),
        "dsh.leaving": np.where(runs, 28.0, 23.0),
    }


def changed(courses: Mapping[str, NDArray[np.float64]], changes: Mapping[str, Sequence[Change]]) -> Courses:
    """The courses with stretches replaced; NaN where a point is to be silent. The input stays as it is."""
    result = {point: course.copy() for point, course in courses.items()}
    for point, stretches in changes.items():
        for start, end, value in stretches:
            first, last = minute(start), minute(end)
            first_value, last_value = _ramp(value)
            result[point][first:last] = np.linspace(first_value, last_value, last - first)
    return result


def _ramp(value: float | Sequence[float] | None) -> tuple[float, float]:
    if value is None:
        return np.nan, np.nan
    if isinstance(value, Sequence):
        return value[0], value[1]
    return value, value


def plant_of(
    site: Site,
    courses: Mapping[str, NDArray[np.float64]],
    *,
    day: date = DAY,
    until: str | None = None,
    before: Mapping[str, NDArray[np.float64]] | None = None,
) -> PlantDay:
    """
    The plant's day as the program reads it from readings at each point's own interval.

    Args:
        courses: A value a minute of the day, in the points' own units; days of another length repeat or cut it.
        until: For a day in progress, "HH:MM" since its start.
        before: The evening before, a healthy one unless told; empty for none at all.
    """
    local = local_day(day, site.timezone)
    until_ms = None if until is None else local.start_ms + minute(until) * 60_000
    last_ms = until_ms if until_ms is not None else local.end_ms
    earlier = healthy_day() if before is None else before
    traces = {}
    for point in site.points.values():
        step_ms = round(point.interval_s * 1000)
        now_ms = np.arange(local.start_ms + step_ms // 2, last_ms, step_ms)
        now = courses[point.id][(now_ms - local.start_ms) // 60_000 % 1440]
        past_ms = np.arange(local.start_ms - _MARGIN_S * 1000 + step_ms // 2, local.start_ms, step_ms)
        past = np.full(len(past_ms), np.nan)
        if point.id in earlier:
            past = earlier[point.id][(past_ms - local.start_ms) // 60_000 % 1440]
        time_ms, value = np.concatenate((past_ms, now_ms)), np.concatenate((past, now))
        known = ~np.isnan(value)
        traces[point.id] = Trace(time_ms[known].astype(np.int64), value[known])
    return read_plant(site, traces, local, until_ms=until_ms)
