"""Tanks: stored heat by layers, and the loss to the room."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import nan, sqrt

import numpy as np
from numpy.typing import NDArray

from analytics.coil_foot import PLACE_PART, foot_of, has_cold_below, has_sensor_at_foot, is_at_foot
from analytics.derived import stated, times_amount, unheard_at_mean
from analytics.doubt import GAPS, Doubt, from_limit
from analytics.fluids import water
from analytics.frame import DayFrame, temperature_limit_k
from analytics.plant import CELL_S, Signal, TankDay, Total, not_known
from analytics.segments import sum_over, value_at
from analytics.site import Site, Tank

__all__ = ["meter_tank"]

Array = NDArray[np.float64]

_U_LOSS_PART = 0.115  # of a loss by a stated UA: within 20 %; common practice
_U_ONE_SENSOR_K = 5.0  # how far a tank's mean may move apart from its one sensor; common practice
# Of each step between neighbouring sensors, divided by their number: where between them it lies, and how sharp it
# is. Seen in virtual tanks with two to four sensors, where it is 0.14 with much mixing, 0.23 with little.
_U_LAYERS_PART = 0.2
# Where a coil begins above the lowest sensor, the water below stays cold and the step is sharp: it may lie anywhere
# between two sensors.
_U_SHARP_PART = 1 / sqrt(12)
# The same of a day's change, which sees the layers at two moments only: with sensors elsewhere in their parts of the
# height, as in an independent plant.
_U_MOMENT_PART = 0.4
# And where a sensor may stand above a coil's foot or below it, so that it shows a step whole or not at all: seen in
# virtual tanks of 16 and of 48 layers with four sensors.
_U_MOMENT_AT_FOOT_PART = 0.7
_U_ROOM_K = 1.0  # a room's temperature given as a number; common practice
_SHORT_PART = 1e-3  # of a day: what a tank loses in it is no matter
_U_READING_K = 0.03  # noise and rounding of one reading; common practice


def meter_tank(site: Site, tank: Tank, signals: Mapping[str, Signal], *, frame: DayFrame) -> TankDay:
    """A tank's temperatures, stored change and loss over the day so far."""
    spoke = [signals[point] for point in tank.temperatures if point in signals and len(signals[point].time_s)]
    sensors = np.array([s.course for s in spoke]) if spoke else np.full((1, frame.n_cells), nan)
    mean = np.add.reduce(sensors, axis=0) / len(sensors)
    ambient = _ambient(tank, signals, frame)
    loss_w = (tank.ua_w_per_k if tank.ua_w_per_k is not None else nan) * (mean - ambient)
    feed, layering = _feed(site, tank, signals), _layering(site, tank)
    return TankDay(
        tank=tank.id,
        sensors_degc=sensors,
        mean_degc=mean,
        ambient_degc=ambient,
        loss_w=loss_w,
        stored_change=_stored_change(tank, spoke, frame, feed=feed, moment_part=_moment_part(site, tank)),
        loss=_loss(tank, loss_w, spoke, frame=frame, feed=feed, layering=layering),
    )


def _ambient(tank: Tank, signals: Mapping[str, Signal], frame: DayFrame) -> Array:
    if isinstance(tank.ambient, str):
        signal = signals.get(tank.ambient)
        return signal.course if signal else frame.unknown()
    return np.full(frame.n_cells, float(tank.ambient))


def _feed(site: Site, tank: Tank, signals: Mapping[str, Signal]) -> Signal | None:
    """The sensor of the water that enters a tank on the path: the cold feed, or what the tank before gives."""
    path = site.hot_water
    if path is None or tank.id not in path.tanks:
        return None
    index = list(path.tanks).index(tank.id)
    before = [path.cold, *path.between]
    return signals.get(before[index] or "") if index < len(before) else None


@dataclass(frozen=True, slots=True)
class _Layering:
    """
    Args:
        part: How far off the layers between sensors may be, as a part of the steps between them.
        foot: Height below which nothing heats the tank, 0 bottom to 1 top: there its water changes at once.
    """

    part: float
    foot: float


def _layering(site: Site, tank: Tank) -> _Layering:
    return _Layering(_U_SHARP_PART if has_cold_below(site, tank.id) else _U_LAYERS_PART, foot_of(site, tank.id))


def _moment_part(site: Site, tank: Tank) -> float:
    return _U_MOMENT_AT_FOOT_PART if has_sensor_at_foot(site, tank.id) else _U_MOMENT_PART


def _stored_change(
    tank: Tank, spoke: list[Signal], frame: DayFrame, *, feed: Signal | None, moment_part: float
) -> Total:
    """By the sensors alone."""
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
    total = float(np.add.reduce(per_k * (layers[:, 1] - layers[:, 0])))
    below_k = layers[-1] - feed.mean if feed is not None and len(feed.value) else np.zeros(2)
    doubt = _stored_doubt(tank, spoke, layers, per_k=per_k, below_k=below_k, moment_part=moment_part)
    if len(layers) == 1:
        return Total(total, doubt, 1.0, "estimated", f"One sensor stands for the whole of tank {tank.id}.")
    return Total(total, doubt, 1.0)


def _stored_doubt(
    tank: Tank, spoke: list[Signal], layers: Array, *, per_k: Array, below_k: Array, moment_part: float
) -> Doubt:
    """
    An error of calibration stands at both ends of the day and cancels but for the part that grows with degC.

    Between two sensors, and below the lowest, the water may be as the one or as the other.

    Args:
        below_k: The lowest sensor above the water that enters, at both ends of the day. (2,)
        moment_part: Of each step between neighbours, by which the water may be off at one moment.
    """
    steady = {
        signal.point.id: float(k) * from_limit(temperature_limit_k(signal, end) - temperature_limit_k(signal, start))
        for signal, k, (start, end) in zip(spoke, per_k, layers, strict=True)
    }
    read = sqrt(2.0 * float(np.add.reduce(per_k**2))) * stated(_U_READING_K, "K")
    if len(layers) == 1:
        between = float(per_k[0]) * stated(_U_ONE_SENSOR_K, "K")
    else:
        steps_k = sqrt(float(np.sum(np.concatenate((layers[1:] - layers[:-1], [below_k])) ** 2)))
        apart = times_amount(stated(moment_part), steps_k, "K")
        between = float(per_k.mean()) / len(layers) * apart
    return Doubt(steady, ends={f"readings of {tank.id}": read, f"layers of {tank.id}": between})


def _loss(
    tank: Tank, loss_w: Array, spoke: list[Signal], *, frame: DayFrame, feed: Signal | None, layering: _Layering
) -> Total:
    if tank.ua_w_per_k is None:
        return not_known(f"The loss coefficient of tank {tank.id} is not stated (ua_w_per_k).")
    known = ~np.isnan(loss_w)
    n_known = int(np.count_nonzero(known))
    part = n_known * CELL_S / frame.until_s
    if not n_known:
        return not_known(f"The temperature of tank {tank.id} or of its room is not known.")
    total = sum_over(loss_w, known) * CELL_S
    why = f"By the stated {tank.ua_w_per_k:g} W/K of tank {tank.id}."
    hours = n_known * CELL_S / 3600.0
    j_per_h_k = tank.ua_w_per_k * 3600.0
    steady = {
        f"ua_w_per_k of {tank.id}": abs(total) * stated(_U_LOSS_PART),
        f"room of {tank.id}": times_amount(stated(_U_ROOM_K, "K"), hours, "h") * j_per_h_k,
        **{source: j_per_h_k * k_h for source, k_h in _mean_k_h(tank, spoke, feed, layering, hours=hours).items()},
    }
    passing = {}
    if part < 1 - _SHORT_PART:
        passing[f"{GAPS} beside {tank.id}"] = from_limit(unheard_at_mean(total, part))
    for signal in spoke:
        u_k = from_limit(temperature_limit_k(signal, signal.mean))
        steady[signal.point.id] = times_amount(u_k, hours, "h") * (j_per_h_k / len(spoke))
    return Total(total, Doubt(steady, passing), min(part, 1.0), "estimated", why)


def _mean_k_h(
    tank: Tank, spoke: list[Signal], feed: Signal | None, layering: _Layering, *, hours: float
) -> dict[str, float]:
    """How far the mean of a tank's sensors may be off its water's by source, the same on all days, over the time."""
    if len(spoke) == 1:
        return {f"one sensor of {tank.id}": times_amount(stated(_U_ONE_SENSOR_K, "K"), hours, "h")}
    degc = np.array([signal.mean for signal in (*spoke, feed) if signal is not None and len(signal.value)])
    steps_k = np.abs(degc[1:] - degc[:-1])
    between_k = times_amount(stated(layering.part), sqrt(float(np.add.reduce(steps_k**2))), "K")
    across_k = times_amount(from_limit(stated(PLACE_PART)), _across_k(steps_k, len(spoke), layering.foot), "K")
    return {
        f"mean of {tank.id}": times_amount(between_k, hours, "h") * (1.0 / len(spoke) ** 2),
        f"places in {tank.id}": times_amount(across_k, hours, "h") * (1.0 / len(spoke)),
    }


def _across_k(steps_k: Array, n_sensors: int, foot: float) -> float:
    """
    By how much the water differs across the parts of the height that sensors stand for, as a root of squares. [K]

    Halfway to each neighbour; all of the way where the water changes at once within the places that a sensor may have.
    """
    beside_k = np.zeros((2, n_sensors))
    beside_k[0, 1:], beside_k[1, : len(steps_k)] = steps_k[: n_sensors - 1], steps_k
    whole_k = beside_k.max(axis=0) / (2.0 * PLACE_PART)
    across_k = np.where(is_at_foot(foot, n_sensors), whole_k, 0.5 * beside_k.sum(axis=0))
    return float(np.sqrt(np.add.reduce(across_k**2)))
