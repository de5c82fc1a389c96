"""
The plant's day: every component's course over one local day, in SI, judged and metered.

It is made once a day by `analytics.reading.read_plant` and is the common ground of the ledger, the detectors and
the charts. Courses are means over cells of CELL_S seconds from the day's start; NaN means "not known" and is never
replaced by zero. A day in progress has NaN beyond `until_s`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.site import Point, Site
from analytics.trace import LocalDay

__all__ = [
    "CELL_S",
    "Course",
    "Draw",
    "HeatPumpDay",
    "HeaterDay",
    "HotWaterDay",
    "LoopDay",
    "PlantDay",
    "SensorFault",
    "Signal",
    "TankDay",
]

CELL_S = 60.0

Course = NDArray[np.float64]
"""Means over the day's cells, shape (cells,); cells = day.seconds / CELL_S."""


@dataclass(frozen=True, slots=True)
class SensorFault:
    """A sensor's readings that are not to be believed: kind is "range", "stuck", "spike" or "missing"."""

    point: str
    kind: str
    start_s: float
    end_s: float
    n_readings: int
    sentence: str


@dataclass(frozen=True, slots=True)
class Signal:
    """
    One point's readings in SI (degC for temperatures), calibrated, those left out by judgement removed.

    Args:
        time_s: Seconds from the day's start; some lie before it and after its end. Strictly increasing.
        value: Finite. A counter is cumulative and unrolled: it never falls.
        max_gap_s: The longest gap that may be bridged: 5 nominal intervals or 10 minutes, whichever is longer.
        course: The same as means over cells (of a counter: its rate), NaN where not covered.
    """

    point: Point
    time_s: NDArray[np.float64]
    value: NDArray[np.float64]
    max_gap_s: float
    course: Course


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopDay:
    """
    A loop's course. `heat_w` is signed: positive when the component gives heat to the fluid.

    `pump_on` is the part of each cell in which the pump runs (NaN unknown); `called` the same for the pump's
    command where only that is known. `flow_is_assumed` where a nominal flow stands in for a meter.
    """

    loop: str
    heat_w: Course
    flow_m3_s: Course
    entering_degc: Course
    leaving_degc: Course
    pump_on: Course
    pump_elec_w: Course
    flow_is_assumed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaterDay:
    heater: str
    input_w: Course
    heat_w: Course


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatPumpDay:
    """`mode` is +1 heating, -1 cooling, 0 off. `useful_w` is heat in heating, cooling in cooling, zero or more."""

    heat_pump: str
    elec_w: Course
    is_on: Course
    mode: Course
    useful_w: Course
    n_starts: int


@dataclass(frozen=True, slots=True)
class Draw:
    """One opening of the taps; temperatures are volume-weighted means."""

    start_s: float
    end_s: float
    volume_m3: float
    cold_degc: float
    hot_degc: float
    heat_j: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HotWaterDay:
    """Water through the path. `outlet_degc` is where the heat is taken: heated, else hot, else mixed."""

    flow_m3_s: Course
    cold_degc: Course
    hot_degc: Course
    heated_degc: Course
    mixed_degc: Course
    outlet_degc: Course
    heat_w: Course
    draws: Sequence[Draw]


@dataclass(frozen=True, slots=True, kw_only=True)
class TankDay:
    """`sensors_degc` has shape (sensors, cells), top to bottom."""

    tank: str
    sensors_degc: NDArray[np.float64]
    mean_degc: Course
    ambient_degc: Course
    loss_w: Course


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantDay:
    """
    Args:
        until_s: Seconds of the day that have passed when it was read; day.seconds for a whole day.
        signals: Every point of the site that has readings, by point id.
        sensor_faults: Readings left out, with reasons; also sensors that said nothing all day ("missing").
        last_s: Time of the newest reading of each point (seconds from the day's start, may be negative);
            a point without any reading in the window is not in it.
    """

    site: Site
    day: LocalDay
    until_s: float
    signals: Mapping[str, Signal]
    sensor_faults: Sequence[SensorFault]
    last_s: Mapping[str, float]
    loops: Mapping[str, LoopDay]
    heaters: Mapping[str, HeaterDay]
    heat_pumps: Mapping[str, HeatPumpDay]
    hot_water: HotWaterDay | None
    tanks: Mapping[str, TankDay]
