"""`heat-pump-low-cop`: COP below what the entering and leaving temperatures allow."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from statistics import median
from typing import ClassVar

import numpy as np

from analytics.detection.cop_fade import CopFade
from analytics.detection.cop_record import cop_days, good_days, misread_loop
from analytics.detection.cop_seldom import CopSeldom
from analytics.detection.findings import Clear, Evidence, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import Flags, cells_passed, clock, instant_ms
from analytics.detection.worth import JOULES_PER_KWH, electricity_price
from analytics.expected.carnot import carnot_check
from analytics.expected.heat_pump import COP_PER_LIFT_K, Mode, PumpCourses, pump_courses, sheet_cop
from analytics.expected.watching import Watched
from analytics.figures import DayLedger
from analytics.plant import CELL_S, MOVES_M3_S, Course, PlantDay
from analytics.site import HeatPump, Site

__all__ = ["HeatPumpLowCop"]

_STANDING_PART = 0.2  # of the running time; from here on it is `loop-no-flow` that speaks


@dataclass(frozen=True, slots=True)
class _Case:
    """
    A heat pump in one mode held against one thing, over those of its running cells that count.

    `expected_cop` per cell; `floor` is the part of it below which a COP is too low, doubt of the expectation included;
    `errs_alike` where the machine's own sensors made the expectation.
    """

    mode: Mode
    against: str
    courses: PumpCourses
    counted: Flags
    expected_cop: Course
    floor: float
    evidence: Evidence
    errs_alike: bool = False

    def sums_j(self) -> tuple[Course, Course, Course]:
        """Expected, measured and most possible heat up to each running cell. [J]"""
        courses = (self.expected_cop * self.courses.elec_w, self.courses.useful_w, self.courses.most_w)
        expected, measured, most = (np.cumsum(np.where(self.counted, each, 0.0)) * CELL_S for each in courses)
        return expected, measured, most


@dataclass(frozen=True, kw_only=True)
class HeatPumpLowCop:
    """
    A heat pump whose COP, in heating or in cooling, stays below the maker's sheet at its temperatures, or below its own
    record in that mode.

    The sheet speaks where it reaches; its word is final where both temperatures are measured. Else the house's own
    record of daily COPs speaks, too; a source that asks for more lift than on the record's days counts in the machine's
    favour. So do all sensors' limits of error; but the record was made by the same sensors and has part of them in it.

    Several days in a row are held against the first good weeks, too (`watched`, `detection.cop_fade`), and the short
    days of a machine that seldom runs against its first ones (`detection.cop_seldom`).

    Not this: a loop that stands still; a cold source (in cooling, a warm one) or hot water, which the sheet allows for;
    starts, which are left out; a COP below zero or above Carnot's, which shows a sensor's fault
    (`detection.beyond_carnot`).
    """

    kind: ClassVar[str] = "heat-pump-low-cop"
    rejoin: ClassVar[timedelta] = timedelta(hours=96)  # in mild weather a heat pump may rest for days
    sheet_fraction: float = 0.85  # a service call is worth it from here on (common practice)
    record_fraction: float = 0.78  # of the record's median; a cold week moves it by a tenth
    steady_part: float = 0.5  # of a sensor's limit of error: the other part may drift or depend (common practice)
    healthy_fraction: float = 0.9  # of the limit's other side: from here on a COP clears what was said before
    record_days: int = 10
    recent_days: int = 30
    min_record_kwh: float = 3.0  # heat of a day from which its COP counts in the record
    min_running: timedelta = timedelta(minutes=45)
    min_expected_kwh: float = 2.0

    watched: Mapping[str, Watched] = field(default_factory=dict)  # by subject, up to the day before
    fade: CopFade = field(default_factory=CopFade)
    seldom: CopSeldom = field(default_factory=CopSeldom)

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(pump.id) for pump in site.heat_pumps.values()]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        pump = plant.site.heat_pumps[component]
        modes: Sequence[Mode] = ("heating", "cooling")
        seen = [(mode, courses) for mode in modes if (courses := pump_courses(plant, pump, mode)) is not None]
        verdicts = [self._in_mode(plant, history, pump, mode=mode, courses=courses) for mode, courses in seen]
        today, held = self._joined(component, verdicts), self.watched.get(f"{component}.cop")
        if held is not None:
            today = self.fade.joined(plant, history, pump, held, heating=dict(seen).get("heating"), today=today)
        return self.seldom.joined(plant, history, pump, today=today)

    def _joined(self, heat_pump: str, verdicts: Sequence[Verdict]) -> Verdict:
        for sort in (Fault, Clear, NotAssessed):
            found = next((verdict for verdict in verdicts if isinstance(verdict, sort)), None)
            if found is not None:
                return found
        return NotAssessed(f"Heat pump {heat_pump} was not seen heating or cooling.")

    def _in_mode(
        self, plant: PlantDay, history: Sequence[DayLedger], pump: HeatPump, *, mode: Mode, courses: PumpCourses
    ) -> Verdict:
        impossible = carnot_check(plant, pump, courses).sensors if mode == "heating" else ()
        if impossible:
            return NotAssessed(
                f"The COP of {pump.id} is above what nature allows at its temperatures; one of {', '.join(impossible)} "
                "is wrong."
            )
        still = _standing_loop(plant, pump, courses)
        if still is not None:
            return NotAssessed(f"Loop {still} stood still while {pump.id} ran, which says nothing of the heat pump.")
        if mode == "heating" and _takes_heat(plant, courses):
            return NotAssessed(
                f"{pump.id} seems to take heat where it must give at least its own electricity: sensors of its load "
                "are exchanged or wrong."
            )
        sheet = self._sheet(plant, pump, mode, courses=courses)
        verdict = None if sheet is None else self._judged(plant, pump, sheet)
        if isinstance(verdict, Fault) or (isinstance(verdict, Clear) and sheet is not None and _is_sharp(sheet)):
            return verdict
        if loop := misread_loop(plant.site, history, pump, mode):
            return verdict or NotAssessed(
                f"The sensors of {loop} were last seen to disagree, so {pump.id} is not held against its own record."
            )
        record = self._record(plant, history, pump=pump, mode=mode, courses=courses)
        if record is None:
            return verdict or NotAssessed(self._unknown(plant, history, pump=pump, mode=mode))
        return self._judged(plant, pump, record)

    def _sheet(self, plant: PlantDay, pump: HeatPump, mode: Mode, *, courses: PumpCourses) -> _Case | None:
        sheet = sheet_cop(pump.rating, courses, mode)
        if sheet is None:
            return None
        counted = _known(plant, courses) & courses.steady & np.isfinite(sheet.cop)
        evidence = {
            "doubt_expected_percent": round(100 * sheet.doubt, 1),
            "limit_percent": round(100 * self.sheet_fraction, 1),
            "entering_degc": _mean(courses.entering_degc, counted),
            "leaving_degc": _mean(courses.load_leaving_degc, counted),
        }
        floor = (1 - sheet.doubt) * self.sheet_fraction
        against = _SHEET_ALLOWS[mode] if not sheet.leaving_is_known else "the maker's sheet promises"
        return _Case(mode, against, courses, counted, sheet.cop, floor, evidence)

    def _record(
        self, plant: PlantDay, history: Sequence[DayLedger], *, pump: HeatPump, mode: Mode, courses: PumpCourses
    ) -> _Case | None:
        days = cop_days(plant.site, history, pump, mode, least_kwh=self.min_record_kwh)
        if len(days) < self.record_days:
            return None
        good = good_days(days, self.record_fraction)[-self.recent_days :]
        counted = _known(plant, courses)
        entering = _mean(courses.entering_degc, counted)
        harder_k = _harder_k(mode, entering, [day.entering_degc for day in good])
        usual = median(day.cop for day in good) * (1 - COP_PER_LIFT_K * harder_k)
        evidence = {
            "record_days": len(days),
            "harder_k": round(harder_k, 1),
            "limit_percent": round(100 * self.record_fraction, 1),
            "entering_degc": entering,
        }
        expected = np.full(len(counted), usual)
        against, floor = "its own record shows", self.record_fraction
        return _Case(mode, against, courses, counted, expected, floor, evidence, errs_alike=True)

    def _judged(self, plant: PlantDay, pump: HeatPump, case: _Case) -> Verdict:
        expected_j, measured_j, most_j = case.sums_j()
        enough = np.cumsum(case.counted) * CELL_S >= self.min_running.total_seconds()
        enough &= expected_j >= self.min_expected_kwh * JOULES_PER_KWH
        if not enough[-1]:
            return NotAssessed(f"Heat pump {pump.id} ran too little to tell its COP.")
        # What sensors that read too low hide today they hid on the record's days, as far as they have not drifted.
        hidden_j = self.steady_part * (most_j - measured_j) if case.errs_alike else 0.0
        below = enough & (most_j < (expected_j + hidden_j) * case.floor)
        if below[-1]:
            holding = np.flatnonzero(~below)
            proved = int(case.courses.cells[int(holding[-1]) + 1 if len(holding) else 0])
            return Fault((self._finding(plant, pump, case, proved=proved),))
        if measured_j[-1] < expected_j[-1] * case.floor / self.healthy_fraction:
            return NotAssessed(f"The COP of {pump.id} is low, but its sensors' errors may explain it.")
        return Clear(instant_ms(plant, float(case.courses.cells[case.counted][0]) * CELL_S))

    def _unknown(self, plant: PlantDay, history: Sequence[DayLedger], *, pump: HeatPump, mode: Mode) -> str:
        days = len(cop_days(plant.site, history, pump, mode, least_kwh=self.min_record_kwh))
        return (
            f"No sheet of heat pump {pump.id} reaches its temperatures, and its own record needs {self.record_days} "
            f"earlier days of {mode} and has {days}."
        )

    def _finding(self, plant: PlantDay, pump: HeatPump, case: _Case, *, proved: int) -> Finding:
        expected_j, measured_j, most_j = (float(course[-1]) for course in case.sums_j())
        elec_j = float(case.courses.elec_w[case.counted].sum()) * CELL_S
        began_ms = instant_ms(plant, float(case.courses.cells[case.counted][0]) * CELL_S)
        wasted_kwh = elec_j / JOULES_PER_KWH * (1 - measured_j / expected_j)
        price = electricity_price(plant)
        evidence = {
            "heat_pump": pump.id,
            "mode": case.mode,
            "since": clock(began_ms, plant.day.timezone),
            "against": case.against,
            "counted_h": round(float(np.count_nonzero(case.counted)) * CELL_S / 3600, 2),
            "cop": round(measured_j / elec_j, 2),
            "most_cop": round(most_j / elec_j, 2),
            "expected_cop": round(expected_j / elec_j, 2),
            "part_percent": round(100 * measured_j / expected_j, 1),
            "lost_kwh": round((expected_j - measured_j) / JOULES_PER_KWH, 2),
            **case.evidence,
        }
        return Finding(
            began_ms=began_ms,
            ended_ms=None,
            detected_ms=instant_ms(plant, (proved + 1) * CELL_S),
            severity="soon",
            template=_SENTENCES[case.mode] + (_SAME_SENSORS if case.errs_alike else _AT_MOST),
            evidence=evidence,
            likely_causes=_CAUSES,
            checks=_CHECKS,
            cost_per_day=None if price is None else round(max(wasted_kwh, 0.0) * price, 6),
            weight_s=float(np.count_nonzero(case.counted)) * CELL_S,
        )


_BESIDE = (
    " for a kWh of electricity since {since}, where {against} {expected_cop:.1f} ({part_percent:.0f} %, over "
    "{counted_h:.1f} h)"
)
_AT_MOST, _SAME_SENSORS = "; at most {most_cop:.1f} if its sensors err.", ", by the same sensors."
_SENTENCES: Mapping[Mode, str] = {
    "heating": "The heat pump {heat_pump} gives {cop:.1f} kWh of heat" + _BESIDE,
    "cooling": "The heat pump {heat_pump} takes {cop:.1f} kWh of heat out of the house" + _BESIDE,
}
_SHEET_ALLOWS: Mapping[Mode, str] = {
    "heating": "the maker's sheet and hot water allow",
    "cooling": "the maker's sheet and a cool house allow",
}
_CAUSES = (
    "refrigerant lost",
    "exchanger scaled or fouled, too little flow on the load or the source",
    "reversing valve leaks, expansion valve stuck",
    "compressor worn",
    "flow meter, temperature pair or power meter wrong",
)
_CHECKS = (
    "Compare flows and temperature differences of both circuits with the values noted at commissioning; clean the "
    "strainers.",
    "Compare both temperature sensors of each loop with the pump running and the compressor off: they should agree.",
    "The refrigerant circuit is for certified technicians; live panels for licensed electricians.",
)


def _known(plant: PlantDay, courses: PumpCourses) -> Flags:
    return np.asarray((courses.cells < cells_passed(plant)) & np.isfinite(courses.useful_w + courses.elec_w))


def _takes_heat(plant: PlantDay, courses: PumpCourses) -> bool:
    """Whether the heat of its running cells is below nothing, all sensors' errors in its favour."""
    known = _known(plant, courses)
    return bool(known.any()) and float(courses.most_w[known].sum()) < 0.0


def _standing_loop(plant: PlantDay, pump: HeatPump, courses: PumpCourses) -> str | None:
    """A metered loop of its source or load side that stood still for much of the time in which it ran."""
    for loop in (pump.source_loop, pump.load_loop):
        day = plant.loops.get(loop or "")
        if day is not None and plant.site.loops[day.loop].flow is not None:
            stands = day.flow_m3_s[courses.cells] <= MOVES_M3_S
            if stands.sum() > _STANDING_PART * len(courses.cells):
                return day.loop
    return None


def _is_sharp(case: _Case) -> bool:
    """Whether the sheet was read at measured temperatures of both sides."""
    return case.evidence["leaving_degc"] is not None


def _mean(course: Course, cells: Flags) -> float | None:
    known = course[cells & np.isfinite(course)]
    return round(float(known.mean()), 1) if len(known) else None


def _harder_k(mode: Mode, entering_degc: float | None, record_degc: Sequence[float]) -> float:
    """How much further the machine must lift than on the middle day of its record, zero or more. [K]"""
    known = [each for each in record_degc if np.isfinite(each)]
    if entering_degc is None or not known:
        return 0.0
    colder_k = median(known) - entering_degc
    return max(colder_k if mode == "heating" else -colder_k, 0.0)
