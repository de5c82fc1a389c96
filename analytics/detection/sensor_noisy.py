"""`sensor-noisy`: a temperature that jumps from reading to reading in the hours in which nothing does."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from math import isnan, nan
from typing import ClassVar

from analytics.detection.findings import Clear, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import clock, instant_ms
from analytics.detection.noise_cost import of_temperature
from analytics.detection.uses import uses_of
from analytics.figures import DayLedger
from analytics.plant import PlantDay, Signal
from analytics.rounding import coarse_step_k
from analytics.scatter import scatter_k
from analytics.site import Site

__all__ = ["SensorNoisy"]

_HOURS = (3, 2)  # of the day, in the order in which they are looked at: the fewest people draw water
_HEARD_PART = 0.8  # of an hour's readings must be there


@dataclass(frozen=True, kw_only=True)
class SensorNoisy:
    """
    A sensor whose readings scatter, in two hours of the night.

    Scatter is taken from second differences, to which a steady rise or fall adds nothing, by their median, which
    starts and stops do not move. Not this: a pump that comes and goes; noise that a day's mean takes away; the steps
    of a coarse sensor.
    """

    kind: ClassVar[str] = "sensor-noisy"
    rejoin: ClassVar[timedelta] = timedelta(days=3)
    noisy_k: float = 0.25  # ten times that of an ordinary converter (common practice)
    calm_k: float = 0.15
    noisy_steps: float = 1.5  # of a coarse sensor, which goes to and fro between two of its steps

    def needs(self, site: Site) -> Sequence[Need]:
        outdoors = {collector.outdoor for collector in site.collectors.values()}
        points = [p.id for p in site.points.values() if p.quantity == "temperature" and p.id not in outdoors]
        return [Need(point) for point in points]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        if plant.until_s < (_HOURS[0] + 1) * 3600.0:
            return NotAssessed("The night's quiet hours are not over yet.")
        signal = plant.signals.get(component)
        noise_k, noisy_k = _noise_k(signal, _HOURS[0]), self.noisy_k
        if signal is not None and noise_k >= noisy_k:  # a pump may do that for an hour, not for two
            noise_k = min(noise_k, _noise_k(signal, _HOURS[1]))
            noisy_k = max(noisy_k, self.noisy_steps * coarse_step_k(signal.value))
        if isnan(noise_k):
            return NotAssessed(f"Point {component} was not known throughout the night's quiet hours.")
        if noise_k < noisy_k:
            calm = noise_k < self.calm_k
            since_ms = instant_ms(plant, _HOURS[0] * 3600.0)
            return Clear(since_ms) if calm else NotAssessed(f"Point {component} is restless, but not beyond doubt.")
        return Fault((self._finding(plant, component, noise_k, limit_k=noisy_k),))

    def _finding(self, plant: PlantDay, point: str, noise_k: float, *, limit_k: float) -> Finding:
        began_ms = instant_ms(plant, _HOURS[1] * 3600.0)
        cost = of_temperature(plant, point, noise_k)
        evidence: dict[str, float | int | str | None] = {
            "since": clock(began_ms, plant.day.timezone),
            "point": point,
            "noise_k": round(noise_k, 2),
            "noisy_k": round(limit_k, 2),
            "looked_at_min": 60 * len(_HOURS),
            "used_by": uses_of(plant.site, point),
            **({} if cost is None else {"figure": cost.figure, "by_chance_kwh": round(cost.kwh, 3)}),
        }
        return Finding(
            began_ms=began_ms,
            ended_ms=None,
            detected_ms=instant_ms(plant, (_HOURS[0] + 1) * 3600.0),
            severity="watch",
            template=_SENTENCE + ("" if cost is None else _COST),
            evidence=evidence,
            likely_causes=_CAUSES,
            checks=_CHECKS,
            cost_per_day=None,
            weight_s=noise_k * 3600.0,
        )


_SENTENCE = (
    "Sensor {point} scatters by {noise_k:.2f} K from reading to reading in the quiet hours since {since}; an ordinary "
    "one stays well below {noisy_k:.2f} K. It serves {used_by}."
)
_COST = " By chance it moves {figure} of a day by {by_chance_kwh:.2f} kWh."
_CAUSES = (
    "loose terminal, corroded plug or damaged cable",
    "cable beside a mains cable or a variable-speed drive, screen not connected",
    "input of the gateway failing",
)
_CHECKS = (
    "Tighten the sensor's terminals and move its cable by hand while you watch the reading.",
    "Exchange the sensor's input with a quiet one's: noise that stays with the input is the gateway's.",
    "Leave what is under an electric cover to a licensed electrician.",
)


def _noise_k(signal: Signal | None, hour: int) -> float:
    """Standard deviation of an hour's readings without their trend; NaN where too few are there. [K]"""
    if signal is None:
        return nan
    time_s = signal.time_s
    value = signal.value[time_s.searchsorted(hour * 3600.0) : time_s.searchsorted((hour + 1) * 3600.0)]
    if len(value) < max(_HEARD_PART * 3600.0 / signal.point.interval_s, 20):
        return nan
    return scatter_k(value)
