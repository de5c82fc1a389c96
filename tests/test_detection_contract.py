"""One battery over all detectors: what each of them must promise, whatever it looks for."""

import copy
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest

from analytics.detection import (
    DETECTORS,
    Assessment,
    Clear,
    Detector,
    Fault,
    Finding,
    NotAssessed,
    advance,
    alert_to_json,
    assess_day,
)
from analytics.figures import DayLedger
from analytics.plant import PlantDay
from tests.ledgers import record, with_checks, with_conditions, with_residuals, with_stage_heat, with_standby
from tests.plants import DAY, Change, changed, healthy_day, house, plant_of

_HOUSE = house()
_HISTORY = record(DAY, days=12, kwh_per_h=1.2)


def _broken_history() -> list[DayLedger]:
    """Days that tell of an offset, of exchanged sensors, of a balance that does not close, and more."""
    offset = {"component": "collector", "first": "collector.entering", "second": "collector.leaving", "method": "rest"}
    swapped = {"component": "solar", "first": "solar.top", "second": "solar.bottom", "method": "order"}
    preempted = {"backup.backup.kwh": 2.4, "backup.backup.beyond_kwh": 0.8, "backup.backup.heated_to_degc": 71.2}
    sun = {"collector.roof.running_allowed_kwh": 5.4, "collector.roof.cold_allowed_kwh": 7.4}
    lukewarm = {"tank.solar.lukewarm_part": 1.0, "tank.solar.warmest_from_degc": 31.0}
    hot = {"tank.solar.warmest_to_degc": 41.0, "collector.roof.stagnant_h": 3.5}
    history = with_stage_heat(with_conditions(_HISTORY, preempted | sun | lukewarm | hot), {"sun": 5.0})
    history = with_checks(history, offset | {"difference_k": 0.5, "kwh_per_k": 9.0}, days=8)
    history = with_checks(history, swapped | {"difference_k": -9.0, "u_k": 3.0, "wrong_part": 1.0}, days=8)
    history = with_standby(history, "solar", [2.4] * 10 + [9.6] * 2)
    return with_residuals(history, "preheat", [(2.4, 0.8)] * 7)


_BROKEN_HISTORY = _broken_history()
# Days on which much that can break is broken, each thing in its own time.
_BROKEN: Mapping[str, Sequence[Change]] = {
    "collector.flow": [("10:12", "16:40", 0.0)],
    "collector.leaving": [("10:12", "12:00", (35.0, 130.0)), ("12:00", "16:40", (130.0, 60.0))],
    "ground.flow": [("00:00", "24:00", 0.0)],
    "dsh.leaving": [("00:00", "24:00", 25.2)],
    "element.power": [("18:00", "24:00", 4500.0)],
    "solar.top": [("18:00", "24:00", (76.0, 90.0))],
    "mixed.temp": [("07:00", "07:06", 31.0), ("12:00", "12:04", 31.0), ("19:00", "19:09", 60.0)],
    "outdoor.temp": [("14:00", "24:00", 850.0)],
    "preheat.out": [("14:00", "24:00", None)],
    "collector.entering": [("08:00", "16:00", 30.0)],
}
_BURSTS = [(minute, 2300.0 if minute % 12 == 0 else 8.0) for minute in range(0, 57, 3)]
_RESTLESS = [(f"{h:02d}:{m:02d}", f"{h:02d}:{m + 1:02d}", 24.0 + m % 2) for h in (2, 3) for m in range(59)]
_ALSO_BROKEN: Mapping[str, Sequence[Change]] = {
    "draw.flow": [("10:00", "24:00", 1.3)],
    "preheat.bottom": _RESTLESS,
    "collector.sun": [("18:00", "21:15", (61.0, 59.0))],
    "hp.power": [(f"{h:02d}:{m:02d}", f"{h:02d}:{m + 3:02d}", w) for h in (10, 11) for m, w in _BURSTS],
    "element.power": [("00:00", "24:00", 0.0)],
    "solar.top": [("00:00", "24:00", (45.0, 30.0))],
    "collector.flow": [("09:00", "16:40", 0.35), ("19:00", "23:59", 0.7)],
    "collector.entering": [("19:00", "23:59", 36.0)],
    "collector.leaving": [("09:00", "16:40", 95.0), ("19:00", "23:59", 29.0)],
    "dsh.pump": [("12:00", "24:00", 1.0)],
    "dsh.flow": [("12:00", "24:00", 6.0)],
    "dsh.leaving": [("12:00", "24:00", 25.0)],
    "dsh.entering": [("12:00", "24:00", 25.0)],
}
_COLD_THEN_HOT: Mapping[str, Sequence[Change]] = {
    "ground.entering": [("00:00", "12:00", -7.2), ("12:00", "24:00", 40.0)],
    "ground.leaving": [("00:00", "12:00", -8.1), ("12:00", "24:00", 45.0)],
}
_BROKEN_DAYS = (_BROKEN, _ALSO_BROKEN, _COLD_THEN_HOT)
_by_kind = pytest.mark.parametrize("detector", DETECTORS, ids=lambda detector: detector.kind)


def _broken_plant() -> PlantDay:
    return plant_of(_HOUSE, changed(healthy_day(), _BROKEN))


def _all_findings() -> list[tuple[Assessment, Finding]]:
    plants = [plant_of(_HOUSE, changed(healthy_day(), changes)) for changes in _BROKEN_DAYS]
    return [found for plant in plants for found in _findings(assess_day(plant, _BROKEN_HISTORY))]


def _findings(assessments: Sequence[Assessment]) -> list[tuple[Assessment, Finding]]:
    return [(a, f) for a in assessments if isinstance(a.verdict, Fault) for f in a.verdict.findings]


def _arrays(plant: PlantDay) -> list[np.ndarray[Any, Any]]:
    arrays = [a for s in plant.signals.values() for a in (s.time_s, s.value, s.course)]
    arrays += [a for loop in plant.loops.values() for a in (loop.heat_w, loop.flow_m3_s, loop.pump_on)]
    arrays += [tank.sensors_degc for tank in plant.tanks.values()]
    return arrays + [heater.input_w for heater in plant.heaters.values()]


@_by_kind
def test_the_input_stays_as_it_was(detector: Detector) -> None:
    plant = _broken_plant()
    before = copy.deepcopy(_arrays(plant))
    for array in _arrays(plant):
        array.setflags(write=False)
    assess_day(plant, _BROKEN_HISTORY, detectors=[detector])
    for was, now in zip(before, _arrays(plant), strict=True):
        np.testing.assert_array_equal(was, now)


@_by_kind
def test_the_same_day_gets_the_same_answer(detector: Detector) -> None:
    first = assess_day(_broken_plant(), _BROKEN_HISTORY, detectors=[detector])
    assert first == assess_day(_broken_plant(), _BROKEN_HISTORY, detectors=[detector])


@_by_kind
def test_a_component_is_judged_once(detector: Detector) -> None:
    components = [need.component for need in detector.needs(_HOUSE)]
    assert components
    assert len(components) == len(set(components))


@_by_kind
def test_without_a_single_reading_nothing_is_clear(detector: Detector) -> None:
    nothing = {point: np.full(1440, np.nan) for point in healthy_day()}
    plant = plant_of(_HOUSE, nothing, before={})
    verdicts = [a.verdict for a in assess_day(plant, _BROKEN_HISTORY, detectors=[detector])]
    assert not any(isinstance(verdict, Clear) for verdict in verdicts)
    assert all(isinstance(verdict, NotAssessed) for verdict in verdicts) or detector.kind == "site-silent"


@_by_kind
def test_a_reason_is_a_sentence(detector: Detector) -> None:
    nothing = {point: np.full(1440, np.nan) for point in healthy_day()}
    for assessment in assess_day(plant_of(_HOUSE, nothing, before={}), [], detectors=[detector]):
        assert isinstance(assessment.verdict, NotAssessed)
        assert re.fullmatch(r"[A-Z0-9a-z].{10,}\.", assessment.verdict.reason), assessment.verdict.reason


def test_the_broken_days_show_most_kinds() -> None:
    found = {assessment.kind for assessment, _ in _all_findings()}
    # Beside a silent site nothing could be seen; the house's pump point is a power, which says nothing of a call.
    quiet = {"site-silent", "loop-never-called"}
    assert {detector.kind for detector in DETECTORS} - found <= quiet


def test_every_number_in_a_sentence_comes_from_the_evidence() -> None:
    findings = _all_findings()
    assert findings
    for _, finding in findings:
        named = re.findall(r"{(\w+)", finding.template)
        assert set(named) <= set(finding.evidence)
        assert not re.search(r"\d", re.sub(r"{[^}]*}", "", finding.template).replace("W/m2", ""))
        assert finding.summary == finding.template.format(**finding.evidence)
        assert all(finding.evidence[name] is not None for name in named)


def test_evidence_is_plain_and_finite() -> None:
    for _, finding in _all_findings():
        for name, value in finding.evidence.items():
            assert value is None or type(value) in (int, float, str), name
            assert not isinstance(value, float) or np.isfinite(value), name


def test_every_finding_helps() -> None:
    for assessment, finding in _all_findings():
        assert finding.likely_causes, assessment.kind
        assert finding.checks, assessment.kind
        assert re.fullmatch(r"[A-Z].*[A-Za-z0-9)]\.", finding.summary), finding.summary
        assert finding.cost_per_day is None or finding.cost_per_day >= 0


def test_nothing_is_detected_before_its_evidence_nor_after_the_day() -> None:
    for assessment, finding in _all_findings():
        assert finding.began_ms <= finding.detected_ms <= assessment.until_ms + 60_000
        assert finding.ended_ms is None or finding.ended_ms >= finding.detected_ms


@pytest.mark.parametrize("detector", DETECTORS, ids=lambda detector: detector.kind)
def test_a_watcher_in_real_time_raises_it_when_it_says_so(detector: Detector) -> None:
    """Fed minute by minute, the first day so far that shows a fault ends where `detected` says (to two minutes)."""
    for changes in _BROKEN_DAYS:
        _is_raised_in_time(detector, changed(healthy_day(), changes))


def _is_raised_in_time(detector: Detector, courses: Mapping[str, np.ndarray[Any, Any]]) -> None:
    whole = _findings(assess_day(plant_of(_HOUSE, courses), _BROKEN_HISTORY, detectors=[detector]))
    for assessment, finding in whole[:2]:
        seen_min = (finding.detected_ms - assessment.from_ms) // 60_000
        for until_min, is_seen in ((seen_min - 3, False), (seen_min + 3, True)):
            until = f"{until_min // 60:02d}:{until_min % 60:02d}"
            so_far = assess_day(plant_of(_HOUSE, courses, until=until), _BROKEN_HISTORY, detectors=[detector])
            now = [f for a, f in _findings(so_far) if a.component == assessment.component]
            assert any(abs(f.began_ms - finding.began_ms) <= 60_000 for f in now) == is_seen, until


@_by_kind
@pytest.mark.parametrize("day", [date(2026, 3, 29), date(2026, 10, 25)], ids=["23 hours", "25 hours"])
def test_days_on_which_the_clock_changes_are_days(detector: Detector, day: date) -> None:
    # In October the sun rises later, by this house's clock as well.
    plant = plant_of(_HOUSE, changed(healthy_day(), {"collector.sun": [("00:00", "08:00", 0.0)]}), day=day)
    history = record(day, days=12, kwh_per_h=1.2)
    assert _findings(assess_day(plant, history, detectors=[detector])) == []


@_by_kind
@pytest.mark.parametrize("until", ["00:01", "00:20", "06:00", "12:00", "23:59"])
def test_a_healthy_day_in_progress_raises_nothing(detector: Detector, until: str) -> None:
    plant = plant_of(_HOUSE, healthy_day(), until=until)
    assert _findings(assess_day(plant, _HISTORY, detectors=[detector])) == []


def test_alerts_of_the_broken_day_are_the_contracts_json() -> None:
    alerts, _ = advance([], assess_day(_broken_plant(), _HISTORY), now_ms=0)
    needed = {"id", "site", "kind", "component", "severity", "began", "detected", "ended", "summary", "evidence"}
    needed |= {"likely_causes", "checks", "cost_per_day"}
    assert alerts
    for alert in alerts:
        data = alert_to_json(alert, _HOUSE.timezone)
        assert needed <= set(data)
        assert re.fullmatch(r"2026-04-1[34]T\d\d:\d\d:\d\d(\.\d{3})?\+02:00", data["began"])


# kind, component, the changes, the limit, and the evidence that is held against it; sign -1 where more is healthier.
_Limit = tuple[str, str, Mapping[str, Sequence[Change]], str, str]
_WELDED = {"element.power": [("09:00", "18:00", 4500.0)], "solar.top": [("09:00", "18:00", (60.0, 92.0))]}
_COMPRESSOR = {"ground.flow": [("09:00", "09:20", 0.0)], "ground.pump": [("09:00", "09:20", 0.0)]}
_FLOWLESS = {"collector.flow": [("12:00", "12:30", 0.0)]}
_SAME_HEAT = {"collector.flow": [("12:00", "12:30", 0.0)], "collector.pump": [("12:00", "12:30", None)]}
_HOT = {**_SAME_HEAT, "collector.leaving": [("12:00", "12:30", 90.0)]}
_LIMITS: list[_Limit] = [
    ("loop-no-flow", "collector", _FLOWLESS, "min_pump", "pump_called_min"),
    ("loop-no-flow", "collector", _HOT, "min_heat", "heat_called_min"),
    ("loop-no-flow", "ground", _COMPRESSOR, "min_compressor", "compressor_called_min"),
    ("heater-always-on", "element", _WELDED, "min_hot", "needless_min"),
]


@pytest.mark.parametrize(("kind", "component", "changes", "limit", "measured"), _LIMITS)
@pytest.mark.parametrize(("step_min", "is_fault"), [(-1, True), (0, True), (1, False)], ids=["below", "at", "above"])
def test_a_time_limit_is_met_below_at_and_above(
    kind: str,
    component: str,
    changes: Mapping[str, Sequence[Change]],
    limit: str,
    measured: str,
    step_min: int,
    is_fault: bool,
) -> None:
    plant = plant_of(_HOUSE, changed(healthy_day(), changes))
    detector = next(d for d in DETECTORS if d.kind == kind)
    shown = next(f for a, f in _findings(assess_day(plant, _HISTORY, detectors=[detector])) if a.component == component)
    minutes = shown.evidence[measured]
    assert isinstance(minutes, int)
    strict: Any = replace(detector, **{limit: timedelta(minutes=minutes + step_min)})  # type: ignore[type-var]
    again = [a for a in assess_day(plant, _HISTORY, detectors=[strict]) if a.component == component]
    assert isinstance(again[0].verdict, Fault) == is_fault


def _verdict_with(kind: str, component: str, changes: Mapping[str, Sequence[Change]], **limits: float) -> Any:
    plant = plant_of(_HOUSE, changed(healthy_day(), changes))
    detector: Any = replace(next(d for d in DETECTORS if d.kind == kind), **limits)  # type: ignore[type-var]
    return next(a.verdict for a in assess_day(plant, _HISTORY, detectors=[detector]) if a.component == component)


def test_scalding_water_says_which_draw_ends_its_alert() -> None:
    changes = {"mixed.temp": [("07:00", "07:06", 58.0)]}
    (finding,) = _verdict_with("outlet-too-hot", "hot_water", changes).findings
    assert finding.evidence["well_above_degc"] == 49 + 3
    assert "hotter than 52 degC: this message ends with a draw of 60 s" in finding.checks[-1]


@pytest.mark.parametrize(("limit_degc", "is_fault"), [(53.7, True), (53.8, False), (53.9, False)])
def test_water_must_be_above_the_limit_and_the_sensors_error(limit_degc: float, is_fault: bool) -> None:
    changes = {"mixed.temp": [("19:00", "19:09", 54.0)]}  # its sensor is good to 0.2 K
    verdict = _verdict_with("outlet-too-hot", "hot_water", changes, any_degc=limit_degc, sustained_degc=60.0)
    assert isinstance(verdict, Fault) == is_fault


@pytest.mark.parametrize(("limit_degc", "is_fault"), [(51.7, True), (51.8, False), (51.9, False)])
def test_sustained_water_must_be_above_the_limit(limit_degc: float, is_fault: bool) -> None:
    changes = {"mixed.temp": [("19:00", "19:09", 54.0)]}
    verdict = _verdict_with("outlet-too-hot", "hot_water", changes, any_degc=60.0, sustained_degc=limit_degc)
    assert isinstance(verdict, Fault) == is_fault


@pytest.mark.parametrize(("limit_w", "is_fault"), [(4499.0, True), (4500.0, True), (4501.0, False)])
def test_a_heater_draws_from_its_least_power_on(limit_w: float, is_fault: bool) -> None:
    assert isinstance(_verdict_with("heater-always-on", "element", _WELDED, least_w=limit_w), Fault) == is_fault


@pytest.mark.parametrize(("limit_l_min", "is_fault"), [(0.29, False), (0.30, True), (0.31, True)])
def test_flow_up_to_the_limit_is_no_flow(limit_l_min: float, is_fault: bool) -> None:
    changes = {"collector.flow": [("09:00", "16:40", 0.3)]}
    verdict = _verdict_with("loop-no-flow", "collector", changes, still_flow_m3_s=limit_l_min * 1.000001 / 6e4)
    assert isinstance(verdict, Fault) == is_fault


def test_a_collector_is_below_expected_only_beyond_its_limit() -> None:
    changes = {"collector.leaving": [("08:20", "16:40", 38.0)], "collector.entering": [("08:20", "16:40", 35.0)]}
    shown = _verdict_with("stage-below-expected", "sun", changes)
    assert isinstance(shown, Fault)
    evidence: Any = shown.findings[0].evidence
    most_kwh = evidence["measured_kwh"] + evidence["doubt_measured_kwh"]
    least = most_kwh / (evidence["expected_kwh"] * (1 - evidence["doubt_expected_percent"] / 100))
    for fraction, is_fault in ((least * 0.99, False), (least * 1.01, True)):
        verdict = _verdict_with("stage-below-expected", "sun", changes, fraction=fraction)
        assert isinstance(verdict, Fault) == is_fault
