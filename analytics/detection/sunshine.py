"""When a collector's sun calls for its pump, and what the collector would give then (ISO 9806)."""

from dataclasses import dataclass

import numpy as np

from analytics.detection.moments import Flags, course_of, unknown
from analytics.expected.sun import sun_position
from analytics.plant import CELL_S, MOVES_M3_S, Course, PlantDay
from analytics.site import Collector, Site, Tank

__all__ = [
    "CollectorSun",
    "collector_of",
    "collector_power",
    "collector_sun",
    "is_night",
    "sun_pays",
    "switched_off",
    "tank_ends",
    "tank_of_loop",
]

# A solar controller stops its pump at a store limit of 60 to 95 degC; from here on it may be resting with good reason.
_FULL_BOTTOM_DEGC = 58.0
_FULL_TOP_DEGC = 70.0
# After a full store the collector stands hot and the controller waits until it has cooled (lock-out, common practice).
_COOLED_DEGC = 95.0
# A running collector works about this far above the coldest water of its tank.
_WORKING_LIFT_K = 10.0


@dataclass(frozen=True, slots=True)
class CollectorSun:
    """
    What the sun offers and the tank could take.

    `lift_k` is the collector's outlet above the tank's coldest water; `offered_w` what the collector would give at
    working temperature by its coefficients (NaN without them or without irradiance); `is_full` says that the
    controller may rest with good reason. Each of shape (cells,).
    """

    lift_k: Course
    irradiance_w_m2: Course
    outdoor_degc: Course
    offered_w: Course
    is_full: Flags


def collector_of(site: Site, loop: str) -> Collector | None:
    """The collector that a loop passes."""
    return next((collector for collector in site.collectors.values() if collector.loop == loop), None)


def tank_of_loop(site: Site, loop: str) -> Tank | None:
    """The tank into which a loop's stage puts its heat."""
    stage = next((stage for stage in site.stages.values() if stage.loop == loop), None)
    return site.tanks.get(stage.tank) if stage is not None and stage.tank else None


def collector_power(
    collector: Collector, irradiance_w_m2: Course, *, mean_degc: Course, outdoor_degc: Course
) -> Course:
    """
    Steady-state power of the whole collector, zero or more; NaN without coefficients or inputs. [W]

    References:
        ISO 9806, A (eta0 G - a1 dT - a2 dT^2), dT = mean fluid temperature - outdoor temperature.
    """
    if collector.eta0 is None:
        return np.full(len(irradiance_w_m2), np.nan)
    excess_k = mean_degc - outdoor_degc
    losses = (collector.a1 or 0.0) * excess_k + (collector.a2 or 0.0) * excess_k * np.abs(excess_k)
    return np.maximum(collector.area_m2 * (collector.eta0 * irradiance_w_m2 - losses), 0.0)


def collector_sun(plant: PlantDay, collector: Collector) -> CollectorSun:
    """The day's sun on one collector, beside the tank that it heats."""
    low, high = tank_ends(plant, collector.loop)
    leaving = plant.loops[collector.loop].leaving_degc
    irradiance = course_of(plant, collector.irradiance)
    outdoor = course_of(plant, collector.outdoor)
    offered = collector_power(collector, irradiance, mean_degc=low + _WORKING_LIFT_K, outdoor_degc=outdoor)
    moved = plant.loops[collector.loop].flow_m3_s > MOVES_M3_S
    return CollectorSun(leaving - low, irradiance, outdoor, offered, _is_full(low, high, leaving, moved=moved))


def sun_pays(sun: CollectorSun, *, area_m2: float) -> Flags:
    """Cells in which the sun would pay well, wherever the sensor at the collector's outlet may sit. Shape (cells,)"""
    pays = (sun.offered_w >= _PAYS_W_M2 * area_m2) & (sun.outdoor_degc >= _NO_SNOW_DEGC)
    return np.asarray(pays & ~np.logical_or.accumulate(sun.is_full))


# Steady power at working temperature; a resting collector would soon be hot.
_PAYS_W_M2 = 200.0
# Below, snow may lie on the collector and not on the irradiance sensor.
_NO_SNOW_DEGC = 5.0


def is_night(plant: PlantDay) -> Flags:
    """Cells in which the sun is below the horizon. Shape (cells,)"""
    middle_ms = plant.day.start_ms + (np.arange(round(plant.day.seconds / CELL_S)) + 0.5) * CELL_S * 1000
    site = plant.site
    height_deg, _ = sun_position(middle_ms, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg)
    return np.asarray(height_deg < _HORIZON_DEG)


# Refraction and the sun's radius, from memory.
_HORIZON_DEG = -0.83


def tank_ends(plant: PlantDay, loop: str) -> tuple[Course, Course]:
    """Lowest and highest sensor of the tank that a loop heats, NaN without sensors. [degC]"""
    tank = tank_of_loop(plant.site, loop)
    sensors = plant.tanks[tank.id].sensors_degc if tank is not None and tank.id in plant.tanks else np.empty((0, 0))
    return (sensors[-1], sensors[0]) if len(sensors) else (unknown(plant), unknown(plant))


def _is_full(low: Course, high: Course, leaving: Course, *, moved: Flags) -> Flags:
    """Full now, or full earlier and the collector not cooled nor run since."""
    full = (low >= _FULL_BOTTOM_DEGC) | (high >= _FULL_TOP_DEGC)
    index = np.arange(len(low))
    last_full = np.maximum.accumulate(np.where(full, index, -1))
    last_reset = np.maximum.accumulate(np.where((moved | (leaving < _COOLED_DEGC)) & ~full, index, -1))
    return np.asarray(full | (last_full > last_reset))


def switched_off(plant: PlantDay, loop: str) -> Flags:
    """
    Cells in which a loop's pump is known not to run: by its status, which tells what the controller wants, or by its
    power, which is also nothing where the pump or its supply has failed.
    """
    return np.asarray(plant.loops[loop].pump_on < 0.5)
