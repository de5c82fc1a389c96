"""
A day's conditions: what must be kept of each day so that later days can be held against it.

Names are `part.id.what_unit`; what is not known is left out. A year of a house is some tens of kilobytes.
"""

from collections.abc import Mapping, Sequence
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from analytics.courses import mean_of_known, sum_of_known
from analytics.expected.boiler import boiler_sums
from analytics.expected.collector import collector_sums
from analytics.expected.flows import loop_flows
from analytics.expected.ground import fall_in_runs
from analytics.expected.heat_pump import PumpCourses, pump_courses
from analytics.expected.heater import heater_levels
from analytics.expected.needless import backup_sums
from analytics.expected.rest_warmth import rest_warmth
from analytics.expected.stagnation import stagnant_hours
from analytics.expected.standby import above_room, standby_sums
from analytics.expected.sun_shift import sun_shift
from analytics.expected.warmth import tanks_before_taps, warmth
from analytics.figures import DayLedger
from analytics.heat_pump import from_source_w
from analytics.plant import CELL_S, Course, LoopDay, PlantDay
from analytics.site import HeatPump

__all__ = ["OUTDOOR_MEAN", "DayConditions", "conditions_of", "day_conditions", "record_column"]

DayConditions = Mapping[str, float]

OUTDOOR_MEAN = "outdoor.mean_degc"
"""Over the whole day, where an outdoor sensor was heard for nine tenths of it."""

_LEAST_HEARD = 0.9


def day_conditions(plant: PlantDay) -> DayConditions:
    """All that is known of a day's conditions, in the order of the site file."""
    found = {OUTDOOR_MEAN: _outdoor_degc(plant)}
    for pump in plant.site.heat_pumps.values():
        for mode in ("heating", "cooling"):
            courses = pump_courses(plant, pump, "heating" if mode == "heating" else "cooling")
            if courses is not None:
                found |= {f"heat_pump.{pump.id}.{mode}.{name}": v for name, v in _pump(plant, pump, courses).items()}
    for collector in plant.site.collectors.values():
        sums = {
            **collector_sums(plant, collector),
            **stagnant_hours(plant, collector),
            **sun_shift(plant, collector),
        }
        found |= {f"collector.{collector.id}.{name}": v for name, v in sums.items()}
    for stage in plant.site.stages.values():
        if stage.tank and (stage.heater or stage.backup):
            part = stage.heater or stage.loop
            found |= {f"heater.{part}.{name}": value for name, value in heater_levels(plant, stage).items()}
        if stage.backup and stage.tank:
            found |= {f"backup.{stage.id}.{name}": value for name, value in backup_sums(plant, stage).items()}
        if stage.backup and stage.loop:
            found |= {f"boiler.{stage.id}.{name}": value for name, value in boiler_sums(plant, stage).items()}
    found |= {**loop_flows(plant), **rest_warmth(plant)}
    before_taps = tanks_before_taps(plant.site)
    for tank in plant.site.tanks.values():
        told = {
            **standby_sums(plant, tank),
            **above_room(plant, tank),
            **(warmth(plant, tank) if tank.id in before_taps else {}),
        }
        found |= {f"tank.{tank.id}.{name}": v for name, v in told.items()}
    return {name: value for name, value in found.items() if isfinite(value)}


def _outdoor_degc(plant: PlantDay) -> float:
    named = [plant.site.outdoor, *(collector.outdoor for collector in plant.site.collectors.values())]
    signal = next((plant.signals[point] for point in named if point and point in plant.signals), None)
    if signal is None:
        return np.nan
    n_known = int(np.count_nonzero(np.isfinite(signal.course)))
    return np.nan if n_known / len(signal.course) < _LEAST_HEARD else sum_of_known(signal.course) / n_known


def _pump(plant: PlantDay, pump: HeatPump, courses: PumpCourses) -> dict[str, float]:
    known = np.isfinite(courses.useful_w + courses.elec_w)
    steady = courses.steady & known
    source, dsh = plant.loops.get(pump.source_loop), plant.loops.get(pump.desuperheater_loop or "")
    source_w = None if source is None else from_source_w(source)[courses.cells]
    taken_w = np.nan if source_w is None else sum_of_known(source_w)
    fall = np.nan if source_w is None else fall_in_runs(courses.cells, courses.entering_degc, source_w)
    return {
        "run_h": len(courses.cells) * CELL_S / 3600,
        "run_elec_kwh": sum_of_known(courses.elec_w) * CELL_S / 3.6e6,
        "run_cop": _cop(courses, known),
        "steady_h": float(steady.sum()) * CELL_S / 3600,
        "steady_elec_w": _mean(courses.elec_w[steady]),
        "steady_cop": _cop(courses, steady),
        "entering_degc": _mean(courses.entering_degc[steady]),
        "load_leaving_degc": _mean(courses.load_leaving_degc[steady]),
        "source_mean_w": taken_w * CELL_S / plant.day.seconds,
        "fall_k_per_kw": fall,
        **({} if dsh is None else _desuperheater(dsh, courses)),
    }


def _cop(courses: PumpCourses, cells: NDArray[np.bool_]) -> float:
    elec_w = float(courses.elec_w[cells].sum())
    return float(courses.useful_w[cells].sum()) / elec_w if elec_w > 0 else np.nan


# From here on a loop moves, or gives heat.
_MOVES_M3_S, _GIVES_W = 5e-6, 50.0


def _desuperheater(loop: LoopDay, courses: PumpCourses) -> dict[str, float]:
    """Of the time in which the compressor ran and its desuperheater's loop moved."""
    flow, heat_w = loop.flow_m3_s[courses.cells], loop.heat_w[courses.cells]
    moves = flow > _MOVES_M3_S if np.isfinite(flow).any() else heat_w > _GIVES_W
    moves &= np.isfinite(heat_w + courses.elec_w)
    return {
        "desuperheater_h": float(moves.sum()) * CELL_S / 3600,
        "desuperheater_elec_kwh": float(courses.elec_w[moves].sum()) * CELL_S / 3.6e6,
        "desuperheater_entering_degc": _mean(loop.entering_degc[courses.cells][moves]),
    }


def _mean(course: Course) -> float:
    return mean_of_known(course, otherwise=np.nan)


def conditions_of(day: DayLedger) -> DayConditions:
    """The conditions that a stored day carries; ledgers from before they were kept carry none."""
    carried: DayConditions = getattr(day, "conditions", {})
    return carried


def record_column(record: Sequence[DayConditions], name: str) -> NDArray[np.float64]:
    """One condition over a record's days, NaN where it is not known. Shape (days,)"""
    return np.asarray([conditions.get(name, np.nan) for conditions in record], np.float64)
