"""
What a detector says: a verdict with its evidence, in words that are filled from the evidence.

Three verdicts exist. `Fault` carries findings; `Clear` carries the instant from which health was seen; `NotAssessed`
carries the reason. Lack of evidence is never `Clear`, so it can never end an alert.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar, Literal, Protocol

from analytics.figures import DayLedger
from analytics.plant import PlantDay
from analytics.site import Site

__all__ = [
    "CAUTION",
    "Assessment",
    "Clear",
    "Detector",
    "Evidence",
    "Explainer",
    "Fault",
    "Finding",
    "Need",
    "NotAssessed",
    "Severity",
    "Verdict",
]

Severity = Literal["urgent", "soon", "watch"]
"""urgent: safety, or damage under way; soon: heat or money is being lost; watch: look at it when there."""

Evidence = Mapping[str, float | int | str | None]
"""Every number that a judgement used, limits included, by name with its unit."""

CAUTION = (
    "This message is information from measured values. It does not replace the safety devices or the advice of a "
    "licensed installer. Local plumbing, electrical and building codes take precedence."
)


@dataclass(frozen=True, slots=True)
class Explainer:
    """An alert that would explain a finding: its kind ("" for any) and component; the rest as in `precedence.Row`."""

    kind: str
    component: str
    by_day: bool = False
    now: bool = False
    days: int = 1
    but: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """
    One stretch of time in which a condition held.

    Args:
        began_ms, ended_ms: The condition's interval; None while it holds. Milliseconds since 1970 UTC.
        detected_ms: When a watcher fed in real time would have raised it.
        template: The sentence, with `{name}` for each value of the evidence; `{since}` is when it began.
        is_by_day: Whether it was found by comparing days, so that the clock time of its beginning says nothing.
        cost_per_day: In the site's currency, None where it cannot be told.
        weight_s: How much evidence there is, as time; of two findings of one fault the weightier is shown,
            of equals the later. [s]
        kept: Names of the evidence that stay as the alert had them before: what held already when the day's readings
            began is known from earlier days only.
        explained_by: Alerts that would explain this one and not every finding of its kind.
    """

    began_ms: int
    ended_ms: int | None
    detected_ms: int
    severity: Severity
    template: str
    evidence: Evidence
    likely_causes: Sequence[str]
    checks: Sequence[str]
    cost_per_day: float | None
    weight_s: float
    is_by_day: bool = False
    kept: tuple[str, ...] = ()
    explained_by: tuple[Explainer, ...] = ()

    @property
    def summary(self) -> str:
        return self.template.format(**self.evidence)


@dataclass(frozen=True, slots=True)
class Clear:
    """Health was seen from `since_ms` on."""

    since_ms: int


@dataclass(frozen=True, slots=True)
class Fault:
    """
    Findings in time order, with health seen between them.

    `clear_before_ms` is when health was first seen that day before the first finding, None where it was not: there an
    older alert ended.
    """

    findings: tuple[Finding, ...]
    clear_before_ms: int | None = None


@dataclass(frozen=True, slots=True)
class NotAssessed:
    """Nothing can be said; `reason` is a sentence."""

    reason: str


Verdict = Clear | Fault | NotAssessed


@dataclass(frozen=True, slots=True)
class Need:
    """A component that a detector speaks of; `lacking` says what the site file does not give it ("" where whole)."""

    component: str
    lacking: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """A verdict on one component over [from_ms, until_ms), and what would explain it if it is told."""

    site: str
    timezone: str
    kind: str
    component: str
    from_ms: int
    until_ms: int
    rejoin: timedelta
    verdict: Verdict
    explained_by: tuple[Explainer, ...] = ()


class Detector(Protocol):
    """
    One kind of alert.

    `rejoin` is how soon after its end a fault of this kind that comes back is the same fault.
    """

    kind: ClassVar[str]
    rejoin: ClassVar[timedelta]

    def needs(self, site: Site) -> Sequence[Need]:
        """Each component that this kind can befall, with what is lacking to judge it, by the site alone."""
        ...

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        """Judge one component; `history` holds earlier days, oldest first."""
        ...
