"""`loop-no-flow`: the pump is called for, and nothing moves."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.count_step import count_step
from analytics.detection.findings import Finding, Need, NotAssessed, Severity, Verdict
from analytics.detection.moments import (
    Episode,
    Flags,
    cells_passed,
    clock,
    course_of,
    duration,
    episodes,
    highest,
    instant_ms,
    judge,
    lasting,
    trailing_mean,
)
from analytics.detection.sunshine import (
    CollectorSun,
    collector_of,
    collector_sun,
    sun_pays,
    switched_off,
    tank_ends,
)
from analytics.detection.usual_sun import usually_collected_kwh
from analytics.detection.worth import JOULES_PER_KWH, heat_price
from analytics.figures import DayLedger
from analytics.loop_warmth import warms_tank
from analytics.plant import CELL_S, MOVES_M3_S, Course, LoopDay, PlantDay
from analytics.site import HeatPump, Loop, Site

__all__ = ["LoopNoFlow"]

_CAUSES = (
    "failed circulator (blocked or worn, no supply, capacitor)",
    "closed or stuck valve",
    "air lock, or too little pressure in the circuit",
    "pump relay or controller output failed",
    "flow meter failed, if the temperatures look right",
)
_CHECKS = (
    "Compare the pressure gauge with the value noted at commissioning.",
    "See whether both isolating valves are open and listen whether the pump runs.",
    "Leave live terminals to a licensed electrician; switch off and lock out before the pump is opened.",
)
_HOT_CHECK = "Do not open or fill the circuit while the collector is hot: fluid and steam there can pass 150 degC."


@dataclass(frozen=True, slots=True)
class _Calls:
    """Why each cell calls for flow (flags), what each cell proves, and the collector's sun where there is one."""

    by_pump: Flags
    by_compressor: Flags
    by_heat: Flags
    by_sun: Flags
    weight: Course
    sun: CollectorSun | None


@dataclass(frozen=True, kw_only=True)
class LoopNoFlow:
    """
    A circuit whose pump is called for and in which nothing moves.

    Called for means: its pump runs or is switched on; the compressor that needs it runs; or, for a collector whose
    pump is not known to be at rest, the collector is far hotter than the tank. Not this: a collector at rest because
    its tank is full, or while it cools after that; a pump that is switched off or draws nothing, of which nobody knows
    that it was called (`loop-never-called`); a heat meter that ended, while the tank grows warmer or the other side of
    the heat pump counts (`sensor-stuck`).
    """

    kind: ClassVar[str] = "loop-no-flow"
    rejoin: ClassVar[timedelta] = timedelta(hours=24)
    still_flow_m3_s: float = MOVES_M3_S
    min_pump: timedelta = timedelta(minutes=10)  # flow settles within a minute of a start; common practice
    min_compressor: timedelta = timedelta(minutes=10)  # a compressor without source flow trips sooner or is damaged
    min_desuperheater: timedelta = timedelta(minutes=60)  # its pump may wait for hot gas at every start
    min_heat: timedelta = timedelta(minutes=20)  # controllers start within a minute; kick runs come each 10 min
    min_sun: timedelta = timedelta(minutes=45)  # a cold collector needs ten to twenty minutes of sun to warm up
    lift_k: float = 15.0  # above the start difference of 8 K (7 to 11 K common, UFGS-13600A default 8 K) with margin
    lift_without_sun_k: float = 25.0  # no irradiance known: warm pipes in a hot attic stay below
    sun_w_m2: float = 200.0  # below, a collector warms by air more than by sun
    desuperheater_tank_degc: float = 40.0  # above, hot gas may have nothing to give
    counts_w: float = 50.0  # of a heat meter's counter
    counter_pause: timedelta = timedelta(minutes=60)  # counters tell of heat in lumps, some minutes apart
    min_counter: timedelta = timedelta(minutes=90)
    least_runaway_k: float = 40.0  # no flow meter: see `_runaway_k`
    strong_sun_w_m2: float = 400.0  # a collector without flow is soon far above its tank
    paying_w_m2: float = 100.0  # of a weaker sun: what the collector would give beside a tank as cold as this one
    min_cooled_in_sun: timedelta = timedelta(minutes=60)
    min_cooled: timedelta = timedelta(minutes=60)  # a collector without flow cools through this range sooner at dusk
    damage_degc: float = 120.0  # glycol ages quickly above 120 to 140 degC (common practice)

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(loop.id, _lacking(site, loop)) for loop in site.loops.values()]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        loop = plant.loops.get(component)
        if loop is None:
            return NotAssessed(f"Loop {component} gave no readings.")
        still, moves = self._still_and_moves(plant, loop)
        calls = self._calls(plant, loop, still)
        passed = np.arange(len(still)) < cells_passed(plant)
        healthy = moves & passed
        found = episodes(np.where(passed & ~healthy, calls.weight, 0.0), healthy)
        return judge(
            plant,
            found,
            healthy,
            tell=lambda episode: self._finding(plant, history, loop, (calls, episode)),
            unseen=self._unseen(loop, passed, has_meter=plant.site.loops[component].flow is not None),
        )

    def _unseen(self, loop: LoopDay, passed: Flags, *, has_meter: bool) -> str:
        if has_meter and np.isnan(loop.flow_m3_s[passed]).all():
            return f"The flow of loop {loop.loop} is not known."
        return f"Nothing called for the pump of loop {loop.loop}, so its rest proves nothing."

    def _still_and_moves(self, plant: PlantDay, loop: LoopDay) -> tuple[Flags, Flags]:
        """Cells in which the fluid may stand still, and those in which it surely moves."""
        if plant.site.loops[loop.loop].flow is None and not loop.flow_is_assumed:
            # A heat meter's counter alone: it stands still, or it counts.
            heat_w = trailing_mean(loop.heat_w, round(_cells(self.counter_pause)))
            carries = warms_tank(plant, plant.site.loops[loop.loop]) | self._load_counts(plant, loop)
            return (heat_w < self.counts_w) & ~carries, lasting((heat_w >= self.counts_w) | carries, 2)
        if not loop.flow_is_assumed:
            return loop.flow_m3_s <= self.still_flow_m3_s, lasting(loop.flow_m3_s > self.still_flow_m3_s, 2)
        # Without a meter: a collector in the sun that stays near its tank for long is being cooled.
        rise_k = loop.leaving_degc - loop.entering_degc
        collector = collector_of(plant.site, loop.loop)
        irradiance = course_of(plant, collector.irradiance if collector else None)
        cooled = (loop.pump_on >= 0.99) & (rise_k >= 1.0) & (rise_k < 0.6 * self._runaway_k(plant, loop))
        in_sun = lasting(cooled & (irradiance >= self.strong_sun_w_m2), round(_cells(self.min_cooled_in_sun)))
        if not np.isnan(irradiance).all():
            return np.ones(len(rise_k), bool), in_sun
        return np.ones(len(rise_k), bool), lasting(cooled, round(_cells(self.min_cooled)))

    def _load_counts(self, plant: PlantDay, loop: LoopDay) -> Flags:
        """Of a source loop: its heat pump gives more heat than its compressor takes, so that the source must give."""
        found = np.zeros(len(loop.heat_w), bool)
        pause = round(_cells(self.counter_pause))
        for pump in plant.site.heat_pumps.values():
            load, day = plant.loops.get(pump.load_loop or ""), plant.heat_pumps.get(pump.id)
            if loop.loop == pump.source_loop and load is not None and day is not None:
                gained_w = trailing_mean(load.heat_w, pause) - trailing_mean(day.elec_w, pause)
                found |= (gained_w >= _GAINED_PART * trailing_mean(day.elec_w, pause)) & (day.is_on > 0)
        return found

    def _runaway_k(self, plant: PlantDay, loop: LoopDay) -> float:
        """How far above its tank a collector with the assumed flow can get in full sun, with margin. [K]"""
        collector = collector_of(plant.site, loop.loop)
        flow_m3_s = (plant.site.loops[loop.loop].assumed_flow_l_per_s or 0.0) / 1e3
        if collector is None or flow_m3_s <= 0:
            return np.inf
        full_sun_w = 1000.0 * (collector.eta0 or 0.8) * collector.area_m2
        return max(self.least_runaway_k, 10.0 + 1.5 * full_sun_w / (flow_m3_s * 3.8e6))

    def _calls(self, plant: PlantDay, loop: LoopDay, still: Flags) -> _Calls:
        collector = collector_of(plant.site, loop.loop)
        none = np.zeros(len(still), bool)
        sun = None if collector is None else collector_sun(plant, collector)
        by_heat = none if sun is None else still & self._hot(plant, loop, sun)
        by_sun = (
            none
            if sun is None or collector is None
            else still & self._sunny(plant, loop, sun, area_m2=collector.area_m2)
        )
        pump_on = _inside(loop.pump_on >= 0.99, _reading_cells(plant.site, loop.loop))
        by_pump = none if loop.flow_is_assumed else still & pump_on & self._should_carry(plant, loop)
        runs, patience = self._compressor(plant, loop)
        by_compressor = none if loop.flow_is_assumed else still & runs & self._should_carry(plant, loop)
        is_counted = plant.site.loops[loop.loop].flow is None
        unseen = self._unseen_steps(plant, loop) if is_counted else np.ones(len(still))
        proofs = [
            unseen * by_pump / _cells(self.min_counter if is_counted else self.min_pump),
            unseen * by_compressor / _cells(self.min_counter if is_counted else patience),
            by_heat / _cells(self.min_heat),
            by_sun / _cells(self.min_sun),
        ]
        return _Calls(by_pump, by_compressor, by_heat, by_sun, np.maximum.reduce(proofs), sun)

    def _sunny(self, plant: PlantDay, loop: LoopDay, sun: CollectorSun, *, area_m2: float) -> Flags:
        """The sun would pay well, wherever the sensor at the collector's outlet may sit; a metered loop only."""
        if loop.flow_is_assumed:
            return np.zeros(len(sun.offered_w), bool)
        return np.asarray(sun_pays(sun, area_m2=area_m2) & ~switched_off(plant, loop.loop))

    def _should_carry(self, plant: PlantDay, loop: LoopDay) -> Flags:
        """For a loop with a counter alone: a running pump must bring heat only where there is heat to be had."""
        if plant.site.loops[loop.loop].flow is not None:
            return np.ones(len(loop.heat_w), bool)
        collector = collector_of(plant.site, loop.loop)
        if collector is not None:
            sun = collector_sun(plant, collector)
            pays = (sun.offered_w >= self.paying_w_m2 * collector.area_m2) & (sun.irradiance_w_m2 >= self.sun_w_m2)
            return np.asarray((sun.irradiance_w_m2 >= self.strong_sun_w_m2) | (pays & ~sun.is_full))
        pumps = [p for p in plant.site.heat_pumps.values() if loop.loop in (p.source_loop, p.load_loop)]
        needed = [plant.heat_pumps[p.id].is_on >= 0.99 for p in pumps if p.id in plant.heat_pumps]
        return needed[0] if needed else np.zeros(len(loop.heat_w), bool)

    def _unseen_steps(self, plant: PlantDay, loop: LoopDay) -> Course:
        """How much of what a cell would prove it proves for a counter whose steps hide heat. (cells,)"""
        signal = plant.signals.get(plant.site.loops[loop.loop].energy or "")
        step_j = count_step(signal) if signal is not None else 0.0
        if step_j <= 0:
            return np.ones(len(loop.heat_w))
        collector = collector_of(plant.site, loop.loop)
        if collector is not None:
            least_w = _OFFERED_PART * collector.area_m2 * course_of(plant, collector.irradiance)
        else:
            pumps = [p.id for p in plant.site.heat_pumps.values() if loop.loop in (p.source_loop, p.load_loop)]
            powers = [plant.heat_pumps[pump].elec_w for pump in pumps if pump in plant.heat_pumps]
            least_w = powers[0] if powers else np.zeros(len(loop.heat_w))
        hides = np.nan_to_num(least_w) * _cells(self.min_counter) * CELL_S / (_UNSEEN_STEPS * step_j)
        return np.minimum(hides, 1.0)

    def _hot(self, plant: PlantDay, loop: LoopDay, sun: CollectorSun) -> Flags:
        """The collector is hot enough to call, the tank could take it, and the pump is not known to rest."""
        lift_k = self._runaway_k(plant, loop) if loop.flow_is_assumed else self.lift_k
        enough = np.where(
            np.isnan(sun.irradiance_w_m2),
            sun.lift_k >= max(lift_k, self.lift_without_sun_k),
            (sun.lift_k >= lift_k) & (sun.irradiance_w_m2 >= self.sun_w_m2),
        )
        return np.asarray(enough & ~sun.is_full & ~switched_off(plant, loop.loop))

    def _compressor(self, plant: PlantDay, loop: LoopDay) -> tuple[Flags, timedelta]:
        """Cells in which a compressor needs this loop's flow, and how long that may go on."""
        none = np.zeros(len(loop.flow_m3_s), bool)
        for heat_pump in plant.site.heat_pumps.values():
            if heat_pump.id not in plant.heat_pumps:
                continue
            runs = _surely_runs(plant, loop, heat_pump)
            if loop.loop in (heat_pump.source_loop, heat_pump.load_loop):
                return np.asarray(runs), self.min_compressor
            if loop.loop == heat_pump.desuperheater_loop:
                is_cool = tank_ends(plant, loop.loop)[1] < self.desuperheater_tank_degc
                return np.asarray(runs & is_cool & ~switched_off(plant, loop.loop)), self.min_desuperheater
        return none, self.min_compressor

    def _finding(
        self, plant: PlantDay, history: Sequence[DayLedger], loop: LoopDay, found: tuple[_Calls, Episode]
    ) -> Finding:
        calls, episode = found
        cells = slice(episode.start, episode.last + 1)
        evidence = self._evidence(plant, loop, calls, episode=episode)
        offered_kwh = evidence.get("offered_kwh")
        if isinstance(offered_kwh, float):
            usual_kwh = usually_collected_kwh(plant.site, loop.loop, history, offered_kwh=offered_kwh)
            evidence["not_collected_kwh"] = round(usual_kwh, 2)
        lost_kwh, price = evidence.get("not_collected_kwh"), heat_price(plant)
        cost = lost_kwh * price if isinstance(lost_kwh, float) and price is not None else None
        return Finding(
            began_ms=instant_ms(plant, episode.start * CELL_S),
            ended_ms=None if episode.ended is None else instant_ms(plant, episode.ended * CELL_S),
            detected_ms=instant_ms(plant, (episode.proved + 1) * CELL_S),
            severity=self._severity(plant.site, loop.loop),
            template=_template(calls, cells, evidence),
            evidence=evidence,
            likely_causes=_CAUSES,
            checks=(*_CHECKS, _HOT_CHECK) if calls.sun is not None else _CHECKS,
            cost_per_day=cost,
            weight_s=float(np.count_nonzero(calls.weight[cells]) * CELL_S),
        )

    def _severity(self, site: Site, loop: str) -> Severity:
        feeds_compressor = any(loop in (pump.source_loop, pump.load_loop) for pump in site.heat_pumps.values())
        return "urgent" if feeds_compressor or collector_of(site, loop) is not None else "soon"

    def _evidence(
        self, plant: PlantDay, loop: LoopDay, calls: _Calls, *, episode: Episode
    ) -> dict[str, float | int | str | None]:
        called = np.zeros(len(calls.weight), bool)
        called[episode.start : episode.last + 1] = calls.weight[episode.start : episode.last + 1] > 0
        flow = loop.flow_m3_s[called]
        evidence: dict[str, float | int | str | None] = {
            "loop": loop.loop,
            "since": clock(instant_ms(plant, episode.start * CELL_S), plant.day.timezone),
            "called_for": duration(float(np.count_nonzero(called)) * CELL_S),
            "called_min": int(np.count_nonzero(called)),
            "still_flow_l_min": round(self.still_flow_m3_s * 6e4, 3),
            "highest_flow_l_min": highest(flow * 6e4, 3) if plant.site.loops[loop.loop].flow else None,
            "pump_called_min": int(np.count_nonzero(calls.by_pump & called)),
            "compressor_called_min": int(np.count_nonzero(calls.by_compressor & called)),
            "sun_called_min": int(np.count_nonzero(calls.by_sun & called)),
            "heat_called_min": int(np.count_nonzero(calls.by_heat & called)),
            "min_pump_min": self.min_pump / timedelta(minutes=1),
            "min_compressor_min": self.min_compressor / timedelta(minutes=1),
            "min_sun_min": self.min_sun / timedelta(minutes=1),
            "min_heat_min": self.min_heat / timedelta(minutes=1),
        }
        if calls.sun is not None:
            evidence |= self._sun_evidence(plant, loop, calls.sun, called=called)
        return evidence

    def _sun_evidence(
        self, plant: PlantDay, loop: LoopDay, sun: CollectorSun, *, called: Flags
    ) -> dict[str, float | int | str | None]:
        # What was lost counts over the sunny part of the call: offered power is NaN without coefficients.
        offered_j = float(np.nansum(sun.offered_w[called])) * CELL_S
        return {
            "lift_limit_k": self._runaway_k(plant, loop) if loop.flow_is_assumed else self.lift_k,
            "highest_lift_k": highest(sun.lift_k[called]),
            "highest_collector_degc": highest(loop.leaving_degc[called]),
            "damage_degc": self.damage_degc,
            "highest_irradiance_w_m2": highest(sun.irradiance_w_m2[called]),
            "offered_kwh": round(offered_j / JOULES_PER_KWH, 2) if offered_j > 0 else None,
        }


def _surely_runs(plant: PlantDay, loop: LoopDay, pump: HeatPump) -> Flags:
    """
    Cells in which the compressor runs, and did when the readings of flow around them were taken.

    Between bursts flow falls to nothing. Where readings fall beside them, or where a mean power holds several, a still
    flow says nothing of the bursts.
    """
    elec_w, is_on = plant.heat_pumps[pump.id].elec_w, plant.heat_pumps[pump.id].is_on >= 0.99
    sheet_w = min((point.power_w for point in pump.rating), default=float(np.nanmax(elec_w, initial=0.0)))
    whole = is_on & (elec_w >= _WHOLE_PART * sheet_w)
    return _inside(whole, max(1, _reading_cells(plant.site, loop.loop)))


def _reading_cells(site: Site, loop: str) -> int:
    """Cells for which one reading of a flow meter stands, beyond the one that it is read in."""
    meter = site.loops[loop].flow
    return 0 if meter is None else round(site.points[meter].interval_s / CELL_S) - 1


def _inside(flags: Flags, edge: int) -> Flags:
    """The flagged cells so far within their rows."""
    inside = flags.copy()
    for shift in range(1, edge + 1):
        inside[shift:] &= flags[:-shift]
        inside[:-shift] &= flags[shift:]
    return inside


# Of the least power on the maker's sheet: compressors of variable speed go down to a third and less, but a still loop
# trips them sooner than it shows there (common practice).
_WHOLE_PART = 0.5
# Of the sun on a collector, what a loop that runs brings at least; common practice.
_OFFERED_PART = 0.25
# Of a heat meter's counter, that must have been due.
_UNSEEN_STEPS = 2.0
# Of the compressor's power, beyond what meters and lumps of a counter may be wrong.
_GAINED_PART = 0.5


def _lacking(site: Site, loop: Loop) -> str:
    if loop.flow is not None:
        return ""
    if loop.assumed_flow_l_per_s is None:
        return _lacking_beside_counter(site, loop)
    if collector_of(site, loop.id) is None:
        return f"Loop {loop.id} has no flow meter, and standing fluid shows in temperatures only at a collector."
    return ""


def _lacking_beside_counter(site: Site, loop: Loop) -> str:
    collector = collector_of(site, loop.id)
    feeds = any(loop.id in (pump.source_loop, pump.load_loop) for pump in site.heat_pumps.values())
    if (collector is not None and collector.irradiance is not None and loop.pump) or feeds:
        return ""
    return f"Loop {loop.id} has an energy counter only, and nothing tells when it should count."


def _cells(patience: timedelta) -> float:
    return patience.total_seconds() / CELL_S


def _template(calls: _Calls, cells: slice, evidence: dict[str, float | int | str | None]) -> str:
    first = "The circulator of the {loop} loop has not moved any fluid since {since}"
    if evidence["highest_flow_l_min"] is None:
        first = "The fluid in the {loop} loop seems to stand still since {since}"
    lift_k = evidence.get("highest_lift_k")
    if calls.by_heat[cells].any() and lift_k is not None:
        reason = ", although the collector was up to {highest_lift_k:.0f} K hotter than the tank"
    elif calls.by_sun[cells].any() and not calls.by_pump[cells].any():
        reason = ", although the sun on the collector ({highest_irradiance_w_m2:.0f} W/m2) called for it"
    elif calls.by_compressor[cells].any() and not calls.by_pump[cells].any():
        reason = ", although the compressor that needs it ran for {compressor_called_min} min"
    else:
        reason = ", although its pump was switched on for {called_for}"
    lost = evidence.get("not_collected_kwh")
    return first + reason + ("; about {not_collected_kwh:.1f} kWh of sun were not collected." if lost else ".")
