"""`loop-never-called`: heat is there to be had, and the pump is not started."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Evidence, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import Episode, Flags, cells_passed, duration, episodes, highest, judge, lasting
from analytics.detection.sunshine import (
    CollectorSun,
    collector_of,
    collector_sun,
    sun_pays,
    switched_off,
    tank_ends,
    tank_of_loop,
)
from analytics.detection.telling import Advice, counted, tell
from analytics.detection.usual_sun import usually_collected_kwh
from analytics.detection.worth import JOULES_PER_KWH, heat_price
from analytics.figures import DayLedger
from analytics.plant import CELL_S, MOVES_M3_S, Course, PlantDay
from analytics.site import HeatPump, Loop, Site

__all__ = ["LoopNeverCalled"]

_STARTED_PART = 0.1  # of a cell, from which the pump was started in it


@dataclass(frozen=True, slots=True)
class _Offer:
    """Cells in which a resting pump leaves heat behind, what each proves, and the collector's sun, if any."""

    by_heat: Flags
    by_sun: Flags
    by_compressor: Flags
    weight: Course
    sun: CollectorSun | None

    @property
    def cells(self) -> Flags:
        return np.asarray(self.weight > 0)


@dataclass(frozen=True, kw_only=True)
class LoopNeverCalled:
    """
    A pump that is known to rest while heat is there: its collector is far hotter than the tank, or the sun on it would
    pay well; or the compressor runs long enough beside a cool tank for its desuperheater to give.

    A status tells that the controller does not start it. A power of nothing tells only that it does not run: the
    controller may not start it, or it, or its supply, has failed; the causes and checks then say both.

    Not this: a full tank; a collector that cools after one; a cold start; snow on the collector; a pump that is started
    again and again for a minute, as under a weak sun.
    """

    kind: ClassVar[str] = "loop-never-called"
    rejoin: ClassVar[timedelta] = timedelta(hours=24)
    lift_k: float = 15.0  # above the usual start difference of 8 K, with margin
    lift_without_sun_k: float = 25.0  # no irradiance known: warm pipes in a hot attic stay below
    sun_w_m2: float = 200.0  # below, a collector warms by air more than by sun
    min_ignored: timedelta = timedelta(minutes=60)  # controllers wait for a full tank, or see a warmer sensor
    min_sun: timedelta = timedelta(minutes=90)  # a cold collector warms up in ten to twenty minutes of sun
    cool_tank_degc: float = 40.0  # above, hot gas may have nothing to give
    min_compressor: timedelta = timedelta(minutes=60)  # a desuperheater's pump may wait for hot gas at every start
    min_running: timedelta = timedelta(minutes=3)

    def needs(self, site: Site) -> Sequence[Need]:
        return [
            Need(loop.id, _lacking(site, loop))
            for loop in site.loops.values()
            if collector_of(site, loop.id) or _compressor_of(site, loop.id)
        ]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        loop = plant.loops.get(component)
        if loop is None:
            return NotAssessed(f"Loop {component} gave no readings.")
        offer = self._offer(plant, component)
        healthy = lasting(
            (np.arange(len(loop.pump_on)) < cells_passed(plant)) & (loop.pump_on >= 0.99), _cells(self.min_running)
        )
        return judge(
            plant,
            episodes(offer.weight, healthy, pausing=loop.pump_on > _STARTED_PART),
            healthy,
            tell=lambda episode: self._finding(plant, history, component, (offer, episode)),
            unseen=f"Nothing was there to be had for loop {component}, so the rest of its pump proves nothing.",
        )

    def _offer(self, plant: PlantDay, loop: str) -> _Offer:
        rests = self._rests(plant, loop)
        none = np.zeros(len(rests), bool)
        by_heat, by_sun, by_compressor, sun = none, none, none, None
        collector, heat_pump = collector_of(plant.site, loop), _compressor_of(plant.site, loop)
        if collector is not None:
            sun = collector_sun(plant, collector)
            by_heat = rests & self._hot(sun) & ~sun.is_full
            by_sun = rests & sun_pays(sun, area_m2=collector.area_m2)
        elif heat_pump is not None and heat_pump.id in plant.heat_pumps:
            runs = plant.heat_pumps[heat_pump.id].is_on >= 0.99
            by_compressor = rests & runs & (tank_ends(plant, loop)[1] < self.cool_tank_degc)
        proofs = [
            by_heat / _cells(self.min_ignored),
            by_sun / _cells(self.min_sun),
            by_compressor / _cells(self.min_compressor),
        ]
        return _Offer(by_heat, by_sun, by_compressor, np.maximum.reduce(proofs), sun)

    def _rests(self, plant: PlantDay, loop: str) -> Flags:
        """Cells in which the pump is known to rest; fluid that moves all the same says that its point is wrong."""
        day = plant.loops[loop]
        moves = (day.flow_m3_s > MOVES_M3_S) & (not day.flow_is_assumed)
        return np.asarray(switched_off(plant, loop) & ~moves & (np.arange(len(moves)) < cells_passed(plant)))

    def _hot(self, sun: CollectorSun) -> Flags:
        in_sun = (sun.lift_k >= self.lift_k) & (sun.irradiance_w_m2 >= self.sun_w_m2)
        return np.where(np.isnan(sun.irradiance_w_m2), sun.lift_k >= self.lift_without_sun_k, in_sun)

    def _finding(
        self, plant: PlantDay, history: Sequence[DayLedger], loop: str, found: tuple[_Offer, Episode]
    ) -> Finding:
        offer, episode = found
        cells = counted(offer.cells, episode)
        seconds = float(np.count_nonzero(cells)) * CELL_S
        offered_kwh = (
            0.0 if offer.sun is None else float(np.nansum(offer.sun.offered_w[cells])) * CELL_S / JOULES_PER_KWH
        )
        lost_kwh = 0.0
        if offer.sun is not None:
            lost_kwh = usually_collected_kwh(plant.site, loop, history, offered_kwh=offered_kwh)
        evidence: Evidence = {
            "loop": loop,
            "ignored": duration(seconds),
            "ignored_min": round(seconds / 60),
            "min_ignored_min": self.min_ignored / timedelta(minutes=1),
            "min_sun_min": self.min_sun / timedelta(minutes=1),
            "min_compressor_min": self.min_compressor / timedelta(minutes=1),
            **({} if offer.sun is None else self._sun_evidence(offer.sun, cells)),
            "offered_kwh": round(offered_kwh, 2) if offered_kwh > 0 else None,
            "not_collected_kwh": round(lost_kwh, 2) if lost_kwh > 0 else None,
        }
        price = heat_price(plant)
        cost = None if price is None or lost_kwh <= 0 else lost_kwh * price
        advice = _advice(plant.site, loop, reason=_reason(offer, cells))
        return tell(plant, episode, advice, evidence=evidence, weight_s=seconds, cost=cost)

    def _sun_evidence(self, sun: CollectorSun, cells: Flags) -> Evidence:
        return {
            "highest_lift_k": highest(sun.lift_k[cells]),
            "highest_irradiance_w_m2": highest(sun.irradiance_w_m2[cells], 0),
            "lift_limit_k": self.lift_k,
            "sun_limit_w_m2": self.sun_w_m2,
        }


def _reason(offer: _Offer, cells: Flags) -> str:
    if (offer.by_heat & cells).any():
        return "although the collector was up to {highest_lift_k:.0f} K hotter than the tank for {ignored}."
    if (offer.by_sun & cells).any():
        return "although the sun on the collector ({highest_irradiance_w_m2:.0f} W/m2) would have paid for {ignored}."
    return "although the compressor ran beside a cool tank for {ignored}."


def _advice(site: Site, loop: str, *, reason: str) -> Advice:
    """What is known of the pump: that it is not switched on, or only that it draws nothing."""
    pump = site.points.get(site.loops[loop].pump or "")
    at_collector = collector_of(site, loop) is not None
    causes = _COLLECTOR_CAUSES if at_collector else _DESUPERHEATER_CAUSES
    checks = (*_CHECKS, _HOT_CHECK) if at_collector else _CHECKS
    if pump is not None and pump.quantity == "status":
        return Advice("soon", f"{_NOT_SWITCHED_ON}, {reason}", causes, checks)
    return Advice(
        "soon", f"{_DRAWS_NOTHING}, {reason}", (*causes, _FAILED_CAUSE), (checks[0], _FAILED_CHECK, *checks[1:])
    )


_NOT_SWITCHED_ON = "The pump of the {loop} loop has not been switched on since {since}"
_DRAWS_NOTHING = "The pump of the {loop} loop has drawn no power since {since}"
_COLLECTOR_CAUSES = (
    "controller off, in holiday mode, or its tank limit set too low",
    "controller's collector or tank sensor failed or displaced",
    "controller's output failed, or the wire from it to the pump",
)
_DESUPERHEATER_CAUSES = (
    "desuperheater switched off at the heat pump, or its tank limit set too low",
    "heat pump's sensor of the hot gas or of the tank failed or displaced",
    "heat pump's output for the pump failed, or the wire from it",
)
_FAILED_CAUSE = "circulator burnt out or without supply (fuse, plug, capacitor): called for, and drawing nothing"
_FAILED_CHECK = (
    "See whether the controller calls for the pump: if it does, the pump or its supply has failed; live terminals are "
    "for a licensed electrician."
)
_CHECKS = ("Read the controller's display: mode, temperatures, limits.",)
_HOT_CHECK = (
    "Do not start the pump by hand while the collector is far above 100 degC: steam and thermal shock; wait until "
    "evening."
)


def _compressor_of(site: Site, loop: str) -> HeatPump | None:
    return next((pump for pump in site.heat_pumps.values() if pump.desuperheater_loop == loop), None)


def _lacking(site: Site, loop: Loop) -> str:
    collector, tank = collector_of(site, loop.id), tank_of_loop(site, loop.id)
    if loop.pump is None:
        return f"Neither status nor power tells whether the pump of loop {loop.id} runs."
    if collector is None:
        has_tank = tank is not None and tank.temperatures
        return "" if has_tank else f"The temperature of the tank that loop {loop.id} heats is not measured."
    if tank is None or not tank.temperatures or loop.leaving is None:
        return f"The temperatures of the collector of loop {loop.id} and of its tank are not both measured."
    return ""


def _cells(length: timedelta) -> int:
    return round(length.total_seconds() / CELL_S)
