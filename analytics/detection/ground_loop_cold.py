"""`ground-loop-cold`: fluid from the ground colder than the season and the design allow."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import ClassVar

from analytics.detection.entering_band import Band, judge_entering, source_needs
from analytics.detection.entering_season import BY_SEASON, season_of
from analytics.detection.findings import Need, Verdict
from analytics.detection.ground_drift import GroundDrift
from analytics.detection.telling import Advice
from analytics.expected.watching import Watched
from analytics.figures import DayLedger
from analytics.fluids import fluid_of
from analytics.plant import PlantDay
from analytics.site import Site

__all__ = ["GroundLoopCold"]


@dataclass(frozen=True, kw_only=True)
class GroundLoopCold:
    """
    A ground loop whose fluid comes back too cold while the compressor heats: below -4 degC, near the fluid's freezing
    point, or below what season and load made of it on the house's own days; or whose fluid falls further within a run
    than in its first good weeks (`watched`), so that it will be too cold one day (`detection.ground_drift`).

    Not this: the first minutes after a start; a cold winter within the design; fluid that rests in a cold pipe.
    """

    kind: ClassVar[str] = "ground-loop-cold"
    rejoin: ClassVar[timedelta] = timedelta(days=7)  # one poor winter is one fault
    design_degc: float = -4.0  # designs end at -4 to 0 degC (an earth-loop manual and common practice)
    above_freezing_k: float = 5.0  # entering; it leaves some kelvin colder (common practice)
    season_k: float = 2.0  # beyond the interval of the house's own record
    record_days: int = 20
    back_k: float = 0.5
    min_running: timedelta = timedelta(minutes=20)

    watched: Mapping[str, Watched] = field(default_factory=dict)  # by subject, up to the day before
    drift: GroundDrift = field(default_factory=GroundDrift)

    def needs(self, site: Site) -> Sequence[Need]:
        return source_needs(site)

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        limit, why = self._design(plant, component)
        well = limit + self.back_k
        season = season_of(plant, history, component, sign=-1, beyond_k=self.season_k, least_days=self.record_days)
        if season is not None:
            limit, why = max((limit, why), (season.limit_degc, BY_SEASON))
            well = max(limit + self.back_k, season.well_degc)
        band = Band(
            sign=-1, limit_degc=limit, limit_from=why, advice=_ADVICE, well_degc=well, min_running=self.min_running
        )
        today, held = judge_entering(plant, component, band), self.watched.get(f"{component}.fall")
        return today if held is None else self.drift.joined(plant, history, component, held, today=today)

    def _design(self, plant: PlantDay, loop: str) -> tuple[float, str]:
        parts = plant.site.loops[loop]
        fluid = plant.site.fluids.get(parts.fluid)
        if fluid is None:
            return self.design_degc, "usual designs"
        freezing = fluid_of(fluid.kind, fluid.mass_percent).lowest_degc
        return max(
            (self.design_degc, "usual designs"), (freezing + self.above_freezing_k, "the freezing point of its fluid")
        )


_ADVICE = Advice(
    "soon",
    "The fluid of the {loop} loop comes back from the ground at {mean_entering_degc:.1f} degC since {since} ({running} "
    "of running, down to {worst_entering_degc:.1f} degC); {limit_from} would allow {entering_limit_degc:.1f} degC.",
    (
        "loop too short for the heat taken, or more heat taken than planned",
        "too little flow: strainer clogged, pump set too low, air or lost fluid",
        "part of the loop shut off or frozen",
        "pipes no longer in contact with moist ground",
    ),
    (
        "Compare flow, pressure and the loop's temperature difference with the values noted at commissioning.",
        "Measure the freezing point of the fluid with a refractometer; gloves and glasses, glycol may be harmful.",
        "A loop that lost fluid may leak: let a licensed installer find it before it is topped up.",
    ),
)
