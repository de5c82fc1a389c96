"""`ground-loop-cold`: fluid from the ground colder than the season and the design allow."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.entering_band import Band, judge_entering, source_needs, source_pump
from analytics.detection.findings import Need, Verdict
from analytics.detection.ground_drift import GroundDrift
from analytics.detection.telling import Advice
from analytics.expected.conditions import conditions_of, record_column
from analytics.expected.ground import fit_ground, ground_inputs
from analytics.expected.heat_pump import pump_courses
from analytics.expected.watching import Watched
from analytics.figures import DayLedger
from analytics.fluids import fluid_of
from analytics.plant import PlantDay
from analytics.site import HeatPump, Site

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
        limit, why = max([self._design(plant, component), *self._season(plant, history, component)])
        band = Band(
            sign=-1, limit_degc=limit, limit_from=why, advice=_ADVICE, back_k=self.back_k, min_running=self.min_running
        )
        today, held = judge_entering(plant, component, band), self.watched.get(f"{component}.fall")
        return today if held is None else self.drift.joined(plant, component, held, today=today)

    def _design(self, plant: PlantDay, loop: str) -> tuple[float, str]:
        parts = plant.site.loops[loop]
        fluid = plant.site.fluids.get(parts.fluid)
        if fluid is None:
            return self.design_degc, "usual designs"
        freezing = fluid_of(fluid.kind, fluid.mass_percent).lowest_degc
        return max(
            (self.design_degc, "usual designs"), (freezing + self.above_freezing_k, "the freezing point of its fluid")
        )

    def _season(self, plant: PlantDay, history: Sequence[DayLedger], loop: str) -> list[tuple[float, str]]:
        pump = source_pump(plant.site, loop)
        name = f"heat_pump.{pump.id}.heating"
        record = [conditions_of(day) for day in history]
        entering = record_column(record, f"{name}.entering_degc")
        known = np.isfinite(entering)
        if known.sum() < self.record_days or not self._is_colder(plant, pump, float(entering[known].min())):
            return []
        load_w = record_column(record, f"{name}.source_mean_w")
        is_south = plant.site.latitude_deg < 0
        fit = fit_ground(ground_inputs([day.day for day in history], load_w, is_south=is_south), entering)
        if fit is None:
            return []
        # A day so far has no load of its own: the heaviest of the record stands in, which allows the coldest fluid.
        found = fit.predict(ground_inputs([plant.day.date], [float(np.nanmax(load_w))], is_south=is_south))
        limit = float(found.value[0] - found.plus_minus[0]) - self.season_k
        return [(limit, "season and load on its own earlier days")]

    def _is_colder(self, plant: PlantDay, pump: HeatPump, coldest_degc: float) -> bool:
        """Whether today's fluid was ever clearly below the record's coldest day: else the season need not be asked."""
        courses = pump_courses(plant, pump, "heating")
        steady = np.empty(0) if courses is None else courses.entering_degc[courses.steady]
        return bool((steady < coldest_degc - self.season_k / 2).any())


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
