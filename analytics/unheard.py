"""
What a part may have done, at most, while it was not heard for long.

The sides of a gap tell of it for some minutes. Beyond that a part may have worked as hard as it can: by what the site
file states of it, or where it states nothing by what such parts do in houses (common practice, without source).
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf

from analytics.site import Heater, HeatPump, Loop, Site

__all__ = [
    "ALL_DAY",
    "NOTHING",
    "TOLD_BY_SIDES_S",
    "AtMost",
    "of_compressor",
    "of_heater",
    "of_loop",
    "of_pump",
    "of_taps",
    "usual_draws_m3",
]

_BEYOND_SHEET = 1.2  # of a heat pump's sheet, with a warmer source than that shows
_PUMP_W = 60.0
_HEATER_W = 3e3
_COMPRESSOR_W = 3e3
_HEAT_PUMP_W = 10e3
_BOILER_W = 20e3
_OTHER_LOOP_W = 5e3
_SUN_W_M2 = 350.0  # what a collector brings on the mean of a clear day's hours below
_SUN_S = (7 * 3600.0, 19 * 3600.0)
_TAPS_M3_S = 0.03 / 3600.0  # thirty litres an hour, and
_SHOWERS_M3 = 0.06  # two showers one after the other
# The largest household's day of Reg. (EU) 812/2013 (tapping profile XXL, 24.53 kWh, from memory), warmed by 40 K.
_MOST_OF_A_DAY_M3 = 0.53
_DAY_S = 86400.0
_USUAL_TAPS_M3_S = 0.3 / 86400.0  # a large household; common practice

ALL_DAY = (-inf, inf)
TOLD_BY_SIDES_S = 900.0
"""Of a gap, of which its sides tell: an element heats a tank's top in twenty minutes (common practice)."""


@dataclass(frozen=True, slots=True)
class AtMost:
    """
    The most that passes in a second (J, m3, or seconds of running), between two times of the day [s].

    Args:
        at_once: What may pass at any moment beside that.
        room: How much there was room for between two instants [s].
    """

    rate: float
    within_s: tuple[float, float] = ALL_DAY
    at_once: float = 0.0
    room: Callable[[float, float], float] | None = None

    def in_gap(self, start_s: float, end_s: float, *, by_sides: float) -> float:
        """In a long gap: as much as its sides tell, or as can pass in what they do not tell of, if there was room."""
        unseen_s = min(end_s, self.within_s[1]) - max(start_s + TOLD_BY_SIDES_S, self.within_s[0])
        if unseen_s <= 0:
            return by_sides
        most = max(by_sides, self.at_once + self.rate * unseen_s)
        return most if self.room is None else min(most, max(self.room(start_s, end_s), 0.0))


NOTHING = AtMost(0.0)


def of_pump(loop: Loop) -> AtMost:
    """A circulator's electricity."""
    return AtMost(loop.pump_power_w or _PUMP_W)


def of_heater(heater: Heater) -> AtMost:
    """A heater's input."""
    return AtMost(heater.rated_w or (_HEATER_W if heater.kind == "electric" else _BOILER_W))


def of_compressor(pump: HeatPump) -> AtMost:
    """A compressor's electricity."""
    return AtMost(_BEYOND_SHEET * max((point.power_w for point in pump.rating), default=_COMPRESSOR_W))


def of_loop(site: Site, loop: Loop) -> AtMost:
    """A loop's heat: of a collector by day, of a heat pump by its sheet, of a boiler."""
    for collector in site.collectors.values():
        if collector.loop == loop.id:
            return AtMost(_SUN_W_M2 * collector.area_m2, _SUN_S)
    for pump in site.heat_pumps.values():
        if loop.id in (pump.source_loop, pump.load_loop, pump.desuperheater_loop):
            return AtMost(_BEYOND_SHEET * max((point.capacity_w for point in pump.rating), default=_HEAT_PUMP_W))
    if any(stage.backup for stage in site.stages.values() if stage.loop == loop.id):
        return AtMost(max((h.rated_w or _BOILER_W for h in site.heaters.values()), default=_BOILER_W))
    return AtMost(_OTHER_LOOP_W)


def of_taps() -> AtMost:
    """A house's hot water: much within hours, but not all day long."""
    return AtMost(_TAPS_M3_S, at_once=_SHOWERS_M3, room=_most_of_days_m3)


def _most_of_days_m3(start_s: float, end_s: float) -> float:
    return _MOST_OF_A_DAY_M3 * max((end_s - start_s) / _DAY_S, 1.0)


def usual_draws_m3(seconds: float) -> float:
    """What a house's taps usually take in such a time. [m3]"""
    return _USUAL_TAPS_M3_S * seconds
