"""`sensor-stuck` and `sensor-range`: readings not to be believed, as the judging of sensors found them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Clear, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import clock, duration, instant_ms
from analytics.detection.uses import uses_of
from analytics.figures import DayLedger
from analytics.plant import PlantDay, SensorFault
from analytics.site import Site
from analytics.stuck import stuck_rules

__all__ = ["SensorRange", "SensorStuck"]


def _first_good_s(plant: PlantDay, point: str, after_s: float) -> float | None:
    """The first believed reading within the day after a time; None where there is none. [s]"""
    signal = plant.signals.get(point)
    if signal is None:
        return None
    index = int(signal.time_s.searchsorted(max(after_s, -1e-9), side="right"))
    later_s = float(signal.time_s[index]) if index < len(signal.time_s) else np.inf
    return later_s if later_s < plant.until_s else None


def _touching(plant: PlantDay, point: str, kind: str) -> list[SensorFault]:
    return [
        fault
        for fault in plant.sensor_faults
        if fault.point == point and fault.kind == kind and fault.end_s >= 0 and fault.start_s < plant.until_s
    ]


def _moving(plant: PlantDay, point: str) -> Verdict:
    """Clear from the first reading that differs from the one before: standing still is no health, even at rest."""
    signal = plant.signals.get(point)
    if signal is None or len(signal.value) < 2:
        return NotAssessed(f"{point} gave no readings that could be judged.")
    first, stop = signal.time_s.searchsorted((0.0, plant.until_s)).tolist()
    first = max(first, 1)
    moved = signal.value[first:stop] != signal.value[first - 1 : max(stop - 1, 0)]
    if not moved.any():
        return NotAssessed(f"{point} stood still, and nothing beside it showed that it should have moved.")
    return Clear(instant_ms(plant, float(signal.time_s[first + int(moved.argmax())])))


def _well(plant: PlantDay, point: str) -> Verdict:
    good_s = _first_good_s(plant, point, -1.0)
    if good_s is None:
        return NotAssessed(f"{point} gave no readings that could be judged.")
    return Clear(instant_ms(plant, good_s))


@dataclass(frozen=True, kw_only=True)
class SensorStuck:
    """
    A sensor that stands still while what it measures moves.

    The judging of sensors decides (`analytics.judge`, `analytics.stuck`): a level reading alone proves nothing;
    something beside it must show that it should have moved. Not this: a tank that rests, a loop without flow, taps
    that stay closed, a flow meter that shows the same whenever its pump runs and nothing at rest.
    """

    kind: ClassVar[str] = "sensor-stuck"
    rejoin: ClassVar[timedelta] = timedelta(hours=48)  # it may look well while nothing beside it moves

    def needs(self, site: Site) -> Sequence[Need]:
        judged = {rule.point for rule in stuck_rules(site)}
        return [Need(point) for point in site.points if point in judged]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        faults = _touching(plant, component, self.kind.removeprefix("sensor-"))
        return Fault(tuple(self._finding(plant, fault) for fault in faults)) if faults else _moving(plant, component)

    def _finding(self, plant: PlantDay, fault: SensorFault) -> Finding:
        shortest_s = min(rule.shortest_s for rule in stuck_rules(plant.site) if rule.point == fault.point)
        good_s = _first_good_s(plant, fault.point, fault.end_s)
        began_ms = instant_ms(plant, fault.start_s)
        return Finding(
            began_ms=began_ms,
            ended_ms=None if good_s is None else instant_ms(plant, good_s),
            detected_ms=instant_ms(plant, min(fault.proved_s, fault.end_s)),
            severity="watch",
            template=_STUCK,
            evidence={
                "point": fault.point,
                "since": clock(began_ms, plant.day.timezone),
                "stuck": duration(fault.end_s - fault.start_s),
                "stuck_h": round((fault.end_s - fault.start_s) / 3600, 2),
                "readings": fault.n_readings,
                "shortest_h": shortest_s / 3600,
                "used_by": uses_of(plant.site, fault.point),
                "judged": fault.sentence,
            },
            likely_causes=_STUCK_CAUSES.get(plant.site.points[fault.point].quantity, _SENSOR_CAUSES),
            checks=(_HELD_AGAINST.get(plant.site.points[fault.point].quantity, _CHECKS[0]), *_CHECKS[1:]),
            cost_per_day=None,
            weight_s=fault.end_s - fault.start_s,
        )


@dataclass(frozen=True, kw_only=True)
class SensorRange:
    """
    A sensor that gives readings which no such sensor can give: broken wire, short circuit, error codes.

    Not this: a single bad reading, which is left out of the figures and named in the day's notes.
    """

    kind: ClassVar[str] = "sensor-range"
    rejoin: ClassVar[timedelta] = timedelta(hours=24)
    min_readings: int = 3  # single bad readings come with interference (common practice)
    min_duration: timedelta = timedelta(minutes=5)

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(point) for point in site.points]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        faults = [fault for fault in _touching(plant, component, "range") if self._counts(fault)]
        return Fault(tuple(self._finding(plant, fault) for fault in faults)) if faults else _well(plant, component)

    def _counts(self, fault: SensorFault) -> bool:
        long_enough = fault.end_s - fault.start_s >= self.min_duration.total_seconds()
        return fault.n_readings >= self.min_readings and long_enough

    def _finding(self, plant: PlantDay, fault: SensorFault) -> Finding:
        good_s = _first_good_s(plant, fault.point, fault.end_s)
        began_ms = instant_ms(plant, fault.start_s)
        return Finding(
            began_ms=began_ms,
            ended_ms=None if good_s is None else instant_ms(plant, good_s),
            detected_ms=instant_ms(plant, fault.start_s + self.min_duration.total_seconds()),
            severity="watch",
            template=_RANGE,
            evidence={
                "point": fault.point,
                "since": clock(began_ms, plant.day.timezone),
                "readings": fault.n_readings,
                "min_readings": self.min_readings,
                "min_duration_min": self.min_duration / timedelta(minutes=1),
                "used_by": uses_of(plant.site, fault.point),
                "judged": fault.sentence,
            },
            likely_causes=("wire broken or short-circuited", "sensor failed", "wrong type or unit of sensor set"),
            checks=_CHECKS,
            cost_per_day=None,
            weight_s=fault.end_s - fault.start_s,
        )


_SENSOR_CAUSES = (
    "sensor or its converter hung; the gateway repeats an old value",
    "sensor slipped out of its pocket",
    "wrong channel",
)
_METER_CAUSES = (
    "the meter's wheel is blocked, or its strainer clogged",
    "pulse head loose or its battery empty, cable broken",
    "converter hung, or the gateway repeats an old value",
)
_ELECTRIC_CAUSES = (
    "clamp not closed around the wire, or around the wrong one",
    "contact or relay that reports it never wired, or broken",
    "converter hung, or the gateway repeats an old value",
)
_STUCK_CAUSES: Mapping[str, Sequence[str]] = {
    "flow": _METER_CAUSES,
    "volume": _METER_CAUSES,
    "energy": (
        "the meter's battery is empty, or its own temperature sensors failed",
        "pulse head loose or its battery empty, cable broken",
        "converter hung, or the gateway repeats an old value",
    ),
    "power": _ELECTRIC_CAUSES,
    "status": _ELECTRIC_CAUSES,
}
_HELD_AGAINST: Mapping[str, str] = {
    "flow": "Compare with the meter's own display while water runs.",
    "volume": "Compare with the meter's own display while water runs.",
    "energy": "Compare with the meter's own display, and see whether it counts.",
    "power": "Compare with what the part does while it runs: lamp, sound, warmth.",
    "status": "Compare with what the part does while it runs: lamp, sound, warmth.",
}
_CHECKS = (
    "Compare with a thermometer held beside the sensor.",
    "Look at plug, wire and seat of the sensor; open panels only without voltage and by a licensed electrician.",
    "Figures that need this sensor are left out until it is mended.",
)
_STUCK = (
    "The sensor {point} has stood still since {since} while what it measures moved; its readings are left out. "
    "It is used by: {used_by}."
)
_RANGE = (
    "The sensor {point} has given {readings} readings since {since} that no such sensor can give; they are left out. "
    "It is used by: {used_by}."
)
