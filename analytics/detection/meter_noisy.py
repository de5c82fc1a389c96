"""`sensor-noisy` of a meter: a loop's flow, or a heat pump's power, that jumps while pump and compressor run evenly."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from analytics.detection.findings import Clear, Evidence, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import instant_ms
from analytics.detection.noise_cost import of_flow, of_power
from analytics.detection.telling import Advice, Stretch, tell_of
from analytics.detection.uses import uses_of
from analytics.expected.flows import settled_flow
from analytics.figures import DayLedger
from analytics.plant import CELL_S, Course, PlantDay, Signal
from analytics.rounding import coarse_step_k
from analytics.scatter import scatter_k
from analytics.site import Site

__all__ = ["MeterNoisy"]

# Of readings that scatter by a tenth as a normal does, 8 % lie as high; of a pump in jerks a half and more.
_TOP, _ALIKE_PART = 0.98, 0.2
_MOSTLY, _ENOUGH = 0.5, 400
_STEADY_CELLS = 10  # of a compressor: before, its power still finds its level


@dataclass(frozen=True, kw_only=True)
class MeterNoisy:
    """
    A meter whose readings scatter while what it measures is steady: by second differences, whose median neither a
    controlled speed nor starts and stops move.

    Not this: a pump that runs in jerks; taps, which people turn; heaters, which a thermostat switches; pulses that come
    seldom, whose readings go to and fro between two steps.
    """

    kind: ClassVar[str] = "sensor-noisy"
    rejoin: ClassVar[timedelta] = timedelta(days=7)
    noisy_part: float = 0.10  # an ordinary flow or power meter stays within 0.03 (common practice)
    calm_part: float = 0.05
    noisy_steps: float = 1.5  # of a coarse meter
    least_s: float = 3600.0  # of steady running
    least_readings: int = 40

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(point) for point in dict.fromkeys(_meters(site))]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        steady = _steady(plant, component)
        signal = plant.signals.get(component)
        if signal is None or steady is None or np.count_nonzero(steady) * CELL_S < self.least_s:
            return NotAssessed(f"What {component} measures did not run evenly for an hour.")
        time_s, read = _read(plant, signal, steady)
        if len(read) < self.least_readings or not read.mean() > 0:
            return NotAssessed(f"{component} gave too few readings while what it measures ran evenly.")
        noise, mean = scatter_k(read), float(read.mean())
        if noise < self.noisy_part * mean or noise < self.noisy_steps * coarse_step_k(read) or _pauses(read):
            calm = noise < self.calm_part * mean
            return Clear(instant_ms(plant, float(time_s[0]))) if calm else NotAssessed(f"{component} is restless.")
        span_s = (float(time_s[0]), float(time_s[self.least_readings - 1]))
        return Fault((self._finding(plant, component, span_s, part=noise / mean, n_readings=len(read)),))

    def _finding(
        self, plant: PlantDay, point: str, span_s: tuple[float, float], *, part: float, n_readings: int
    ) -> Finding:
        cost = of_flow(plant, point, part) or of_power(plant, point, part)
        evidence: Evidence = {
            "point": point,
            "noise_percent": round(100 * part, 1),
            "noisy_percent": round(100 * self.noisy_part, 1),
            "readings": n_readings,
            "used_by": uses_of(plant.site, point),
            **({} if cost is None else {"figure": cost.figure, "by_chance_kwh": round(cost.kwh, 3)}),
        }
        stretch = Stretch(
            began_ms=instant_ms(plant, span_s[0]),
            detected_ms=max(instant_ms(plant, s) for s in (*span_s, self.least_s)),
        )
        advice = Advice("watch", _SENTENCE + ("" if cost is None else _COST), _CAUSES, _CHECKS)
        return tell_of(plant, stretch, advice, evidence=evidence, weight_s=part * 3600.0)


def _read(plant: PlantDay, signal: Signal, steady: NDArray[np.bool_]) -> tuple[Course, Course]:
    """A meter's first readings in the cells that are steady, and when they were taken; some hundreds are enough."""
    first, last = signal.time_s.searchsorted((0.0, plant.until_s))
    time_s, value = signal.time_s[first:last], signal.value[first:last]
    inside = np.flatnonzero(steady[(time_s / CELL_S).astype(np.intp)])[:_ENOUGH]
    return time_s[inside], value[inside]


def _pauses(read: NDArray[np.float64]) -> bool:
    """Whether many readings are alike at the top: a pump that runs in jerks has its full flow, and noise has no top."""
    return bool(np.mean(read >= _TOP * np.quantile(read, 0.95)) > _ALIKE_PART)


def _meters(site: Site) -> Iterator[str]:
    yield from (loop.flow for loop in site.loops.values() if loop.flow and site.points[loop.flow].quantity == "flow")
    yield from (p.power for p in site.heat_pumps.values() if site.points[p.power].quantity == "power")


def _steady(plant: PlantDay, point: str) -> NDArray[np.bool_] | None:
    """Cells in which what a meter measures runs evenly; None where that is not known."""
    for loop in plant.site.loops.values():
        if loop.flow == point:
            return settled_flow(plant.loops[loop.id]) if loop.id in plant.loops else None
    for pump in plant.site.heat_pumps.values():
        if pump.power == point and pump.id in plant.heat_pumps:
            is_on = plant.heat_pumps[pump.id].is_on > _MOSTLY  # noise takes a part of it away
            index = np.arange(len(is_on))
            rested = np.maximum.accumulate(np.where(is_on, -1, index))
            return np.asarray(is_on & (index - rested > _STEADY_CELLS) & np.append(is_on[1:], False))
    return None


_SENTENCE = (
    "Meter {point} scatters by {noise_percent:.0f} % from reading to reading since {since} while what it measures runs "
    "evenly, by {readings} readings; an ordinary one stays well below {noisy_percent:.0f} %. It serves {used_by}."
)
_COST = (
    " Over a day that averages out: by chance it moves {figure} by {by_chance_kwh:.2f} kWh. Rates of single minutes "
    "are not to be believed."
)
_CAUSES = (
    "loose terminal, corroded plug or damaged cable",
    "cable beside a mains cable or a variable-speed drive, screen not connected",
    "air in the fluid that passes the flow meter, or a bend or valve close before it",
    "input of the gateway failing",
)
_CHECKS = (
    "Listen for air in the loop, and vent it.",
    "Tighten the meter's terminals and move its cable by hand while you watch the reading.",
    "Compare with the meter's own display while the pump runs evenly.",
    "Leave what is under an electric cover to a licensed electrician.",
)
