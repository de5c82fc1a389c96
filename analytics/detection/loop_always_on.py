"""`loop-always-on`: the pump runs with nothing to gain."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.count_step import count_step
from analytics.detection.findings import Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import (
    Episode,
    Flags,
    cells_passed,
    course_of,
    duration,
    episodes,
    judge,
    lasting,
    trailing_mean,
)
from analytics.detection.sunshine import collector_of, is_night, tank_ends, tank_of_loop
from analytics.detection.telling import Advice, counted, tell
from analytics.detection.worth import JOULES_PER_KWH, electricity_price, heat_price
from analytics.figures import DayLedger
from analytics.loop_warmth import gives_warmth, warms_tank
from analytics.plant import CELL_S, MOVES_M3_S, LoopDay, PlantDay
from analytics.site import Loop, Site

__all__ = ["LoopAlwaysOn"]


@dataclass(frozen=True, slots=True)
class _Running:
    """
    Cells in which a pump runs uselessly, rests, or brings heat worth having, and those that show health.

    `is_nightly` says that it did not run by day alone.
    """

    useless: Flags
    rests: Flags
    worthwhile: Flags
    healthy: Flags
    patience: timedelta
    is_counted: bool
    is_nightly: bool


@dataclass(frozen=True, kw_only=True)
class LoopAlwaysOn:
    """
    A tank's charging pump that runs for long without bringing heat.

    Of a collector's loop with an energy counter alone this may as well be a pump that moves nothing. Without a sun
    sensor both are said, and heat alone acquits it; with one, running by day is left to `loop-no-flow`, and only
    running through the night counts here.

    Not this: frost protection and sampling runs, which are short; a cloud over a running collector; a pump that runs
    and moves nothing (`loop-no-flow`); the loop of a compressor that runs; fluid that is warmer than the tank around
    it: such a loop gives heat, whatever its two sensors say (`sensor-swapped`); a tank that grows warmer by it,
    whatever its heat meter counts (`sensor-stuck`).
    """

    kind: ClassVar[str] = "loop-always-on"
    rejoin: ClassVar[timedelta] = timedelta(hours=24)
    gain_w: float = 50.0  # a circulator's own power: less heat than this is not worth its running
    dull_w_m2: float = 200.0  # with more sun, a running loop without heat has lost its flow
    warm_degc: float = 50.0  # a backup that heats nothing though its tank is cooler: `heater-no-output`
    worth_w: float = 200.0
    min_useless: timedelta = timedelta(minutes=90)  # of useless running between two rests; overrun ends sooner
    min_night: timedelta = timedelta(hours=3)  # after dusk a collector without flow stays hot for up to two hours
    counter_pause: timedelta = timedelta(minutes=60)  # a tenth of a kilowatt-hour at the least heat worth having
    min_rest: timedelta = timedelta(minutes=5)
    min_worth: timedelta = timedelta(minutes=10)

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(loop.id, _lacking(loop)) for loop in site.loops.values() if tank_of_loop(site, loop.id)]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        loop = plant.loops.get(component)
        if loop is None:
            return NotAssessed(f"Loop {component} gave no readings.")
        running = self._running(plant, loop)
        pausing = running.worthwhile | running.rests
        weight = np.where(pausing, 0.0, running.useless / _cells(running.patience))
        return judge(
            plant,
            episodes(weight, running.healthy, pausing=pausing),
            running.healthy,
            tell=lambda episode: self._finding(plant, loop, running, episode=episode),
            unseen=f"Whether the pump of loop {component} runs, and what it brings, is not known, or it never rested.",
        )

    def _running(self, plant: PlantDay, loop: LoopDay) -> _Running:
        site_loop, collector = plant.site.loops[loop.loop], collector_of(plant.site, loop.loop)
        passed = np.arange(len(loop.heat_w)) < cells_passed(plant)
        is_counted = _is_counted(loop, site_loop)
        # A counter tells of heat in lumps, some minutes apart.
        heat_w = trailing_mean(loop.heat_w, self._pause_cells(plant, site_loop)) if is_counted else loop.heat_w
        runs = passed & (loop.pump_on >= 0.99) & ~(loop.flow_m3_s <= MOVES_M3_S) & ~_is_fed(plant, loop.loop)
        cools = ~(warms_tank(plant, site_loop) if is_counted else gives_warmth(plant, site_loop))
        useless = runs & (heat_w < self.gain_w) & cools & self._nothing_to_gain(plant, loop)
        rests = lasting(passed & (loop.pump_on <= 0.01), _cells(self.min_rest))
        worthwhile = lasting(passed & (heat_w >= self.worth_w), _cells(self.min_worth))
        if collector is None or not is_counted:
            return _Running(useless, rests, worthwhile, rests, self.min_useless, is_counted, is_nightly=True)
        night = is_night(plant)
        # A pump that moves nothing rests at night, too; one that ran through the night and rests is well again.
        ran_at_night = np.cumsum(useless & night) >= _cells(self.min_useless)
        healthy = np.where(ran_at_night, rests, worthwhile)
        sees_sun = collector.irradiance is not None
        return _Running(
            useless & (night | (not sees_sun)),
            rests,
            worthwhile,
            healthy,
            self.min_night if sees_sun else self.min_useless,
            is_counted,
            is_nightly=bool(ran_at_night.any()),
        )

    def _pause_cells(self, plant: PlantDay, loop: Loop) -> int:
        """How long a counter may be silent that counts the least heat worth having."""
        signal = plant.signals.get(loop.energy or "")
        between = timedelta(seconds=count_step(signal) / self.worth_w if signal is not None else 0.0)
        return _cells(max(self.counter_pause, between))

    def _nothing_to_gain(self, plant: PlantDay, loop: LoopDay) -> Flags:
        """
        A dull sky for a collector, for a backup a warm tank and a boiler that is not called; without heat otherwise,
        something else has failed.
        """
        collector = collector_of(plant.site, loop.loop)
        if collector is not None and collector.irradiance is not None:
            return course_of(plant, collector.irradiance) < self.dull_w_m2
        is_backup = any(stage.backup for stage in plant.site.stages.values() if stage.loop == loop.loop)
        if collector is None and is_backup:
            return np.asarray((tank_ends(plant, loop.loop)[1] >= self.warm_degc) & ~_boiler_called(plant))
        return np.ones(len(loop.heat_w), bool)

    def _finding(self, plant: PlantDay, loop: LoopDay, running: _Running, *, episode: Episode) -> Finding:
        cells = counted(running.useless, episode)
        seconds = float(np.count_nonzero(cells)) * CELL_S
        heat_kwh = float(np.minimum(loop.heat_w[cells], 0.0).sum()) * CELL_S / JOULES_PER_KWH
        pump_kwh = float(np.nansum(loop.pump_elec_w[cells])) * CELL_S / JOULES_PER_KWH
        evidence: dict[str, float | int | str | None] = {
            "loop": loop.loop,
            "useless": duration(seconds),
            "useless_min": round(seconds / 60),
            "lost_kwh": None if running.is_counted else round(abs(heat_kwh), 2),
            "about": "about " if loop.flow_is_assumed else "",
            "pump_kwh": round(pump_kwh, 3),
            "gain_limit_w": self.gain_w,
            "min_useless_min": running.patience / timedelta(minutes=1),
        }
        prices = (heat_price(plant), electricity_price(plant))
        cost = None if prices[0] is None or prices[1] is None else -heat_kwh * prices[0] + pump_kwh * prices[1]
        return tell(plant, episode, _advice(running), evidence=evidence, weight_s=seconds, cost=cost)


def _advice(running: _Running) -> Advice:
    """What a counter cannot tell: heat that goes backwards, and of a pump that rests at night, whether it moves any."""
    if not running.is_counted:
        return Advice("soon", f"{_FIRST} {_TOOK}", _CAUSES, _CHECKS)
    if running.is_nightly:
        return Advice("soon", f"{_FIRST} {_COUNTED}", _CAUSES, _CHECKS)
    return Advice("soon", f"{_FIRST_UNKNOWN} {_COUNTED_BY_DAY}", _UNKNOWN_CAUSES, _UNKNOWN_CHECKS)


_FIRST = "The pump of the {loop} loop has run since {since} without gain:"
_FIRST_UNKNOWN = "The pump of the {loop} loop has run since {since} without bringing heat:"
_TOOK = "{useless} in which it brought no heat and took {about}{lost_kwh:.1f} kWh out of the tank."
_COUNTED = (
    "{useless} in which its heat meter counted nothing. What it takes out of the tank such a meter does not count: the "
    "cost is that of the pump's {pump_kwh:.2f} kWh of electricity alone."
)
_COUNTED_BY_DAY = (
    "{useless} in which its heat meter counted nothing. It moves no fluid, or there is nothing to gain. What the sun "
    "would have given is not measured: the cost is that of the pump's {pump_kwh:.2f} kWh of electricity alone."
)
_CAUSES = (
    "relay or controller output stuck on, or left in manual mode",
    "controller's sensor displaced or failed",
    "start and stop differences set too small",
)
_CHECKS = (
    "Look at the controller's mode and at the temperatures that it shows.",
    "Switch the pump off at the controller and see whether it stops; a relay that sticks is an electrician's work.",
)
_UNKNOWN_CAUSES = (
    "failed circulator (blocked or worn, no supply, capacitor), air lock, or closed valve",
    "controller left in manual mode, or its output stuck on",
    "controller's sensor displaced or failed",
    "heat meter failed, if the pipes at the tank are warm",
)
_UNKNOWN_CHECKS = (
    "Look at the temperatures that the controller shows: a collector far hotter than the tank while the pump runs has "
    "no flow.",
    "Compare the pressure gauge with the value noted at commissioning; see whether both isolating valves are open and "
    "listen whether the pump runs.",
    "Do not open or fill the circuit while the collector is hot: fluid and steam there can pass 150 degC.",
    *_CHECKS[1:],
)


def _is_counted(loop: LoopDay, site_loop: Loop) -> bool:
    """Whether a counter alone tells of its heat."""
    return site_loop.flow is None and not loop.flow_is_assumed


def _boiler_called(plant: PlantDay) -> Flags:
    """Where the one heater that heats through a loop takes fuel, or is called to."""
    alone = {stage.heater for stage in plant.site.stages.values()}
    behind = [plant.heaters[heater] for heater in plant.site.heaters if heater not in alone and heater in plant.heaters]
    return behind[0].input_w > 0 if len(behind) == 1 else np.zeros(round(plant.day.seconds / CELL_S), bool)


def _is_fed(plant: PlantDay, loop: str) -> Flags:
    """Where a compressor heats the loop: what seems to bring no heat then is not the pump's fault."""
    pumps = [p.id for p in plant.site.heat_pumps.values() if loop == p.load_loop and p.id in plant.heat_pumps]
    return np.asarray(plant.heat_pumps[pumps[0]].is_on > 0 if pumps else np.zeros(len(plant.loops[loop].heat_w), bool))


def _lacking(loop: Loop) -> str:
    if loop.pump is None:
        return f"Loop {loop.id} has no pump point, so its running is not known."
    return ""


def _cells(length: timedelta) -> int:
    return round(length.total_seconds() / CELL_S)
