"""`loop-night-loss`: heat leaves the tank through a resting loop."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import ClassVar

import numpy as np

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
from analytics.detection.sunshine import collector_of, is_night, tank_of_loop
from analytics.detection.telling import Advice, counted, tell
from analytics.detection.warm_pipe import WarmPipe
from analytics.detection.worth import JOULES_PER_KWH, heat_price
from analytics.figures import DayLedger
from analytics.plant import CELL_S, Course, LoopDay, PlantDay
from analytics.site import Loop, Site

__all__ = ["LoopNightLoss"]


@dataclass(frozen=True, kw_only=True)
class LoopNightLoss:
    """
    A resting loop that carries tank heat away, a collector's after dark.

    The meter shows it where it counts both ways. Most count one way only: then a collector that stays warm in the dark,
    hours after its pump stopped, is warmed by the tank (where no sensor sees the sun, the calendar tells of the dark);
    and so is another loop's pipe that used to cool, beside a tank that loses far more than it used to
    (`detection.warm_pipe`).

    Not this: frost protection, which runs the pump; a pump that never stops (`loop-always-on`); a collector's sensor
    that sits indoors, and never gets colder than a room, or that stands still (`sensor-stuck`).
    """

    kind: ClassVar[str] = "loop-night-loss"
    rejoin: ClassVar[timedelta] = timedelta(hours=48)
    min_loss_w: float = 60.0  # three times the error of a 1 K pair at 0.3 l/min
    min_duration: timedelta = timedelta(minutes=20)  # the pipes' own heat is gone sooner
    min_tight: timedelta = timedelta(minutes=60)  # of rest without loss, to acquit the valve
    tight_w: float = 20.0
    dark_w_m2: float = 20.0
    cools: timedelta = timedelta(hours=2)  # in which a collector in the dark loses most of its warmth, or ...
    keeps: float = 0.75  # ... keeps no more of it: even vacuum tubes lose a third (common practice)
    clock_error: timedelta = timedelta(hours=1)  # of a gateway in the wrong season, where no sensor sees the sun
    min_warm: timedelta = timedelta(minutes=60)
    warm_degc: float = 30.0  # warmer than any room in which a pipe's sensor may sit
    warm_k: float = 12.0  # above the air outdoors
    cooled_k: float = 6.0
    pipe: WarmPipe = field(default_factory=WarmPipe)

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(loop.id, _lacking(site, loop)) for loop in site.loops.values() if tank_of_loop(site, loop.id)]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        loop = plant.loops.get(component)
        if loop is None:
            return NotAssessed(f"Loop {component} gave no readings.")
        today = self._today(plant, loop)
        return self.pipe.joined(plant, history, component, today=today, advice=_ADVICE)

    def _today(self, plant: PlantDay, loop: LoopDay) -> Verdict:
        rests = self._rests(plant, loop)
        warm, cooled = self._warm_and_cooled(plant, loop, rests)
        if not warm.any() and plant.site.loops[loop.loop].flow is None:
            return self._by_warmth(plant, loop, warm, cooled)
        loses = rests & (loop.heat_w <= -self.min_loss_w)
        if warm.any() and not loses.any():
            return self._by_warmth(plant, loop, warm, cooled)
        healthy = lasting(rests & (loop.heat_w > -self.tight_w), _cells(self.min_tight)) & ~loses
        return judge(
            plant,
            episodes(loses / _cells(self.min_duration), healthy),
            healthy,
            tell=lambda episode: self._finding(plant, loop, loses, episode=episode),
            unseen=f"Loop {loop.loop} was not seen at rest for long enough with its heat known.",
        )

    def _by_warmth(self, plant: PlantDay, loop: LoopDay, warm: Flags, cooled: Flags) -> Verdict:
        return judge(
            plant,
            episodes(warm / _cells(self.min_warm), cooled),
            cooled,
            tell=lambda episode: self._warm_finding(plant, loop, warm, episode=episode),
            unseen=f"The collector of loop {loop.loop} was not seen at rest in the dark for long enough.",
        )

    def _warm_and_cooled(self, plant: PlantDay, loop: LoopDay, rests: Flags) -> tuple[Flags, Flags]:
        """Cells, hours after a collector's pump stopped in the dark, in which it is still warm, or has cooled."""
        collector = collector_of(plant.site, loop.loop)
        if collector is None:
            return rests & False, rests & False
        dark, settled = rests, self.cools
        if collector.irradiance is None:
            dark, settled = rests & is_night(plant), self.cools + self.clock_error
        late = trailing_mean(dark.astype(float), _cells(settled)) >= 1.0
        late[: _cells(settled)] = False
        outdoor = course_of(plant, collector.outdoor)
        air_degc = np.where(np.isnan(outdoor), self.warm_degc - self.cooled_k, outdoor)
        above_k = loop.leaving_degc - air_degc
        before_k = np.concatenate((np.full(_cells(self.cools), np.inf), above_k))[: len(above_k)]
        warm = (loop.leaving_degc >= self.warm_degc) & (above_k >= np.maximum(self.warm_k, self.keeps * before_k))
        warm &= self._moves(loop.leaving_degc)
        cooled = (loop.leaving_degc < self.warm_degc) | (above_k <= self.cooled_k)
        return late & warm, lasting(late & cooled, _cells(self.min_warm))

    def _moves(self, degc: Course) -> Flags:
        """Whether a sensor moved at all in as long as a collector takes to cool: one that is stuck shows no warmth."""
        moved = np.diff(degc, prepend=degc[:1]) != 0
        return trailing_mean(moved.astype(float), _cells(self.cools)) > 0

    def _rests(self, plant: PlantDay, loop: LoopDay) -> Flags:
        passed = np.arange(len(loop.heat_w)) < cells_passed(plant)
        rests = passed & (loop.pump_on <= 0.01)
        collector = collector_of(plant.site, loop.loop)
        if collector is None or collector.irradiance is None:
            return np.asarray(rests)
        return np.asarray(rests & (course_of(plant, collector.irradiance) <= self.dark_w_m2))

    def _finding(self, plant: PlantDay, loop: LoopDay, loses: Flags, *, episode: Episode) -> Finding:
        cells = counted(loses, episode)
        loss_w: Course = -loop.heat_w[cells]
        lost_kwh = float(loss_w.sum()) * CELL_S / JOULES_PER_KWH
        seconds, price = float(np.count_nonzero(cells)) * CELL_S, heat_price(plant)
        evidence: dict[str, float | int | str | None] = {
            "loop": loop.loop,
            "lost_kwh": round(lost_kwh, 2),
            "lasting": duration(seconds),
            "lasting_min": round(seconds / 60),
            "mean_loss_w": round(float(loss_w.mean())),
            "mean_flow_l_min": round(float(np.nan_to_num(loop.flow_m3_s[cells]).mean()) * 6e4, 2),
            "min_loss_w": self.min_loss_w,
            "min_duration_min": self.min_duration / timedelta(minutes=1),
        }
        cost = None if price is None else lost_kwh * price
        return tell(plant, episode, _ADVICE, evidence=evidence, weight_s=seconds, cost=cost)

    def _warm_finding(self, plant: PlantDay, loop: LoopDay, warm: Flags, *, episode: Episode) -> Finding:
        cells = counted(warm, episode)
        collector = collector_of(plant.site, loop.loop)
        outdoor = course_of(plant, collector.outdoor if collector else None)[cells]
        evidence: dict[str, float | int | str | None] = {
            "loop": loop.loop,
            "collector_degc": round(float(loop.leaving_degc[cells].mean()), 1),
            "outdoor_degc": None if np.isnan(outdoor).all() else round(float(np.nanmean(outdoor)), 1),
            "lasting_min": int(np.count_nonzero(cells)),
            "cools_h": self.cools / timedelta(hours=1),
            "warm_limit_degc": self.warm_degc,
            "warm_limit_k": self.warm_k,
            "min_warm_min": self.min_warm / timedelta(minutes=1),
        }
        air = ", with {outdoor_degc:.0f} degC outdoors" if evidence["outdoor_degc"] is not None else ""
        meter = ", though the meter shows no flow" if plant.site.loops[loop.loop].flow else ""
        advice = replace(_ADVICE, template=_WARM.format(air=air, meter=meter))
        return tell(plant, episode, advice, evidence=evidence, weight_s=float(np.count_nonzero(cells)) * CELL_S)


_WARM = (
    "The collector stays warm in the dark while the pump of the {{loop}} loop rests, since {{since}}: "
    "{{collector_degc:.0f}} degC more than {{cools_h:.0f}} h later{air}. The tank heats it{meter}."
)
_ADVICE = Advice(
    "soon",
    "The {loop} loop takes heat out of its tank while its pump rests, since {since}: {lost_kwh:.1f} kWh in {lasting}, "
    "{mean_loss_w} W on average.",
    (
        "check valve leaks or was left open after flushing",
        "check valve too weak for the height of the pipes",
        "pipe from the tank without a heat trap",
    ),
    (
        "After dark feel, with care, whether the loop's pipes at the tank are warm.",
        "Look whether the check valve's manual opener stands on closed; clean or replace it while the loop is cold.",
        "Fluid of a solar loop can be hot and under pressure: open it only when cold, without pressure.",
    ),
)


def _lacking(site: Site, loop: Loop) -> str:
    if loop.pump is None:
        return f"Loop {loop.id} has no pump point, so when it rests is not known."
    collector = collector_of(site, loop.id)
    is_seen = collector is not None and loop.leaving
    if loop.flow is None and not is_seen:
        return f"Loop {loop.id} has no flow meter, so what moves in it at rest is not seen."
    return ""


def _cells(length: timedelta) -> int:
    return round(length.total_seconds() / CELL_S)
