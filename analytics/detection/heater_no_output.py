"""`heater-no-output`: the backup should heat and gives nothing."""

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
from analytics.site import Site, Stage

__all__ = ["HeaterNoOutput"]


@dataclass(frozen=True, kw_only=True)
class HeaterNoOutput:
    """
    A backup heater that takes no power for hours although the hottest water of its tank is lukewarm.

    Only for a heater whose power is measured: a status says that it is called, not that it heats. Not this: a heater
    that rests because the sun or another stage keeps the tank hot; one that someone switched off cannot be told apart
    from one that failed, and the house has no hot water either way.
    """

    kind: ClassVar[str] = "heater-no-output"
    rejoin: ClassVar[timedelta] = timedelta(hours=24)
    cold_degc: float = 40.0  # no thermostat of a backup for hot water is set so low (common practice)
    least_w: float = 100.0
    min_cold: timedelta = timedelta(hours=2)  # tariffs block heaters for shorter times (common practice)
    min_output: timedelta = timedelta(minutes=3)

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(heater, _lacking(site, heater)) for heater in site.heaters if _backup_of(site, heater)]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        stage = _backup_of(plant.site, component)
        tank = plant.tanks.get(stage.tank or "") if stage is not None else None
        if component not in plant.heaters or tank is None or not len(tank.sensors_degc):
            return NotAssessed(f"Heater {component} or its tank gave no readings.")
        # A silent sensor might be the warm one: all must speak.
        top = np.max(tank.sensors_degc, axis=0)
        passed = np.arange(len(top)) < cells_passed(plant)
        input_w = plant.heaters[component].input_w
        idle = passed & (input_w < self.least_w) & (top < self.cold_degc)
        heats = lasting(passed & (input_w >= self.least_w), _cells(self.min_output))
        healthy = heats | lasting(passed & (top >= self.cold_degc + 5.0), _cells(self.min_cold))
        return judge(
            plant,
            episodes(np.where(healthy, 0.0, idle / _cells(self.min_cold)), healthy),
            healthy,
            tell=lambda episode: self._finding(plant, component, top, found=(idle, episode)),
            unseen=f"Heater {component} was not needed for long enough to tell, or its readings are missing.",
        )

    def _finding(self, plant: PlantDay, heater: str, top: Course, *, found: tuple[Flags, Episode]) -> Finding:
        idle, episode = found
        cells = counted(idle, episode)
        seconds = float(np.count_nonzero(cells)) * CELL_S
        evidence: dict[str, float | int | str | None] = {
            "heater": heater,
            "idle": duration(seconds),
            "idle_min": round(seconds / 60),
            "lowest_top_degc": round(float(top[cells].min()), 1),
            "cold_limit_degc": self.cold_degc,
            "least_w": self.least_w,
            "min_cold_min": self.min_cold / timedelta(minutes=1),
        }
        return tell(plant, episode, _ADVICE, evidence=evidence, weight_s=seconds)


_ADVICE = Advice(
    "soon",
    "The heater {heater} has taken no power since {since} although the hottest water of its tank fell to "
    "{lowest_top_degc:.0f} degC; a backup should act below {cold_limit_degc:.0f} degC.",
    (
        "element burnt out",
        "safety cut-out tripped, or breaker off",
        "contactor, thermostat or its wiring failed",
        "switched off by someone",
    ),
    (
        "Ask whether it was switched off on purpose; look at its breaker without opening the panel.",
        "A tripped safety cut-out has a cause: let a licensed electrician find it before it is reset.",
        "Water that stood lukewarm lets Legionella grow: heat the tank through, and flush, as local rules ask.",
    ),
)


def _backup_of(site: Site, heater: str) -> Stage | None:
    return next((s for s in site.stages.values() if s.heater == heater and s.backup), None)


def _lacking(site: Site, heater: str) -> str:
    stage = _backup_of(site, heater)
    if site.heaters[heater].power is None:
        return f"The power of heater {heater} is not measured; a status does not show whether it heats."
    if stage is None or not stage.tank or not site.tanks[stage.tank].temperatures:
        return f"Heater {heater} heats no tank with a temperature sensor, so when it should act is not known."
    return ""


def _cells(length: timedelta) -> int:
    return round(length.total_seconds() / CELL_S)
