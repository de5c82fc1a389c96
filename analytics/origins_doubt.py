"""
How far the account by origin may be off, by where a tank is heated and what looks at it.

Seen on virtual houses that the account was not fitted on (`make studies`), and on independent plants.
"""

from analytics.origins_charges import UPPER_HALF
from analytics.site import Site

__all__ = ["layered_doubt", "room_doubt", "store_doubt"]

_DOUBT = 0.08  # with faultless sensors 0.08 to 0.1 in independent plants; in the virtual houses 0.05 to 0.07
# The same where the last tank has two sensors only; where a coil's heat is counted without its temperatures, so that
# nobody knows which layers it chose; where a loop heats a range in the upper half, be it by a coil, from which heat
# rises, or by water that is pumped through a boiler and fed in on top: 0.07 in the virtual houses, 0.08 to 0.1 outside.
_DOUBT_LESS_KNOWN = 0.1
# What is carried over is not shown as less than nothing, and the room may owe some. In virtual tanks of 16 and of 48
# layers root mean squares of its error were 0.006 to 0.020 with three sensors and more, 0.014 to 0.029 with two.
_ROOM_DOUBT = 0.025
_ROOM_DOUBT_FEW_SENSORS = 0.05
# Standard uncertainty of what a tank holds as an account begins, when its sensors alone tell: seen in the same tanks by
# what the second day's hot water still had of it.
_U_STORE = 0.08
_U_STORE_FEW_SENSORS = 0.15
_FEW_SENSORS = 2


def layered_doubt(site: Site) -> float:
    """
    How sure the account is in layers: of an origin's share p of a day's hot water 95 % of the errors lie within this
    times sqrt(p (1 - p)). Seen on virtual houses that it was not fitted on (`make studies`).
    """
    path = site.hot_water
    tanks = path.tanks if path is not None else ()
    coils = [s for s in site.stages.values() if s.loop and s.tank in tanks and s.height[0] < s.height[1]]
    is_high = any(stage.height[0] >= UPPER_HALF for stage in coils)
    loops = [site.loops[stage.loop or ""] for stage in coils]
    is_blind = any(not (loop.entering and loop.leaving) for loop in loops)
    return _DOUBT_LESS_KNOWN if is_high or is_blind or _has_few(site) else _DOUBT


def room_doubt(site: Site) -> float:
    """How far what is carried over may be off, of which the room owes some or gave it: a part of the tanks' heat."""
    return _ROOM_DOUBT_FEW_SENSORS if _has_few(site) else _ROOM_DOUBT


def store_doubt(site: Site) -> float:
    """Standard uncertainty of the heat in the tanks as an account begins, as a part of it."""
    return _U_STORE_FEW_SENSORS if _has_few(site) else _U_STORE


def _has_few(site: Site) -> bool:
    """Whether the last tank has two sensors, or fewer."""
    path = site.hot_water
    return path is not None and any(len(site.tanks[tank].temperatures) <= _FEW_SENSORS for tank in path.tanks[-1:])
