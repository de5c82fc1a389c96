"""
How far the account by origin may be off, by what looks at a tank.

Seen on virtual houses that the account was not fitted on (`make studies`), and on independent plants.
"""

from analytics.site import Site

__all__ = ["layered_doubt", "room_doubt"]

_DOUBT = 0.08  # with faultless sensors 0.08 to 0.1 in independent plants; in the virtual houses 0.05 to 0.07
# The same where the last tank has two sensors only, or where a coil's heat is counted without its temperatures, so that
# nobody knows which layers it chose: 0.07 in the virtual houses, 0.08 to 0.1 outside.
_DOUBT_LESS_KNOWN = 0.1
# What is carried over is not shown as less than nothing, and the room may owe some. Once an account had followed its
# tanks for four days and little was left of what they held at first, 95 % of the errors of that were within 0.003 to
# 0.006 of the tanks' heat in virtual tanks of six kinds, and within 0.003 to 0.012 in independent plants of four;
# with two sensors 0.004 in virtual tanks of one kind, where no independent plant looked.
_ROOM_DOUBT = 0.015
_ROOM_DOUBT_FEW_SENSORS = 0.02  # with two in the last tank
_FEW_SENSORS = 2


def layered_doubt(site: Site) -> float:
    """
    How sure the account is in layers: of an origin's share p of a day's hot water 95 % of the errors lie within this
    times sqrt(p (1 - p)). Seen on virtual houses that it was not fitted on (`make studies`).
    """
    path = site.hot_water
    tanks = path.tanks if path is not None else ()
    coils = [s for s in site.stages.values() if s.loop and s.tank in tanks and s.height[0] < s.height[1]]
    loops = [site.loops[stage.loop or ""] for stage in coils]
    is_blind = any(not (loop.entering and loop.leaving) for loop in loops)
    return _DOUBT_LESS_KNOWN if is_blind or _has_few(site) else _DOUBT


def room_doubt(site: Site) -> float:
    """How far what is carried over may be off, of which the room owes some or gave it: a part of the tanks' heat."""
    return _ROOM_DOUBT_FEW_SENSORS if _has_few(site) else _ROOM_DOUBT


def _has_few(site: Site) -> bool:
    """Whether the last tank has two sensors, or fewer."""
    path = site.hot_water
    return path is not None and any(len(site.tanks[tank].temperatures) <= _FEW_SENSORS for tank in path.tanks[-1:])
