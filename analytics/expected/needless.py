"""
How hot a backup makes the water of its tank, and how much heat it puts into water that is hot enough already.

Hot enough is what no tap and no rule asks more of: 60 degC, where Legionella die, with room for a thermostat's
overshoot and a sensor's error.
"""

from collections.abc import Sequence
from math import isfinite, nan

import numpy as np
from numpy.typing import NDArray

from analytics.courses import sum_of_known
from analytics.expected.heater import HEATS_W
from analytics.plant import CELL_S, Course, PlantDay
from analytics.site import Site, Stage

__all__ = ["BACKUP_KWH", "BEYOND_KWH", "HEATED_TO_DEGC", "HOT_ENOUGH_DEGC", "backup_sums", "zone_points"]

BACKUP_KWH, BEYOND_KWH, HEATED_TO_DEGC = "kwh", "beyond_kwh", "heated_to_degc"
"""A backup's heat, that part of it which went into water hot enough, and the hottest water that it warmed."""

HOT_ENOUGH_DEGC = 63.0
"""Stored water is to be kept at 60 degC (reference sheet, section 10); 3 K for thermostat and sensor."""

_ROSE_K = 0.5  # since the heater came on: else the hot water lies above what it heats


def zone_points(site: Site, stage: Stage) -> tuple[str, ...]:
    """Sensors of a stage's tank that stand where its heat enters, top to bottom; none where none does."""
    points = site.tanks[stage.tank].temperatures if stage.tank else ()
    heights = [1.0 - (k + 0.5) / len(points) for k in range(len(points))]
    low, high = stage.height
    return tuple(point for point, height in zip(points, heights, strict=True) if low < height <= high)


def backup_sums(plant: PlantDay, stage: Stage) -> dict[str, float]:
    """The day's sums of a backup in a tank, by name; empty where its heat or its water is not known."""
    part = plant.heaters.get(stage.heater) if stage.heater else plant.loops.get(stage.loop or "")
    # All of the water that it heats is at least as hot as the coldest sensor there.
    zone = _lowest(plant, zone_points(plant.site, stage))
    if part is None or zone is None or not np.isfinite(part.heat_w + zone).any():
        return {}
    heats = part.heat_w >= HEATS_W
    coldest = _lowest(plant, plant.site.tanks[stage.tank or ""].temperatures)
    low = np.full(len(zone), nan) if coldest is None else coldest
    told = [
        _run(part.heat_w[a:b], zone[a:b], coldest=float(low[a]), rises=stage.heater is not None)
        for a, b in _runs(heats)
    ]
    return {
        BACKUP_KWH: _kwh(part.heat_w[heats]),
        BEYOND_KWH: sum(beyond for beyond, _ in told),
        HEATED_TO_DEGC: max((degc for _, degc in told if isfinite(degc)), default=nan),
    }


def _lowest(plant: PlantDay, points: Sequence[str]) -> Course | None:
    heard = [plant.signals[point].course for point in points if point in plant.signals]
    return np.asarray(np.minimum.reduce(heard)) if points and len(heard) == len(points) else None


def _runs(heats: NDArray[np.bool_]) -> Sequence[Sequence[int]]:
    """First cell of each run, and the one after its last."""
    framed = np.concatenate(([False], heats, [False]))
    edges = (framed[1:] != framed[:-1]).nonzero()[0]
    return list(edges.reshape(-1, 2).tolist())


def _run(heat_w: Course, zone: Course, *, coldest: float, rises: bool) -> tuple[float, float]:
    """
    What of a run went into water hot enough [kWh], and how hot it made the water [degC]; NaN where it warmed none.

    Of a run that lifted cold water past hot enough, the part above: too little rather than too much, for all water is
    taken for the coldest. The heat of an element `rises` from its rod: once hot water gets hotter, all goes into it.
    """
    warmed = zone - zone[0] >= _ROSE_K
    if not warmed.any():
        return 0.0, nan
    to_degc = float(zone[warmed].max())
    above_k, lift_k = to_degc - HOT_ENOUGH_DEGC, to_degc - coldest
    part = above_k / lift_k if lift_k > above_k > 0.0 else 0.0
    last = _kwh(heat_w[warmed & (zone >= HOT_ENOUGH_DEGC)]) if rises else 0.0
    return max(last, part * _kwh(heat_w)), to_degc


def _kwh(power_w: Course) -> float:
    return sum_of_known(power_w) * CELL_S / 3.6e6
