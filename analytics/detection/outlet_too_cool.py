"""`outlet-too-cool`: water leaves below a useful temperature although there is hot water."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Clear, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import clock, duration, instant_ms
from analytics.figures import DayLedger
from analytics.plant import Draw, PlantDay, Signal
from analytics.site import Site

__all__ = ["OutletTooCool"]


@dataclass(frozen=True, slots=True)
class _Cool:
    """A long draw: how long and how cool the mixed water was, beside the hot water."""

    draw: Draw
    cool_s: float
    mixed_degc: float


@dataclass(frozen=True, kw_only=True)
class OutletTooCool:
    """
    Mixed water that stays below a useful temperature although the tank gives hot water.

    Not this: a tank that is used up, the first litres of a draw, a valve set low on purpose.
    """

    kind: ClassVar[str] = "outlet-too-cool"
    rejoin: ClassVar[timedelta] = timedelta(hours=24)
    useful_degc: float = 40.0  # EU tapping cycles, useful temperature of a shower (Reg. (EU) 812/2013, Tm)
    below_set_k: float = 6.0  # and this far below the valve's setting
    settling: timedelta = timedelta(seconds=45)  # pipes and sensors warm up first
    min_cool: timedelta = timedelta(minutes=3)  # of running, over all draws since a good one
    min_draws: int = 2

    def needs(self, site: Site) -> Sequence[Need]:
        path = site.hot_water
        if path is None:
            return []
        if path.mixed is None or not (path.hot or path.heated):
            return [Need("hot_water", "The water before and after a mixing valve is not measured.")]
        return [Need("hot_water", "" if path.flow or path.volume else "No flow of hot water is measured.")]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        path = plant.site.hot_water
        signal = plant.signals.get(path.mixed or "") if path is not None else None
        if plant.hot_water is None or path is None or signal is None:
            return NotAssessed("The temperature after the mixing valve is not known.")
        limit = min(self.useful_degc, path.mixed_set_c - self.below_set_k)
        # The tank has hot water to give: what is cool behind the valve was mixed so.
        draws = [draw for draw in plant.hot_water.draws if draw.hot_degc >= path.mixed_set_c]
        judged = [each for draw in draws if (each := self._judge_draw(draw, signal, limit)) is not None]
        return self._verdict(plant, judged, limit)

    def _judge_draw(self, draw: Draw, signal: Signal, limit_degc: float) -> _Cool | None:
        first = int(np.searchsorted(signal.time_s, draw.start_s + self.settling.total_seconds()))
        stop = int(np.searchsorted(signal.time_s, draw.end_s, side="right"))
        if stop <= first:
            return None
        value = signal.value[first:stop]
        settled_s = draw.end_s - draw.start_s - self.settling.total_seconds()
        return _Cool(draw, float(np.mean(value < limit_degc)) * settled_s, float(value.mean()))

    def _verdict(self, plant: PlantDay, judged: Sequence[_Cool], limit: float) -> Verdict:
        findings: list[Finding] = []
        good: list[int] = []
        run: list[_Cool] = []
        for each in judged:
            if each.cool_s > 0:
                run.append(each)
                continue
            well_ms = instant_ms(plant, each.draw.start_s)
            findings += self._findings(plant, run, limit, ended_ms=well_ms)
            good += [] if findings else [well_ms]
            run = []
        findings += self._findings(plant, run, limit, ended_ms=None)
        if findings:
            return Fault(tuple(findings), good[0] if good else None)
        return Clear(good[0]) if good else NotAssessed("No draw was long enough with hot water in the tank to tell.")

    def _findings(self, plant: PlantDay, run: Sequence[_Cool], limit: float, *, ended_ms: int | None) -> list[Finding]:
        cool_s = np.cumsum([each.cool_s for each in run])
        proved = np.flatnonzero(cool_s >= self.min_cool.total_seconds())
        proved = proved[proved + 1 >= self.min_draws]
        if not len(proved):
            return []
        began_ms = instant_ms(plant, run[0].draw.start_s)
        evidence: dict[str, float | int | str | None] = {
            "since": clock(began_ms, plant.day.timezone),
            "draws": len(run),
            "cool": duration(float(cool_s[-1])),
            "cool_s": round(float(cool_s[-1])),
            "lowest_degc": round(min(each.mixed_degc for each in run), 1),
            "hot_degc": round(float(np.mean([each.draw.hot_degc for each in run])), 1),
            "limit_degc": limit,
            "min_cool_s": self.min_cool.total_seconds(),
            "min_draws": self.min_draws,
        }
        detected_ms = instant_ms(plant, run[int(proved[0])].draw.end_s)
        return [
            Finding(
                began_ms=began_ms,
                ended_ms=ended_ms,
                detected_ms=detected_ms,
                severity="soon",
                template=_SENTENCE,
                evidence=evidence,
                likely_causes=_CAUSES,
                checks=_CHECKS,
                cost_per_day=None,
                weight_s=float(cool_s[-1]),
            )
        ]


_SENTENCE = (
    "Water behind the mixing valve is too cool since {since}: down to {lowest_degc:.0f} degC in {draws} draws, "
    "although the tank gave water of {hot_degc:.0f} degC."
)
_CAUSES = (
    "mixing valve jammed toward cold, scaled or set too low",
    "check valve of the hot side stuck",
    "a cross connection lets cold water in behind the valve",
)
_CHECKS = (
    "Measure at the nearest tap with a thermometer, after it has run for a minute.",
    "Clean or replace the mixing valve's cartridge, then set it with a thermometer: never above what local rules allow "
    "at the taps; by a licensed plumber.",
    "Lukewarm water lets Legionella grow: flush the pipes hot, as local rules ask.",
)
