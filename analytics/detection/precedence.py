"""
One cause, one alert: who explains whom.

A pump that moves almost nothing is without flow on some days and with little on others; a compressor that never runs
for long has a poor COP; a boiler's loop without flow brings no heat; a tank that loses heat through a resting loop has
no wet insulation. The second telling is left out while the first one lasts; where it was there before, it stays.

`TABLE` says it by kinds of alert and by how the components stand to each other. Detectors know nothing of it.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from analytics.detection import relations
from analytics.detection.findings import Assessment, Explainer, Fault, Finding, NotAssessed
from analytics.site import Site

__all__ = ["REMEMBERED_DAYS", "TABLE", "Row", "explainers", "told_once"]

_DAY_MS = 86_400_000
ANY = ""
"""Every kind of alert."""


@dataclass(frozen=True, slots=True)
class Row:
    """
    A finding of `kind` is left out while an alert of a kind `by`, of a component in the relation `of`, overlaps it.

    Args:
        by_day: Only findings that compare days.
        now: The other alert must last on the day that is judged; it need not have lasted since.
        days: For so many days after its end it explains what began before that.
        but: Kinds that explain nothing, where any other does: they speak of an effect.
    """

    kind: str
    by: tuple[str, ...]
    of: relations.Relation = relations.itself
    by_day: bool = False
    now: bool = False
    days: int = 1
    but: tuple[str, ...] = ()


_STILL, _SWAPPED = "loop-no-flow", "sensor-swapped"
_LEAVES_BY_LOOP = ("loop-night-loss", "loop-always-on")
_NEEDLESS = ("heater-always-on", "heater-preempts")
_STAND = (_STILL, "loop-never-called", "heater-no-output")
_OF_PAIR = (_SWAPPED, "sensor-offset")

TABLE: Sequence[Row] = (
    Row("loop-low-flow", (_STILL,)),
    Row("loop-never-called", (_STILL,)),
    # A tank kept hot by its element calls for nothing else.
    Row("loop-never-called", ("heater-always-on",), relations.heaters_of_tank),
    Row("loop-always-on", (_STILL, _SWAPPED, "heater-no-output")),
    Row("heater-no-output", (_STILL,)),
    Row("heater-preempts", ("heater-always-on",), days=7),
    # What makes more of the backup needful, or seem so.
    Row("heater-preempts", (ANY,), relations.parts_before, now=True, but=("collector-stagnation",)),
    Row("collector-stagnation", (_STILL, "loop-never-called")),
    Row("collector-stagnation", ("heater-always-on",), relations.heaters_of_tank),
    Row("heat-pump-low-cop", ("heat-pump-short-cycles",)),
    Row("heat-pump-low-cop", (_STILL,), relations.loops_of_heat_pump),
    Row("heat-pump-low-cop", ("loop-low-flow", "sensor-stuck", *_OF_PAIR), relations.loops_of_heat_pump, by_day=True),
    # Of a heat pump, whose COP cannot be.
    Row("sensor-range", ("sensor-stuck", *_OF_PAIR), relations.loops_of_heat_pump, days=14),
    Row("ground-loop-cold", _OF_PAIR, by_day=True),
    Row("stage-below-expected", (_STILL, "loop-never-called", _SWAPPED), relations.loop_of_stage),
    Row("stage-below-expected", (_STILL,), relations.loops_of_stage, by_day=True),
    Row("stage-below-expected", ("heat-pump-low-cop",), relations.pump_of_stage, by_day=True, days=14),
    # One that stood for weeks left this one more or less to do than its first weeks know of.
    Row("stage-below-expected", _STAND, relations.parts_of_other_stages, by_day=True, days=14),
    # A heat pump that no longer runs: a backup that heats needlessly leaves it nothing to do, or its meters lie.
    Row("stage-below-expected", _NEEDLESS, relations.backups_beside, by_day=True),
    Row("stage-below-expected", (ANY,), relations.meters_of_standing_in, by_day=True, now=True),
    # Its sensor shows more sun than there can be.
    Row("stage-below-expected", ("sensor-offset",), relations.sun_of_stage, days=14),
    Row("tank-losing-heat", _LEAVES_BY_LOOP, relations.loops_of_tank, days=2),
    Row("tank-losing-heat", ("sensor-noisy",), relations.sensors_of_tank, days=7),
    Row("balance-open", ("tank-losing-heat",)),
    Row("balance-open", (*_LEAVES_BY_LOOP, _SWAPPED), relations.loops_of_tank, days=7),
    # A meter of the load, by a COP that rose for good.
    Row("balance-open", ("sensor-offset",), relations.heat_pumps_of_tank, days=7),
    # Cold and hot exchanged falsify the heat of every tank on the path.
    Row("balance-open", (_SWAPPED,), relations.path),
    # Of a heat pump, whose meters contradict each other: by a sensor that is told already, or beyond nature.
    Row("balance-open", ("sensor-stuck", *_OF_PAIR), relations.loops_of_heat_pump, days=14),
    Row("balance-open", ("sensor-range",), relations.own_heat_pump, days=14),
    Row("outlet-too-cool", (_SWAPPED,)),
    Row("sensor-offset", (_SWAPPED,), days=14),
    # The path's sensors are held against the tanks' tops, whose sensors may stand in each other's place.
    Row("sensor-offset", (_SWAPPED,), relations.tanks_of_path, days=14),
)

_ROWS_OF: Mapping[str, Sequence[Row]] = {
    kind: [row for row in TABLE if row.kind == kind] for kind in {row.kind for row in TABLE}
}

REMEMBERED_DAYS: Mapping[str, int] = {
    kind: max(row.days for row in TABLE if kind in row.by) for kind in sorted({k for row in TABLE for k in row.by})
}
"""For how many days after its end an alert of a kind may explain another."""


def explainers(site: Site, kind: str, component: str) -> tuple[Explainer, ...]:
    """Alerts of other kinds and parts that would explain one of `kind` of a component, in the table's order."""
    return tuple(
        Explainer(by, other, row.by_day, row.now, row.days, row.but)
        for row in _ROWS_OF.get(kind, ())
        for other in row.of(site, component)
        for by in row.by
    )


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


@dataclass(frozen=True, slots=True)
class _Span:
    """From when to when something is told; None while it lasts."""

    kind: str
    component: str
    began_ms: int
    ended_ms: int | None


def told_once(alerts: Sequence[_Told], assessments: Sequence[Assessment]) -> list[Assessment]:
    """
    The assessments without the findings that others explain, on that day or in an alert that lasts.

    Args:
        alerts: Those before the assessments' day.
        assessments: Of one day, of all kinds.
    """
    spans: dict[str, list[_Span]] = {}
    for alert in alerts:
        spans.setdefault(alert.site, []).append(_Span(alert.kind, alert.component, alert.began_ms, alert.ended_ms))
    for each in assessments:
        spans.setdefault(each.site, []).extend(_found(each))
    return [_told_once(each, spans[each.site]) if _can_be_explained(each) else each for each in assessments]


def _found(assessment: Assessment) -> Iterator[_Span]:
    if isinstance(assessment.verdict, Fault):
        for each in assessment.verdict.findings:
            yield _Span(assessment.kind, assessment.component, each.began_ms, each.ended_ms)


def _can_be_explained(assessment: Assessment) -> bool:
    fault = assessment.verdict
    return isinstance(fault, Fault) and bool(assessment.explained_by or any(f.explained_by for f in fault.findings))


def _told_once(assessment: Assessment, spans: Sequence[_Span]) -> Assessment:
    fault = assessment.verdict
    assert isinstance(fault, Fault)
    told = [_explaining(finding, assessment, spans) for finding in fault.findings]
    if not any(told):
        return assessment
    own = tuple(finding for finding, by in zip(fault.findings, told, strict=True) if not by)
    by = " and ".join(
        f"{span.kind} of {span.component}" for span in dict.fromkeys(each for row in told for each in row)
    )
    reason = f"What {assessment.component} shows is told by {by}."
    return replace(assessment, verdict=replace(fault, findings=own) if own else NotAssessed(reason))


def _explaining(finding: Finding, assessment: Assessment, spans: Sequence[_Span]) -> list[_Span]:
    by = assessment.explained_by + finding.explained_by
    return [span for span in spans if any(_explains(each, span, finding, from_ms=assessment.from_ms) for each in by)]


def _explains(by: Explainer, span: _Span, finding: Finding, *, from_ms: int) -> bool:
    if (
        span.kind in by.but
        or by.kind not in (ANY, span.kind)
        or by.component != span.component
        or (by.by_day and not finding.is_by_day)
    ):
        return False
    if by.now:
        return span.ended_ms is None or span.ended_ms > from_ms
    starts_before_end = finding.ended_ms is None or span.began_ms < finding.ended_ms
    is_over = span.ended_ms is not None and (
        span.ended_ms <= finding.began_ms or span.ended_ms + by.days * _DAY_MS < from_ms
    )
    return starts_before_end and not is_over
