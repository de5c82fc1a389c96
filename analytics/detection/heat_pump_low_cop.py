"""`heat-pump-low-cop`: COP below what the entering and leaving temperatures allow."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from statistics import median
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Clear, Evidence, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import Flags, cells_passed, clock, instant_ms
from analytics.detection.worth import JOULES_PER_KWH, electricity_price
from analytics.expected.heat_pump import PumpCourses, carnot_check, pump_courses, sheet_cop
from analytics.figures import DayLedger
from analytics.plant import CELL_S, Course, PlantDay
from analytics.site import HeatPump, Site

__all__ = ["HeatPumpLowCop"]


@dataclass(frozen=True, slots=True)
class _Case:
    """
    A heat pump held against one thing, over those of its running cells that count.

    `expected_cop` per cell; `floor` is the part of it below which a COP is too low, doubt of the expectation included.
    """

    against: str
    courses: PumpCourses
    counted: Flags
    expected_cop: Course
    floor: float
    evidence: Evidence

    def sums_j(self) -> tuple[Course, Course, Course]:
        """Expected, measured and most possible heat up to each running cell. [J]"""
        courses = (self.expected_cop * self.courses.elec_w, self.courses.useful_w, self.courses.most_w)
        expected, measured, most = (np.cumsum(np.where(self.counted, each, 0.0)) * CELL_S for each in courses)
        return expected, measured, most


@dataclass(frozen=True, kw_only=True)
class HeatPumpLowCop:
    """
    A heat pump in heating whose COP stays below the maker's sheet at its temperatures, or below its own record.

    The sheet speaks where it reaches; its word is final where both temperatures are measured. Else the house's own
    record of daily COPs speaks, too. All sensors' limits of error count in the machine's favour.

    Not this: a cold source or hot water, which the sheet allows for; starts, which are left out; a COP above Carnot's,
    which shows a sensor's fault.
    """

    kind: ClassVar[str] = "heat-pump-low-cop"
    rejoin: ClassVar[timedelta] = timedelta(hours=96)  # in mild weather a heat pump may rest for days
    sheet_fraction: float = 0.85  # a service call is worth it from here on (common practice)
    record_fraction: float = 0.78  # of the record's median; a cold week moves it by a tenth
    healthy_fraction: float = 0.9  # of the limit's other side: from here on a COP clears what was said before
    record_days: int = 10
    recent_days: int = 30
    min_record_kwh: float = 3.0  # heat of a day from which its COP counts in the record
    min_running: timedelta = timedelta(minutes=45)
    min_expected_kwh: float = 2.0

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(pump.id) for pump in site.heat_pumps.values()]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        pump = plant.site.heat_pumps[component]
        courses = pump_courses(plant, pump, "heating")
        if courses is None:
            return NotAssessed(f"Heat pump {component} was not seen heating.")
        impossible = carnot_check(plant, pump, courses)
        if impossible.sensors:
            return NotAssessed(
                f"The COP of {component} is above what nature allows at its temperatures; one of "
                f"{', '.join(impossible.sensors)} is wrong."
            )
        sheet = self._sheet(plant, pump, courses)
        verdict = None if sheet is None else self._judged(plant, pump, sheet)
        if isinstance(verdict, Fault) or (isinstance(verdict, Clear) and sheet is not None and _is_sharp(sheet)):
            return verdict
        record = self._record(plant, history, pump=pump, courses=courses)
        if record is None:
            return verdict or NotAssessed(self._unknown(plant, pump, history))
        return self._judged(plant, pump, record)

    def _sheet(self, plant: PlantDay, pump: HeatPump, courses: PumpCourses) -> _Case | None:
        sheet = sheet_cop(pump.rating, courses)
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
        against = "the maker's sheet promises" if sheet.leaving_is_known else "the maker's sheet and hot water allow"
        return _Case(against, courses, counted, sheet.cop, floor, evidence)

    def _record(
        self, plant: PlantDay, history: Sequence[DayLedger], *, pump: HeatPump, courses: PumpCourses
    ) -> _Case | None:
        cops = _cops(history, pump.id, least_kwh=self.min_record_kwh)
        if len(cops) < self.record_days:
            return None
        usual = _usual(cops, self.recent_days, self.record_fraction)
        counted = _known(plant, courses)
        evidence = {
            "record_days": len(cops),
            "limit_percent": round(100 * self.record_fraction, 1),
            "entering_degc": _mean(courses.entering_degc, counted),
        }
        expected = np.full(len(counted), usual)
        return _Case("its own record shows", courses, counted, expected, self.record_fraction, evidence)

    def _judged(self, plant: PlantDay, pump: HeatPump, case: _Case) -> Verdict:
        expected_j, measured_j, most_j = case.sums_j()
        enough = np.cumsum(case.counted) * CELL_S >= self.min_running.total_seconds()
        enough &= expected_j >= self.min_expected_kwh * JOULES_PER_KWH
        if not enough[-1]:
            return NotAssessed(f"Heat pump {pump.id} ran too little to tell its COP.")
        below = enough & (most_j < expected_j * case.floor)
        if below[-1]:
            holding = np.flatnonzero(~below)
            proved = int(case.courses.cells[int(holding[-1]) + 1 if len(holding) else 0])
            return Fault((self._finding(plant, pump, case, proved=proved),))
        if measured_j[-1] < expected_j[-1] * case.floor / self.healthy_fraction:
            return NotAssessed(f"The COP of {pump.id} is low, but its sensors' errors may explain it.")
        return Clear(instant_ms(plant, float(case.courses.cells[case.counted][0]) * CELL_S))

    def _unknown(self, plant: PlantDay, pump: HeatPump, history: Sequence[DayLedger]) -> str:
        days = len(_cops(history, pump.id, least_kwh=self.min_record_kwh))
        return (
            f"No sheet of heat pump {pump.id} reaches its temperatures, and its own record needs {self.record_days} "
            f"earlier days of heating and has {days}."
        )

    def _finding(self, plant: PlantDay, pump: HeatPump, case: _Case, *, proved: int) -> Finding:
        expected_j, measured_j, most_j = (float(course[-1]) for course in case.sums_j())
        elec_j = float(case.courses.elec_w[case.counted].sum()) * CELL_S
        began_ms = instant_ms(plant, float(case.courses.cells[case.counted][0]) * CELL_S)
        wasted_kwh = elec_j / JOULES_PER_KWH * (1 - measured_j / expected_j)
        price = electricity_price(plant)
        evidence = {
            "heat_pump": pump.id,
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
            template=_SENTENCE,
            evidence=evidence,
            likely_causes=_CAUSES,
            checks=_CHECKS,
            cost_per_day=None if price is None else round(max(wasted_kwh, 0.0) * price, 6),
            weight_s=float(np.count_nonzero(case.counted)) * CELL_S,
        )


_SENTENCE = (
    "The heat pump {heat_pump} gives {cop:.1f} kWh of heat for a kWh of electricity since {since}, where {against} "
    "{expected_cop:.1f} ({part_percent:.0f} %, over {counted_h:.1f} h); at most {most_cop:.1f} if its sensors err."
)
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


def _is_sharp(case: _Case) -> bool:
    """Whether the sheet was read at measured temperatures of both sides."""
    return case.evidence["leaving_degc"] is not None


def _mean(course: Course, cells: Flags) -> float | None:
    known = course[cells & np.isfinite(course)]
    return round(float(known.mean()), 1) if len(known) else None


def _cops(history: Sequence[DayLedger], heat_pump: str, *, least_kwh: float) -> list[float]:
    """COPs of earlier days with enough heating, oldest first."""
    lines = [line for day in history for line in day.heat_pumps if line.heat_pump == heat_pump]
    return [
        line.heating_cop.value for line in lines if line.heating_heat.value >= least_kwh and line.heating_cop.value > 0
    ]


def _usual(cops: Sequence[float], days: int, fraction: float) -> float:
    """The median of the latest good days: a day far below the good ones before it never becomes usual."""
    level = median(cops[:_FIRST_DAYS])
    good: list[float] = []
    for cop in cops:
        if cop >= fraction * level:
            good.append(cop)
            level += _FOLLOWS * (cop - level)
    return median(good[-days:])


_FIRST_DAYS = 7
_FOLLOWS = 0.15  # of a good day's difference: the level follows the season within a week or two
