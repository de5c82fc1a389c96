"""`outlet-too-hot`: water leaves the mixing valve hotter than is safe at a tap."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from analytics.accuracy import limit_of_error
from analytics.detection.findings import Clear, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import clock, duration, instant_ms
from analytics.figures import DayLedger
from analytics.plant import Course, Draw, PlantDay, Signal
from analytics.site import HotWater, Site

__all__ = ["OutletTooHot", "scald_seconds"]

# Adult skin, time to a second-degree burn, after Moritz & Henriques 1947 as reproduced in trade literature
# (tests/reference/scald.csv): degC, seconds. Beyond the table the times are followed on a logarithmic scale.
_BURN_DEGC = (45.0, 47.0, 48.0, 49.0, 51.0, 55.0, 60.0)
_BURN_S = (7200.0, 1200.0, 900.0, 480.0, 120.0, 17.0, 3.0)
# Consumer guidance is shorter between 48 and 52 degC: 5 min at 120 degF (from memory); the shorter is shown.
_GUIDANCE_DEGC, _GUIDANCE_S = (48.9, 54.4, 60.0, 65.6), (300.0, 30.0, 6.0, 2.0)

_CAUSES = (
    "mixing valve stuck, scaled or set too high",
    "no cold water reaches the mixing valve: closed stop, clogged strainer, failed check valve",
    "a bypass around the mixing valve is open",
    "temperature sensor displaced",
)
_CHECKS = (
    "Warn the house now: test the water before use, above all for children, old and ill people.",
    "Measure the water at the nearest tap with a thermometer, after it has run for a minute; do not test by hand.",
    "Clean or replace the mixing valve's cartridge, then set it and note the temperature; by a licensed plumber.",
    "Do not lower the tank below 60 degC instead: Legionella grows in lukewarm water. Local rules take precedence.",
)


_PROOF = (
    "After the repair, let hot water run while the tank is hotter than {:.0f} degC: this message ends with a draw of "
    "{:.0f} s and more that the valve then holds in its limits. Cooler water would not show whether it mixes."
)


def scald_seconds(water_degc: float) -> float:
    """Time in which water of a temperature burns an adult's skin (second degree), the shorter of two tables. [s]"""
    burn = math.exp(float(np.interp(water_degc, _BURN_DEGC, np.log(_BURN_S))))
    if not _GUIDANCE_DEGC[0] <= water_degc:
        return burn
    return min(burn, math.exp(float(np.interp(water_degc, _GUIDANCE_DEGC, np.log(_GUIDANCE_S)))))


@dataclass(frozen=True, slots=True)
class _Limits:
    sustained_degc: float
    any_degc: float


@dataclass(frozen=True, slots=True)
class _DrawHeat:
    """What the mixed water did in one draw; times in seconds of the day, `proved_s` None where it accuses nobody."""

    draw: Draw
    proved_s: float | None
    first_hot_s: float
    highest_degc: float
    hot_part: float
    is_safe: bool


@dataclass(frozen=True, kw_only=True)
class OutletTooHot:
    """
    Mixed water above a safe temperature while it runs.

    Without a sensor after a mixing valve nothing is said: water that leaves a tank at 60 degC is as it should be.
    Not this: the slug that a valve lets pass in the first seconds of a draw; a sensor that warms up by conduction
    while nothing flows.
    """

    kind: ClassVar[str] = "outlet-too-hot"
    rejoin: ClassVar[timedelta] = timedelta(hours=24)
    sustained_degc: float = 49.0  # 120 degF, the limit of ASSE 1070 valves; common practice for alerts
    valve_k: float = 2.0  # how far a good master valve strays from its setting (ASSE 1017 class, from memory)
    any_degc: float = 52.0  # for any reading; common practice for alerts
    above_set_k: float = 3.0  # the same beside the setting of a valve set above 49 degC on purpose
    min_sustained: timedelta = timedelta(minutes=2)  # thermostatic valves settle within seconds
    settling: timedelta = timedelta(seconds=15)  # start of a draw left out
    works_k: float = 3.0  # a valve shows that it mixes where the hot water is this much above its setting
    min_draw: timedelta = timedelta(seconds=60)  # shorter draws can accuse, but not acquit

    def needs(self, site: Site) -> Sequence[Need]:
        hot_water = site.hot_water
        if hot_water is None:
            return []
        if hot_water.mixed is None:
            return [Need("hot_water", "No temperature is measured after a mixing valve (hot_water.mixed).")]
        if hot_water.flow is None and hot_water.volume is None:
            return [Need("hot_water", "No flow of hot water is measured, so when the valve mixes is not known.")]
        return [Need("hot_water")]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        hot_water, site_path = plant.hot_water, plant.site.hot_water
        signal = plant.signals.get(site_path.mixed or "") if site_path is not None else None
        if hot_water is None or site_path is None or signal is None or np.isnan(hot_water.mixed_degc).all():
            return NotAssessed("The temperature after the mixing valve is not known.")
        limits = self._limits(site_path, signal)
        heats = [self._judge_draw(draw, signal, site_path, limits=limits) for draw in hot_water.draws]
        return self._verdict(plant, [heat for heat in heats if heat is not None], limits)

    def _limits(self, path: HotWater, signal: Signal) -> _Limits:
        point = signal.point
        doubt_k = float(limit_of_error(point.accuracy, self.any_degc, "temperature", unit=point.unit))
        return _Limits(
            max(self.sustained_degc, path.mixed_set_c) + self.valve_k + doubt_k,
            max(self.any_degc, path.mixed_set_c + self.above_set_k) + doubt_k,
        )

    def _judge_draw(self, draw: Draw, signal: Signal, path: HotWater, *, limits: _Limits) -> _DrawHeat | None:
        first = int(signal.time_s.searchsorted(draw.start_s + self.settling.total_seconds()))
        stop = int(signal.time_s.searchsorted(draw.end_s, side="right"))
        if stop <= first:
            return None
        time_s, value = signal.time_s[first:stop], signal.value[first:stop]
        highest_degc = float(value.max())
        if highest_degc <= min(limits.sustained_degc, limits.any_degc):
            works = not (path.hot or path.heated) or draw.hot_degc > path.mixed_set_c + self.works_k
            is_long = draw.end_s - draw.start_s >= self.min_draw.total_seconds()
            return _DrawHeat(draw, None, float(time_s[0]), highest_degc, 0.0, is_safe=works and is_long)
        hot = value > limits.sustained_degc
        proved = _earliest(self._sustained(time_s, hot), time_s[value > limits.any_degc])
        return _DrawHeat(draw, proved, float(time_s[hot.argmax()]), highest_degc, float(hot.mean()), is_safe=False)

    def _sustained(self, time_s: Course, hot: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Times at which the water had been hot without a break for long enough."""
        since = np.maximum.accumulate(np.where(hot, -np.inf, time_s))
        starts = np.where(np.isinf(since), time_s[0], since)
        return np.asarray(time_s[hot & (time_s - starts >= self.min_sustained.total_seconds())])

    def _verdict(self, plant: PlantDay, heats: Sequence[_DrawHeat], limits: _Limits) -> Verdict:
        findings: list[Finding] = []
        clear: list[float] = []
        run: list[_DrawHeat] = []
        for heat in heats:
            if heat.proved_s is not None:
                run.append(heat)
            elif heat.is_safe and run:
                findings.append(self._finding(plant, run, limits, ended_s=heat.draw.start_s))
                run = []
            elif heat.is_safe:
                clear.append(heat.draw.start_s)
        if run:
            findings.append(self._finding(plant, run, limits, ended_s=None))
        if findings:
            before = [instant_ms(plant, s) for s in clear if instant_ms(plant, s) < findings[0].began_ms]
            return Fault(tuple(findings), before[0] if before else None)
        if clear:
            return Clear(instant_ms(plant, clear[0]))
        return NotAssessed("No draw was long and hot enough to show whether the mixing valve mixes.")

    def _finding(self, plant: PlantDay, run: Sequence[_DrawHeat], limits: _Limits, *, ended_s: float | None) -> Finding:
        began_ms = instant_ms(plant, run[0].first_hot_s)
        hot_s = sum((heat.draw.end_s - heat.draw.start_s) * heat.hot_part for heat in run)
        worst = max(heat.highest_degc for heat in run)
        path = plant.site.hot_water
        proof_degc = path.mixed_set_c + self.works_k if path is not None and (path.hot or path.heated) else None
        evidence: dict[str, float | int | str | None] = {
            "since": clock(began_ms, plant.day.timezone),
            "highest_degc": round(worst, 1),
            "draws": len(run),
            "draws_hot": "1 draw" if len(run) == 1 else f"{len(run)} draws",
            "hot_time": duration(max(hot_s, 60.0)),
            "hot_s": round(hot_s),
            "hot_l": round(sum(heat.draw.volume_m3 * heat.hot_part for heat in run) * 1000, 1),
            "sustained_limit_degc": round(limits.sustained_degc, 2),
            "any_limit_degc": round(limits.any_degc, 2),
            "set_degc": path.mixed_set_c if path else None,
            "min_sustained_s": self.min_sustained.total_seconds(),
            "well_above_degc": proof_degc,
            "min_draw_s": self.min_draw.total_seconds(),
            "burn_s": round(scald_seconds(worst), 1 if worst > 60 else 0),
            "burn": _burn(scald_seconds(worst)),
        }
        return Finding(
            began_ms=began_ms,
            ended_ms=None if ended_s is None else instant_ms(plant, ended_s),
            detected_ms=instant_ms(plant, run[0].proved_s or run[0].first_hot_s),
            severity="urgent",
            template=_SENTENCE,
            evidence=evidence,
            likely_causes=_CAUSES,
            checks=_CHECKS
            if proof_degc is None
            else (*_CHECKS, _PROOF.format(proof_degc, self.min_draw.total_seconds())),
            cost_per_day=None,
            weight_s=float(hot_s),
        )


_SENTENCE = (
    "Water has left the mixing valve too hot since {since}: at up to {highest_degc:.1f} degC in {draws_hot} (set to "
    "{set_degc:.0f} degC). At this temperature an adult's skin burns in about {burn}, a child's sooner."
)


def _burn(seconds: float) -> str:
    return f"{max(seconds, 1.0):.0f} s" if seconds < 100 else f"{seconds / 60:.0f} min"


def _earliest(*times: NDArray[np.float64]) -> float | None:
    first = [float(time_s[0]) for time_s in times if len(time_s)]
    return min(first) if first else None
