"""`sensor-stuck` of an irradiance sensor: it stands exactly still while the sun rises or sets."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Clear, Evidence, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import duration, instant_ms
from analytics.detection.telling import Advice, Stretch, tell_of
from analytics.detection.uses import uses_of
from analytics.figures import DayLedger
from analytics.plant import PlantDay, SensorFault, Signal
from analytics.site import Site
from analytics.sun_judge import LIT_W_M2, NIGHT_DEG, SHORTEST_S, TURNED_DEG, still_proved_s, sun_points

__all__ = ["SunStuck"]


@dataclass(frozen=True, kw_only=True)
class SunStuck:
    """
    An irradiance sensor that shows the same sun by night as by day, or none by day.

    The judging of sensors decides (`analytics.sun_judge`). Not this: a clock that puts a moving sun into the night
    (`gateway-clock`); a dark day.
    """

    kind: ClassVar[str] = "sensor-stuck"
    rejoin: ClassVar[timedelta] = timedelta(hours=48)

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(point) for point in sun_points(site)]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        faults = [
            fault
            for fault in plant.sensor_faults
            if (fault.point, fault.kind) == (component, "stuck") and fault.end_s >= 0 and fault.start_s < plant.until_s
        ]
        if faults:
            return Fault(tuple(self._finding(plant, fault) for fault in faults))
        moved_s = _moved_s(plant, component)
        if moved_s is None:
            return NotAssessed(f"{component} stood still, and the sun does not tell whether it should have moved.")
        return Clear(instant_ms(plant, moved_s))

    def _finding(self, plant: PlantDay, fault: SensorFault) -> Finding:
        good_s = _moved_s(plant, fault.point, after_s=fault.end_s)
        stretch = Stretch(
            began_ms=instant_ms(plant, fault.start_s),
            ended_ms=None if good_s is None else instant_ms(plant, good_s),
            detected_ms=instant_ms(plant, _proved_s(plant, fault)),
        )
        evidence: Evidence = {
            "point": fault.point,
            "stuck": duration(fault.end_s - fault.start_s),
            "stuck_h": round((fault.end_s - fault.start_s) / 3600, 2),
            "readings": fault.n_readings,
            "used_by": uses_of(plant.site, fault.point),
            "judged": fault.sentence,
            "lit_w_m2": LIT_W_M2,
            "night_deg": NIGHT_DEG,
            "turned_deg": TURNED_DEG,
            "shortest_night_min": SHORTEST_S / 60,
        }
        return tell_of(plant, stretch, _ADVICE, evidence=evidence, weight_s=fault.end_s - fault.start_s)


_SENTENCE = (
    "The sensor {point} has stood still since {since} while the sun rose or set; its readings are left "
    "out. It is used by: {used_by}."
)
_CAUSES = (
    "sensor or its converter hung; the gateway repeats an old value",
    "cable broken or sensor without supply",
    "wrong channel",
)
_CHECKS = (
    "Shade the sensor with a hand, where it can be reached from the ground: its reading should fall at once. Roofs are "
    "for trained people with fall protection.",
    "Look at plug, wire and converter of the sensor; open panels only without voltage and by a licensed electrician.",
    "What needs this sensor is left out until it is mended: a collector's want of heat or flow cannot be told.",
)
_ADVICE = Advice("watch", _SENTENCE, _CAUSES, _CHECKS)


def _believed(plant: PlantDay, point: str) -> Signal | None:
    signal = plant.signals.get(point)
    return signal if signal is not None and len(signal.value) > 1 else None


def _moved_s(plant: PlantDay, point: str, *, after_s: float = -1.0) -> float | None:
    """When believed readings first moved within the day; None where they did not. [s]"""
    signal = _believed(plant, point)
    if signal is None:
        return None
    time_s = signal.time_s[1:][np.diff(signal.value) != 0]
    inside = time_s[(time_s > max(after_s, -1e-9)) & (time_s < plant.until_s)]
    return float(inside[0]) if len(inside) else None


def _proved_s(plant: PlantDay, fault: SensorFault) -> float:
    """When the sun had moved enough; a sensor that was stuck the day before is stuck from the day's start on. [s]"""
    span = (fault.start_s, fault.end_s)
    proved_s = still_proved_s(plant.site, span, fault.stood_at, start_ms=plant.day.start_ms)
    return max(fault.start_s, 0.0) if np.isnan(proved_s) else proved_s
