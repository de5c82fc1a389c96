"""
The plant's day: every component's course over one local day, in SI, judged and metered.

It is made once a day by `analytics.reading.read_plant` and is the common ground of the ledger, the detectors and
the charts. Courses are means over cells of CELL_S seconds from the day's start; NaN means "not known" and is never
replaced by zero. A day in progress has NaN beyond `until_s`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import nan

import numpy as np
from numpy.typing import NDArray

from analytics.courses import course_of
from analytics.doubt import NO_DOUBT, Doubt
from analytics.figures import Basis
from analytics.segments import longest_step
from analytics.site import Point, Site
from analytics.trace import LocalDay

__all__ = [
    "CELL_S",
    "MOVES_M3_S",
    "NOTHING_STANDS",
    "UNKNOWN",
    "Course",
    "Draw",
    "HeatPumpDay",
    "HeaterDay",
    "HotWaterDay",
    "LoopDay",
    "PlantDay",
    "SensorFault",
    "Signal",
    "Standing",
    "TankDay",
    "Total",
    "not_known",
]

CELL_S = 60.0

MOVES_M3_S = 0.2e-3 / 60
"""0.2 l/min: meter creep and thermosiphon stay below, a house's smallest pumped circuit is above (common practice)."""

Course = NDArray[np.float64]
"""Means over the day's cells, shape (cells,); cells = day.seconds / CELL_S."""


@dataclass(frozen=True, slots=True)
class Total:
    """
    A day's integral, in SI.

    Args:
        amount: J, m3 or s; NaN where unknown.
        doubt: How far `amount` can be off, by source, same unit.
        covered: Part of the day so far with usable data, 0 to 1.
        basis, why: As in a figure.
    """

    amount: float
    doubt: Doubt
    covered: float
    basis: Basis = "measured"
    why: str = ""

    @property
    def u(self) -> float:
        """Standard uncertainty of `amount`, same unit."""
        return self.doubt.u


def not_known(why: str) -> Total:
    """A total that cannot be had, with the reason as a sentence."""
    return Total(nan, NO_DOUBT, 0.0, "unavailable", why)


UNKNOWN = not_known("It was not metered.")


@dataclass(frozen=True, slots=True)
class SensorFault:
    """
    A sensor's readings that are not to be believed, or need a remark.

    `kind` is "range", "stuck", "spike", "missing", or "counter" (a counter rolled over, restarted or was exchanged).
    `proved_s` is when a stuck one was first proved to be so; NaN of the others.
    """

    point: str
    kind: str
    start_s: float
    end_s: float
    n_readings: int
    sentence: str
    proved_s: float = nan
    stood_at: float = nan  # of a stuck irradiance sensor, W/m2


@dataclass(frozen=True, slots=True)
class Standing:
    """
    Points that stand still since they ceased to move, with the value that they show.

    Args:
        stuck: Those judged to be stuck.
        still: Those of which nothing beside them has shown yet that they should move.
    """

    stuck: dict[str, float]
    still: dict[str, float]

    def since_it_moved(self, point: str) -> float | None:
        """The value at which a point stands since it last moved; None where it is not known to stand."""
        return self.stuck.get(point, self.still.get(point))


NOTHING_STANDS = Standing({}, {})


@dataclass(frozen=True)
class Signal:
    """
    One point's readings in SI (degC for temperatures), calibrated, those left out by judgement removed.

    Args:
        time_s: Seconds from the day's start; some lie before it and after its end. Strictly increasing.
        value: Finite. A counter is cumulative and unrolled: it never falls.
        max_gap_s: The longest gap that may be bridged: 5 nominal intervals or 10 minutes, whichever is longer.
        edges_s: Edges of the day's cells.
    """

    point: Point
    time_s: NDArray[np.float64]
    value: NDArray[np.float64]
    max_gap_s: float
    edges_s: NDArray[np.float64]

    @cached_property
    def course(self) -> Course:
        """The same as means over cells (of a counter: its rate), NaN where not covered. (cells,)"""
        return course_of(self)

    @cached_property
    def mean(self) -> float:
        """Mean of the readings; NaN where there are none."""
        return float(self.value.sum()) / len(self.value) if len(self.value) else nan

    @cached_property
    def longest_gap_s(self) -> float:
        """Between two readings; none where there are fewer."""
        return longest_step(self.time_s)

    @property
    def is_gapless(self) -> bool:
        """Whether every gap between two readings may be bridged."""
        return self.longest_gap_s <= self.max_gap_s


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
    heat: Total = UNKNOWN
    reverse: Total = UNKNOWN
    pump_elec: Total = UNKNOWN


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaterDay:
    heater: str
    input_w: Course
    heat_w: Course
    input: Total = UNKNOWN
    heat: Total = UNKNOWN


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatPumpDay:
    """
    `mode` is +1 heating, -1 cooling, 0 off. `useful_w` is heat in heating, cooling in cooling, zero or more.

    `caused_elec_w` is the part of `elec_w` that heat for the hot water caused (in heating only). A start belongs to the
    mode of the run that it began.
    """

    heat_pump: str
    elec_w: Course
    is_on: Course
    mode: Course
    useful_w: Course
    n_heating_starts: int
    n_cooling_starts: int
    caused_elec_w: Course | None = None
    elec: Total = UNKNOWN
    heating: Total = UNKNOWN
    heating_elec: Total = UNKNOWN
    heating_cop: Total = UNKNOWN
    cooling: Total = UNKNOWN
    cooling_elec: Total = UNKNOWN
    cooling_cop: Total = UNKNOWN
    source: Total = UNKNOWN
    caused_elec: Total = UNKNOWN
    heating_run: Total = UNKNOWN
    cooling_run: Total = UNKNOWN


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
    """
    Water through the path.

    `sensors` are the signals along it by place (cold, hot, heated, mixed), where there are any.
    `leaving_j` has shape (tanks, cells): heat above cold water that leaves each tank with the water, per cell
    (NaN throughout where no sensor tells); `leaving_doubt` is the doubt of its sum over the day, by tank.
    `passing_j` is heat that the water gained after the last tank.
    """

    flow_m3_s: Course
    heat_w: Course
    sensors: Mapping[str, Signal]
    draws: Sequence[Draw]
    volume: Total = UNKNOWN
    heat: Total = UNKNOWN
    leaving_j: NDArray[np.float64] | None = None
    leaving_doubt: Sequence[Doubt] = ()
    passing_j: Course | None = None

    @property
    def cold_degc(self) -> Course:
        return self._at("cold")

    @property
    def hot_degc(self) -> Course:
        return self._at("hot")

    @property
    def heated_degc(self) -> Course:
        return self._at("heated")

    @property
    def mixed_degc(self) -> Course:
        return self._at("mixed")

    def _at(self, place: str) -> Course:
        return self.sensors[place].course if place in self.sensors else np.full(len(self.heat_w), nan)


@dataclass(frozen=True, slots=True, kw_only=True)
class TankDay:
    """`sensors_degc` has shape (sensors, cells), top to bottom."""

    tank: str
    sensors_degc: NDArray[np.float64]
    mean_degc: Course
    ambient_degc: Course
    loss_w: Course
    stored_change: Total = UNKNOWN
    loss: Total = UNKNOWN


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantDay:
    """
    Args:
        until_s: Seconds of the day that have passed when it was read; day.seconds for a whole day.
        signals: Every point of the site that has readings, by point id.
        sensor_faults: Readings left out, with reasons; also sensors that said nothing all day ("missing").
        last_s: Time of the newest reading of each point (seconds from the day's start, may be negative);
            a point without any reading in the window is not in it.
        standing: Points that stand still at the day's end.
    """

    site: Site
    day: LocalDay
    until_s: float
    signals: Mapping[str, Signal]
    sensor_faults: Sequence[SensorFault]
    last_s: Mapping[str, float]
    standing: Standing
    loops: Mapping[str, LoopDay]
    heaters: Mapping[str, HeaterDay]
    heat_pumps: Mapping[str, HeatPumpDay]
    hot_water: HotWaterDay | None
    tanks: Mapping[str, TankDay]
