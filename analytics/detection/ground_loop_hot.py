"""`ground-loop-hot`: fluid from the ground hotter than cooling is designed for."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

from analytics.detection.entering_band import Band, judge_entering, source_needs, source_pump
from analytics.detection.entering_season import BY_SEASON, season_of
from analytics.detection.findings import Need, Verdict
from analytics.detection.telling import Advice
from analytics.figures import DayLedger
from analytics.plant import PlantDay
from analytics.site import Site

__all__ = ["GroundLoopHot"]


@dataclass(frozen=True, kw_only=True)
class GroundLoopHot:
    """
    A ground loop whose fluid comes back too hot while the compressor cools: above what the maker's sheet or usual
    designs bear, or above what season and load made of it on the house's own days.

    Not this: the first minutes after a start; a warm loop within the design; a loop that rests in a warm room.
    """

    kind: ClassVar[str] = "ground-loop-hot"
    rejoin: ClassVar[timedelta] = timedelta(days=7)
    design_degc: float = 38.0  # 90 to 100 degF is the usual summer maximum (from memory)
    beyond_sheet_k: float = 10.0  # above the hottest source of the maker's sheet for cooling (common practice)
    season_k: float = 3.0  # beyond the interval of the house's own record
    record_days: int = 20
    back_k: float = 0.5
    min_running: timedelta = timedelta(minutes=20)

    def needs(self, site: Site) -> Sequence[Need]:
        return source_needs(site)

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        sheet = [p.entering_c for p in source_pump(plant.site, component).rating if p.mode == "cooling"]
        limit, why = self.design_degc, "usual designs"
        if sheet and max(sheet) + self.beyond_sheet_k < limit:
            limit, why = max(sheet) + self.beyond_sheet_k, "the maker's sheet"
        well = limit - self.back_k
        season = season_of(plant, history, component, sign=1, beyond_k=self.season_k, least_days=self.record_days)
        if season is not None:
            limit, why = min((limit, why), (season.limit_degc, BY_SEASON))
            well = min(limit - self.back_k, season.well_degc)
        band = Band(
            sign=1, limit_degc=limit, limit_from=why, advice=_ADVICE, well_degc=well, min_running=self.min_running
        )
        return judge_entering(plant, component, band)


_ADVICE = Advice(
    "soon",
    "The fluid of the {loop} loop comes back from the ground at {mean_entering_degc:.1f} degC since {since} ({running} "
    "of cooling, up to {worst_entering_degc:.1f} degC); {limit_from} would allow {entering_limit_degc:.1f} degC.",
    (
        "loop too short for the heat rejected",
        "too little flow: strainer clogged, pump set too low, air or lost fluid",
        "ground around the pipes dried out",
        "desuperheater shut off, so that all heat goes to the ground",
    ),
    (
        "Compare flow, pressure and the loop's temperature difference with the values noted at commissioning.",
        "See whether the desuperheater's pump runs and its valves are open; hot-gas pipes burn.",
        "Work on the refrigerant circuit is for certified technicians.",
    ),
)
