"""
One cause, one alert: of two kinds that see the same cause on the same component, the more specific one speaks.

A pump that moves almost nothing is without flow on some days and with little on others; a compressor that never runs
for long has a poor COP; a boiler's loop without flow brings no heat. The second telling is left out while the first
one lasts; where it was there before, it stays.
A finding that rests on other parts is left out while any alert of these lasts; one that certain kinds of alert of other
parts would explain, while one of these does.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Protocol

from analytics.detection.findings import Assessment, Fault, Finding, NotAssessed
from analytics.site import Site

__all__ = ["TOLD_BY", "explained_by_loops", "told_once"]

TOLD_BY: Mapping[str, Sequence[str]] = {
    "loop-low-flow": ("loop-no-flow",),
    "loop-never-called": ("loop-no-flow",),
    "loop-always-on": ("loop-no-flow", "sensor-swapped"),
    "balance-open": ("tank-losing-heat",),
    "outlet-too-cool": ("sensor-swapped",),
    "sensor-offset": ("sensor-swapped",),
    "heat-pump-low-cop": ("heat-pump-short-cycles",),
    "heater-no-output": ("loop-no-flow",),
    "heater-preempts": ("heater-always-on",),
}
"""Kinds that are left out while one of those after it is told of the same component."""

_EFFECTS: Mapping[str, Sequence[str]] = {"heater-preempts": ("collector-stagnation",)}
"""Kinds that speak of an effect: they do not say that what a finding of the first kind rests on is broken."""

_OPENS_EVERY_BALANCE = ("sensor-swapped", "hot_water")
"""Cold and hot exchanged falsify the heat of every tank on the path."""

_HELD_AGAINST_TANKS = ("sensor-offset", "hot_water")
"""The path's sensors are held against the tanks' tops, whose sensors may stand in each other's place."""


def explained_by_loops(site: Site, tank: str, *beside: str) -> tuple[tuple[str, str], ...]:
    """Kinds of alert of a tank's loops that tell where its heat goes, and kinds `beside`, each with the loop."""
    loops = [stage.loop for stage in site.stages.values() if stage.tank == tank and stage.loop]
    return tuple((kind, loop) for loop in loops for kind in ("loop-night-loss", "loop-always-on", *beside))


class _Told(Protocol):
    """What lasted from when to when; an alert is one."""

    @property
    def site(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def component(self) -> str: ...
    @property
    def began_ms(self) -> int: ...
    @property
    def ended_ms(self) -> int | None: ...


def told_once(alerts: Sequence[_Told], assessments: Sequence[Assessment]) -> list[Assessment]:
    """
    The assessments without the findings that a more specific kind tells of, on that day or in an alert that lasts.

    Args:
        alerts: Those before the assessments' day.
        assessments: Of one day, of all kinds.
    """
    return [_told_once(_on_sound_parts(each, alerts, assessments), alerts, assessments) for each in assessments]


def _on_sound_parts(assessment: Assessment, alerts: Sequence[_Told], assessments: Sequence[Assessment]) -> Assessment:
    """Without the findings that rest on a part of which another alert speaks, or that another alert explains."""
    fault = assessment.verdict
    if not isinstance(fault, Fault) or not any(each.rests_on or each.explained_by for each in fault.findings):
        return assessment
    broken = [_broken(finding, assessment, alerts, assessments) for finding in fault.findings]
    if not any(broken):
        return assessment
    own = tuple(finding for finding, parts in zip(fault.findings, broken, strict=True) if not parts)
    reason = f"Another alert speaks of {', '.join(sorted(set().union(*broken)))}."
    return replace(assessment, verdict=replace(fault, findings=own) if own else NotAssessed(reason))


def _broken(
    finding: Finding, assessment: Assessment, alerts: Sequence[_Told], assessments: Sequence[Assessment]
) -> set[str]:
    """
    The parts that a finding rests on of which an alert lasts on the assessments' day, and those whose alerts, since it
    began, explain it; or which are found at fault on the day.
    """
    told = [(a.kind, a.component, a.ended_ms) for a in alerts if a.site == assessment.site]
    told += [(a.kind, a.component, None) for a in assessments if a.site == assessment.site and _is_fault(a)]
    told = [each for each in told if each[0] not in _EFFECTS.get(assessment.kind, ())]
    return {
        part
        for kind, part, ended_ms in told
        if (part in finding.rests_on and (ended_ms is None or ended_ms > assessment.from_ms))
        or ((kind, part) in finding.explained_by and (ended_ms is None or ended_ms > finding.began_ms))
    }


def _is_fault(assessment: Assessment) -> bool:
    return isinstance(assessment.verdict, Fault)


def _told_once(assessment: Assessment, alerts: Sequence[_Told], assessments: Sequence[Assessment]) -> Assessment:
    fault = assessment.verdict
    if assessment.kind not in TOLD_BY or not isinstance(fault, Fault):
        return assessment
    spans = list(_spans(assessment, alerts, assessments))
    own = tuple(finding for finding in fault.findings if not any(_meets(finding, *span) for span in spans))
    if len(own) == len(fault.findings):
        return assessment
    reason = f"What {assessment.component} shows is told by {' or '.join(TOLD_BY[assessment.kind])}."
    return replace(assessment, verdict=replace(fault, findings=own) if own else NotAssessed(reason))


def _spans(
    assessment: Assessment, alerts: Sequence[_Told], assessments: Sequence[Assessment]
) -> Iterator[tuple[int, int | None]]:
    """From when to when the more specific kinds are told of the component; None while they last."""
    for alert in alerts:
        if _is_more_specific(alert, assessment):
            yield alert.began_ms, alert.ended_ms
    for other in assessments:
        if _is_more_specific(other, assessment) and isinstance(other.verdict, Fault):
            yield from ((finding.began_ms, finding.ended_ms) for finding in other.verdict.findings)


def _is_more_specific(other: _Told | Assessment, assessment: Assessment) -> bool:
    if other.site != assessment.site:
        return False
    if assessment.kind == "balance-open" and (other.kind, other.component) == _OPENS_EVERY_BALANCE:
        return True
    if (assessment.kind, assessment.component) == _HELD_AGAINST_TANKS and other.kind == "sensor-swapped":
        return True
    return other.component == assessment.component and other.kind in TOLD_BY[assessment.kind]


def _meets(finding: Finding, began_ms: int, ended_ms: int | None) -> bool:
    starts_before_end = ended_ms is None or finding.began_ms < ended_ms
    return starts_before_end and (finding.ended_ms is None or finding.ended_ms > began_ms)
