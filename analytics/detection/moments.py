"""From cells of the day to episodes, instants and the words for them."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from analytics.compiled import compiled
from analytics.detection.findings import Clear, Fault, Finding, NotAssessed, Verdict
from analytics.plant import CELL_S, Course, PlantDay

__all__ = [
    "Episode",
    "Flags",
    "cells_passed",
    "clock",
    "course_of",
    "day_word",
    "duration",
    "episodes",
    "highest",
    "instant_ms",
    "judge",
    "lasting",
    "trailing_mean",
    "unknown",
]

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Episode:
    """
    Cells of one fault: it began in `start`, was proved at the end of `proved`, was last seen in `last`.

    `ended` is the first cell in which health was seen again, None where it was not.
    """

    start: int
    proved: int
    last: int
    ended: int | None


def episodes(weight: Course, healthy: Flags, *, pausing: Flags | None = None) -> list[Episode]:
    """
    Stretches in which evidence adds up to one before health is seen again.

    Evidence need not be unbroken: cells that say nothing (weight zero) neither prove nor acquit.

    Args:
        weight: What each cell proves: 1 / (cells needed), zero where it proves nothing. Shape (cells,)
        healthy: Cells that prove the opposite; they must have no weight. Shape (cells,)
        pausing: Cells that break a stretch without acquitting: evidence before and after them is not added up.
    """
    if not weight.any():
        return []
    stretch = np.cumsum(healthy if pausing is None else healthy | pausing)
    proved = np.flatnonzero(np.bincount(stretch, weights=weight) >= _ENOUGH)
    return [_episode(np.flatnonzero((stretch == index) & (weight > 0)), weight, healthy) for index in proved]


# A hair below one: ten cells of a tenth each do not add up to one exactly.
_ENOUGH = 1.0 - 1e-9


def _episode(cells: NDArray[np.intp], weight: Course, healthy: Flags) -> Episode:
    last = int(cells[-1])
    proved = int(cells[np.argmax(np.cumsum(weight[cells]) >= _ENOUGH)])
    after = np.flatnonzero(healthy[last + 1 :])
    return Episode(int(cells[0]), proved, last, last + 1 + int(after[0]) if len(after) else None)


def judge(
    plant: PlantDay, found: Sequence[Episode], healthy: Flags, *, tell: Callable[[Episode], Finding], unseen: str
) -> Verdict:
    """Findings of the episodes; else clear from the first healthy cell on; else not assessed, because `unseen`."""
    if found:
        before = np.flatnonzero(healthy[: found[0].start])
        clear_before = instant_ms(plant, before[0] * CELL_S) if len(before) else None
        return Fault(tuple(tell(episode) for episode in found), clear_before)
    return Clear(instant_ms(plant, healthy.argmax() * CELL_S)) if healthy.any() else NotAssessed(unseen)


@compiled
def lasting(flags: Flags, cells: int) -> Flags:
    """Those of the flagged cells that stand in an unbroken row of at least `cells`. Shape as given"""
    kept, start = np.zeros(len(flags), np.bool_), 0
    for stop in range(len(flags) + 1):
        if stop < len(flags) and flags[stop]:
            continue
        if stop - start >= cells:
            kept[start:stop] = True
        start = stop + 1
    return kept


def trailing_mean(course: Course, cells: int) -> Course:
    """Mean of each cell and those before it, up to `cells` of them; NaN while any of them is. Shape as given"""
    sums = np.concatenate(([0.0], np.cumsum(np.nan_to_num(course))))
    gaps = np.concatenate(([0], np.cumsum(np.isnan(course))))
    stop = np.arange(1, len(course) + 1)
    start = np.maximum(stop - cells, 0)
    return np.where(gaps[stop] > gaps[start], np.nan, (sums[stop] - sums[start]) / (stop - start))


def cells_passed(plant: PlantDay) -> int:
    """Whole cells of the day that have passed when it was read."""
    return int(plant.until_s // CELL_S)


def unknown(plant: PlantDay) -> Course:
    """A course of which nothing is known."""
    return np.full(round(plant.day.seconds / CELL_S), np.nan)


def course_of(plant: PlantDay, point: str | None) -> Course:
    """A point's course; all NaN where there is no such point or it said nothing."""
    signal = plant.signals.get(point) if point else None
    return unknown(plant) if signal is None else signal.course


def instant_ms(plant: PlantDay, second: float) -> int:
    """An instant from seconds since the day's start."""
    return plant.day.start_ms + round(float(second) * 1000)


def clock(time_ms: int, timezone: str) -> str:
    """An instant as people of the house would say it: "10:12 on 5 January"."""
    local = datetime.fromtimestamp(time_ms / 1000, ZoneInfo(timezone))
    return f"{local:%H:%M} on {local.day} {local:%B}"


def day_word(time_ms: int, timezone: str) -> str:
    """The local day of an instant, for what is known by the day: "5 January"."""
    local = datetime.fromtimestamp(time_ms / 1000, ZoneInfo(timezone))
    return f"{local.day} {local:%B}"


def duration(seconds: float) -> str:
    """A length of time in words: "12 min", "3 h 20 min", "2 days 4 h"."""
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60} min" if minutes % 60 else f"{minutes // 60} h"
    days, hours = divmod(round(minutes / 60), 24)
    return f"{days} days {hours} h" if hours else f"{days} days"


def highest(course: Course, digits: int = 1) -> float | None:
    """The highest known value, rounded for evidence; None where nothing is known."""
    known = course[~np.isnan(course)]
    return round(float(known.max()), digits) if len(known) else None
