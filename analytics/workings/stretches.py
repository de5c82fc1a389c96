"""Stretches of a day: time that readings cover, time bridged between two of them, and what a meter drew."""

from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from analytics.frame import DayFrame
from analytics.plant import PlantDay, Signal
from analytics.segments import Pieces
from analytics.signals import cell_edges
from analytics.units import kwh_from_j

__all__ = ["Counted", "Drawn", "bridged", "clock", "counted", "drawn", "frame_of", "gap_remarks"]

Array = NDArray[np.float64]

_BRIDGED_INTERVALS = 1.5  # readings further apart than this many intervals are bridged rather than read on time
_HOUR_S = 3600.0
_LEAST_UNCOVERED = 5e-4  # of the day: less than a minute


def frame_of(plant: PlantDay) -> DayFrame:
    """The stretch of time that the plant's day was metered over."""
    return DayFrame(cell_edges(plant.day), plant.until_s)


def clock(plant: PlantDay, second: float) -> str:
    """The site's local time at a second of its day, such as 06:45; in the days around, with the day."""
    at = datetime.fromtimestamp(plant.day.start_ms / 1000.0 + second, UTC).astimezone(ZoneInfo(plant.day.timezone))
    return f"{at:%H:%M}" if at.date() == plant.day.date else f"{at:%Y-%m-%d %H:%M}"


def bridged(signal: Signal, pieces: Pieces) -> NDArray[np.bool_]:
    """Pieces that run straight across a gap short enough to be bridged."""
    length_s = pieces.length_s
    return np.asarray((length_s > _BRIDGED_INTERVALS * signal.point.interval_s) & pieces.covered(signal.max_gap_s))


def gap_remarks(plant: PlantDay, covered: float, *, bridged_j: float = 0.0, counts: bool = False) -> list[str]:
    """What a figure holds of the time in which readings failed: bridged gaps, and time that is not covered."""
    said = []
    if abs(kwh_from_j(bridged_j)) >= 5e-4:
        said.append(
            f"Of it {kwh_from_j(bridged_j):.3f} kWh lie between readings that came late, where the course is taken as "
            "straight from the one to the next."
        )
    hours = (1.0 - covered) * plant.until_s / _HOUR_S
    if covered < 1.0 - _LEAST_UNCOVERED:
        said.append(
            f"For {hours:.2f} h of {plant.until_s / _HOUR_S:g} h nothing usable was read. "
            + (
                "The counter went on counting meanwhile, so that nothing is missing."
                if counts
                else "Nothing is filled in for that time; what it may hide is in the ±, as gaps."
            )
        )
    return said


@dataclass(frozen=True, slots=True)
class Drawn:
    """What a power meter drew: hours in which it drew anything, mean power in them, energy, and that over gaps."""

    hours: float
    mean_w: float
    joule: float
    bridged_j: float


def drawn(signal: Signal, frame: DayFrame, *, scale_w: float = 1.0) -> Drawn:
    """Energy by a power meter (or a status times `scale_w`) over covered time."""
    pieces = frame.pieces(signal)
    amount = np.where(pieces.covered(signal.max_gap_s), pieces.amount, 0.0) * scale_w
    joule = float(amount.sum())
    on_s = float(pieces.length_s[amount > 0].sum())
    if scale_w != 1.0:  # of a status what counts is how long it says on
        on_s = joule / scale_w if scale_w else 0.0
    return Drawn(on_s / _HOUR_S, joule / on_s if on_s else 0.0, joule, float(amount[bridged(signal, pieces)].sum()))


@dataclass(frozen=True, slots=True)
class Counted:
    """A counter at the first and last second of the day that it is known for [SI], and those seconds."""

    first: float
    last: float
    start_s: float
    end_s: float


def counted(signal: Signal, frame: DayFrame) -> Counted:
    """A counter's readings at the day's edges, straight between the readings around them."""
    pieces = frame.pieces(signal)
    if len(pieces.start_s) == 0:
        return Counted(0.0, 0.0, 0.0, 0.0)
    edges_s = np.array([pieces.start_s[0], pieces.end_s[-1]])
    first, last = np.interp(edges_s, signal.time_s, signal.value)
    return Counted(float(first), float(last), float(edges_s[0]), float(edges_s[1]))
