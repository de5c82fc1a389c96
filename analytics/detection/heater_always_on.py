"""`heater-always-on`: the backup draws power without need."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import (
    Episode,
    Flags,
    cells_passed,
    clock,
    duration,
    episodes,
    highest,
    instant_ms,
    judge,
    lasting,
    unknown,
)
from analytics.detection.worth import JOULES_PER_KWH, input_price
from analytics.figures import DayLedger
from analytics.plant import CELL_S, Course, PlantDay
from analytics.site import Site, Stage

__all__ = ["HeaterAlwaysOn"]

_CAUSES = (
    "contactor or relay welded shut",
    "thermostat failed, set far too high, or its sensor out of its pocket",
    "controller output stuck on, or left in manual mode",
)
_CHECKS = (
    "Warn the house: water at the taps may scald until this is mended.",
    "Switch the heater off at its breaker; have a licensed electrician test contactor and thermostat without voltage.",
    "See that the temperature and pressure relief valve is free to open and that its pipe ends in the open, "
    "and keep away from its outlet.",
)


@dataclass(frozen=True, slots=True)
class _Course:
    """A heater's input beside what should have stopped it."""

    input_w: Course
    top_degc: Course
    needless: Flags
    healthy: Flags
    weight: Course


@dataclass(frozen=True, kw_only=True)
class HeaterAlwaysOn:
    """
    A heater that draws power although its tank is hotter than any thermostat asks for, or, for one that heats water
    in passing, although no water passes.

    Not this: a long reheat of a cold tank, a weekly disinfection at 60 to 70 degC, a tank made hot by the sun while
    the heater rests.
    """

    kind: ClassVar[str] = "heater-always-on"
    rejoin: ClassVar[timedelta] = timedelta(hours=24)
    hot_degc: float = 75.0  # household thermostats end at 65 to 75 degC (common practice)
    cooled_degc: float = 70.0  # below, a rest shows that the contactor opens; above, the safety cut-out may rest it
    least_w: float = 100.0  # controls and pilots draw less
    min_hot: timedelta = timedelta(minutes=15)  # a thermostat at its very limit ends its last reheat sooner
    min_dry: timedelta = timedelta(minutes=10)  # heat left in the exchanger keeps a flow heater on for a minute
    min_rest: timedelta = timedelta(minutes=10)

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(heater, _lacking(site, heater)) for heater in site.heaters]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        stage = _stage_of(plant.site, component)
        if component not in plant.heaters or stage is None:
            return NotAssessed(f"Heater {component} gave no readings.")
        passed = np.arange(round(plant.day.seconds / CELL_S)) < cells_passed(plant)
        input_w = np.where(passed, plant.heaters[component].input_w, np.nan)
        course = self._in_tank(plant, stage, input_w) if stage.tank else self._in_passing(plant, input_w)
        return judge(
            plant,
            episodes(course.weight, course.healthy),
            course.healthy,
            tell=lambda episode: self._finding(plant, stage, course, episode=episode),
            unseen=self._unseen(course, component),
        )

    def _unseen(self, course: _Course, heater: str) -> str:
        if np.isnan(course.input_w).all():
            return f"The input of heater {heater} is not known."
        return f"Heater {heater} was not seen to switch off with a tank cool enough to tell a contactor from a cut-out."

    def _in_tank(self, plant: PlantDay, stage: Stage, input_w: Course) -> _Course:
        top = _heated_zone(plant, stage)
        needless = (input_w >= self.least_w) & (top >= self.hot_degc)
        rests = input_w < self.least_w
        healthy = lasting(rests & (top < self.cooled_degc), _cells(self.min_rest))
        return _Course(input_w, top, needless, healthy, needless / _cells(self.min_hot))

    def _in_passing(self, plant: PlantDay, input_w: Course) -> _Course:
        flow = unknown(plant) if plant.hot_water is None else plant.hot_water.flow_m3_s
        dry = flow <= 0
        needless = (input_w >= self.least_w) & dry
        healthy = lasting((input_w < self.least_w) & dry, _cells(self.min_rest))
        return _Course(input_w, unknown(plant), needless, healthy, needless / _cells(self.min_dry))

    def _finding(self, plant: PlantDay, stage: Stage, course: _Course, *, episode: Episode) -> Finding:
        evidence = self._evidence(plant, stage, course, episode=episode)
        return Finding(
            began_ms=instant_ms(plant, episode.start * CELL_S),
            ended_ms=None if episode.ended is None else instant_ms(plant, episode.ended * CELL_S),
            detected_ms=instant_ms(plant, (episode.proved + 1) * CELL_S),
            severity="urgent",
            template=_TANK_SENTENCE if stage.tank else _PASSING_SENTENCE,
            evidence=evidence,
            likely_causes=_CAUSES,
            checks=_CHECKS,
            cost_per_day=self._cost(plant, stage, course, episode=episode),
            weight_s=float(np.count_nonzero(course.needless[episode.start : episode.last + 1])) * CELL_S,
        )

    def _evidence(
        self, plant: PlantDay, stage: Stage, course: _Course, *, episode: Episode
    ) -> dict[str, float | int | str | None]:
        cells = np.zeros(len(course.needless), bool)
        cells[episode.start : episode.last + 1] = course.needless[episode.start : episode.last + 1]
        seconds = float(np.count_nonzero(cells)) * CELL_S
        return {
            "heater": stage.heater or "",
            "since": clock(instant_ms(plant, episode.start * CELL_S), plant.day.timezone),
            "needless": duration(seconds),
            "needless_min": round(seconds / 60),
            "needless_kwh": round(float(course.input_w[cells].sum()) * CELL_S / JOULES_PER_KWH, 2),
            "mean_input_w": round(float(course.input_w[cells].mean())),
            "highest_top_degc": highest(course.top_degc[cells]),
            "limit_degc": self.hot_degc if stage.tank else None,
            "least_w": self.least_w,
            "min_evidence_min": (self.min_hot if stage.tank else self.min_dry) / timedelta(minutes=1),
        }

    def _cost(self, plant: PlantDay, stage: Stage, course: _Course, *, episode: Episode) -> float | None:
        """The needless energy of the episode, spread over the time it took, for a day. [currency]"""
        price = input_price(plant, plant.site.heaters[stage.heater or ""].kind)
        # What the cut-out rests belongs to the time that it took.
        cells = slice(episode.start, cells_passed(plant) if episode.ended is None else episode.ended)
        mean_w = float(np.mean(np.where(course.needless[cells], course.input_w[cells], 0.0)))
        return None if price is None else mean_w * 86400.0 / JOULES_PER_KWH * price


_TANK_SENTENCE = (
    "The heater {heater} has gone on drawing power since {since} although its tank is hot: {needless_kwh:.1f} kWh in "
    "{needless} with the water around it at up to {highest_top_degc:.0f} degC, where no thermostat asks for more than "
    "{limit_degc:.0f} degC."
)
_PASSING_SENTENCE = (
    "The heater {heater} has gone on drawing power since {since} although no water passes: {needless_kwh:.1f} kWh in "
    "{needless}, {mean_input_w} W on average."
)


def _cells(length: timedelta) -> int:
    return round(length.total_seconds() / CELL_S)


def _stage_of(site: Site, heater: str) -> Stage | None:
    return next((stage for stage in site.stages.values() if stage.heater == heater), None)


def _lacking(site: Site, heater: str) -> str:
    stage = _stage_of(site, heater)
    if stage is None:
        return f"Heater {heater} is no stage of the hot-water path, so what should stop it is not known."
    if stage.tank and not site.tanks[stage.tank].temperatures:
        return f"Tank {stage.tank} has no temperature sensor, so nothing tells when heater {heater} should stop."
    hot_water = site.hot_water
    if not stage.tank and (hot_water is None or not (hot_water.flow or hot_water.volume)):
        return f"No flow of hot water is measured, so nothing tells when heater {heater} should stop."
    return ""


def _heated_zone(plant: PlantDay, stage: Stage) -> Course:
    """Hottest sensor of the tank: what the heater's thermostat at least should see."""
    tank = plant.tanks.get(stage.tank or "")
    sensors = np.empty((0, 0)) if tank is None else tank.sensors_degc
    if not len(sensors):
        return unknown(plant)
    return np.asarray(np.where(np.isnan(sensors).all(axis=0), np.nan, np.fmax.reduce(sensors, axis=0)))
