"""`stage-below-expected`: a stage gives less than its conditions allow, beyond doubt."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Clear, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import Flags, cells_passed, clock, instant_ms
from analytics.detection.pair_days import day_start_ms
from analytics.detection.stage_idle import StageIdle, idling_pump
from analytics.detection.stage_shift import StageShift
from analytics.detection.sun_beyond import days_beyond
from analytics.detection.sunshine import (
    collector_of,
    collector_power,
    collector_sun,
    switched_off,
    tank_ends,
)
from analytics.detection.worth import JOULES_PER_KWH, heat_price
from analytics.expected.limits import heat_limit_w
from analytics.expected.nearby import NearbySun
from analytics.expected.subjects import why_no_expectation
from analytics.expected.watching import Watched
from analytics.figures import DayLedger
from analytics.plant import CELL_S, MOVES_M3_S, Course, LoopDay, PlantDay
from analytics.site import Collector, HeatPump, Site, Stage

__all__ = ["StageBelowExpected"]


@dataclass(frozen=True, slots=True)
class _Case:
    """Power of a stage in the cells that count: expected, measured, and the most that its meters leave possible."""

    counted: Flags
    expected_w: Course
    measured_w: Course
    most_w: Course
    doubt_expected: float

    def sums_j(self) -> tuple[Course, Course]:
        """Expected and most possible heat from the day's start on, over the cells that count. [J]"""
        expected, most = (np.where(self.counted, each, 0.0) for each in (self.expected_w, self.most_w))
        return np.cumsum(expected) * CELL_S, np.cumsum(most) * CELL_S


@dataclass(frozen=True, kw_only=True)
class StageBelowExpected:
    """
    A stage whose measured heat stays below what its conditions allow, with both intervals against it.

    A collector is held against ISO 9806 with the measured sun; a desuperheater against its own record. Where the first
    good weeks have made a model (`watched`), small lasting shifts are found, too (`detection.stage_shift`), and a heat
    pump that no longer runs where the backup stands in for it (`detection.stage_idle`); a collector without a sun
    sensor is held to it by the sun that houses near by agree on (`nearby`), and a boiler's loop to the fuel that was
    burned for it. A heater's heat is computed from its input, so nothing can be held against it. Not this: dull days, a
    full tank, a loop's pump that does not run (`loop-no-flow`, `loop-never-called`); meters that read too little, where
    the tank's balance finds what they miss (`balance-open`).
    """

    kind: ClassVar[str] = "stage-below-expected"
    rejoin: ClassVar[timedelta] = timedelta(hours=72)  # a dull day between two sunny ones proves nothing
    fraction: float = 0.75  # below this part of what is expected; soiling alone takes 2 to 5 % (common practice)
    sun_w_m2: float = 500.0  # from here on the sun stands well before the collector and its coefficients hold
    working_k: float = 15.0  # mean of a well-flowing collector above the coldest water of its tank (common practice)
    settled: timedelta = timedelta(minutes=20)  # the collector's own heat has settled (ISO 9806: 15 min and more)
    min_counted: timedelta = timedelta(minutes=90)
    min_expected_kwh: float = 1.0
    doubt_collector: float = 0.15  # coefficients 5 %, pipes 5 %, incidence 10 %, mounting: common practice
    record_days: int = 10  # days of a desuperheater's record that must exist
    record_fraction: float = 0.5  # below this part of the least of its record
    run_hours: float = 2.0  # compressor hours from which a day counts
    cool_degc: float = 35.0  # water entering the desuperheater; above, hot gas has less to give

    watched: Mapping[str, Watched] = field(default_factory=dict)  # by subject, up to the day before
    nearby: NearbySun | None = None  # by houses near by, for collectors without a sun sensor
    shift: StageShift = field(default_factory=StageShift)
    idle: StageIdle = field(default_factory=StageIdle)

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(stage.id) for stage in site.stages.values()]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        stage, held = plant.site.stages[component], self.watched.get(f"{component}.heat")
        if lacking := self._lacking(plant.site, stage, held):
            return NotAssessed(lacking)
        today = self._today(plant, history, stage)
        if held is not None:
            nearby = None if _sees_sun(plant.site, stage) else self.nearby
            today = self.shift.joined(plant, stage, held, today=today, nearby=nearby)
            if isinstance(today, Fault) and self.shift.is_found(history, stage, held):
                return Clear(day_start_ms(plant, plant.day.date))  # what its meters miss is told by `balance-open`
        if isinstance(today, Fault) and _sun_cannot_be(plant, history, stage):
            return Clear(day_start_ms(plant, plant.day.date))  # its sun sensor is told by `detection.sun_beyond`
        return self.idle.joined(plant, history, stage, today=today)

    def _lacking(self, site: Site, stage: Stage, held: Watched | None) -> str:
        """Nothing is lacking where houses near by have told of the sun for long enough to make a model."""
        is_told = (held is not None and held.experience) or idling_pump(site, stage) is not None
        return "" if is_told else _lacking(site, stage)

    def _today(self, plant: PlantDay, history: Sequence[DayLedger], stage: Stage) -> Verdict:
        """The day's own evidence, as far as it goes."""
        loop = plant.loops.get(stage.loop or "")
        if loop is None:
            return NotAssessed(f"Loop {stage.loop} of stage {stage.id} gave no readings.")
        collector, heat_pump = collector_of(plant.site, loop.loop), _heat_pump_of(plant.site, loop.loop)
        if collector is not None and not _sees_sun(plant.site, stage):
            return NotAssessed(f"Nobody measures the sun of stage {stage.id} hour by hour.")
        if collector is not None:
            return self._collector(plant, stage, loop, collector=collector)
        if heat_pump is None:
            first = f"Stage {stage.id} is held against its first good weeks, which it does not have yet."
            return NotAssessed(why_no_expectation(plant.site, stage) or first)
        return self._desuperheater(plant, history, stage=stage, heat_pump=heat_pump)

    def _collector(self, plant: PlantDay, stage: Stage, loop: LoopDay, *, collector: Collector) -> Verdict:
        case = self._sunny(plant, loop, collector)
        expected_j, most_j = case.sums_j()
        enough = np.cumsum(case.counted) * CELL_S >= self.min_counted.total_seconds()
        enough &= expected_j >= self.min_expected_kwh * JOULES_PER_KWH
        if not enough[-1]:
            return NotAssessed(f"Too little sun on a running loop {loop.loop} to judge stage {stage.id}.")
        if most_j[-1] < 0:
            return NotAssessed(
                f"Loop {loop.loop} seems to take heat out of the tank in full sun: its sensors contradict."
            )
        least_j = expected_j * (1 - case.doubt_expected) * self.fraction
        below = enough & (most_j < least_j)
        cells = np.flatnonzero(case.counted)
        if not below[-1]:
            return Clear(instant_ms(plant, cells[0] * CELL_S))
        holding = np.flatnonzero(~below)
        proved = int(holding[-1]) + 1 if len(holding) else 0
        return Fault((self._sun_finding(plant, stage, case, proved=proved),))

    def _sunny(self, plant: PlantDay, loop: LoopDay, collector: Collector) -> _Case:
        sun = collector_sun(plant, collector)
        runs = loop.flow_m3_s > MOVES_M3_S
        has_flow = plant.site.loops[loop.loop].flow is not None or loop.flow_is_assumed
        # At the tank's temperature, not the collector's own: one that runs hot for want of flow gives too little.
        mean_degc = tank_ends(plant, loop.loop)[0] + self.working_k
        mean_degc = np.where(np.isnan(mean_degc), (loop.entering_degc + loop.leaving_degc) / 2, mean_degc)
        expected = collector_power(collector, sun.irradiance_w_m2, mean_degc=mean_degc, outdoor_degc=sun.outdoor_degc)
        bright = _held(sun.irradiance_w_m2 >= self.sun_w_m2, round(self.settled.total_seconds() / CELL_S))
        counted = bright & ~sun.is_full & np.isfinite(expected) & np.isfinite(loop.heat_w)
        counted &= _held(runs, round(self.settled.total_seconds() / CELL_S)) if has_flow else True
        counted &= np.arange(len(counted)) < cells_passed(plant)
        return _Case(counted, expected, loop.heat_w, loop.heat_w + heat_limit_w(plant, loop), self.doubt_collector)

    def _desuperheater(
        self, plant: PlantDay, history: Sequence[DayLedger], *, stage: Stage, heat_pump: HeatPump
    ) -> Verdict:
        record = _record_w(history, stage.id, heat_pump.id, run_hours=self.run_hours)
        # A fault's own days must not become the record that the next one is held against.
        record = record[record >= self.record_fraction * np.median(record)] if len(record) else record
        if len(record) < self.record_days:
            return NotAssessed(
                f"Stage {stage.id} is held against its own record: it needs {self.record_days} earlier days with the "
                f"compressor running for {self.run_hours:g} h and has {len(record)}."
            )
        case = self._running(plant, plant.loops[stage.loop or ""], heat_pump, least_w=float(np.min(record)))
        enough = np.cumsum(case.counted) * CELL_S >= self.run_hours * 3600
        if not enough[-1]:
            return NotAssessed(f"The compressor ran too little with a cool tank to judge stage {stage.id}.")
        expected_j, most_j = case.sums_j()
        below = enough & (most_j < expected_j * self.record_fraction)
        if not below[-1]:
            return Clear(instant_ms(plant, np.flatnonzero(case.counted)[0] * CELL_S))
        holding = np.flatnonzero(~below)
        return Fault((self._record_finding(plant, stage, case, found=(int(holding[-1]) + 1, len(record))),))

    def _running(self, plant: PlantDay, loop: LoopDay, heat_pump: HeatPump, *, least_w: float) -> _Case:
        runs = plant.heat_pumps[heat_pump.id].is_on >= 0.99 if heat_pump.id in plant.heat_pumps else None
        counted = np.zeros(len(loop.heat_w), bool) if runs is None else np.asarray(runs)
        # A pump at rest has its reason, a full tank; its pipes cool down then, and tell nothing of the tank.
        if plant.site.loops[loop.loop].flow is not None or loop.flow_is_assumed:
            counted = counted & (loop.flow_m3_s > MOVES_M3_S)
        counted = counted & ~switched_off(plant, loop.loop) & ~(tank_ends(plant, loop.loop)[0] >= self.cool_degc)
        if plant.site.loops[loop.loop].entering is not None:
            counted = counted & (loop.entering_degc < self.cool_degc)
        counted = counted & np.isfinite(loop.heat_w) & (np.arange(len(counted)) < cells_passed(plant))
        expected = np.full(len(counted), least_w)
        return _Case(counted, expected, loop.heat_w, loop.heat_w + heat_limit_w(plant, loop), 0.0)

    def _sun_finding(self, plant: PlantDay, stage: Stage, case: _Case, *, proved: int) -> Finding:
        evidence = _shared_evidence(plant, stage, case) | {
            "doubt_expected_percent": round(100 * case.doubt_expected, 1),
            "limit_percent": round(100 * self.fraction, 1),
            "sun_limit_w_m2": self.sun_w_m2,
            "min_expected_kwh": self.min_expected_kwh,
            "min_counted_min": self.min_counted / timedelta(minutes=1),
        }
        return self._told(plant, case, (proved, _SUN_SENTENCE), evidence, causes=_SUN_CAUSES, checks=_SUN_CHECKS)

    def _record_finding(self, plant: PlantDay, stage: Stage, case: _Case, *, found: tuple[int, int]) -> Finding:
        proved, days = found
        evidence = _shared_evidence(plant, stage, case) | {
            "record_days": days,
            "least_of_record_w": round(float(case.expected_w[0])),
            "limit_percent": round(100 * self.record_fraction, 1),
            "cool_degc": self.cool_degc,
            "min_run_hours": self.run_hours,
        }
        causes, checks = _RECORD_CAUSES, _RECORD_CHECKS
        return self._told(plant, case, (proved, _RECORD_SENTENCE), evidence, causes=causes, checks=checks)

    def _told(
        self,
        plant: PlantDay,
        case: _Case,
        found: tuple[int, str],
        evidence: dict[str, float | int | str | None],
        *,
        causes: tuple[str, ...],
        checks: tuple[str, ...],
    ) -> Finding:
        proved, template = found
        price = heat_price(plant)
        short_kwh = float(evidence["short_kwh"] or 0.0)
        return Finding(
            began_ms=instant_ms(plant, float(np.flatnonzero(case.counted)[0]) * CELL_S),
            ended_ms=None,
            detected_ms=instant_ms(plant, (proved + 1) * CELL_S),
            severity="soon",
            template=template,
            evidence=evidence,
            likely_causes=causes,
            checks=checks,
            cost_per_day=None if price is None else short_kwh * price,
            weight_s=float(np.count_nonzero(case.counted)) * CELL_S,
        )


def _shared_evidence(plant: PlantDay, stage: Stage, case: _Case) -> dict[str, float | int | str | None]:
    expected_kwh = float(case.expected_w[case.counted].sum()) * CELL_S / JOULES_PER_KWH
    measured_kwh = float(case.measured_w[case.counted].sum()) * CELL_S / JOULES_PER_KWH
    most_kwh = float(case.most_w[case.counted].sum()) * CELL_S / JOULES_PER_KWH
    began_ms = instant_ms(plant, float(np.flatnonzero(case.counted)[0]) * CELL_S)
    return {
        "stage": stage.id,
        "stage_name": stage.name or stage.id,
        "since": clock(began_ms, plant.day.timezone),
        "counted_h": round(float(np.count_nonzero(case.counted)) * CELL_S / 3600, 2),
        "expected_kwh": round(expected_kwh, 2),
        "measured_kwh": round(measured_kwh, 2),
        "short_kwh": round(expected_kwh - measured_kwh, 2),
        "part_percent": round(100 * measured_kwh / expected_kwh, 1),
        "doubt_measured_kwh": round(most_kwh - measured_kwh, 2),
    }


_SUN_SENTENCE = (
    "The stage {stage_name} gives too little since {since}: {measured_kwh:.1f} kWh where the sun that fell on its "
    "collector allows {expected_kwh:.1f} kWh ({part_percent:.0f} %, over {counted_h:.1f} h of sun with the pump "
    "running); sensors and coefficients explain less than this."
)
_RECORD_SENTENCE = (
    "The stage {stage_name} gives too little since {since}: {measured_kwh:.1f} kWh in {counted_h:.1f} h of compressor "
    "running; even the poorest of its {record_days} earlier days would have given {expected_kwh:.1f} kWh "
    "({part_percent:.0f} %)."
)
_SUN_CAUSES = (
    "glass dirty, shaded or under snow",
    "flow far from the design, air in the circuit",
    "heat exchanger or strainer clogged, fluid aged",
    "insulation or glass of the collector damaged, moisture inside",
    "irradiance sensor dirty, shaded or displaced",
)
_SUN_CHECKS = (
    "Look at the collector from the ground for shade, dirt, snow and broken glass; roofs are for trained people with "
    "fall protection.",
    "Compare flow and pressure with the values noted at commissioning, while the collector is cool.",
    "Compare both temperature sensors of the loop with the pump running and the collector shaded: they should agree.",
)
_RECORD_CAUSES = (
    "circulator of the desuperheater failed or too slow, air in its circuit",
    "valve closed or strainer clogged",
    "exchanger scaled",
    "refrigerant charge low",
)
_RECORD_CHECKS = (
    "See whether the desuperheater's pump runs with the compressor and its valves are open.",
    "Descale the exchanger where the water is hard; refrigerant work is for certified technicians.",
    "Pipes of the hot gas burn: let them cool before touching.",
)


def _sees_sun(site: Site, stage: Stage) -> bool:
    """Whether a stage's collector has a sun sensor, if it has a collector."""
    collector = collector_of(site, stage.loop or "")
    return collector is None or collector.irradiance is not None


def _lacking(site: Site, stage: Stage) -> str:
    if stage.loop is None:
        return f"The heat of stage {stage.id} is computed from its heater's input, so nothing tells what it should be."
    collector = collector_of(site, stage.loop)
    if collector is not None:
        lacking = [name for name in ("eta0", "irradiance", "outdoor") if getattr(collector, name) is None]
        return f"Collector {collector.id} has no {', no '.join(lacking)}." if lacking else ""
    heat_pump = _heat_pump_of(site, stage.loop)
    return why_no_expectation(site, stage) if heat_pump is None else ""


def _sun_cannot_be(plant: PlantDay, history: Sequence[DayLedger], stage: Stage) -> bool:
    """Whether the sun sensor that a stage is held to lately showed more than a cloudless sky sends."""
    collector = collector_of(plant.site, stage.loop or "")
    return collector is not None and bool(days_beyond(history, collector, plant.day.date))


def _heat_pump_of(site: Site, loop: str) -> HeatPump | None:
    return next((pump for pump in site.heat_pumps.values() if pump.desuperheater_loop == loop), None)


def _held(flags: Flags, cells: int) -> Flags:
    """Cells in which the flag has held for at least `cells` cells. Shape as given"""
    index = np.arange(len(flags))
    since = np.maximum.accumulate(np.where(flags, -1, index))
    return np.asarray(flags & (index - since >= cells))


def _record_w(history: Sequence[DayLedger], stage: str, heat_pump: str, *, run_hours: float) -> Course:
    """Heat of a stage per hour of its compressor, for each earlier day that counts. Shape (days,) [W]"""
    record = []
    for day in history:
        heat = next((line.heat.value for line in day.stages if line.stage == stage), np.nan)
        # The desuperheater works in both modes.
        ran = next((line for line in day.heat_pumps if line.heat_pump == heat_pump), None)
        hours = np.nan if ran is None else ran.heating_run_hours.value + ran.cooling_run_hours.value
        if hours >= run_hours and heat > 0:
            record.append(heat / hours * 1000)
    return np.asarray(record, np.float64)
