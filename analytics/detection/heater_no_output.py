"""`heater-no-output`: the backup should heat and gives nothing."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Finding, Need, Verdict
from analytics.detection.moments import Episode, Flags, cells_passed, duration, episodes, judge, lasting, unknown
from analytics.detection.sunshine import tank_of_loop
from analytics.detection.telling import Advice, counted, tell
from analytics.figures import DayLedger
from analytics.plant import CELL_S, Course, LoopDay, PlantDay
from analytics.site import Site, Stage

__all__ = ["HeaterNoOutput"]


@dataclass(frozen=True, slots=True)
class _Watched:
    """Cells in which the backup gave nothing though it should, what they prove, and the water that shows it."""

    idle: Flags
    weight: Course
    healthy: Flags
    water_degc: Course


@dataclass(frozen=True, kw_only=True)
class HeaterNoOutput:
    """
    A backup that should heat and gives nothing: a heater in a tank that takes no power for hours although the hottest
    water is lukewarm; one in passing that takes none while lukewarm water passes; a boiler whose loop runs into a
    lukewarm tank without heat.

    Not this: a heater that rests because the sun or another stage keeps the tank hot; a heater of which only the
    status is known, for a status says that it is called, not that it heats. One that someone switched off cannot be
    told apart from one that failed, and the house has no hot water either way.
    """

    kind: ClassVar[str] = "heater-no-output"
    rejoin: ClassVar[timedelta] = timedelta(hours=24)
    cold_degc: float = 40.0  # no thermostat of a backup for hot water is set so low (common practice)
    least_w: float = 100.0
    min_cold: timedelta = timedelta(hours=2)  # tariffs block heaters for shorter times (common practice)
    min_running: timedelta = timedelta(minutes=45)  # a boiler purges, lights and warms its loop within minutes
    min_passing: timedelta = timedelta(minutes=5)  # of whole minutes of flow
    min_output: timedelta = timedelta(minutes=3)

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(_component(stage), _lacking(site, stage)) for stage in site.stages.values() if stage.backup]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        stage = next(each for each in plant.site.stages.values() if each.backup and _component(each) == component)
        watched = self._watched(plant, stage)
        return judge(
            plant,
            episodes(np.where(watched.healthy, 0.0, watched.weight), watched.healthy),
            watched.healthy,
            tell=lambda episode: self._finding(plant, component, watched, episode=episode),
            unseen=f"{component} was not needed for long enough to tell, or its readings are missing.",
        )

    def _watched(self, plant: PlantDay, stage: Stage) -> _Watched:
        passed = np.arange(round(plant.day.seconds / CELL_S)) < cells_passed(plant)
        if stage.heater is None:
            return self._boiler(plant, plant.loops[stage.loop or ""], passed)
        input_w = plant.heaters[stage.heater].input_w
        heats = passed & (input_w >= self.least_w)
        if stage.tank is None:
            return self._in_passing(plant, passed & (input_w < self.least_w), heats)
        top = _hottest(plant, stage.tank)
        idle = passed & (input_w < self.least_w) & (top < self.cold_degc)
        warm = lasting(passed & (top >= self.cold_degc + 5.0), _cells(self.min_cold))
        return _Watched(idle, idle / _cells(self.min_cold), lasting(heats, _cells(self.min_output)) | warm, top)

    def _boiler(self, plant: PlantDay, loop: LoopDay, passed: Flags) -> _Watched:
        tank = tank_of_loop(plant.site, loop.loop)
        top = unknown(plant) if tank is None else _hottest(plant, tank.id)
        idle = passed & (loop.pump_on >= 0.99) & (loop.heat_w < self.least_w) & (top < self.cold_degc)
        heats = lasting(passed & (loop.heat_w >= self.least_w), _cells(self.min_output))
        return _Watched(idle, idle / _cells(self.min_running), heats, top)

    def _in_passing(self, plant: PlantDay, rests: Flags, heats: Flags) -> _Watched:
        water = plant.hot_water
        if water is None:
            return _Watched(rests & False, unknown(plant) * 0, heats, unknown(plant))
        # Whole minutes of flow only: the neighbouring cells run too.
        runs = water.flow_m3_s > 0
        whole = runs & np.roll(runs, 1) & np.roll(runs, -1)
        idle = rests & whole & (water.heated_degc < self.cold_degc)
        return _Watched(idle, idle / _cells(self.min_passing), heats, water.heated_degc)

    def _finding(self, plant: PlantDay, component: str, watched: _Watched, *, episode: Episode) -> Finding:
        cells = counted(watched.idle, episode)
        seconds = float(np.count_nonzero(cells)) * CELL_S
        evidence: dict[str, float | int | str | None] = {
            "backup": component,
            "idle": duration(seconds),
            "idle_min": round(seconds / 60),
            "lowest_water_degc": round(float(watched.water_degc[cells].min()), 1),
            "cold_limit_degc": self.cold_degc,
            "least_w": self.least_w,
            "min_cold_min": self.min_cold / timedelta(minutes=1),
            "min_running_min": self.min_running / timedelta(minutes=1),
            "min_passing_min": self.min_passing / timedelta(minutes=1),
        }
        return tell(plant, episode, _ADVICE, evidence=evidence, weight_s=seconds)


_ADVICE = Advice(
    "soon",
    "The backup {backup} has given no heat since {since} although it should: {idle} with the hottest water at down to "
    "{lowest_water_degc:.0f} degC, where a backup should act below {cold_limit_degc:.0f} degC.",
    (
        "element burnt out, or boiler locked out",
        "safety cut-out tripped, breaker off, or no fuel",
        "contactor, thermostat or its wiring failed",
        "switched off by someone",
    ),
    (
        "Ask whether it was switched off on purpose; look at its breaker and display without opening a panel.",
        "A tripped cut-out or lock-out has a cause: let licensed people find it before it is reset. Smell of gas: "
        "touch no switch, leave, and call the gas emergency number.",
        "Water that stood lukewarm lets Legionella grow: heat the tank through, and flush, as local rules ask.",
    ),
)


def _component(stage: Stage) -> str:
    return stage.heater or stage.loop or stage.id


def _hottest(plant: PlantDay, tank: str) -> Course:
    """The tank's hottest sensor while all of them speak: a silent one might be the warm one. [degC]"""
    sensors = plant.tanks[tank].sensors_degc
    return np.asarray(np.max(sensors, axis=0)) if len(sensors) else unknown(plant)


def _lacking(site: Site, stage: Stage) -> str:
    tank, path = site.tanks.get(stage.tank or ""), site.hot_water
    if tank is not None and not tank.temperatures:
        return f"Tank {tank.id} has no temperature sensor, so when its backup should act is not known."
    if stage.heater is None:
        has_pump = stage.loop is not None and site.loops[stage.loop].pump is not None
        return "" if has_pump else f"No pump point tells when the loop of stage {stage.id} is called."
    if site.heaters[stage.heater].power is None:
        return f"The power of heater {stage.heater} is not measured; a status does not show whether it heats."
    if tank is None and (path is None or path.heated is None or not (path.flow or path.volume)):
        return f"Flow and temperature of the water that heater {stage.heater} heats are not both measured."
    return ""


def _cells(length: timedelta) -> int:
    return round(length.total_seconds() / CELL_S)
