"""What a collector should have given: by its coefficients and a measured sky, or parts of a cloudless one."""

from math import nan
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.courses import sum_of_known
from analytics.expected.sun import clear_sky_in_plane, sun_position
from analytics.performance import collector_rate
from analytics.plant import CELL_S, Course, PlantDay
from analytics.site import Collector

__all__ = ["SKY_CELLS", "SKY_PARTS", "clear_sky_sun", "collector_sums"]

Array = NDArray[np.float64]

# Mean of a well-flowing collector above the coldest water of its tank (common practice).
_WORKING_K = 15.0
_COLD_TANK_DEGC = 25.0  # stands in where no sensor tells
_NIGHT_W_M2 = 20.0
SKY_CELLS = 15
"""Cells of a step of the cloudless sky: the sun moves slowly."""


def collector_sums(plant: PlantDay, collector: Collector) -> dict[str, float]:
    """
    A collector's day: irradiation, its ceiling under a cloudless sky [kWh/m2], the air by day [degC], and the heat that
    its coefficients allow with the measured sun [kWh]; NaN where it cannot be told.

    `running_allowed_kwh` is of the time in which its loop ran (`running_h`), `cold_allowed_kwh` of the day had the
    tank stayed as cold as in its coldest minute. Where nobody measures the sun, `running_clear_N_kwh` stand in its
    place: with N percent of what a cloudless sky sends (`SKY_PARTS`).
    """
    sun, air = (_course(plant, point) for point in (collector.irradiance, collector.outdoor))
    ceiling = clear_sky_sun(plant, collector)
    by_day = ceiling > _NIGHT_W_M2
    air_by_day = air.reshape(-1, SKY_CELLS)[by_day]
    air_by_day = air_by_day[np.isfinite(air_by_day)]
    known = np.count_nonzero(np.isfinite(sun)) > 0.9 * len(sun)
    runs = _running(plant, collector, _by_cells(by_day))
    over_air_k = _over_air_k(plant, collector, air)
    sums = {
        "irradiation_kwh_m2": sum_of_known(sun) * CELL_S / 3.6e6 if known else nan,
        "ceiling_kwh_m2": float(ceiling.sum()) * SKY_CELLS * CELL_S / 3.6e6,
        "air_degc": float(air_by_day.sum()) / len(air_by_day) if len(air_by_day) else nan,
        "running_h": nan if runs is None else float(runs.sum()) * CELL_S / 3600,
    }
    if collector.eta0 is None:
        return sums
    if runs is None:
        return sums | {"allowed_kwh": _kwh(_allowed_w(collector, sun, over_air_k))}
    if collector.irradiance is None:
        return sums | {
            f"running_clear_{part}_kwh": _kwh(_allowed_w(collector, part / 100 * _by_cells(ceiling), over_air_k)[runs])
            for part in SKY_PARTS
        }
    allowed_w = _allowed_w(collector, sun, over_air_k)
    lowest = float(np.fmin.reduce(_coldest(plant, collector), initial=np.inf))
    cold_k = (lowest if np.isfinite(lowest) else _COLD_TANK_DEGC) + _WORKING_K - air
    return sums | {
        "allowed_kwh": _kwh(allowed_w),
        "running_allowed_kwh": _kwh(allowed_w[runs]),
        "cold_allowed_kwh": _kwh(_allowed_w(collector, sun, cold_k)),
    }


SKY_PARTS = (30, 60, 100)
"""Percent of a cloudless sky's irradiation for which a collector without a sun sensor keeps what it could give."""

# A loop moves from here on; a counter's heat rate from which its loop is taken to run.
_MOVES_M3_S, _GIVES_W = 5e-6, 50.0


def _by_cells(steps: NDArray[Any]) -> NDArray[Any]:
    """Steps of the sky over the day's cells."""
    return np.repeat(steps, SKY_CELLS)


def _running(plant: PlantDay, collector: Collector, by_day: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
    """By day, whether the loop ran while its heat is known; None where neither is ever known."""
    loop = plant.loops.get(collector.loop)
    if loop is None or not np.isfinite(loop.heat_w).any():
        return None
    if np.isfinite(loop.flow_m3_s).any():
        return np.asarray(by_day & (loop.flow_m3_s > _MOVES_M3_S) & np.isfinite(loop.heat_w))
    return np.asarray(by_day & (loop.heat_w > _GIVES_W))


def _over_air_k(plant: PlantDay, collector: Collector, air: Course) -> Course:
    """How far a well-flowing collector stands above the air."""
    low = _coldest(plant, collector)
    return np.asarray(np.where(np.isnan(low), _COLD_TANK_DEGC, low) + _WORKING_K - air)


def _allowed_w(collector: Collector, sun: Course, over_air_k: Course) -> Course:
    rate = collector_rate(sun, over_air_k, eta0=collector.eta0 or 0.0, a1=collector.a1 or 0.0, a2=collector.a2 or 0.0)
    return np.asarray(np.maximum(rate, 0.0) * collector.area_m2)


def _kwh(power_w: Course) -> float:
    """Nothing over no time at all; NaN where nothing is known."""
    if len(power_w) and not np.isfinite(power_w).any():
        return nan
    return sum_of_known(power_w) * CELL_S / 3.6e6


def clear_sky_sun(plant: PlantDay, collector: Collector) -> Course:
    """
    Irradiance in the collector's plane under a cloudless sky; without a given plane 45 degrees to noon. [W/m2]

    Shape (cells / SKY_CELLS,)
    """
    site, n_cells = plant.site, round(plant.day.seconds / CELL_S)
    time_ms = plant.day.start_ms + (np.arange(0, n_cells, SKY_CELLS) + 0.5 * SKY_CELLS) * CELL_S * 1000
    height, azimuth = sun_position(time_ms, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg)
    to_noon = 180.0 if site.latitude_deg >= 0 else 0.0
    return clear_sky_in_plane(
        height,
        azimuth,
        tilt_deg=45.0 if collector.tilt_deg is None else collector.tilt_deg,
        facing_deg=to_noon if collector.azimuth_deg is None else collector.azimuth_deg,
    )


def _coldest(plant: PlantDay, collector: Collector) -> Course:
    stage = next((stage for stage in plant.site.stages.values() if stage.loop == collector.loop), None)
    tank = plant.tanks.get(stage.tank) if stage is not None and stage.tank else None
    has_sensors = tank is not None and len(tank.sensors_degc) > 0
    return tank.sensors_degc[-1] if tank is not None and has_sensors else np.full(round(plant.day.seconds / 60), nan)


def _course(plant: PlantDay, point: str | None) -> Course:
    signal = plant.signals.get(point) if point else None
    return np.full(round(plant.day.seconds / CELL_S), nan) if signal is None else signal.course
