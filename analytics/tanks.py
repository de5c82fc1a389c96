"""Tanks: stored heat by layers, and the loss to the room."""

from collections.abc import Mapping
from math import hypot, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from analytics.fluids import water
from analytics.frame import DayFrame, temperature_limit_k
from analytics.plant import CELL_S, Signal, TankDay, Total
from analytics.segments import value_at
from analytics.site import Site, Tank

__all__ = ["meter_tank"]

Array = NDArray[np.float64]

_U_LOSS_PART = 0.2  # of a loss by a stated UA; common practice
_U_ONE_SENSOR_K = 5.0  # how far a tank's mean may move apart from its one sensor; common practice
_U_LAYER_PART = 0.05  # of the spread between neighbouring sensors: where in a layer the step lies


def meter_tank(site: Site, tank: Tank, signals: Mapping[str, Signal], *, frame: DayFrame) -> TankDay:
    """A tank's temperatures, stored change and loss over the day so far."""
    spoke = [signals[point] for point in tank.temperatures if point in signals and len(signals[point].time_s)]
    sensors = np.stack([s.course for s in spoke]) if spoke else np.full((1, frame.n_cells), nan)
    mean = np.mean(sensors, axis=0)
    ambient = _ambient(tank, signals, frame)
    loss_w = (tank.ua_w_per_k if tank.ua_w_per_k is not None else nan) * (mean - ambient)
    return TankDay(
        tank=tank.id,
        sensors_degc=sensors,
        mean_degc=mean,
        ambient_degc=ambient,
        loss_w=loss_w,
        stored_change=_stored_change(tank, spoke, frame),
        loss=_loss(tank, loss_w, frame),
    )


def _ambient(tank: Tank, signals: Mapping[str, Signal], frame: DayFrame) -> Array:
    if isinstance(tank.ambient, str):
        signal = signals.get(tank.ambient)
        return signal.course if signal else frame.unknown()
    return np.full(frame.n_cells, float(tank.ambient))


def _stored_change(tank: Tank, spoke: list[Signal], frame: DayFrame) -> Total:
    if not tank.temperatures:
        return Total(nan, nan, 0.0, "unavailable", f"Tank {tank.id} has no temperature sensor.")
    silent = len(tank.temperatures) - len(spoke)
    ends = np.array([0.0, frame.until_s])
    layers = np.array([value_at(signal, ends) for signal in spoke]) if spoke else np.full((1, 2), nan)
    if silent or np.isnan(layers).any():
        return Total(nan, nan, 0.0, "unavailable", f"Not every sensor of tank {tank.id} spoke at both ends of the day.")
    layer_m3 = tank.volume_l / 1e3 / len(layers)
    middle = layers.mean(axis=1)
    per_k = layer_m3 * water().density(middle) * water().capacity(middle)
    total = float(np.sum(per_k * (layers[:, 1] - layers[:, 0])))
    # An error of calibration stands at both ends and cancels; a tenth of it is taken as drift between them.
    drift = np.array([0.1 * temperature_limit_k(s, float(m)) for s, m in zip(spoke, middle, strict=True)])
    spread = float(np.ptp(layers, axis=0).max()) * _U_LAYER_PART
    u = sqrt(float(np.sum((per_k * drift) ** 2)) + (float(per_k.sum()) * spread) ** 2)
    if len(layers) == 1:
        why = f"One sensor stands for the whole of tank {tank.id}."
        return Total(total, hypot(u, float(per_k.sum()) * _U_ONE_SENSOR_K), 1.0, "estimated", why)
    return Total(total, u, 1.0)


def _loss(tank: Tank, loss_w: Array, frame: DayFrame) -> Total:
    if tank.ua_w_per_k is None:
        return Total(
            nan, nan, 0.0, "unavailable", f"The loss coefficient of tank {tank.id} is not stated (ua_w_per_k)."
        )
    known = ~np.isnan(loss_w)
    part = float(known.sum()) * CELL_S / frame.until_s
    if not known.any():
        return Total(nan, nan, 0.0, "unavailable", f"The temperature of tank {tank.id} or of its room is not known.")
    total = float(loss_w[known].sum()) * CELL_S
    why = f"By the stated {tank.ua_w_per_k:g} W/K of tank {tank.id}."
    return Total(total, abs(total) * _U_LOSS_PART, min(part, 1.0), "estimated", why)
