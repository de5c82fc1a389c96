"""Each kind of alert on its own cases: what must be found, and what must not."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml

from analytics.detection import DETECTORS, Assessment, Clear, Fault, NotAssessed, assess_day
from analytics.figures import DayLedger
from tests.ledgers import (
    record,
    with_checks,
    with_conditions,
    with_levels,
    with_residuals,
    with_stage_heat,
    with_standby,
)
from tests.plants import DAY, changed, healthy_day, house, minute, plant_of

_FOLDER = Path(__file__).parent / "cases"
_KINDS = [detector.kind for detector in DETECTORS]
_VERDICTS = {"fault": Fault, "clear": Clear, "not-assessed": NotAssessed}
_HOUSE = house()
# Readings come once a minute, courses are means over a minute: nothing can be dated better than to two of them.
_DATING_MIN = 2


def _cases() -> list[Any]:
    return [
        pytest.param(kind, case, id=f"{kind}: {case['name']}")
        for kind in _KINDS
        for case in yaml.safe_load((_FOLDER / f"{kind}.yaml").read_text(encoding="utf-8"))
    ]


def _assessed(kind: str, case: dict[str, Any]) -> Assessment:
    changes = dict(case["changes"])
    everywhere = changes.pop("all", [])
    courses = healthy_day()
    if everywhere:
        courses = changed(courses, dict.fromkeys(courses, everywhere))
    courses = changed(courses, changes)
    before = {} if case.get("before") == "none" else None
    plant = plant_of(house(**case.get("house", {})), courses, until=case.get("until"), before=before)
    history = _history(case)
    found = [a for a in assess_day(plant, history) if (a.kind, a.component) == (kind, case["component"])]
    assert len(found) == 1
    return found[0]


def _history(case: dict[str, Any]) -> list[DayLedger]:
    per_hour, pairs, residuals = case.get("record_kwh_per_h"), case.get("pairs", []), case.get("residuals", [])
    if "levels" in case:
        return with_levels(DAY, case["levels"])
    conditions, standby = case.get("conditions", {}), case.get("standby_w_k", [])
    if per_hour is None and not pairs and not residuals and not conditions and not standby:
        return []
    history = record(DAY, days=max(12, len(standby)), kwh_per_h=1.2 if per_hour is None else per_hour)
    for pair in pairs:
        told = dict(pair)
        history = with_checks(history, told, days=told.pop("days"))
    if conditions:
        history = with_conditions(history, conditions)
    history = with_stage_heat(history, case.get("stage_kwh", {}))
    history = with_standby(history, case["component"], standby, above_room_k=case.get("above_room_k"))
    return with_residuals(history, case["component"], residuals) if residuals else history


def _minute_of(assessment: Assessment, time_ms: int) -> float:
    return (time_ms - assessment.from_ms) / 60_000


@pytest.mark.parametrize(("kind", "case"), _cases())
def test_a_case_gets_its_verdict(kind: str, case: dict[str, Any]) -> None:
    verdict, expect = _assessed(kind, case).verdict, case["expect"]
    assert isinstance(verdict, _VERDICTS[expect["verdict"]]), verdict
    text = {Fault: lambda v: v.findings[0].summary, NotAssessed: lambda v: v.reason, Clear: lambda _: ""}
    for words in expect.get("says", []):
        assert words in text[type(verdict)](verdict)


@pytest.mark.parametrize(("kind", "case"), [c for c in _cases() if c.values[1]["expect"]["verdict"] == "fault"])
def test_a_fault_is_dated_and_graded(kind: str, case: dict[str, Any]) -> None:
    assessment, expect = _assessed(kind, case), case["expect"]
    assert isinstance(assessment.verdict, Fault)
    finding = assessment.verdict.findings[0]
    assert finding.began_ms <= finding.detected_ms
    if "began" in expect:
        assert _minute_of(assessment, finding.began_ms) == pytest.approx(minute(expect["began"]), abs=_DATING_MIN)
    if "within_min" in expect:
        assert finding.detected_ms - finding.began_ms <= expect["within_min"] * 60_000
    if "ended" in expect:
        ended = np.nan if finding.ended_ms is None else _minute_of(assessment, finding.ended_ms)
        wanted = np.nan if expect["ended"] is None else float(minute(expect["ended"]))
        assert ended == pytest.approx(wanted, abs=_DATING_MIN, nan_ok=True)
    assert finding.severity == expect.get("severity", finding.severity)


def test_every_kind_has_cases_of_both_sorts() -> None:
    for kind in _KINDS:
        verdicts = {c.values[1]["expect"]["verdict"] for c in _cases() if c.values[0] == kind}
        assert verdicts == {"fault", "clear", "not-assessed"}, kind


def test_on_a_healthy_day_nothing_is_raised() -> None:
    history = record(DAY, days=12, kwh_per_h=1.2)
    faults = [a for a in assess_day(plant_of(_HOUSE, healthy_day()), history) if isinstance(a.verdict, Fault)]
    assert faults == []
