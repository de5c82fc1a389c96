"""`loop-never-called`: heat is there to be had, and the pump is not started."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import Episode, cells_passed, duration, episodes, highest, judge, lasting
from analytics.detection.sunshine import CollectorSun, collector_of, collector_sun, switched_off, tank_of_loop
from analytics.detection.telling import Advice, counted, tell
from analytics.detection.worth import JOULES_PER_KWH, heat_price
from analytics.figures import DayLedger
from analytics.plant import CELL_S, PlantDay
from analytics.site import Loop, Site

__all__ = ["LoopNeverCalled"]


@dataclass(frozen=True, kw_only=True)
class LoopNeverCalled:
    """
    A collector far hotter than its tank whose pump is known, by its status, to be switched off.

    Not this: a pump whose power is zero, which may as well have failed (`loop-no-flow`); a full tank; a collector that
    cools after one.
    """

    kind: ClassVar[str] = "loop-never-called"
    rejoin: ClassVar[timedelta] = timedelta(hours=24)
    lift_k: float = 15.0  # above the usual start difference of 8 K, with margin
    sun_w_m2: float = 200.0
    min_ignored: timedelta = timedelta(minutes=45)  # after a full tank controllers wait for its top to cool
    min_running: timedelta = timedelta(minutes=3)

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(loop.id, _lacking(site, loop)) for loop in site.loops.values() if collector_of(site, loop.id)]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        loop, collector = plant.loops.get(component), collector_of(plant.site, component)
        if loop is None or collector is None:
            return NotAssessed(f"Loop {component} gave no readings.")
        sun = collector_sun(plant, collector)
        passed = np.arange(len(loop.pump_on)) < cells_passed(plant)
        hot = (sun.lift_k >= self.lift_k) & (sun.irradiance_w_m2 >= self.sun_w_m2) & ~sun.is_full
        ignored = np.asarray(passed & hot & switched_off(plant, component))
        healthy = lasting(passed & (loop.pump_on >= 0.99), _cells(self.min_running))
        return judge(
            plant,
            episodes(ignored / _cells(self.min_ignored), healthy),
            healthy,
            tell=lambda episode: self._finding(plant, component, sun, episode=episode),
            unseen=f"The collector of loop {component} never called for its pump.",
        )

    def _finding(self, plant: PlantDay, loop: str, sun: CollectorSun, *, episode: Episode) -> Finding:
        hot = (sun.lift_k >= self.lift_k) & (sun.irradiance_w_m2 >= self.sun_w_m2)
        cells = counted(np.asarray(hot & ~sun.is_full & switched_off(plant, loop)), episode)
        seconds = float(np.count_nonzero(cells)) * CELL_S
        lost_kwh = float(np.nansum(sun.offered_w[cells])) * CELL_S / JOULES_PER_KWH
        evidence: dict[str, float | int | str | None] = {
            "loop": loop,
            "ignored": duration(seconds),
            "ignored_min": round(seconds / 60),
            "highest_lift_k": highest(sun.lift_k[cells]),
            "lift_limit_k": self.lift_k,
            "sun_limit_w_m2": self.sun_w_m2,
            "not_collected_kwh": round(lost_kwh, 2),
            "min_ignored_min": self.min_ignored / timedelta(minutes=1),
        }
        price = heat_price(plant)
        cost = None if price is None or lost_kwh <= 0 else lost_kwh * price
        return tell(plant, episode, _ADVICE, evidence=evidence, weight_s=seconds, cost=cost)


_ADVICE = Advice(
    "soon",
    "The pump of the {loop} loop has not been switched on since {since}, although the collector was up to "
    "{highest_lift_k:.0f} K hotter than the tank for {ignored}.",
    (
        "controller off, in holiday mode, or its tank limit set too low",
        "controller's collector or tank sensor failed or displaced",
        "controller's output failed",
    ),
    (
        "Read the controller's display: mode, temperatures, limits.",
        "Do not start the pump by hand while the collector is far above 100 degC: steam and thermal shock; wait until "
        "evening.",
    ),
)


def _lacking(site: Site, loop: Loop) -> str:
    pump, collector = site.points.get(loop.pump or ""), collector_of(site, loop.id)
    tank = tank_of_loop(site, loop.id)
    if pump is None or pump.quantity != "status":
        return f"No status tells whether the pump of loop {loop.id} is switched on."
    if tank is None or not tank.temperatures or loop.leaving is None:
        return f"The temperatures of the collector of loop {loop.id} and of its tank are not both measured."
    if collector is None or collector.irradiance is None:
        return f"The sun on the collector of loop {loop.id} is not measured."
    return ""


def _cells(length: timedelta) -> int:
    return round(length.total_seconds() / CELL_S)
