"""
How much heat a tank can have taken up, at most, while its stages were not heard: what its sensors show, and the taps.

What came in is what is in store afterwards and was not before, what the taps took, and what the walls lost.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from analytics.site import Heater, Loop, Site, Tank
from analytics.unheard import TOLD_BY_SIDES_S, AtMost, of_heater, of_loop, of_taps

if TYPE_CHECKING:
    from analytics.plant import Signal

__all__ = ["heater_at_most", "loop_at_most"]

_J_M3_K = 4.15e6  # of water at 50 degC
_RISE_K = 55.0  # of hot water above cold, at most; common practice
# How far a tank's mean may have moved beside that of its sensors; common practice.
_UNSEEN_K = 6.0
_UNSEEN_BY_ONE_K = 15.0
_FULL_DEGC, _EMPTY_DEGC = 95.0, 10.0  # where no sensor tells
_LOSS_W_K = 4.0  # of a tank whose loss is not stated; common practice
_WARMER_K = 50.0  # than its room, on the mean


def loop_at_most(site: Site, loop: Loop, signals: Mapping[str, "Signal"]) -> AtMost:
    """A loop's heat, by what there was room for in the tank that it heats."""
    tanks = [stage.tank for stage in site.stages.values() if stage.loop == loop.id]
    return replace(of_loop(site, loop), room=_room_of(site, tanks, signals))


def heater_at_most(site: Site, heater: Heater, signals: Mapping[str, "Signal"]) -> AtMost:
    """A heater's input; an element's by what there was room for in its tank."""
    tanks = [stage.tank for stage in site.stages.values() if stage.heater == heater.id]
    is_inside = heater.kind == "electric"
    return replace(of_heater(heater), room=_room_of(site, tanks, signals) if is_inside else None)


def _room_of(
    site: Site, tanks: Sequence[str | None], signals: Mapping[str, "Signal"]
) -> Callable[[float, float], float] | None:
    """
    How much heat a part's only tank can have taken up between two instants [J]; None of one beside the water's path.

    A tank that warms a house gives its heat to circuits that nobody meters.
    """
    path, tank = site.hot_water, tanks[0] if len(tanks) == 1 else None
    if path is None or tank is None or tank not in path.tanks:
        return None
    sensors = [signals[point] for point in site.tanks[tank].temperatures if point in signals]
    return partial(_room_j, site.tanks[tank], sensors, signals.get(path.flow or path.volume or ""))


def _room_j(tank: Tank, sensors: "list[Signal]", meter: "Signal | None", start_s: float, end_s: float) -> float:
    volume_m3 = tank.volume_l / 1e3
    stored_j = max(_warmer_k(sensors, start_s, end_s), 0.0) * volume_m3 * _J_M3_K
    lost_w = (tank.ua_w_per_k if tank.ua_w_per_k is not None else _LOSS_W_K) * _WARMER_K
    return stored_j + _drawn_m3(meter, start_s, end_s) * _RISE_K * _J_M3_K + lost_w * (end_s - start_s)


def _warmer_k(sensors: "list[Signal]", start_s: float, end_s: float) -> float:
    """By how much a tank's mean may have risen."""
    risen_k = []
    for signal in sensors:
        before, after = signal.time_s.searchsorted((start_s, end_s), side="right") - (1, 0)
        if before >= 0 and after < len(signal.value):
            risen_k.append(float(signal.value[after] - signal.value[before]))
    if not risen_k or len(risen_k) < len(sensors):
        return _FULL_DEGC - _EMPTY_DEGC
    return sum(risen_k) / len(risen_k) + (_UNSEEN_K if len(risen_k) > 1 else _UNSEEN_BY_ONE_K)


def _drawn_m3(meter: "Signal | None", start_s: float, end_s: float) -> float:
    """What the taps may have taken."""
    taps, unheard_s, heard_m3 = of_taps(), end_s - start_s, 0.0
    if meter is not None and len(meter.time_s):
        cell_s = float(meter.edges_s[1] - meter.edges_s[0])
        course = meter.course[int(start_s // cell_s) : int(np.ceil(end_s / cell_s))]
        heard_m3 = float(np.nansum(course)) * cell_s
        unheard_s = float(np.isnan(course).sum()) * cell_s
    return heard_m3 + (taps.in_gap(0.0, unheard_s + TOLD_BY_SIDES_S, by_sides=0.0) if unheard_s > 0 else 0.0)
