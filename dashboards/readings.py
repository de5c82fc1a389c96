"""The newest readings, calibrated and written for people, with a word on how old they are."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from analytics.site import Point, Site
from analytics.units import si_unit, to_si
from dashboards.contexts import Latest
from dashboards.names import point_name
from dashboards.numbers import Display, show_age, show_quantity

__all__ = ["Reading", "newest_of", "read_now"]

_OLD_S = 900.0
_OLD_INTERVALS = 5.0  # as for a gap that may be bridged


@dataclass(frozen=True, slots=True)
class Reading:
    """
    One point's newest reading.

    Args:
        value: In SI (degC, m3/s, W, J, m3 ...), calibrated.
        text: As shown; "on" or "off" for a status.
        is_old: Too old to be called the present state.
        age: "4 minutes ago".
    """

    point: Point
    name: str
    value: float
    text: str
    is_old: bool
    age: str

    @property
    def is_on(self) -> bool | None:
        """Whether a pump or heater watched by this point runs; None where that cannot be told."""
        if self.is_old or self.point.quantity not in ("status", "power", "speed"):
            return None
        return self.value > (5.0 if self.point.quantity == "power" else 0.5 if self.point.quantity == "status" else 0.0)


def read_now(site: Site, latest: Mapping[str, Latest], now: datetime, *, display: Display) -> dict[str, Reading]:
    """Each point that has a reading, in the order of the site file."""
    return {
        name: _reading(point, latest[name], now, display=display)
        for name, point in site.points.items()
        if name in latest
    }


def _reading(point: Point, newest: Latest, now: datetime, *, display: Display) -> Reading:
    scale, shift = to_si(point.quantity, point.unit)
    value = (point.gain * newest.value + point.offset) * scale + shift
    age_s = max((now - newest.at).total_seconds(), 0.0)
    is_old = age_s > max(_OLD_S, _OLD_INTERVALS * point.interval_s)
    return Reading(point, point_name(point.id), value, _text(point, value, display), is_old, show_age(age_s))


_PER_SI = {"m3/s": ("l/min", 60_000.0), "J": ("kWh", 1 / 3.6e6), "m3": ("l", 1000.0), "1/s": ("1/min", 60.0)}


def _text(point: Point, value: float, display: Display) -> str:
    if point.quantity == "status":
        return "on" if value > 0.5 else "off"
    si = si_unit(point.quantity, point.unit)
    unit, scale = _PER_SI.get(si, (si, 1.0))
    return show_quantity(value * scale, unit, display)


def newest_of(latest: Mapping[str, Latest]) -> datetime | None:
    """Time of the newest reading of all, None where there is none."""
    return max((reading.at for reading in latest.values()), default=None)
