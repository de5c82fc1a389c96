"""
A heat pump's day seen by its temperatures: steady cells, bins and the maker's sheet.

A cell is steady from ten minutes after a start on: before, stored heat and an unsettled circuit tell nothing of the
machine.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analytics.by_day import once_a_day
from analytics.expected.limits import heat_limit_w, relative_limit
from analytics.heat_pump import exchanged
from analytics.plant import CELL_S, Course, PlantDay
from analytics.rating import rated
from analytics.site import HeatPump, RatingPoint

__all__ = [
    "BIN_WIDTH_K",
    "COP_PER_LIFT_K",
    "Mode",
    "PumpCourses",
    "SheetCop",
    "TemperatureBin",
    "pump_courses",
    "sheet_cop",
    "stand_in_leaving_degc",
    "temperature_bins",
]

Flags = NDArray[np.bool_]
Mode = Literal["heating", "cooling"]

_SETTLED_CELLS = 10
_AROUND_CELLS = 3  # heat of a run reaches this far beyond it: as `analytics.heat_pump` gathers it


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpCourses:
    """
    One mode of a heat pump over the cells in which its compressor runs throughout, all of shape (cells,).

    `cells` are their places in the day; `steady` marks those ten minutes after the start and later.
    `most_w` is the most useful heat that the meters leave possible. `entering` and `leaving` are those of the source;
    `load_entering` and `load_leaving` are NaN without a metered load loop. [degC]
    """

    cells: NDArray[np.intp]
    steady: Flags
    elec_w: Course
    useful_w: Course
    most_w: Course
    entering_degc: Course
    leaving_degc: Course
    load_entering_degc: Course
    load_leaving_degc: Course


@once_a_day
def pump_courses(plant: PlantDay, heat_pump: HeatPump, mode: Mode) -> PumpCourses | None:
    """A heat pump's courses in one mode; None where it gave no readings or did not run in that mode."""
    day = plant.heat_pumps.get(heat_pump.id)
    if day is None:
        return None
    cells = np.flatnonzero((day.mode == (1.0 if mode == "heating" else -1.0)) & (day.is_on >= 0.99))
    if not len(cells):
        return None
    source, load = plant.loops.get(heat_pump.source_loop), plant.loops.get(heat_pump.load_loop or "")
    unknown = np.full(len(cells), nan)
    elec_w, useful_w = day.elec_w[cells], day.useful_w[cells]
    limit_w = _useful_limit_w(plant, heat_pump, cells, mode=mode)
    return PumpCourses(
        cells=cells,
        steady=_settled(cells),
        elec_w=elec_w,
        useful_w=useful_w,
        most_w=useful_w + limit_w + elec_w * relative_limit(plant.site.points[heat_pump.power], 1000.0),
        entering_degc=unknown if source is None else source.entering_degc[cells],
        leaving_degc=unknown if source is None else source.leaving_degc[cells],
        load_entering_degc=unknown if load is None else load.entering_degc[cells],
        load_leaving_degc=unknown if load is None else load.leaving_degc[cells],
    )


def _settled(cells: NDArray[np.intp]) -> Flags:
    """Cells before which the compressor ran for ten minutes without a break."""
    steady = np.zeros(len(cells), bool)
    steady[_SETTLED_CELLS:] = cells[_SETTLED_CELLS:] - cells[:-_SETTLED_CELLS] == _SETTLED_CELLS
    return steady


def _useful_limit_w(plant: PlantDay, heat_pump: HeatPump, cells: NDArray[np.intp], *, mode: Mode) -> Course:
    loops = [heat_pump.load_loop, heat_pump.desuperheater_loop]
    if heat_pump.load_loop is None or mode == "cooling":
        loops = [heat_pump.source_loop, *(loops[1:] if mode == "cooling" else [])]
    metered = [plant.loops[loop] for loop in loops if loop is not None and loop in plant.loops]
    limit = np.zeros(len(cells))
    for loop in metered:
        of_loop = heat_limit_w(plant, loop, cells)
        limit += np.where(np.isnan(of_loop), 0.0, of_loop)
    return limit


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureBin:
    """
    What a heat pump did at certain temperatures; each bin reaches one width up from its `from`.

    NaN temperatures gather what happened at unknown ones. `entering_degc` and `leaving_degc` are the means of its
    steady time, by electricity; NaN without any.
    """

    entering_from_degc: float
    leaving_from_degc: float
    entering_degc: float
    leaving_degc: float
    run_h: float
    useful_kwh: float
    elec_kwh: float
    steady_useful_kwh: float
    steady_elec_kwh: float


BIN_WIDTH_K = 2.5
"""Half of what makers' sheets step by, 5 K; common practice."""


def temperature_bins(
    plant: PlantDay, heat_pump: HeatPump, mode: Mode = "heating", *, width_k: float = BIN_WIDTH_K
) -> Sequence[TemperatureBin]:
    """
    Run time, heat and electricity by source entering and load leaving temperature, warmest source last.

    Heat just before and after a run counts at the temperatures of that run, so the bins add up to what the day's COP
    is made of: the runs during which compressor and loops were heard.
    """
    day = plant.heat_pumps.get(heat_pump.id)
    if day is None:
        return []
    found, sign = exchanged(heat_pump, day, plant.loops), 1.0 if mode == "heating" else -1.0
    cells = np.flatnonzero((found.mode == sign) & ~np.isnan(found.elec_w + day.useful_w))
    if not len(cells):
        return []
    at = _nearest_run(np.asarray(day.mode == sign))[cells]
    entering, leaving = _bin_temperatures(plant, heat_pump, at)
    places = np.floor(np.column_stack((entering, leaving)) / width_k)
    # Two NaN are not alike to numpy: a number that no temperature has stands for them.
    keys, where = np.unique(np.nan_to_num(places, nan=_NOWHERE), axis=0, return_inverse=True)
    keys = np.where(keys == _NOWHERE, nan, keys) * width_k
    run_h, useful, elec = (
        _by_bin(where, np.nan_to_num(course[cells])) for course in (day.is_on, day.useful_w, found.elec_w)
    )
    steady_w = np.where(_is_steady(plant, heat_pump, mode)[cells], found.elec_w[cells], 0.0)
    weights = steady_w, steady_w * entering, steady_w * leaving
    steady, by_entering, by_leaving = (_by_bin(where, each) for each in weights)
    steady_useful = _by_bin(where, np.where(steady_w > 0, day.useful_w[cells], 0.0))
    kwh = CELL_S / 3.6e6
    return [
        TemperatureBin(
            entering_from_degc=float(key[0]),
            leaving_from_degc=float(key[1]),
            entering_degc=float(by_entering[n] / steady[n]) if steady[n] > 0 else nan,
            leaving_degc=float(by_leaving[n] / steady[n]) if steady[n] > 0 else nan,
            run_h=float(run_h[n]) * CELL_S / 3600.0,
            useful_kwh=float(useful[n]) * kwh,
            elec_kwh=float(elec[n]) * kwh,
            steady_useful_kwh=float(steady_useful[n]) * kwh,
            steady_elec_kwh=float(steady[n]) * kwh,
        )
        for n, key in enumerate(keys)
    ]


def _is_steady(plant: PlantDay, heat_pump: HeatPump, mode: Mode) -> Flags:
    """Steady cells of the day."""
    found = np.zeros(len(plant.heat_pumps[heat_pump.id].elec_w), bool)
    courses = pump_courses(plant, heat_pump, mode)
    if courses is not None:
        found[courses.cells[courses.steady]] = True
    return found


def _bin_temperatures(plant: PlantDay, heat_pump: HeatPump, at: NDArray[np.intp]) -> tuple[Course, Course]:
    """Source entering and load leaving at cells, NaN where nobody measures them or a cell is -1. [degC]"""
    source, load = plant.loops.get(heat_pump.source_loop), plant.loops.get(heat_pump.load_loop or "")
    courses = (None if source is None else source.entering_degc, None if load is None else load.leaving_degc)
    entering, leaving = (
        np.full(len(at), nan) if course is None else np.where(at >= 0, course[at], nan) for course in courses
    )
    return entering, leaving


def _by_bin(where: NDArray[np.intp], course: Course) -> Course:
    return np.asarray(np.bincount(where.ravel(), weights=course), float)


_NOWHERE = -1e6


def _nearest_run(runs: Flags) -> NDArray[np.intp]:
    """The nearest cell of a run, at most three cells away, -1 where there is none. Shape as given"""
    index = np.arange(len(runs))
    before = np.maximum.accumulate(np.where(runs, index, -_AROUND_CELLS - 1))
    after = np.minimum.accumulate(np.where(runs, index, len(runs) + _AROUND_CELLS + 1)[::-1])[::-1]
    nearest = np.where(index - before <= after - index, before, after)
    return np.where(np.abs(nearest - index) <= _AROUND_CELLS, nearest, -1)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetCop:
    """COP by the maker's sheet in each steady cell (NaN where it says nothing), and how far it may be off, relative."""

    cop: Course
    doubt: float
    leaving_is_known: bool


_SHEET_EVERY = 4  # steady cells; temperatures move by tenths of a kelvin in four minutes
# Makers' figures and the reading between them (EN 14511 allows 5 % on a test; flows and pumps differ: common practice).
_SHEET_DOUBT = 0.10
# Water to a floor or a radiator circuit where nobody measures it: the hot end of what is usual (common practice).
_UNKNOWN_LEAVING_DEGC = 45.0
# COP falls by 2.0 to 2.4 % a kelvin: median of 54 on/off brine machines at B0 from W36 to W52, hplib 1.9 (CC BY 4.0).
# A kelvin of the source costs about as much as one of the load: both lengthen the lift (Carnot).
COP_PER_LIFT_K = 0.023


def sheet_cop(points: Sequence[RatingPoint], courses: PumpCourses, mode: Mode = "heating") -> SheetCop | None:
    """
    What the sheet promises at each cell's temperatures; None without points of that mode.

    Without a leaving temperature the sheet is read at its point nearest to 45 degC (in cooling: at its middle), and
    the doubt widens by what the rest of the way may cost.
    """
    mine = [point for point in points if point.mode == mode]
    if not mine:
        return None
    leaving = courses.load_leaving_degc
    is_known = bool(np.isfinite(leaving).any())
    doubt = _SHEET_DOUBT
    if not is_known:
        stand_in = stand_in_leaving_degc(mine, mode)
        away_k = _UNKNOWN_LEAVING_DEGC - stand_in if mode == "heating" else 5.0
        doubt += COP_PER_LIFT_K * abs(away_k)
        leaving = np.full(len(leaving), stand_in)
    steady, cop = np.flatnonzero(courses.steady), np.full(len(leaving), nan)
    at = steady[::_SHEET_EVERY]
    read = rated(mine, mode, entering_degc=courses.entering_degc[at], leaving_degc=leaving[at]).cop
    cop[steady] = np.repeat(read, _SHEET_EVERY)[: len(steady)]
    return SheetCop(cop=cop, doubt=float(doubt), leaving_is_known=is_known)


def stand_in_leaving_degc(points: Sequence[RatingPoint], mode: Mode) -> float:
    """At what leaving temperature a sheet with points of that mode is read where nobody measures it. [degC]"""
    sheet = np.asarray([point.leaving_c for point in points if point.mode == mode])
    return float(np.clip(_UNKNOWN_LEAVING_DEGC, sheet.min(), sheet.max()) if mode == "heating" else sheet.mean())
