"""`loop-low-flow`: the fluid moves, but far too slowly for what the loop has to carry."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import Episode, Flags, cells_passed, course_of, duration, episodes, judge, lasting
from analytics.detection.sunshine import FLOW_MOVES_M3_S
from analytics.detection.telling import Advice, counted, tell
from analytics.figures import DayLedger
from analytics.plant import CELL_S, Course, LoopDay, PlantDay
from analytics.site import Site

__all__ = ["LoopLowFlow"]


@dataclass(frozen=True, slots=True)
class _Watched:
    """Cells that count, those among them with too little flow, and what is held against which limit."""

    runs: Flags
    low: Flags
    flow_l_min: Course
    change_k: Course


@dataclass(frozen=True, kw_only=True)
class LoopLowFlow:
    """
    A loop whose flow is too low for its component: a heat pump's source whose fluid changes by more than 7 K, a
    collector with less than half of what even low-flow systems have.

    Not this: fluid that stands still (`loop-no-flow`); a speed-controlled pump in weak sun.
    """

    kind: ClassVar[str] = "loop-low-flow"
    rejoin: ClassVar[timedelta] = timedelta(hours=48)
    source_change_k: float = 7.0  # design is 3 to 5 K; above, too little flow (common practice)
    collector_l_min_m2: float = 0.1  # low-flow systems have 0.2, usual ones 0.5 to 1 (common practice, from memory)
    sun_w_m2: float = 400.0
    min_running: timedelta = timedelta(minutes=30)
    min_good: timedelta = timedelta(minutes=15)

    def needs(self, site: Site) -> Sequence[Need]:
        loops = {pump.source_loop for pump in site.heat_pumps.values()} | {c.loop for c in site.collectors.values()}
        return [
            Need(loop.id, "" if loop.flow else f"Loop {loop.id} has no flow meter.")
            for loop in site.loops.values()
            if loop.id in loops
        ]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        loop = plant.loops.get(component)
        if loop is None:
            return NotAssessed(f"Loop {component} gave no readings.")
        watched = self._source(plant, loop) or self._collector(plant, loop)
        if watched is None:
            return NotAssessed(f"What flow loop {component} needs is not known.")
        healthy = lasting(watched.runs & ~watched.low, _cells(self.min_good))
        return judge(
            plant,
            episodes(np.where(healthy, 0.0, watched.low / _cells(self.min_running)), healthy),
            healthy,
            tell=lambda episode: self._finding(plant, loop, watched, episode=episode),
            unseen=f"Loop {component} did not run under load for long enough to tell.",
        )

    def _moving(self, plant: PlantDay, loop: LoopDay) -> Flags:
        passed = np.arange(len(loop.flow_m3_s)) < cells_passed(plant)
        return np.asarray(passed & (loop.flow_m3_s > FLOW_MOVES_M3_S))

    def _source(self, plant: PlantDay, loop: LoopDay) -> _Watched | None:
        pumps = [p for p in plant.site.heat_pumps.values() if p.source_loop == loop.loop and p.id in plant.heat_pumps]
        if not pumps:
            return None
        change_k = np.abs(loop.leaving_degc - loop.entering_degc)
        runs = self._moving(plant, loop) & (plant.heat_pumps[pumps[0].id].is_on >= 0.99) & np.isfinite(change_k)
        return _Watched(runs, runs & (change_k > self.source_change_k), loop.flow_m3_s * 6e4, change_k)

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
        changes = watched.change_k[cells & np.isfinite(watched.change_k)]
        evidence: dict[str, float | int | str | None] = {
            "loop": loop.loop,
            "running": duration(seconds),
            "running_min": round(seconds / 60),
            "mean_flow_l_min": round(float(watched.flow_l_min[cells].mean()), 2),
            "mean_change_k": round(float(changes.mean()), 1) if len(changes) else None,
            "source_limit_k": self.source_change_k,
            "collector_limit_l_min_m2": self.collector_l_min_m2,
            "min_running_min": self.min_running / timedelta(minutes=1),
        }
        template = _SENTENCE + (_CHANGE if len(changes) else ".")
        advice = Advice("soon", template, _CAUSES, _CHECKS)
        return tell(plant, episode, advice, evidence=evidence, weight_s=seconds)


_SENTENCE = "The fluid of the {loop} loop moves too slowly since {since}: {mean_flow_l_min:.1f} l/min over {running}"
_CHANGE = ", so that it changes by {mean_change_k:.1f} K on its way."
_CAUSES = (
    "air in the circuit, fluid lost, pressure too low",
    "strainer or heat exchanger clogged",
    "pump worn or set too low, valve not fully open",
)
_CHECKS = (
    "Compare pressure and flow with the values noted at commissioning.",
    "Clean the strainer and vent the circuit while it is cold and without pressure; glycol may be harmful: gloves and "
    "glasses.",
    "A ground loop that lost fluid may leak: let a licensed installer find it before it is topped up.",
)


def _cells(length: timedelta) -> int:
    return round(length.total_seconds() / CELL_S)
