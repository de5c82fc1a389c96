"""
Whether a stage may heat its tank at some moments, by all that its site has to say of it.

While sensors are judged, each of them may be the broken one. So a stage counts as at rest only where every point that
could show it at work is heard, is believed, and shows rest.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analytics.heard import Heard
from analytics.inputs import is_running
from analytics.plant import MOVES_M3_S
from analytics.site import Point, Site, Stage

__all__ = ["fresh", "may_heat", "mean_degc", "others_of", "witnesses_of"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_FRESH_S = 900.0  # gateways that speak on change repeat a value at least so often
_COUNTS_S = 3600.0  # a counter tells of heat in lumps, some minutes apart


def witnesses_of(site: Site, stage: Stage) -> tuple[Point, ...]:
    """The points that show a stage at work: its loop's pump, flow and counter, or its heater's power or status."""
    if stage.loop:
        loop = site.loops[stage.loop]
        named = (loop.pump, loop.flow, loop.energy)
    else:
        heater = site.heaters[stage.heater or ""]
        named = (heater.power, heater.status, None)
    return tuple(site.points[point] for point in named if point)


def others_of(site: Site, stage: Stage) -> tuple[Point, ...] | None:
    """The witnesses of the other stages on a stage's tank; None where one of these has none that tells now."""
    found: tuple[Point, ...] = ()
    for other in site.stages.values():
        if other.tank != stage.tank or other.id == stage.id:
            continue
        witnesses = witnesses_of(site, other)
        if all(point.sampling == "counter" for point in witnesses):
            return None
        found += witnesses
    return found


def may_heat(heard: Heard, points: Sequence[Point], time_s: Array) -> Flags:
    """Where one of the points shows work, or is not heard or not believed. Shape as of `time_s`"""
    found = np.zeros(len(time_s), bool)
    for point in points:
        value = fresh(heard, point.id, time_s)
        if point.sampling == "counter":
            works = value > fresh(heard, point.id, time_s - _COUNTS_S)
        elif point.quantity == "flow":
            works = value > MOVES_M3_S
        else:
            works = is_running(value, None, point.quantity) > 0
        found |= works | np.isnan(value)
    return found


def mean_degc(heard: Heard, points: Sequence[str], time_s: Array) -> Array:
    """Of some sensors; NaN where one is silent."""
    return np.asarray(np.add.reduce([fresh(heard, point, time_s) for point in points], axis=0) / len(points))


def fresh(heard: Heard, point: str, time_s: Array) -> Array:
    """The newest reading of a point at some times; NaN where it has been silent for long, or is not believed."""
    return heard.fresh(point, time_s, within_s=_FRESH_S)
