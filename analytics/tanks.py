"""Tanks: stored heat by layers, and the loss to the room."""

from collections.abc import Mapping
from math import nan

import numpy as np
from numpy.typing import NDArray

from analytics.doubt import Doubt, from_limit
from analytics.fluids import water
from analytics.frame import DayFrame, temperature_limit_k
from analytics.plant import CELL_S, Signal, TankDay, Total, not_known
from analytics.segments import value_at
from analytics.site import Site, Tank

__all__ = ["meter_tank"]

Array = NDArray[np.float64]

_U_LOSS_PART = 0.115  # of a loss by a stated UA: within 20 %; common practice
_U_ONE_SENSOR_K = 5.0  # how far a tank's mean may move apart from its one sensor; common practice
_U_LAYER_PART = 0.1  # of each step between neighbouring sensors: where between them it lies, and how sharp it is
_U_READING_K = 0.03  # noise and rounding of one reading; common practice


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
        return not_known(f"Tank {tank.id} has no temperature sensor.")
    silent = len(tank.temperatures) - len(spoke)
    ends = np.array([0.0, frame.until_s])
    layers = np.array([value_at(signal, ends) for signal in spoke]) if spoke else np.full((1, 2), nan)
    if silent or np.isnan(layers).any():
        return not_known(f"Not every sensor of tank {tank.id} spoke at both ends of the day.")
    layer_m3 = tank.volume_l / 1e3 / len(layers)
    middle = layers.mean(axis=1)
    per_k = layer_m3 * water().density(middle) * water().capacity(middle)
    total = float(np.sum(per_k * (layers[:, 1] - layers[:, 0])))
    doubt = _stored_doubt(tank, spoke, layers, per_k=per_k)
    if len(layers) == 1:
        return Total(total, doubt, 1.0, "estimated", f"One sensor stands for the whole of tank {tank.id}.")
    return Total(total, doubt, 1.0)


def _stored_doubt(tank: Tank, spoke: list[Signal], layers: Array, *, per_k: Array) -> Doubt:
    """An error of calibration stands at both ends of the day and cancels but for the part that grows with degC."""
    steady = {
        signal.point.id: float(k) * from_limit(temperature_limit_k(signal, end) - temperature_limit_k(signal, start))
        for signal, k, (start, end) in zip(spoke, per_k, layers, strict=True)
    }
    read = float(np.sqrt(2.0 * np.sum(per_k**2))) * _U_READING_K
    if len(layers) == 1:
        between = float(per_k[0]) * _U_ONE_SENSOR_K
    else:
        steps = np.diff(layers, axis=0)
        between = float(per_k.mean() * np.sqrt(np.sum(steps**2))) * _U_LAYER_PART
    return Doubt(steady, {f"readings of {tank.id}": read, f"layers of {tank.id}": between})


def _loss(tank: Tank, loss_w: Array, frame: DayFrame) -> Total:
    if tank.ua_w_per_k is None:
        return not_known(f"The loss coefficient of tank {tank.id} is not stated (ua_w_per_k).")
    known = ~np.isnan(loss_w)
    part = float(known.sum()) * CELL_S / frame.until_s
    if not known.any():
        return not_known(f"The temperature of tank {tank.id} or of its room is not known.")
    total = float(loss_w[known].sum()) * CELL_S
    why = f"By the stated {tank.ua_w_per_k:g} W/K of tank {tank.id}."
    doubt = Doubt({f"ua_w_per_k of {tank.id}": abs(total) * _U_LOSS_PART})
    return Total(total, doubt, min(part, 1.0), "estimated", why)
