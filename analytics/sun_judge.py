"""
Irradiance sensors judged by the sun's own course: one that stands exactly still while the sun rises or sets is stuck.

Nothing beside it is needed: day and night are known from place and time. Limits are common practice, without source.
"""

from collections.abc import Iterator, Mapping
from math import nan

import numpy as np
from numpy.typing import NDArray

from analytics.expected.sun import sun_position
from analytics.plant import SensorFault, Standing
from analytics.site import Site

__all__ = ["LIT_W_M2", "NIGHT_DEG", "SHORTEST_S", "TURNED_DEG", "judge_sun", "still_proved_s", "sun_points"]

Array = NDArray[np.float64]

LIT_W_M2 = 20.0  # twilight with the sun three degrees down gives less than 1 W/m2
NIGHT_DEG = -3.0
SHORTEST_S = 1200.0  # exactly still in the night
TURNED_DEG = 25.0  # or while the sun climbs so far; a sensor at the end of its range does so around noon only
_LEVEL_S = 7200.0
_UP_DEG = 5.0  # below, a coarse sensor may show nothing
_DARK_TOO_LONG_S = 4 * 3600.0  # dark for so much longer than the night is
_DARK_S = 12 * 3600.0  # what is shorter is never looked at: every night has it
_STEP_S = 300.0


def sun_points(site: Site) -> list[str]:
    """The site's irradiance points, each once."""
    return list(dict.fromkeys(c.irradiance for c in site.collectors.values() if c.irradiance))


def judge_sun(
    site: Site,
    times_s: Mapping[str, Array],
    values: Mapping[str, Array],
    *,
    start_ms: int,
    before: Standing,
    after: Standing,
) -> Iterator[tuple[str, NDArray[np.bool_], SensorFault]]:
    """
    Irradiance readings to leave out, each stuck sensor with what to say of it; it is written into `after` as well.

    Args:
        times_s, values: Per point, seconds from the day's start and W/m2. Shape (n,) each
        start_ms: The day's start, milliseconds since 1970 UTC.
        before: Points that stood still at the end of the day before.
    """
    for point in sun_points(site):
        if point in values and len(values[point]) > 2:
            time_s, value = times_s[point], values[point]
            flags = _still(site, time_s, value, start_ms=start_ms, stood_at=before.stuck.get(point))
            if flags.any():
                if flags[-1]:
                    after.stuck[point] = float(value[-1])
                yield point, flags, _fault(point, time_s[flags], value[flags])


def _still(site: Site, time_s: Array, value: Array, *, start_ms: int, stood_at: float | None) -> NDArray[np.bool_]:
    flags = np.zeros(len(value), bool)
    rows = np.concatenate(([0], (value[1:] != value[:-1]).nonzero()[0] + 1, [len(value)]))
    starts, ends = rows[:-1], rows[1:] - 1
    if stood_at == value[0]:
        flags[: ends[0] + 1] = True
    shortest_s = np.where(value[starts] > LIT_W_M2, SHORTEST_S, _DARK_S)
    for index in (time_s[ends] - time_s[starts] >= shortest_s).nonzero()[0]:
        span = (float(time_s[starts[index]]), float(time_s[ends[index]]))
        if not np.isnan(still_proved_s(site, span, float(value[starts[index]]), start_ms=start_ms)):
            flags[starts[index] : ends[index] + 1] = True
    return flags


def still_proved_s(site: Site, span: tuple[float, float], value: float, *, start_ms: int) -> float:
    """
    When a sensor that stands still at a value is proved to be stuck; NaN where it may be right.

    Args:
        span: From when to when it stands still. [s]
    """
    at_s = np.arange(span[0], span[1] + 1.0, _STEP_S)
    since_s = at_s - span[0]
    if value > LIT_W_M2:
        height_deg = _height_deg(site, at_s, start_ms)
        in_night_s = np.cumsum(height_deg < NIGHT_DEG) * _STEP_S
        turned_deg = np.maximum.accumulate(height_deg) - np.minimum.accumulate(height_deg)
        proved = (in_night_s > SHORTEST_S) | ((turned_deg >= TURNED_DEG) & (since_s >= _LEVEL_S))
    else:
        # A wrong clock puts the night's zeros into the day; no clock makes the night longer.
        whole_day_s = np.arange(0.0, 86400.0, _STEP_S)
        night_s = float(np.count_nonzero(_height_deg(site, whole_day_s, start_ms) < _UP_DEG)) * _STEP_S
        proved = since_s >= max(night_s + _DARK_TOO_LONG_S, _DARK_S)
    first = proved.nonzero()[0]
    return float(at_s[first[0]]) if len(first) else nan


def _height_deg(site: Site, at_s: Array, start_ms: int) -> Array:
    at_ms = start_ms + at_s * 1000.0
    return sun_position(at_ms, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg)[0]


def _fault(point: str, time_s: Array, value: Array) -> SensorFault:
    hours = float(time_s[-1] - time_s[0]) / 3600.0
    sentence = f"{point} stood still at {value[0]:g} W/m2 for {hours:.1f} h while the sun rose or set; left out."
    span = (float(time_s[0]), float(time_s[-1]))
    return SensorFault(point, "stuck", *span, len(value), sentence, stood_at=float(value[0]))
