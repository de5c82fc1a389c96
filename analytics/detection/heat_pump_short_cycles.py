"""`heat-pump-short-cycles`: too many starts."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import Episode, Flags, cells_passed, duration, episodes, judge, lasting
from analytics.detection.telling import Advice, counted, tell
from analytics.figures import DayLedger
from analytics.plant import CELL_S, Course, PlantDay
from analytics.site import Site

__all__ = ["HeatPumpShortCycles"]


@dataclass(frozen=True, kw_only=True)
class HeatPumpShortCycles:
    """
    A compressor that starts again and again after short runs.

    Not this: many starts with runs of a quarter of an hour and more; a defrost.
    """

    kind: ClassVar[str] = "heat-pump-short-cycles"
    rejoin: ClassVar[timedelta] = timedelta(hours=48)
    starts: int = 6  # short runs in a row; makers allow 3 to 6 starts an hour (common practice)
    short: timedelta = timedelta(minutes=6)  # oil returns and pressures settle in about this time (common practice)
    good: timedelta = timedelta(minutes=10)

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(heat_pump) for heat_pump in site.heat_pumps]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        pump = plant.heat_pumps.get(component)
        if pump is None:
            return NotAssessed(f"Heat pump {component} gave no readings.")
        is_on = np.where(np.arange(len(pump.is_on)) < cells_passed(plant), pump.is_on, np.nan)
        healthy = lasting(is_on >= 0.99, round(self.good.total_seconds() / CELL_S))
        ends = self._short_ends(is_on)
        return judge(
            plant,
            episodes(np.where(healthy, 0.0, ends / self.starts), healthy),
            healthy,
            tell=lambda episode: self._finding(plant, component, is_on, found=(ends, episode)),
            unseen=f"Heat pump {component} did not run for long enough to tell.",
        )

    def _short_ends(self, is_on: Course) -> Flags:
        """Last cells of runs that were short; a run still going has no end."""
        on = is_on > 0
        edges = np.flatnonzero(np.diff(np.concatenate(([False], on, [False])).astype(np.int8)))
        ends = np.zeros(len(on), bool)
        for start, stop in edges.reshape(-1, 2):
            is_over = stop < len(on) and is_on[stop] == 0
            if is_over and is_on[start:stop].sum() * CELL_S <= self.short.total_seconds():
                ends[stop - 1] = True
        return ends

    def _finding(self, plant: PlantDay, heat_pump: str, is_on: Course, *, found: tuple[Flags, Episode]) -> Finding:
        ends, episode = found
        runs = int(np.count_nonzero(counted(ends, episode)))
        span_s = (episode.last + 1 - episode.start) * CELL_S
        on_s = float(np.nansum(is_on[episode.start : episode.last + 1])) * CELL_S
        evidence: dict[str, float | int | str | None] = {
            "heat_pump": heat_pump,
            "runs": runs,
            "span": duration(span_s),
            "span_min": round(span_s / 60),
            "mean_run_min": round(on_s / runs / 60, 1),
            "short_limit_min": self.short / timedelta(minutes=1),
            "runs_limit": self.starts,
        }
        return tell(plant, episode, _ADVICE, evidence=evidence, weight_s=float(runs))


_ADVICE = Advice(
    "soon",
    "The compressor of {heat_pump} has run only in short bursts since {since}: {runs} runs of about {mean_run_min:.0f} "
    "min in {span}.",
    (
        "a pressure or temperature switch trips: too little flow on the source or the load, refrigerant low",
        "thermostat or controller without hysteresis, sensor in the wrong place",
        "too little water in the heating circuit: buffer shut off, valves closed",
    ),
    (
        "Read the fault memory of the heat pump before it is reset.",
        "Look at filters, strainers and valves of both circuits, and at the flow that is shown.",
        "The refrigerant circuit is for certified technicians; live panels for licensed electricians.",
    ),
)
