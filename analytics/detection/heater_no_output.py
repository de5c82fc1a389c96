"""`heater-no-output`: the backup should heat and gives nothing."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar, Literal

import numpy as np

from analytics.called_rise import RISE_CELLS, CalledRise, called_rise, status_on
from analytics.detection.findings import Finding, Need, Verdict
from analytics.detection.heater_advice import HEATER_ADVICE
from analytics.detection.heater_calls import (
    asked_for,
    came_on_within,
    drawn_lately,
    earlier_level,
    lately_on_degc,
    let_on,
    may_wait,
)
from analytics.detection.moments import Episode, Flags, cells_passed, duration, episodes, judge, lasting, unknown
from analytics.detection.outlet_level import drawn_warm, outlet_of, top_by_outlet
from analytics.detection.telling import counted, tell
from analytics.expected.heater import HEATS_W, OnLevel, top_degc
from analytics.figures import DayLedger
from analytics.plant import CELL_S, Course, PlantDay
from analytics.site import Site, Stage

__all__ = ["HeaterNoOutput"]


@dataclass(frozen=True, slots=True)
class _Watched:
    """
    Cells in which the backup gave nothing though it should, what they prove, and the water that shows it.

    `by` is what says that it should; `level` the tank's own, where that is known.
    """

    idle: Flags
    weight: Course
    healthy: Flags
    water_degc: Course
    by: Literal["cold", "outlet", "level", "status", "uncalled", "boiler", "in vain", "resting"] = "cold"
    level: OnLevel | None = None
    rise: CalledRise | None = None


@dataclass(frozen=True, kw_only=True)
class HeaterNoOutput:
    """
    A backup that should heat and gives nothing: a heater in a tank that takes no power for hours although the hottest
    water is lukewarm (where no sensor stands in it: the water that left the tank last), or the tank's top colder than
    it ever was before the heater came on; one of which only the status is known that is called and warms nothing, or
    is not called although the top is so cold; one in passing that takes no power while lukewarm water flows; a boiler
    whose loop runs without heat into a lukewarm tank, or into one with a top colder than it ever was before heat came,
    or rests for hours beside a lukewarm one while hot water is drawn.

    Not this: a heater that a timer or a tariff holds back; one that rests because the sun or another stage keeps the
    tank hot, of which nothing can be told; one in passing beside a trickle, which starts none; a boiler that has rested
    for a week, as one does that is off for the summer; a tank whose highest sensor stands under its warm water, as the
    last draw shows. One that someone switched off cannot be told apart from one that failed.
    """

    kind: ClassVar[str] = "heater-no-output"
    rejoin: ClassVar[timedelta] = timedelta(hours=24)
    cold_degc: float = 40.0  # no thermostat of a backup for hot water is set so low (common practice)
    unused_degc: float = 35.0  # the same with its differential: a tank that nobody draws from cools ever so slowly
    unused_l: float = 20.0  # a day: less is no use of hot water
    least_w: float = HEATS_W
    below_level_k: float = 2.0  # below the level at which it came on: a thermostat's scatter and the sensor's noise
    inverted_k: float = 3.0  # beyond two sensors' limits of error: then they stand in each other's place, or one is off
    below_lately_k: float = 5.0  # the same of the last days alone
    few_days_k: float = 10.0  # over the days on which it came on: the lowest of few lies above the lowest of many
    cold_part: float = 0.15  # of the warming that is due to a called heater: less is none
    warm_part: float = 0.4  # so much is heating
    edge: float = 0.1  # of the tank's height: a sensor so little above where heat begins may stand under warm water
    least_due_k: float = 2.0  # a smaller rise cannot be told from none
    min_cold: timedelta = timedelta(hours=2)  # tariffs block heaters for shorter times (common practice)
    min_cold_new: timedelta = timedelta(hours=18)  # a night tariff may hold a heater back so long (common practice)
    min_running: timedelta = timedelta(minutes=45)  # a boiler purges, lights and warms its loop within minutes
    min_passing: timedelta = timedelta(minutes=5)  # of whole minutes of flow
    least_passing_l_min: float = 3.5  # heaters in passing start at 2 to 3 l/min (common practice, from memory)
    min_output: timedelta = timedelta(minutes=3)
    lately_days: int = 7  # in which a boiler must have heated, to be missed when it rests (common practice)

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(_component(stage), _lacking(site, stage)) for stage in site.stages.values() if stage.backup]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        stage = next(each for each in plant.site.stages.values() if each.backup and _component(each) == component)
        watched = self._watched(plant, history, stage)
        return judge(
            plant,
            episodes(np.where(watched.healthy, 0.0, watched.weight), watched.healthy),
            watched.healthy,
            tell=lambda episode: self._finding(plant, component, watched, episode=episode),
            unseen=f"{component} was not needed for long enough to tell, or its readings are missing.",
        )

    def _watched(self, plant: PlantDay, history: Sequence[DayLedger], stage: Stage) -> _Watched:
        passed = np.arange(round(plant.day.seconds / CELL_S)) < cells_passed(plant)
        if stage.heater is None:
            return self._boiler(plant, history, stage, passed=passed)
        input_w = plant.heaters[stage.heater].input_w
        heats = passed & (input_w >= self.least_w)
        if stage.tank is None:
            return self._in_passing(plant, passed & (input_w < self.least_w), heats)
        if plant.site.heaters[stage.heater].power is None:
            called = passed & status_on(plant, stage.heater)
            watched = self._by_status(plant, stage, called)
            level = earlier_level(history, stage.heater)
            if level is None or watched.idle.any():
                return watched
            rests = passed & (input_w < self.least_w) & let_on(history, stage.heater, len(passed))
            return self._uncalled(plant, stage, watched, level, called=called, rests=rests)
        rests = passed & (input_w < self.least_w) & let_on(history, stage.heater, len(passed))
        return self._by_power(plant, history, stage, rests=rests, heats=heats)

    def _by_power(
        self, plant: PlantDay, history: Sequence[DayLedger], stage: Stage, *, rests: Flags, heats: Flags
    ) -> _Watched:
        """Colder than any thermostat allows, or than this one ever did; only power shows health."""
        level = earlier_level(history, stage.heater or "")
        has_sensor = _has_sensor(plant.site, stage)
        hottest = _hottest(plant, stage) if has_sensor else top_by_outlet(plant, stage.tank or "")
        limit_degc = np.where(drawn_lately(plant, history, self.unused_l), self.cold_degc, self.unused_degc)
        healthy, cold = lasting(heats, _cells(self.min_output)), rests & (hottest < limit_degc)
        least = _cells(self.min_cold_new if may_wait(history, stage.heater or "") else self.min_cold)
        if not has_sensor:
            return _Watched(cold, cold / least, healthy, hottest, "outlet")
        cold &= self._unheard_of(plant, history, stage, hottest)
        if level is None or self._limit_degc(level) <= self.cold_degc:
            return _Watched(cold, cold / least, healthy, hottest)
        top = self._settled_top(plant, stage.tank or "")
        idle = cold | (rests & (top < self._limit_degc(level)))
        return _Watched(idle, idle / _cells(self.min_cold), healthy, top, "level", level)

    def _unheard_of(self, plant: PlantDay, history: Sequence[DayLedger], stage: Stage, hottest: Course) -> Flags:
        """Where neither a thermostat set low nor warm water above the sensors explains that the backup rests."""
        # A thermostat that came on lately at less than that is set lower, and failed in nothing.
        set_lower = hottest >= lately_on_degc(history, _component(stage)) - self.below_lately_k
        under = _top_height(plant.site, stage) < stage.height[0] + self.edge
        return np.asarray(~set_lower & ~drawn_warm(plant, stage.tank or "", self.cold_degc, until_drawn=under))

    def _limit_degc(self, level: OnLevel) -> float:
        return level.degc - self.below_level_k - self.few_days_k / level.on_days

    def _by_status(self, plant: PlantDay, stage: Stage, called: Flags) -> _Watched:
        rise = called_rise(plant, stage, called)
        can_tell = rise.counts & (rise.due_k >= self.least_due_k)
        idle = can_tell & (rise.rise_k < self.cold_part * rise.due_k)
        heats = can_tell & (rise.rise_k > self.warm_part * rise.due_k)
        top = top_degc(plant, stage.tank or "")
        return _Watched(idle, idle / _cells(self.min_running), heats, top, "status", rise=rise)

    def _settled_top(self, plant: PlantDay, tank: str) -> Course:
        """The tank's top; unknown where warmer water lies below it, as no tank at rest has it. [degC]"""
        top = top_degc(plant, tank)
        return np.where(top < np.max(plant.tanks[tank].sensors_degc, axis=0) - self.inverted_k, np.nan, top)

    def _uncalled(
        self, plant: PlantDay, stage: Stage, watched: _Watched, level: OnLevel, *, called: Flags, rests: Flags
    ) -> _Watched:
        """Not called although the tank's top is colder than it ever was before it was; as before where it is not."""
        top = self._settled_top(plant, stage.tank or "")
        idle = rests & (top < self._limit_degc(level))
        if not idle.any():
            return watched
        healthy = watched.healthy | lasting(called, _cells(self.min_output))
        return _Watched(idle, idle / _cells(self.min_cold), healthy, top, "uncalled", level)

    def _boiler(self, plant: PlantDay, history: Sequence[DayLedger], stage: Stage, *, passed: Flags) -> _Watched:
        loop = plant.loops[stage.loop or ""]
        top = unknown(plant) if stage.tank is None else _hottest(plant, stage)
        cold = passed & (loop.heat_w < self.least_w) & (top < self.cold_degc)
        idle = cold & (loop.pump_on >= 0.99)
        heats = lasting(passed & (loop.heat_w >= self.least_w), _cells(self.min_output))
        level = earlier_level(history, loop.loop)
        if level is not None and not idle.any() and stage.tank is not None:
            settled = self._settled_top(plant, stage.tank)
            in_vain = passed & (loop.heat_w < self.least_w) & (loop.pump_on >= 0.99)
            in_vain &= (settled < self._limit_degc(level)) & let_on(history, loop.loop, len(passed))
            if in_vain.any():
                return _Watched(in_vain, in_vain / _cells(self.min_running), heats, settled, "in vain", level)
        is_missed = came_on_within(history, loop.loop, self.lately_days) and level is not None
        if idle.any() or not is_missed:
            return _Watched(idle, idle / _cells(self.min_running), heats, top, "boiler")
        rests = cold & (loop.pump_on < 0.01) & asked_for(plant) & let_on(history, loop.loop, len(passed))
        rests &= self._unheard_of(plant, history, stage, top)
        return _Watched(rests, rests / _cells(self.min_cold), heats, top, "resting")

    def _in_passing(self, plant: PlantDay, rests: Flags, heats: Flags) -> _Watched:
        water = plant.hot_water
        if water is None:
            return _Watched(rests & False, unknown(plant) * 0, heats, unknown(plant))
        # Whole minutes of flow only: the neighbouring cells run too.
        runs = water.flow_m3_s * 6e4 >= self.least_passing_l_min
        whole = runs & np.roll(runs, 1) & np.roll(runs, -1)
        idle = rests & whole & (water.heated_degc < self.cold_degc)
        return _Watched(idle, idle / _cells(self.min_passing), heats, water.heated_degc)

    def _finding(self, plant: PlantDay, component: str, watched: _Watched, *, episode: Episode) -> Finding:
        cells = counted(watched.idle, episode)
        seconds = float(np.count_nonzero(cells)) * CELL_S
        evidence: dict[str, float | int | str | None] = {
            "backup": component,
            "boiler": _boiler_name(plant.site),
            "idle": duration(seconds),
            "idle_min": round(seconds / 60),
            "lowest_water_degc": round(float(watched.water_degc[cells].min()), 1),
            "cold_limit_degc": self.cold_degc,
            "unused_limit_degc": self.unused_degc,
            "least_w": self.least_w,
            "min_cold_min": self.min_cold / timedelta(minutes=1),
            "min_cold_new_min": self.min_cold_new / timedelta(minutes=1),
            "min_running_min": self.min_running / timedelta(minutes=1),
            "min_passing_min": self.min_passing / timedelta(minutes=1),
            "least_passing_l_min": self.least_passing_l_min,
            "lately_days": self.lately_days,
        }
        if watched.level is not None:
            evidence |= {
                "level_degc": round(watched.level.degc, 1),
                "level_limit_degc": round(self._limit_degc(watched.level), 1),
                "on_days": watched.level.on_days,
                "level_days": watched.level.days,
            }
        if watched.rise is not None:
            evidence |= {
                "rise_k": round(max(float(watched.rise.rise_k[cells].max()), 0.0), 1),
                "due_k": round(watched.rise.due_k, 1),
                "rise_min": RISE_CELLS,
                "cold_part_percent": 100 * self.cold_part,
            }
        return tell(plant, episode, HEATER_ADVICE[watched.by], evidence=evidence, weight_s=seconds)


def _boiler_name(site: Site) -> str:
    """The heater that heats through a loop, by its name where there is one such."""
    behind = [heater for heater in site.heaters if all(stage.heater != heater for stage in site.stages.values())]
    return f"The heater {behind[0]}" if len(behind) == 1 else "What heats it"


def _component(stage: Stage) -> str:
    return stage.heater or stage.loop or stage.id


def _hottest(plant: PlantDay, stage: Stage) -> Course:
    """
    The tank's hottest sensor; unknown unless a sensor stands where the backup heats, and all that do speak. [degC]

    A silent one might be the warm one, and one below the backup's heat knows nothing of it.
    """
    tank = stage.tank or ""
    points = plant.site.tanks[tank].temperatures
    heated = [point for k, point in enumerate(points) if 1.0 - (k + 0.5) / len(points) >= stage.height[0]]
    if not heated or any(p not in plant.signals or len(plant.signals[p].time_s) == 0 for p in heated):
        return unknown(plant)
    return np.asarray(np.max(plant.tanks[tank].sensors_degc, axis=0))


def _has_sensor(site: Site, stage: Stage) -> bool:
    """Whether a sensor of its tank stands where a stage heats."""
    return _top_height(site, stage) >= stage.height[0]


def _top_height(site: Site, stage: Stage) -> float:
    """Where the highest sensor of a stage's tank stands, as a part of its height; below it all without one."""
    points = site.tanks[stage.tank].temperatures if stage.tank else ()
    return 1.0 - 0.5 / len(points) if points else -1.0


def _lacking(site: Site, stage: Stage) -> str:
    tank, path = site.tanks.get(stage.tank or ""), site.hot_water
    by_power = stage.heater is not None and site.heaters[stage.heater].power is not None
    if tank is not None and not _has_sensor(site, stage) and not (by_power and outlet_of(site, tank.id)):
        where = "stands where its backup heats, and the water that leaves it is not measured"
        return f"No sensor of tank {tank.id} {where}, so when it should act is not known."
    if stage.heater is None:
        has_pump = stage.loop is not None and site.loops[stage.loop].pump is not None
        return "" if has_pump else f"No pump point tells when the loop of stage {stage.id} is called."
    heater = site.heaters[stage.heater]
    if heater.power is None and (tank is None or heater.status is None or heater.rated_w is None):
        return f"The power of heater {stage.heater} is not measured; nothing shows whether it heats."
    if tank is None and (path is None or path.heated is None or not (path.flow or path.volume)):
        return f"Flow and temperature of the water that heater {stage.heater} heats are not both measured."
    return ""


def _cells(length: timedelta) -> int:
    return round(length.total_seconds() / CELL_S)
