"""
A house beside its site file: numbers that nobody measured are off, by as much as such numbers are, and the sensors of a
tank stand beside the middles of their parts of its height.

The true number lies within a limit around the stated one. Limits are common practice, without source.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from analytics.site import Heater, Loop, Site, Tank

__all__ = ["beside_their_middles", "off_by_as_much_as_allowed"]

_UA_PART = 0.20
_ROOM_K = 3.0**0.5  # 1 K standard
_PUMP_PART = 0.10
_RATED_PART = 0.05
_PLACE_PART = 0.3  # two sensors at a tenth of the height from its ends are as far from the middles of its halves
_FLOW_PART = 0.15 * 3.0**0.5  # 15 % standard


def off_by_as_much_as_allowed(site: Site, *, seed: int) -> Site:
    """The site as stated by somebody, of whose unmeasured numbers the true ones lie evenly within their limits."""
    rng = np.random.default_rng((seed, 4100))

    def drawn(value: float, part: float) -> float:
        return value / (1.0 + float(rng.uniform(-part, part)))

    def tank(each: Tank) -> Tank:
        ambient = (
            each.ambient if isinstance(each.ambient, str) else each.ambient + float(rng.uniform(-_ROOM_K, _ROOM_K))
        )
        ua_w_per_k = None if each.ua_w_per_k is None else drawn(each.ua_w_per_k, _UA_PART)
        return replace(each, ua_w_per_k=ua_w_per_k, ambient=ambient)

    def loop(each: Loop) -> Loop:
        flow = each.assumed_flow_l_per_s
        return replace(
            each,
            pump_power_w=None if each.pump_power_w is None else drawn(each.pump_power_w, _PUMP_PART),
            assumed_flow_l_per_s=None if flow is None else drawn(flow, _FLOW_PART),
        )

    def heater(each: Heater) -> Heater:
        return replace(each, rated_w=None if each.rated_w is None else drawn(each.rated_w, _RATED_PART))

    return replace(
        site,
        tanks={name: tank(each) for name, each in site.tanks.items()},
        loops={name: loop(each) for name, each in site.loops.items()},
        heaters={name: heater(each) for name, each in site.heaters.items()},
    )


def beside_their_middles(site: Site, *, seed: int) -> Mapping[str, float]:
    """Depths of the sensors of all tanks, each somewhere in the middle three fifths of its equal part of the height."""
    rng = np.random.default_rng((seed, 4200))
    return {
        point: (k + 0.5 + float(rng.uniform(-_PLACE_PART, _PLACE_PART))) / len(tank.temperatures)
        for tank in site.tanks.values()
        for k, point in enumerate(tank.temperatures)
    }
