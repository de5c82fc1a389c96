"""`loop-near-freezing`: the fluid of a loop close to its freezing point."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import Episode, Flags, cells_passed, duration, episodes, judge, lasting
from analytics.detection.telling import Advice, counted, tell
from analytics.expected.limits import temperature_limit_k
from analytics.figures import DayLedger
from analytics.fluids import fluid_of
from analytics.plant import CELL_S, Course, PlantDay
from analytics.site import Site

__all__ = ["LoopNearFreezing"]


@dataclass(frozen=True, kw_only=True)
class LoopNearFreezing:
    """
    A loop in which the fluid, where it is measured, is within a few kelvin of freezing: slush stops the flow, ice
    bursts exchangers.

    Not this: a cold sensor of a loop whose fluid the site file does not name; a minute of cold at a start.
    """

    kind: ClassVar[str] = "loop-near-freezing"
    rejoin: ClassVar[timedelta] = timedelta(days=30)  # it is as cold again when the load is
    margin_k: float = 2.0  # slush forms before ice does, and mixtures are seldom as strong as stated (common practice)
    back_k: float = 2.0
    min_cold: timedelta = timedelta(minutes=10)

    def needs(self, site: Site) -> Sequence[Need]:
        return [
            Need(loop.id, "" if loop.fluid and (loop.entering or loop.leaving) else _lacking(loop.id))
            for loop in site.loops.values()
        ]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        parts, loop = plant.site.loops[component], plant.loops.get(component)
        if loop is None:
            return NotAssessed(f"Loop {component} gave no readings.")
        fluid = plant.site.fluids[parts.fluid]
        freezing = fluid_of(fluid.kind, fluid.mass_percent).lowest_degc
        coldest = np.fmin(loop.entering_degc, loop.leaving_degc)
        coldest[cells_passed(plant) :] = np.nan
        slack_k = max(temperature_limit_k(plant.site.points[p], freezing) for p in (parts.entering, parts.leaving) if p)
        cold = coldest < freezing + self.margin_k - slack_k
        healthy = coldest > freezing + self.margin_k + self.back_k
        if cold.any():
            healthy = lasting(healthy, _cells(self.min_cold))
        return judge(
            plant,
            episodes(cold / _cells(self.min_cold), healthy),
            healthy,
            tell=lambda episode: self._finding(plant, component, (coldest, cold, freezing), episode=episode),
            unseen=f"The temperatures of loop {component} were not known for long enough to tell.",
        )

    def _finding(self, plant: PlantDay, loop: str, seen: tuple[Course, Flags, float], *, episode: Episode) -> Finding:
        coldest, cold, freezing = seen
        cells = counted(cold, episode)
        seconds = float(np.count_nonzero(cells)) * CELL_S
        evidence: dict[str, float | int | str | None] = {
            "loop": loop,
            "lasting": duration(seconds),
            "lowest_degc": round(float(coldest[cells].min()), 1),
            "freezing_degc": round(freezing, 1),
            "freezing_limit_degc": round(freezing + self.margin_k, 1),
            "min_cold_min": self.min_cold / timedelta(minutes=1),
        }
        return tell(plant, episode, _ADVICE, evidence=evidence, weight_s=seconds)


_ADVICE = Advice(
    "urgent",
    "The fluid of the {loop} loop is down to {lowest_degc:.1f} degC since {since} ({lasting}); it freezes at "
    "{freezing_degc:.1f} degC if it is as strong as stated.",
    (
        "too little antifreeze, or fluid topped up with water",
        "too little flow through a heat pump's evaporator",
        "heat pump without a working frost switch",
        "pipe outdoors without circulation",
    ),
    (
        "Measure the freezing point of the fluid with a refractometer; gloves and glasses, glycol may be harmful.",
        "Stop the heat pump if its source pump stands still: a frozen evaporator bursts.",
        "Thaw nothing with a flame; refrigerant work is for certified technicians.",
    ),
)


def _lacking(loop: str) -> str:
    return f"Loop {loop} has no stated fluid or no temperature sensor."


def _cells(length: timedelta) -> int:
    return round(length.total_seconds() / CELL_S)
