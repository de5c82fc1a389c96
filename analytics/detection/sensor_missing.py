"""`sensor-missing`: one point is silent while the others speak."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Clear, Evidence, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import clock, day_word, instant_ms
from analytics.detection.silence import Silence, first_spoken_s, patience_s, silences, site_silences
from analytics.detection.uses import uses_of
from analytics.figures import DayLedger
from analytics.plant import PlantDay
from analytics.site import Point, Site

__all__ = ["SensorMissing"]

_CAUSES = (
    "wire or plug of the sensor loose or cut",
    "sensor failed, or its battery is empty",
    "the gateway's channel was renamed or taken out, and the site file was not",
)
_CHECKS = (
    "Look for the point in the quarantine: readings under another name or in another unit are kept there.",
    "Look at the sensor's plug and wire; open panels only without voltage and by a licensed electrician.",
    "Compare the resistance or signal of the sensor with its data sheet, then replace it.",
)


# A point that reports on change may have been silent for as long already when its gateway starts anew.
_SITE_PAUSE = timedelta(minutes=2)


@dataclass(frozen=True, slots=True)
class _Alone:
    """A silence of one point, with the time in which all the others were silent too."""

    silence: Silence
    shared_s: float


@dataclass(frozen=True, kw_only=True)
class SensorMissing:
    """
    One point silent for longer than ten of its nominal intervals and half an hour, while others speak.

    Not this: the whole site silent, if only for minutes: that time does not count against a point (`site-silent` after
    half an hour).
    """

    kind: ClassVar[str] = "sensor-missing"
    rejoin: ClassVar[timedelta] = timedelta(hours=24)  # a loose contact comes and goes

    def needs(self, site: Site) -> Sequence[Need]:
        lacking = "The site has one point only, so nothing tells a silent sensor from a silent site."
        return [Need(point, lacking if len(site.points) == 1 else "") for point in site.points]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        point = plant.site.points[component]
        if max(plant.last_s.values(), default=-1.0) < 0:
            return NotAssessed("Nothing arrived from the whole site.")
        begin_s = 0.0 if history else first_spoken_s(plant) or 0.0
        alone = self._alone(plant, point, begin_s)
        heard_s = self._heard_s(plant, component)
        if alone:
            before = heard_s is not None and heard_s <= alone[0].silence.start_s
            findings = tuple(_finding(plant, point, alone, n=n, begin_s=begin_s) for n in range(len(alone)))
            return Fault(findings, instant_ms(plant, heard_s) if before and heard_s is not None else None)
        if heard_s is None:
            return NotAssessed(f"{component} has not been silent for long enough to tell.")
        return Clear(instant_ms(plant, heard_s))

    def _alone(self, plant: PlantDay, point: Point, begin_s: float) -> list[_Alone]:
        found = silences(plant, point, begin_s=begin_s)
        if not found:
            return []
        shared = site_silences(plant, begin_s=begin_s, least=_SITE_PAUSE)
        each = [_Alone(silence, _overlap_s(silence, shared, plant.until_s)) for silence in found]
        patience = patience_s(point.interval_s)
        return [one for one in each if _length_s(one.silence, plant.until_s) - one.shared_s > patience]

    def _heard_s(self, plant: PlantDay, point: str) -> float | None:
        signal = plant.signals.get(point)
        if signal is None:
            return None
        index = int(np.searchsorted(signal.time_s, 0.0))
        return float(signal.time_s[index]) if index < len(signal.time_s) else None


def _finding(plant: PlantDay, point: Point, alone: Sequence[_Alone], *, n: int, begin_s: float) -> Finding:
    """One silence of the day; from the second on the sentence is of all of them, since the sensor spoke in between."""
    silence, allowed_s = alone[n].silence, patience_s(point.interval_s)
    began_ms = instant_ms(plant, silence.start_s)
    ended_ms = None if silence.end_s is None else instant_ms(plant, silence.end_s)
    once, pieces = (_STILL, _PIECES_STILL) if ended_ms is None else (_OVER, _PIECES_OVER)
    return Finding(
        began_ms=began_ms,
        ended_ms=ended_ms,
        detected_ms=instant_ms(plant, silence.start_s + allowed_s + alone[n].shared_s),
        severity="watch",
        template=pieces if n else once,
        evidence={
            "point": point.id,
            "since": clock(began_ms, plant.day.timezone),
            "silent_since": clock(began_ms, plant.day.timezone),
            "until": None if ended_ms is None else clock(ended_ms, plant.day.timezone),
            "silent_within_day_min": round(_length_s(silence, plant.until_s) / 60, 1),
            "all_silent_within_day_min": round(alone[n].shared_s / 60, 1),
            "allowed_min": allowed_s / 60,
            "interval_s": point.interval_s,
            "used_by": uses_of(plant.site, point.id),
            **(_in_pieces(plant, point, alone, begin_s=begin_s) if n else {}),
        },
        likely_causes=_CAUSES,
        checks=_CHECKS,
        cost_per_day=None,
        weight_s=0.0,
        kept=("silent_since",) if silence.is_from_before else (),
    )


def _in_pieces(plant: PlantDay, point: Point, alone: Sequence[_Alone], *, begin_s: float) -> Evidence:
    """What is told of a sensor that was silent more than once; each reading stands for one interval."""
    silent_s = 0.0
    for each in alone:
        end_s = plant.until_s if each.silence.end_s is None else min(each.silence.end_s, plant.until_s)
        silent_s += max(end_s - max(each.silence.start_s, begin_s) - point.interval_s, 0.0)
    return {
        "on": day_word(plant.day.start_ms, plant.day.timezone),
        "n_silences": len(alone),
        "heard_percent": round(100.0 * (1.0 - silent_s / (plant.until_s - begin_s)), 1),
        "last_heard": clock(instant_ms(plant, plant.last_s[point.id]), plant.day.timezone),
    }


_STILL = (
    "The sensor {point} has said nothing since {silent_since} while others of the house speak. "
    "It is used by: {used_by}."
)
_OVER = (
    "The sensor {point} said nothing from {silent_since} until {until} while others of the house spoke. It is used by: "
    "{used_by}."
)
_PIECES = (
    "The sensor {point} has come and gone since {since}: on {on} it was silent {n_silences} times for longer than "
    "{allowed_min:.0f} min while others of the house spoke, and was heard for {heard_percent:.1f} % of the time"
)
_PIECES_STILL = _PIECES + ", last at {last_heard}. It is used by: {used_by}."
_PIECES_OVER = _PIECES + ". It is used by: {used_by}."


def _length_s(silence: Silence, until_s: float) -> float:
    return (until_s if silence.end_s is None else silence.end_s) - silence.start_s


def _overlap_s(silence: Silence, shared: Sequence[Silence], until_s: float) -> float:
    end = until_s if silence.end_s is None else silence.end_s
    spans = [
        min(end, until_s if other.end_s is None else other.end_s) - max(silence.start_s, other.start_s)
        for other in shared
    ]
    return sum(span for span in spans if span > 0)
