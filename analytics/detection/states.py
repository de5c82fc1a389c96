"""
From verdicts to alerts: one pure step.

An alert is one fault of one component, however many days it lasts. A finding that continues it, or comes back soon
after its end, joins it; a clear verdict ends it, dated when health was first seen; a verdict of "not assessed" leaves
it as it is. What a more specific kind tells of is not told again (`precedence`). The same assessments twice change
nothing. A day that is judged again after a later one has spoken can lengthen an alert towards the past, but not decide
its state.
"""

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from string import Formatter
from typing import Literal

from analytics.detection.findings import Assessment, Clear, Evidence, Fault, Finding, NotAssessed, Severity
from analytics.detection.moments import clock, day_word
from analytics.detection.precedence import REMEMBERED_DAYS, told_once

__all__ = ["Alert", "AlertState", "Transition", "acknowledge", "advance", "unsettled"]

_DAY_MS = 86_400_000
_WHOLE_DAY_MS = round(22.9 * 3_600_000)  # a day of 23 hours, but for the rounding of its end
_COST_DAYS = 7  # a week of weather; what it costs follows the season
AlertState = Literal["open", "acknowledged", "resolved"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """
    Args:
        id: Made from site, kind, component and when it was first seen to begin; never changes.
        is_by_day: Whether its beginning is known by the day only; then no clock time of it is told.
        evidence: Of the day that shows the fault best; that day began at `evidence_day_ms`, `weight_s` is its weight.
            `numbers_of` names that day once the fault has outlasted it, where the sentence tells numbers of it alone.
        cost_per_day: What a day of it cost on average on its latest days, as far as it is judged by the day alone.
        day_costs: Those days, by when they began, with their costs; one that is not over only where there is no other.
        tells_numbers: Whether the sentence tells numbers of `evidence_day_ms` alone.
        state_since_ms: When the limit was passed that put it into its state.
        judged_until_ms: The latest instant up to which a verdict was joined to it.
    """

    id: str
    site: str
    kind: str
    component: str
    severity: Severity
    state: AlertState
    began_ms: int
    detected_ms: int
    ended_ms: int | None
    summary: str
    evidence: Evidence
    likely_causes: Sequence[str]
    checks: Sequence[str]
    cost_per_day: float | None
    weight_s: float
    evidence_day_ms: int
    state_since_ms: int
    judged_until_ms: int
    is_by_day: bool = False
    acknowledged_by: str = ""
    acknowledged_ms: int | None = None
    note: str = ""
    day_costs: Sequence[tuple[int, float]] = ()
    tells_numbers: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Transition:
    """A change of state: `at_ms` is when the limit was passed, `noticed_ms` when that became known."""

    alert_id: str
    before: AlertState | None
    after: AlertState
    at_ms: int
    noticed_ms: int
    by: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class _Chain:
    """Findings of one day that are one fault: the weightiest speaks for all."""

    began_ms: int
    detected_ms: int
    ended_ms: int | None
    is_by_day: bool
    speaker: Finding


def advance(
    alerts: Sequence[Alert], assessments: Sequence[Assessment], *, now_ms: int
) -> tuple[list[Alert], list[Transition]]:
    """
    Alerts after one day's assessments, and what changed.

    Args:
        alerts: Of any sites, in any order; those of others pass through.
        assessments: Of one day (so far); call once for each day, in order.
        now_ms: Written into the transitions as the time of notice; decides nothing.
    Returns:
        The alerts in their order, new ones after them; the transitions in the order of the assessments.
    """
    known = {alert.id: alert for alert in alerts}
    about: dict[tuple[str, str, str], list[str]] = {}
    for alert in alerts:
        about.setdefault((alert.site, alert.kind, alert.component), []).append(alert.id)
    transitions: list[Transition] = []
    for assessment in told_once(alerts, assessments):
        mine = about.setdefault((assessment.site, assessment.kind, assessment.component), [])
        for after in _joined([known[each] for each in mine], assessment):
            before = known.get(after.id)
            if before is None:
                mine.append(after.id)
            transitions += _transition(before, after, now_ms)
            known[after.id] = after
    return list(known.values()), transitions


def acknowledge(alert: Alert, *, by: str, note: str, now_ms: int) -> tuple[Alert, Transition]:
    """
    A person has seen an open alert.

    Raises:
        ValueError: If it is not open.
    """
    if alert.state != "open":
        raise ValueError(f"alert {alert.id} is {alert.state}; only an open alert can be acknowledged")
    after = replace(
        alert, state="acknowledged", state_since_ms=now_ms, acknowledged_by=by, acknowledged_ms=now_ms, note=note
    )
    change = Transition(
        alert_id=alert.id, before="open", after="acknowledged", at_ms=now_ms, noticed_ms=now_ms, by=by, note=note
    )
    return after, change


def unsettled(alerts: Sequence[Alert], assessments: Sequence[Assessment]) -> list[Alert]:
    """Alerts that matter to these or later days: not resolved, or able to come back, or to explain another."""
    about = {(each.site, each.kind, each.component): each for each in assessments}
    return [alert for alert in alerts if not _is_gone(alert, about.get((alert.site, alert.kind, alert.component)))]


def _is_gone(alert: Alert, assessment: Assessment | None) -> bool:
    if assessment is None or alert.ended_ms is None:
        return False
    kept_ms = max(_rejoin_ms(assessment), REMEMBERED_DAYS.get(alert.kind, 0) * _DAY_MS)
    return alert.ended_ms + kept_ms < assessment.from_ms


def _rejoin_ms(assessment: Assessment) -> int:
    return round(assessment.rejoin.total_seconds() * 1000)


def _joined(mine: Sequence[Alert], assessment: Assessment) -> list[Alert]:
    """The alerts of one component that a verdict changes or makes."""
    match assessment.verdict:
        case NotAssessed():
            return []
        case Clear(since_ms):
            return _ended(mine, since_ms, assessment)
        case Fault() as fault:
            return _faulty(mine, fault, assessment)


def _ended(mine: Sequence[Alert], since_ms: int, assessment: Assessment) -> list[Alert]:
    return [
        replace(
            alert,
            state="resolved",
            ended_ms=max(since_ms, _least_end_ms(alert)),
            state_since_ms=max(since_ms, _least_end_ms(alert)),
            judged_until_ms=max(alert.judged_until_ms, assessment.until_ms),
        )
        for alert in mine
        if alert.state != "resolved" and alert.began_ms < assessment.until_ms and not _is_stale(alert, assessment)
    ]


def _least_end_ms(alert: Alert) -> int:
    """Days are judged when they are over: the health of one may begin before the fault of those before it was told."""
    return max(alert.began_ms, alert.detected_ms) if alert.is_by_day else alert.began_ms


def _faulty(mine: Sequence[Alert], fault: Fault, assessment: Assessment) -> list[Alert]:
    changed: dict[str, Alert] = {}
    before_ms, first_ms = fault.clear_before_ms, fault.findings[0].began_ms
    if before_ms is not None and first_ms - before_ms > _rejoin_ms(assessment):
        older = [alert for alert in mine if alert.began_ms < before_ms]
        changed = {alert.id: alert for alert in _ended(older, before_ms, assessment)}
    now = {alert.id: alert for alert in mine} | changed
    for chain in _chains(fault.findings, _rejoin_ms(assessment)):
        alert = _match(list(now.values()), chain, assessment)
        after = _new(chain, assessment) if alert is None else _continued(alert, chain, assessment)
        changed[after.id] = now[after.id] = after
    return list(changed.values())


def _chains(findings: Sequence[Finding], rejoin_ms: int) -> list[_Chain]:
    """Findings in time order, those that follow each other soon joined."""
    chains: list[_Chain] = []
    for finding in findings:
        last = chains[-1] if chains else None
        if last is not None and last.ended_ms is not None and finding.began_ms - last.ended_ms <= rejoin_ms:
            speaker = finding if finding.weight_s >= last.speaker.weight_s else last.speaker
            chains[-1] = _Chain(last.began_ms, last.detected_ms, finding.ended_ms, last.is_by_day, speaker)
        else:
            began = (finding.began_ms, finding.detected_ms, finding.ended_ms, finding.is_by_day)
            chains.append(_Chain(*began, finding))
    return chains


def _match(mine: Sequence[Alert], chain: _Chain, assessment: Assessment) -> Alert | None:
    """The latest alert that this fault continues."""
    end_ms = assessment.until_ms if chain.ended_ms is None else chain.ended_ms
    fits = [
        alert
        for alert in mine
        if alert.began_ms <= end_ms
        and (alert.ended_ms is None or chain.began_ms - alert.ended_ms <= _rejoin_ms(assessment))
    ]
    return max(fits, key=lambda alert: alert.began_ms, default=None)


def _is_stale(alert: Alert, assessment: Assessment) -> bool:
    """Whether a later time than the assessment's has already spoken about the alert."""
    return alert.judged_until_ms > assessment.until_ms


def _continued(alert: Alert, chain: _Chain, assessment: Assessment) -> Alert:
    began_ms, is_by_day = min((alert.began_ms, alert.is_by_day), (chain.began_ms, chain.is_by_day))
    detected_ms = min(alert.detected_ms, chain.detected_ms)
    after = replace(alert, began_ms=began_ms, is_by_day=is_by_day, detected_ms=detected_ms)
    if alert.evidence_day_ms == assessment.from_ms or chain.speaker.weight_s >= alert.weight_s:
        after = _told(after, chain.speaker, assessment)
    after = _with_break(alert, after, chain, assessment)
    after = _with_its_day(_charged(after, chain.speaker, assessment), assessment)
    if _is_stale(alert, assessment):
        return after
    return _in_state(replace(after, judged_until_ms=assessment.until_ms), chain)


def _in_state(alert: Alert, chain: _Chain) -> Alert:
    if chain.ended_ms is not None:
        return replace(alert, state="resolved", ended_ms=chain.ended_ms, state_since_ms=chain.ended_ms)
    if alert.state != "resolved":
        return alert
    back = replace(alert, state="open", ended_ms=None, state_since_ms=chain.began_ms)
    return replace(back, acknowledged_by="", acknowledged_ms=None, note="")


def _told(alert: Alert, speaker: Finding, assessment: Assessment) -> Alert:
    """The alert in the words of a finding; "since" stays the alert's own beginning."""
    said = day_word if alert.is_by_day else clock
    kept = {name: alert.evidence[name] for name in speaker.kept if name in alert.evidence}
    evidence = {**speaker.evidence, **kept, "since": said(alert.began_ms, assessment.timezone)}
    return replace(
        alert,
        severity=speaker.severity,
        summary=speaker.template.format(**evidence),
        evidence=evidence,
        likely_causes=tuple(speaker.likely_causes),
        checks=tuple(speaker.checks),
        cost_per_day=speaker.cost_per_day,
        weight_s=speaker.weight_s,
        evidence_day_ms=assessment.from_ms,
        tells_numbers=not speaker.is_by_day and _shows_a_number(speaker),
    )


_BREAK = " It was over from {over_from} until {back_since}."
_BREAK_MS = 3_600_000  # what was over for less is no news


def _with_break(before: Alert, after: Alert, chain: _Chain, assessment: Assessment) -> Alert:
    """The alert with the last time in which it was over: it has not lasted all the way since it began."""
    told = {name: before.evidence[name] for name in ("over_from", "back_since") if name in before.evidence}
    ended_ms = before.ended_ms
    if ended_ms is not None and chain.began_ms - ended_ms >= _BREAK_MS and not _is_stale(before, assessment):
        said = day_word if chain.is_by_day else clock
        told = {
            "over_from": said(ended_ms, assessment.timezone),
            "back_since": said(chain.began_ms, assessment.timezone),
        }
    if not told or told["over_from"] == told["back_since"]:
        return after
    was = _BREAK.format(**after.evidence) if "over_from" in after.evidence else ""
    plain = after.summary.replace(was, "") if was else after.summary
    return replace(after, summary=plain + _BREAK.format(**told), evidence={**after.evidence, **told})


def _shows_a_number(speaker: Finding) -> bool:
    named = {name for _, name, _, _ in Formatter().parse(speaker.template) if name}
    return any(isinstance(speaker.evidence.get(name), int | float) for name in named)


def _with_its_day(alert: Alert, assessment: Assessment) -> Alert:
    """The alert with the day that its numbers are of, once it has lasted for longer than that."""
    outlasts = alert.began_ms < alert.evidence_day_ms or assessment.from_ms > alert.evidence_day_ms
    if not alert.tells_numbers or "numbers_of" in alert.evidence or not outlasts or alert.weight_s == 0:
        return alert
    day = day_word(alert.evidence_day_ms, assessment.timezone)
    summary = f"{alert.summary} The numbers are those of {day}."
    return replace(alert, summary=summary, evidence={**alert.evidence, "numbers_of": day})


def _charged(alert: Alert, speaker: Finding, assessment: Assessment) -> Alert:
    """The alert with what a day of it costs; the plainest day alone would be the dearest."""
    if speaker.is_by_day or speaker.cost_per_day is None:
        return alert
    is_whole = assessment.until_ms - assessment.from_ms >= _WHOLE_DAY_MS
    known = dict(alert.day_costs)
    if is_whole or not known or known.keys() == {assessment.from_ms}:
        known[assessment.from_ms] = speaker.cost_per_day
    kept = tuple(sorted(known.items())[-_COST_DAYS:])
    return replace(alert, day_costs=kept, cost_per_day=math.fsum(cost for _, cost in kept) / len(kept))


def _new(chain: _Chain, assessment: Assessment) -> Alert:
    content = f"{assessment.site}\n{assessment.kind}\n{assessment.component}\n{chain.began_ms}"
    digest = hashlib.sha256(content.encode()).hexdigest()[:10]
    blank = Alert(
        id=f"{assessment.site}-{assessment.kind}-{digest}",
        site=assessment.site,
        kind=assessment.kind,
        component=assessment.component,
        severity=chain.speaker.severity,
        state="open" if chain.ended_ms is None else "resolved",
        began_ms=chain.began_ms,
        is_by_day=chain.is_by_day,
        detected_ms=chain.detected_ms,
        ended_ms=chain.ended_ms,
        summary="",
        evidence={},
        likely_causes=(),
        checks=(),
        cost_per_day=None,
        weight_s=0.0,
        evidence_day_ms=assessment.from_ms,
        state_since_ms=chain.began_ms if chain.ended_ms is None else chain.ended_ms,
        judged_until_ms=assessment.until_ms,
    )
    return _with_its_day(_charged(_told(blank, chain.speaker, assessment), chain.speaker, assessment), assessment)


def _transition(before: Alert | None, after: Alert, now_ms: int) -> list[Transition]:
    """What the records keep; an alert that is found when it is already over was open for a while, too."""
    was = None if before is None else before.state
    if was == after.state:
        return []
    change = Transition(alert_id=after.id, before=was, after=after.state, at_ms=after.state_since_ms, noticed_ms=now_ms)
    if was is None and after.state == "resolved":
        opened = replace(change, after="open", at_ms=after.began_ms)
        return [opened, replace(change, before="open")]
    return [change]
