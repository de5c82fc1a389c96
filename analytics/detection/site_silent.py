"""`site-silent`: nothing arrives any more."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

from analytics.detection.findings import Clear, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import clock, instant_ms
from analytics.detection.silence import Silence, first_spoken_s, patience_s, site_silences
from analytics.figures import DayLedger
from analytics.plant import PlantDay
from analytics.site import Site

__all__ = ["SiteSilent"]

_CAUSES = (
    "no power at the gateway, or its power supply failed",
    "no internet in the house: router, line, changed password",
    "gateway hung, or its clock is wrong so that its readings are refused (see the quarantine)",
)
_CHECKS = (
    "Ask the house whether the internet works and whether the gateway's lamp is lit.",
    "Restart the gateway by its own switch; leave the heating panel closed: live parts are a licensed electrician's.",
    "Until readings return, no other alert of this house can be trusted to appear.",
)


@dataclass(frozen=True, kw_only=True)
class SiteSilent:
    """
    All points of a site silent for longer than ten nominal intervals and half an hour.

    Not this: one point silent while others speak (`sensor-missing`).
    """

    kind: ClassVar[str] = "site-silent"
    rejoin: ClassVar[timedelta] = timedelta(hours=2)  # a line that comes and goes is one fault

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(site.id, "" if site.points else "The site has no points.")]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        spoke_s = first_spoken_s(plant)
        if spoke_s is None and not history:
            return NotAssessed("Nothing has ever arrived from this site.")
        found = site_silences(plant, begin_s=0.0 if history or spoke_s is None else spoke_s)
        spoke_ms = None if spoke_s is None else instant_ms(plant, spoke_s)
        if found:
            # Readings between the day's start and the first silence: an older silence had ended.
            before = spoke_ms if spoke_s is not None and spoke_s <= found[0].start_s else None
            return Fault(tuple(self._finding(plant, silence) for silence in found), before)
        return NotAssessed("The day is too young to tell.") if spoke_ms is None else Clear(spoke_ms)

    def _finding(self, plant: PlantDay, silence: Silence) -> Finding:
        allowed_s = patience_s(min(point.interval_s for point in plant.site.points.values()))
        silent_s = (plant.until_s if silence.end_s is None else silence.end_s) - silence.start_s
        began_ms = instant_ms(plant, silence.start_s)
        ended_ms = None if silence.end_s is None else instant_ms(plant, silence.end_s)
        return Finding(
            began_ms=began_ms,
            ended_ms=ended_ms,
            detected_ms=instant_ms(plant, silence.start_s + allowed_s),
            severity="soon",
            template=_STILL if ended_ms is None else _OVER,
            evidence={
                "site_name": plant.site.name,
                "since": clock(began_ms, plant.day.timezone),
                "until": None if ended_ms is None else clock(ended_ms, plant.day.timezone),
                "silent_within_day_min": round(silent_s / 60, 1),
                "allowed_min": allowed_s / 60,
                "points": len(plant.site.points),
            },
            likely_causes=_CAUSES,
            checks=_CHECKS,
            cost_per_day=None,
            weight_s=0.0,
        )


_STILL = "Nothing has arrived from {site_name} since {since}: all {points} points are silent."
_OVER = "Nothing arrived from {site_name} from {since} until {until}: all {points} points were silent."
