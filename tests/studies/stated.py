"""
A house beside its site file: numbers that nobody measured are off, by as much as such numbers are, and the sensors of a
tank stand beside the middles of their parts of its height.

The true number lies within a limit around the stated one. Limits are common practice, without source.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace

from analytics.site import Heater, Loop, Site, Tank

__all__ = ["Draw", "beside_their_middles", "off_by_as_much_as_allowed"]

_UA_PART = 0.20
_ROOM_K = 3.0**0.5  # 1 K standard
_PUMP_PART = 0.10
_RATED_PART = 0.05
_PLACE_PART = 0.3  # two sensors at a tenth of the height from its ends are as far from the middles of its halves
_FLOW_PART = 0.15 * 3.0**0.5  # 15 % standard


Draw = Callable[[str], float]
"""By the name of what is off: how far, as a part of its limits, -1 to 1; evenly spread over many houses."""


def off_by_as_much_as_allowed(site: Site, *, draw: Draw) -> Site:
    """The site as stated by somebody, of whose unmeasured numbers the true ones lie evenly within their limits."""

    def drawn(name: str, value: float, part: float) -> float:
        return value / (1.0 + part * draw(name))

    def tank(each: Tank) -> Tank:
        room = each.ambient if isinstance(each.ambient, str) else each.ambient + _ROOM_K * draw(f"room of {each.id}")
        ua_w_per_k = None if each.ua_w_per_k is None else drawn(f"UA of {each.id}", each.ua_w_per_k, _UA_PART)
        return replace(each, ua_w_per_k=ua_w_per_k, ambient=room)

    def loop(each: Loop) -> Loop:
        flow, pump_w = each.assumed_flow_l_per_s, each.pump_power_w
        return replace(
            each,
            pump_power_w=None if pump_w is None else drawn(f"pump of {each.id}", pump_w, _PUMP_PART),
            assumed_flow_l_per_s=None if flow is None else drawn(f"flow of {each.id}", flow, _FLOW_PART),
        )

    def heater(each: Heater) -> Heater:
        rated_w = None if each.rated_w is None else drawn(f"rated power of {each.id}", each.rated_w, _RATED_PART)
        return replace(each, rated_w=rated_w)

    return replace(
        site,
        tanks={name: tank(each) for name, each in site.tanks.items()},
        loops={name: loop(each) for name, each in site.loops.items()},
        heaters={name: heater(each) for name, each in site.heaters.items()},
    )


def beside_their_middles(site: Site, *, draw: Draw) -> Mapping[str, float]:
    """Depths of the sensors of all tanks, each somewhere in the middle three fifths of its equal part of the height."""
    return {
        point: (k + 0.5 + _PLACE_PART * draw(f"place of {point}")) / len(tank.temperatures)
        for tank in site.tanks.values()
        for k, point in enumerate(tank.temperatures)
    }
