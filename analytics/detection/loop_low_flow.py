"""`loop-low-flow`: the fluid moves, but far too slowly for what the loop carries, or beside what it showed at first."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from statistics import median
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import (
    Episode,
    Flags,
    cells_passed,
    course_of,
    duration,
    episodes,
    instant_ms,
    judge,
    lasting,
)
from analytics.detection.pair_days import day_start_ms
from analytics.detection.sunshine import collector_of
from analytics.detection.telling import Advice, Stretch, counted, tell, tell_of
from analytics.expected.first_flows import FIRST_FLOW_DAYS, FlowDay, first_flows, flow_days
from analytics.expected.flows import settled_flow
from analytics.expected.watching import Watched
from analytics.figures import DayLedger
from analytics.plant import CELL_S, MOVES_M3_S, Course, LoopDay, PlantDay
from analytics.site import Site

__all__ = ["LoopLowFlow"]


@dataclass(frozen=True, slots=True)
class _Watched:
    """Cells that count, those among them with too little flow, and what is held against which limit."""

    runs: Flags
    low: Flags
    flow_l_min: Course
    change_k: Course
    usual_l_min: float | None = None
    before: Sequence[FlowDay] = ()  # the days just before on which it was too little as well, oldest first


@dataclass(frozen=True, kw_only=True)
class LoopLowFlow:
    """
    A loop whose flow is well below what it showed on the first good days after commissioning, which are carried along
    (`watched`), or else of the record at hand; or too low for its component: a
    heat pump's source whose fluid changes by more than 7 K (10 K where it takes up the heat of a cooled house), a
    collector with less than half of what even low-flow systems have. What runs for some minutes a day, as a boiler
    does that heats a tank, is told by several days.

    Not this: fluid that stands still (`loop-no-flow`); a pump whose speed, or whose circuit, is controlled, as uneven
    flow on the first days tells: its flow is held against nothing but what its component needs; a loop that warms the
    house and not a tank, since rooms shut their valves.
    """

    kind: ClassVar[str] = "loop-low-flow"
    rejoin: ClassVar[timedelta] = timedelta(hours=48)
    source_change_k: float = 7.0  # design is 3 to 5 K; above, too little flow (common practice)
    warmed_change_k: float = 10.0  # in cooling it takes up the compressor's work as well: 5 to 7 K (common practice)
    collector_l_min_m2: float = 0.1  # low-flow systems have 0.2, usual ones 0.5 to 1 (common practice, from memory)
    sun_w_m2: float = 400.0
    min_running: timedelta = timedelta(minutes=30)  # that day, or with the days just before
    min_today: timedelta = timedelta(minutes=5)  # of it
    before_within: timedelta = timedelta(days=7)
    min_good: timedelta = timedelta(minutes=15)  # of running, rests left out
    usual_part: float = (
        0.75  # cold glycol moves a tenth slower than warm; a strainer is cleaned before (common practice)
    )
    record_days: int = FIRST_FLOW_DAYS
    watched: Mapping[str, Watched] = field(default_factory=dict)  # the first flows, up to the day before
    least_evenness: float = 0.85  # within a day, and of one day beside another

    def needs(self, site: Site) -> Sequence[Need]:
        return [
            Need(loop.id, "" if loop.flow else f"Loop {loop.id} has no flow meter.") for loop in site.loops.values()
        ]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        loop = plant.loops.get(component)
        if loop is None:
            return NotAssessed(f"Loop {component} gave no readings.")
        needed = self._source(plant, loop) or self._collector(plant, loop)
        usual = self._usual(plant, loop, history)
        if needed is None:
            return usual if isinstance(usual, NotAssessed) else self._judged(plant, loop, usual)
        by_need = self._judged(plant, loop, needed)
        if isinstance(by_need, Fault) or isinstance(usual, NotAssessed):
            return by_need
        return self._judged(plant, loop, usual)

    def _judged(self, plant: PlantDay, loop: LoopDay, watched: _Watched) -> Verdict:
        healthy = _lasting_run(watched.runs, ~watched.low, _cells(self.min_good))
        before = timedelta(hours=sum(day.hours for day in watched.before))
        needed = _cells(max(self.min_running - before, self.min_today))
        return judge(
            plant,
            episodes(np.where(healthy, 0.0, watched.low / needed), healthy),
            healthy,
            tell=lambda episode: self._finding(plant, loop, watched, episode=episode),
            unseen=f"Loop {loop.loop} did not run under load for long enough to tell.",
        )

    def _usual(self, plant: PlantDay, loop: LoopDay, history: Sequence[DayLedger]) -> _Watched | NotAssessed:
        """The loop beside its own first days."""
        if not _is_one_circuit(plant.site, loop.loop):
            return NotAssessed(f"Loop {loop.loop} warms the house, whose valves may change its flow.")
        days = self._first(plant.site, loop.loop, history)
        if len(days) < self.record_days:
            return NotAssessed(
                f"Loop {loop.loop} is held against its own first days: it needs {self.record_days} on which it ran for "
                f"long enough and has {len(days)}."
            )
        level = median(day.flow_l_min for day in days)
        least, most = self.least_evenness * level, level / self.least_evenness
        alike = sum(least <= day.flow_l_min <= most for day in days)
        if alike < self.least_evenness * len(days) or median(day.evenness for day in days) < self.least_evenness:
            return NotAssessed(
                f"The flow of loop {loop.loop} varies by itself: its pump's speed or its circuit is controlled."
            )
        runs = settled_flow(loop) & self._driven(plant, loop) & (np.arange(len(loop.flow_m3_s)) < cells_passed(plant))
        flow_l_min = loop.flow_m3_s * 6e4
        low = runs & (flow_l_min < self.usual_part * level)
        change_k = np.abs(loop.leaving_degc - loop.entering_degc)
        before = self._low_before(plant, loop.loop, history, limit_l_min=self.usual_part * level)
        return _Watched(runs, low, flow_l_min, change_k, level, before)

    def _low_before(
        self, plant: PlantDay, loop: str, history: Sequence[DayLedger], *, limit_l_min: float
    ) -> Sequence[FlowDay]:
        """The newest days on which the loop ran, as far back as each had too little flow, and too briefly to tell."""
        earliest = plant.day.date - self.before_within
        told_h = self.min_running / timedelta(hours=1)
        found: list[FlowDay] = []
        lately = [day for day in history if day.day >= earliest]
        for day in reversed(flow_days(lately, plant.site, loop)):
            if day.flow_l_min >= limit_l_min or day.hours >= told_h:
                break
            found.insert(0, day)
        return found

    def _driven(self, plant: PlantDay, loop: LoopDay) -> Flags:
        """Not what heat alone moves at night through a collector whose pump nobody watches."""
        collector = collector_of(plant.site, loop.loop)
        if collector is None or not np.isnan(loop.pump_on).all():
            return np.ones(len(loop.flow_m3_s), bool)
        return np.asarray(course_of(plant, collector.irradiance) >= self.sun_w_m2)

    def _first(self, site: Site, loop: str, history: Sequence[DayLedger]) -> list[FlowDay]:
        """The first good days that were carried, or, while they are too few, those of the record at hand."""
        carried = first_flows(self.watched, loop, since=site.commissioned)
        if len(carried) >= self.record_days:
            return carried
        return flow_days(history, site, loop)[: self.record_days]

    def _moving(self, plant: PlantDay, loop: LoopDay) -> Flags:
        passed = np.arange(len(loop.flow_m3_s)) < cells_passed(plant)
        return np.asarray(passed & (loop.flow_m3_s > MOVES_M3_S))

    def _source(self, plant: PlantDay, loop: LoopDay) -> _Watched | None:
        pumps = [p for p in plant.site.heat_pumps.values() if p.source_loop == loop.loop and p.id in plant.heat_pumps]
        if not pumps:
            return None
        change_k = np.abs(loop.leaving_degc - loop.entering_degc)
        runs = self._moving(plant, loop) & (plant.heat_pumps[pumps[0].id].is_on >= 0.99) & np.isfinite(change_k)
        limit_k = np.where(loop.heat_w > 0, self.warmed_change_k, self.source_change_k)
        return _Watched(runs, runs & (change_k > limit_k), loop.flow_m3_s * 6e4, change_k)

    def _collector(self, plant: PlantDay, loop: LoopDay) -> _Watched | None:
        collectors = [c for c in plant.site.collectors.values() if c.loop == loop.loop and c.irradiance]
        if not collectors:
            return None
        strong = course_of(plant, collectors[0].irradiance) >= self.sun_w_m2
        runs = self._moving(plant, loop) & strong & (loop.pump_on >= 0.99)
        flow_l_min = loop.flow_m3_s * 6e4
        low = runs & (flow_l_min < self.collector_l_min_m2 * collectors[0].area_m2)
        return _Watched(runs, low, flow_l_min, np.abs(loop.leaving_degc - loop.entering_degc))

    def _finding(self, plant: PlantDay, loop: LoopDay, watched: _Watched, *, episode: Episode) -> Finding:
        cells = counted(watched.low, episode)
        seconds = float(np.count_nonzero(cells)) * CELL_S
        # What the day shows by itself needs no days before.
        before = watched.before if seconds < self.min_running.total_seconds() else ()
        before_s = 3600 * sum(day.hours for day in before)
        before_l_min = sum(day.flow_l_min * day.hours * 3600 for day in before)
        mean_l_min = (float(watched.flow_l_min[cells].mean()) * seconds + before_l_min) / (seconds + before_s)
        changes = watched.change_k[cells & np.isfinite(watched.change_k)]
        evidence: dict[str, float | int | str | None] = {
            "loop": loop.loop,
            "running": duration(seconds + before_s),
            "running_min": round((seconds + before_s) / 60),
            "running_days": len(before) + 1,
            "mean_flow_l_min": round(mean_l_min, 2),
            "mean_change_k": round(float(changes.mean()), 1) if len(changes) else None,
            "source_limit_k": self.source_change_k,
            "warmed_source_limit_k": self.warmed_change_k,
            "collector_limit_l_min_m2": self.collector_l_min_m2,
            "min_running_min": self.min_running / timedelta(minutes=1),
            "min_today_min": self.min_today / timedelta(minutes=1),
        }
        template = _SENTENCE + (_ON_DAYS if before else "")
        if watched.usual_l_min is None:
            template += _CHANGE if len(changes) else "."
        else:
            template += _BESIDE_USUAL
            evidence |= {
                "usual_l_min": round(watched.usual_l_min, 2),
                "part_percent": round(100 * mean_l_min / watched.usual_l_min),
                "limit_percent": round(100 * self.usual_part, 1),
                "record_days": self.record_days,
            }
        advice = Advice("soon", template, _CAUSES, _CHECKS)
        if not before:
            return tell(plant, episode, advice, evidence=evidence, weight_s=seconds)
        stretch = Stretch(
            began_ms=day_start_ms(plant, before[0].day),
            ended_ms=None if episode.ended is None else instant_ms(plant, episode.ended * CELL_S),
            detected_ms=instant_ms(plant, (episode.proved + 1) * CELL_S),
            is_by_day=True,
        )
        return tell_of(plant, stretch, advice, evidence=evidence, weight_s=seconds + before_s)


_SENTENCE = "The fluid of the {loop} loop moves too slowly since {since}: {mean_flow_l_min:.1f} l/min over {running}"
_ON_DAYS = " on {running_days} days"
_CHANGE = ", so that it changes by {mean_change_k:.1f} K on its way."
_BESIDE_USUAL = ", {part_percent} % of the {usual_l_min:.1f} l/min that it showed on its first days."
_CAUSES = (
    "air in the circuit, fluid lost, pressure too low",
    "strainer or heat exchanger clogged",
    "pump worn or set too low, valve not fully open",
    "flow meter fouled or worn, if the temperatures look right",
)
_CHECKS = (
    "Compare pressure and flow with the values noted at commissioning.",
    "Clean the strainer and vent the circuit while it is cold and without pressure; glycol may be harmful: gloves and "
    "glasses.",
    "A ground loop that lost fluid may leak: let a licensed installer find it before it is topped up.",
)


def _is_one_circuit(site: Site, loop: str) -> bool:
    """Whether a loop leads through one component or tank only, as a source's, a desuperheater's, a stage's does."""
    loads = {pump.load_loop for pump in site.heat_pumps.values()}
    return loop not in loads or any(stage.loop == loop for stage in site.stages.values())


def _lasting_run(runs: Flags, well: Flags, cells: int) -> Flags:
    """Running cells in rows of at least `cells` of them that are well, whatever rests lie between. Shape (cells,)"""
    found = np.zeros(len(runs), bool)
    at = np.flatnonzero(runs)
    found[at] = lasting(well[at], cells)
    return found


def _cells(length: timedelta) -> int:
    return round(length.total_seconds() / CELL_S)
