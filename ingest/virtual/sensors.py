"""
The sensors of a virtual house: which channel of the plant each point sees, and what it makes of it.

A perfect sensor shows the plant as it is, on its own interval. An ordinary one has a calibration error inside its
stated limits, noise, rounding and dropouts, and its gateway's clock drifts; all drawn from the seed, day and point.
"""

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analytics.site import Accuracy, Loop, Point, Site
from analytics.trace import Trace
from ingest.virtual.faults import Fault
from ingest.virtual.house import DayRecord
from ingest.virtual.layout import CH, STEP_S

__all__ = ["Sampler", "Wiring", "clock_error_ms", "day_times", "wire"]

# (scale, shift) from SI to the point's unit: shown = SI * scale + shift.
_UNITS = {
    "degC": (1.0, 0.0), "degF": (1.8, 32.0), "K": (1.0, 273.15),
    "m3/s": (1.0, 0.0), "l/s": (1e3, 0.0), "l/min": (6e4, 0.0), "l/h": (3.6e6, 0.0), "m3/h": (3600.0, 0.0),
    "gal/min": (6e4 / 3.785411784, 0.0),
    "W": (1.0, 0.0), "kW": (1e-3, 0.0), "J": (1.0, 0.0), "kWh": (1 / 3.6e6, 0.0), "Wh": (1 / 3600.0, 0.0),
    "MJ": (1e-6, 0.0), "m3": (1.0, 0.0), "l": (1e3, 0.0), "gal": (1e3 / 3.785411784, 0.0),
    "W/m2": (1.0, 0.0), "1": (1.0, 0.0),
}  # fmt: skip

# In SI: 0.02 K, 0.01 l/min, 1 W, 1 W/m2, 1 Wh, 0.1 l.
_ROUNDING = {"temperature": 0.02, "flow": 1e-5 / 60, "power": 1.0, "irradiance": 1.0, "energy": 3600.0, "volume": 1e-4}
_NOISE = {"temperature": 0.02, "flow": 0.004, "power": 0.003, "irradiance": 0.005}  # K, else a part of the value
# EN 1434-1: 1 + 0.01 qp/q, 2 + 0.02 qp/q, 3 + 0.05 qp/q, in percent, at a tenth of the permanent flow.
_EN_1434_AT_A_TENTH = {"1": 0.011, "2": 0.022, "3": 0.035}
_DROPOUT = 4e-4  # of a point's readings, one at a time
_GATEWAY_GAPS_PER_DAY = 0.12
_DRIFT_MS_PER_DAY = 400.0  # a quartz clock gains or loses this much until it is set again each week


@dataclass(frozen=True)
class Wiring:
    """One point and what it sees: a channel, or a height (0 top to 1 bottom) in a tank."""

    point: Point
    channel: int = -1
    tank: int = -1
    depth: float = 0.0


def wire(site: Site, depths: Mapping[str, float] | None = None) -> Mapping[str, Wiring]:
    """
    What each point of a site sees, from the place that the site file gives it.

    Args:
        depths: Of sensors in tanks that stand elsewhere, 0 top to 1 bottom.

    Raises:
        ValueError: If a point has no place on the plant.
    """
    wires = {**_wire_loops(site), **_wire_tanks(site), **_wire_water(site), **_wire_rest(site)}
    if lost := [point for point in site.points if point not in wires]:
        raise ValueError(f"points {', '.join(lost)} have no place in the virtual plant; name them in a table")
    for point, depth in (depths or {}).items():
        wires[point] = replace(wires[point], depth=depth)
    return {point: wires[point] for point in site.points}


def _loop_role(site: Site, loop: str) -> str:
    pump = next(iter(site.heat_pumps.values()), None)
    if any(c.loop == loop for c in site.collectors.values()):
        return "sun"
    names = {pump.source_loop: "source", pump.load_loop: "load", pump.desuperheater_loop: "dsh"} if pump else {}
    return names.get(loop, "boiler")


def _wire_loops(site: Site) -> dict[str, Wiring]:
    found = {}
    for loop in site.loops.values():
        for point, channel in _loop_channels(site, loop, _loop_role(site, loop.id)):
            found[point] = Wiring(site.points[point], channel)
    return found


def _loop_channels(site: Site, loop: Loop, role: str) -> list[tuple[str, int]]:
    pump_is_power = loop.pump is not None and site.points[loop.pump].quantity == "power"
    places = {
        loop.entering: f"{role}_in_degc",
        loop.leaving: f"{role}_out_degc",
        loop.flow: f"{role}_m3_s",
        loop.energy: f"{role}_j",
        loop.pump: f"{role}_pump_w" if pump_is_power else f"{role}_called",
    }
    return [(point, getattr(CH, name)) for point, name in places.items() if point]


def _wire_tanks(site: Site) -> dict[str, Wiring]:
    path = list(site.hot_water.tanks) if site.hot_water else list(site.tanks)
    found = {}
    for tank in site.tanks.values():
        for k, point in enumerate(tank.temperatures):
            depth = (k + 0.5) / len(tank.temperatures)
            found[point] = Wiring(site.points[point], tank=path.index(tank.id), depth=depth)
    return found


def _wire_water(site: Site) -> dict[str, Wiring]:
    water = site.hot_water
    if water is None:
        return {}
    side = "mixed" if water.flow_at == "mixed" else "draw"
    places = {
        water.cold: CH.cold_degc,
        water.hot: CH.hot_degc,
        water.heated: CH.heated_degc,
        water.mixed: CH.mixed_degc,
        water.flow: getattr(CH, f"{side}_m3_s"),
        water.volume: getattr(CH, f"{side}_m3"),
        **dict.fromkeys(water.between[: len(water.tanks) - 1], CH.between_degc),
    }
    return {point: Wiring(site.points[point], channel) for point, channel in places.items() if point}


def _wire_rest(site: Site) -> dict[str, Wiring]:
    places: dict[str | None, int] = {pump.power: CH.heat_pump_w for pump in site.heat_pumps.values()}
    for collector in site.collectors.values():
        places |= {collector.irradiance: CH.irradiance_w_m2, collector.outdoor: CH.outdoor_degc}
    in_passing = {stage.heater for stage in site.stages.values() if stage.heater and not stage.tank}
    for heater in site.heaters.values():
        is_fuel = heater.kind != "electric"
        places[heater.power] = CH.passing_w if heater.id in in_passing else CH.element_w
        places[heater.status] = CH.burner_on if is_fuel else CH.element_called
    return {point: Wiring(site.points[point], channel) for point, channel in places.items() if point}


def _seeded(seed: int, point: str, *more: int) -> np.random.Generator:
    return np.random.default_rng([seed, zlib.crc32(point.encode()), *more])


def day_times(record: DayRecord, interval_s: float) -> NDArray[np.int64]:
    """Steps of the day at which a point of this interval is read: the ends of its intervals. (readings,)"""
    every = max(1, round(interval_s / STEP_S))
    return np.arange(every, len(record.now) + 1, every)


def clock_error_ms(time_ms: NDArray[np.int64], seed: int) -> NDArray[np.int64]:
    """How far the gateway's clock is ahead; it drifts and is set right every week."""
    rate = np.random.default_rng([seed, 17]).uniform(-1.0, 1.0) * _DRIFT_MS_PER_DAY
    days_since_set = (time_ms % (7 * 86_400_000)) / 86_400_000
    return np.round(rate * days_since_set).astype(np.int64)


class Sampler:
    """
    All sensors of one house. It remembers what each last showed on the day before, which is all that a stuck one needs.

    Args:
        perfect: Without any error of sensors, gateway and clock. Faults show all the same.
        depths: Of sensors in tanks that do not stand in the middles of equal parts.
        systematic: Errors of calibration by point, as parts of their limits, -1 to 1; others are drawn from the seed.
    """

    def __init__(
        self,
        site: Site,
        *,
        seed: int,
        perfect: bool,
        faults: Sequence[Fault] = (),
        depths: Mapping[str, float] | None = None,
        systematic: Mapping[str, float] | None = None,
    ) -> None:
        self._wires = wire(site, depths)
        self._systematic = systematic or {}
        self._seed, self._perfect, self._faults = seed, perfect, tuple(faults)
        self._last: Mapping[str, float] = {}

    def copy(self) -> "Sampler":
        """An independent one that remembers the same."""
        other = object.__new__(Sampler)
        other.__dict__.update(self.__dict__)
        return other

    def read(self, record: DayRecord, *, after: int = 0) -> dict[str, Trace]:
        """The readings of the record's steps beyond `after`, one trace for each point, in the point's unit."""
        shared: dict[float, _Moments] = {}
        traces, last = {}, {}
        for name, wiring in self._wires.items():
            interval_s = wiring.point.interval_s
            if interval_s not in shared:
                shared[interval_s] = _moments(
                    record, interval_s, seed=self._seed, perfect=self._perfect, faults=self._faults
                )
            value, usable = self._value(record, wiring, shared[interval_s])
            last[name] = value[-1] if len(value) else np.nan
            moments = shared[interval_s]
            keep = usable & (moments.steps > after) & (moments.steps <= record.steps_done)
            # Points without gaps share their times: a year of a house then fits in memory.
            traces[name] = Trace(moments.shown_ms, value) if keep.all() else Trace(moments.shown_ms[keep], value[keep])
        if record.steps_done == len(record.now):
            self._last = last
        return traces

    def _value(
        self, record: DayRecord, wiring: Wiring, moments: "_Moments"
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        value, usable = _shown(record, wiring, moments.steps), moments.usable
        for fault in self._faults_of(wiring.point, "swapped"):
            other = next(point for point in fault.points if point != wiring.point.id)
            value = np.where(moments.within(fault), _shown(record, self._wires[other], moments.steps), value)
        if not self._perfect:
            systematic = self._systematic.get(wiring.point.id)
            value, usable = _with_errors(
                value, wiring.point, record, seed=self._seed, usable=usable, systematic=systematic
            )
        for fault in self._faults_of(wiring.point, "offset"):
            value = np.where(moments.within(fault), value + fault.kind.shift, value)
        for fault in self._faults_of(wiring.point, "missing"):
            usable = usable & ~moments.within(fault)
        for fault in self._faults_of(wiring.point, "stuck"):
            before = int(np.searchsorted(moments.true_ms, fault.start_ms))
            held = value[before - 1] if before > 0 else self._last.get(wiring.point.id, np.nan)
            value = np.where(moments.within(fault), held, value)
        return value, usable & ~np.isnan(value)

    def _faults_of(self, point: Point, sensor: str) -> list[Fault]:
        return [fault for fault in self._faults if fault.kind.sensor == sensor and point.id in fault.points]


@dataclass(frozen=True)
class _Moments:
    """When points of one interval are read: steps of the day, true time, time stamp, and whether the gateway sent."""

    steps: NDArray[np.int64]
    true_ms: NDArray[np.int64]
    shown_ms: NDArray[np.int64]
    usable: NDArray[np.bool_]

    def within(self, fault: Fault) -> NDArray[np.bool_]:
        return (self.true_ms >= fault.start_ms) & (self.true_ms < fault.end_ms)


def _moments(record: DayRecord, interval_s: float, *, seed: int, perfect: bool, faults: Sequence[Fault]) -> _Moments:
    steps = day_times(record, interval_s)
    true_ms = record.day.start_ms + (steps * (STEP_S * 1000)).astype(np.int64)
    usable = np.ones(len(true_ms), dtype=bool)
    for fault in faults:
        if fault.kind.sensor == "silent":
            usable &= (true_ms < fault.start_ms) | (true_ms >= fault.end_ms)
    if perfect:
        return _Moments(steps, true_ms, true_ms, usable)
    rng = np.random.default_rng([seed, record.day.date.toordinal(), 23])
    for _ in range(rng.poisson(_GATEWAY_GAPS_PER_DAY)):
        start_ms = record.day.start_ms + rng.uniform(0.0, record.day.seconds) * 1000.0
        length_ms = rng.exponential(6.0) * 60_000.0
        usable &= (true_ms < start_ms) | (true_ms >= start_ms + length_ms)
    return _Moments(steps, true_ms, true_ms + clock_error_ms(true_ms, seed), usable)


def _shown(record: DayRecord, wiring: Wiring, steps: NDArray[np.int64]) -> NDArray[np.float64]:
    """What a perfect sensor would show at these steps, in the point's unit."""
    if wiring.tank >= 0:
        value = _at_depth(record.nodes_degc[steps - 1, wiring.tank], wiring.depth)
    elif wiring.point.sampling == "mean":
        every = int(steps[0])
        value = record.mean[: len(steps) * every, wiring.channel].reshape(-1, every).mean(axis=1)
    else:
        value = record.now[steps - 1, wiring.channel]
    scale, shift = _UNITS[wiring.point.unit]
    return value * scale + shift


def _at_depth(nodes_degc: NDArray[np.float64], depth: float) -> NDArray[np.float64]:
    """Temperature at a depth (0 top to 1 bottom), straight lines between the nodes' middles."""
    count = nodes_degc.shape[1]
    place = np.clip(depth * count - 0.5, 0.0, count - 1.0)
    upper = min(int(place), count - 2)
    part = place - upper
    return (1.0 - part) * nodes_degc[:, upper] + part * nodes_degc[:, upper + 1]


def _limit(accuracy: Accuracy | None, value: NDArray[np.float64], point: Point) -> NDArray[np.float64]:
    """Half-width of the limits of error at each value, in the point's unit."""
    if accuracy is None:
        return np.full_like(value, 0.3) if point.quantity == "temperature" else 0.01 * np.abs(value)
    if accuracy.standard == "absolute":
        return np.full_like(value, accuracy.value)
    if accuracy.standard == "percent":
        return np.abs(value) * accuracy.value / 100.0
    if accuracy.standard == "IEC 60751":
        fixed, slope = {"AA": (0.1, 0.0017), "A": (0.15, 0.002), "B": (0.3, 0.005), "C": (0.6, 0.01)}[accuracy.grade]
        return fixed + slope * np.abs(value)
    return np.abs(value) * _EN_1434_AT_A_TENTH[accuracy.grade]


def _with_errors(
    value: NDArray[np.float64],
    point: Point,
    record: DayRecord,
    *,
    seed: int,
    usable: NDArray[np.bool_],
    systematic: float | None,
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Calibration, noise, rounding and dropouts of an ordinary sensor."""
    rng = _seeded(seed, point.id, record.day.date.toordinal())
    usable = usable & (rng.random(len(value)) >= _DROPOUT)
    if point.quantity == "status":
        return value, usable
    if systematic is None:
        systematic = _seeded(seed, point.id).uniform(-1.0, 1.0)
    noise = _NOISE.get(point.quantity, 0.0) * (1.0 if point.quantity == "temperature" else value)
    shown = value + systematic * _limit(point.accuracy, value, point) + noise * rng.standard_normal(len(value))
    shown = np.where(value == 0.0, 0.0, shown) if point.quantity in ("flow", "power", "irradiance") else shown
    step = _ROUNDING[point.quantity] * _UNITS[point.unit][0]
    if point.quantity in ("energy", "volume"):
        return np.floor(shown / step) * step, usable
    return np.round(np.round(shown / step) * step, 9), usable
