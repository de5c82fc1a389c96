"""Whatever tells when, within a piece of time, a loop began or ceased to give heat: its drive, else temperatures."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from analytics.edges import along_line, end_weight
from analytics.frame import DayFrame
from analytics.plant import Signal
from analytics.segments import Pieces
from analytics.site import Loop, Site
from analytics.turns import turns_by_warmth

__all__ = ["EndsTold", "by_means", "ends_told", "ran_part"]

Array = NDArray[np.float64]

_U_ANY_MOMENT = 1 / sqrt(12)  # of a piece, anywhere in which fluid may have begun to move
_LEFT_BY_DRIVE = 0.1  # of the doubt of a moment, where a drive's mean power told it


@dataclass(frozen=True, slots=True)
class EndsTold:
    """
    Args:
        weight: How much of each piece goes by its end's heat rate rather than by its start's, 0 to 1. (n,)
        left: What is left there of the doubt that the moments of reading leave, 0 to 1. (n,)
    """

    weight: Array
    left: Array


def by_means(sampling: str, sensors: Sequence[Signal]) -> bool:
    """Whether a flow read at instants goes with temperatures that are means: these hold a start's climb already."""
    return sampling == "instant" and any(sensor.point.sampling == "mean" for sensor in sensors)


def ran_part(pieces: Pieces, told: EndsTold) -> Array:
    """The part of each piece for which fluid moved: all of it, but where it started or stopped within. (n,)"""
    stops = np.where(pieces.last == 0, 1.0 - told.weight, 1.0)
    return np.where(pieces.first == 0, told.weight, stops)


def ends_told(
    site: Site,
    loop: Loop,
    signals: Mapping[str, Signal],
    pieces: Pieces,
    rate: Array,
    *,
    sampling: str,
    frame: DayFrame,
) -> EndsTold:
    """
    Args:
        pieces: Of the loop's flow, which is read by `sampling`; a mean knows of no moments.
        rate: Heat rate at each piece's start and end [W]; the flow itself where temperatures are means. (2, n)
    """
    weight, left = np.full(len(pieces.start_s), 0.5), np.ones(len(pieces.start_s))
    if sampling != "instant":
        return EndsTold(weight, left)
    drive = _drive(site, loop, signals)
    if drive is not None:
        weight = end_weight(pieces, rate, drive, frame=frame)
        return EndsTold(weight, np.where(weight == 0.5, 1.0, _LEFT_BY_DRIVE))
    tanks = [stage.tank for stage in site.stages.values() if stage.loop == loop.id and stage.tank]
    sensors = [point for tank in tanks for point in site.tanks[tank].temperatures]
    turns = turns_by_warmth(
        pieces,
        pipes=[signals[point] for point in (loop.entering, loop.leaving) if point and point in signals],
        tank=[signals[point] for point in sensors if point in signals],
    )
    weight[turns.at] = np.where(pieces.last[turns.at] == 0, 1.0 - turns.ran, turns.ran)
    left[turns.at] = turns.doubt
    return EndsTold(along_line(weight, pieces, rate, u_part=left * _U_ANY_MOMENT), left)


def _drive(site: Site, loop: Loop, signals: Mapping[str, Signal]) -> Signal | None:
    """What makes the loop give heat, if its power is known as a mean: the compressor, else the pump."""
    pumps = site.heat_pumps.values()
    powers = [p.power for p in pumps if loop.id in (p.source_loop, p.load_loop, p.desuperheater_loop)]
    for point in (*powers, loop.pump):
        signal = signals.get(point) if point else None
        if signal is not None and len(signal.time_s) and signal.point.sampling != "instant":
            return signal
    return None
