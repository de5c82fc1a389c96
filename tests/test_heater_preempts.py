"""A backup set too high: told on virtual houses whose earlier stages work, and not where its heat has a reason."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest

from analytics.day import account_day, window
from analytics.detection import Alert, Assessment, Clear, Fault, Finding, NotAssessed, advance, assess_day
from analytics.detection.heater_preempts import HeaterPreempts
from analytics.detection.loop_no_flow import LoopNoFlow
from analytics.detection.precedence import explainers
from analytics.figures import DayLedger
from analytics.trace import local_day
from ingest.virtual import SCENARIOS, simulate
from ingest.virtual import Fault as Broken
from ingest.virtual.scenario import Scenario, site_of
from tests.accounts import day_traces
from tests.plants import DAY, house

_DAY_MS = 86_400_000
_WINTER, _AUTUMN = date(2026, 1, 5), date(2026, 11, 2)
_START_MS = local_day(DAY, "Europe/Berlin").start_ms


def _midnight_ms(scenario: Scenario, start: date) -> int:
    return local_day(start, site_of(scenario).timezone).start_ms


def _alerts(scenario: Scenario, start: date, days: int, faults: Sequence[Broken] = ()) -> list[Alert]:
    run = simulate(scenario, start=start, days=days, seed=6, faults=faults)
    alerts: list[Alert] = []
    history: list[DayLedger] = []
    state = None
    for day in (local_day(start + timedelta(days=n), run.site.timezone) for n in range(days)):
        result = account_day(run.site, day_traces(run.traces, *window(day)), day, state=state)
        found = assess_day(result.plant, history, detectors=[LoopNoFlow(), HeaterPreempts()])
        alerts, _ = advance(alerts, found, now_ms=day.end_ms)
        state, history = result.state, [*history, result.ledger]
    return alerts


def _set_high(scenario: Scenario, start: date, first_day: int) -> Broken:
    return Broken(name="backup-set-high", start_ms=_midnight_ms(scenario, start) + first_day * _DAY_MS)


@pytest.mark.parametrize("start", [_WINTER, _AUTUMN], ids=str)
@pytest.mark.parametrize("layout", ["two-tank", "solar-one-tank", "assumed-flow", "energy-counters", "boiler-backup"])
def test_a_backup_set_to_68_degc_is_told_with_what_it_took_from_the_others(layout: str, start: date) -> None:
    scenario = SCENARIOS[layout]
    fault = _set_high(scenario, start, 6)
    (alert,) = _alerts(scenario, start, 22, [fault])
    assert (alert.kind, alert.severity, alert.ended_ms) == ("heater-preempts", "soon", None)
    assert fault.start_ms <= alert.began_ms < alert.detected_ms
    assert float(alert.evidence["heated_to_degc"] or 0) == pytest.approx(68.0, abs=1.5)
    assert 0 < float(alert.evidence["taken_kwh"] or 0) <= float(alert.evidence["beyond_kwh"] or 0)
    assert float(alert.evidence["beyond_kwh"] or 0) < float(alert.evidence["backup_kwh"] or 0)
    assert alert.cost_per_day is not None
    assert alert.cost_per_day > 0


def test_what_the_backup_took_is_no_more_than_what_it_gave_on_top() -> None:
    """Held against the same house with its thermostat as it was: two runs of the plant, and no detector."""
    scenario = SCENARIOS["two-tank"]
    fault = _set_high(scenario, _WINTER, 6)
    sound, broken = (simulate(scenario, start=_WINTER, days=20, seed=6, faults=f) for f in ((), (fault,)))
    on_top = sum(
        high.tally["element_heat_j"] - low.tally["element_heat_j"]
        for high, low in zip(broken.truth[13:20], sound.truth[13:20], strict=True)
    )
    (alert,) = _alerts(scenario, _WINTER, 21, [fault])
    assert alert.evidence["days"] >= 5  # type: ignore[operator]
    assert 0.1 * on_top < 3.6e6 * float(alert.evidence["taken_kwh"] or 0) <= on_top


@pytest.mark.parametrize("layout", ["two-tank", "solar-one-tank", "boiler-backup"])
def test_a_tank_kept_at_60_degc_is_no_fault(layout: str) -> None:
    plant = {**SCENARIOS[layout].plant, "element_set_degc": 60.0, "boiler_set_degc": 60.0}
    assert _alerts(replace(SCENARIOS[layout], plant=plant), _WINTER, 16) == []


def test_a_disinfection_once_a_week_is_no_fault() -> None:
    scenario = SCENARIOS["solar-one-tank"]
    nights = [_midnight_ms(scenario, _WINTER) + 2 * 3_600_000 + week * 7 * _DAY_MS for week in range(4)]
    weekly = [Broken(name="backup-set-high", start_ms=at, end_ms=at + 4 * 3_600_000) for at in nights]
    assert _alerts(scenario, _WINTER, 28, weekly) == []


def test_beside_a_dead_solar_pump_only_the_pump_is_told() -> None:
    scenario = SCENARIOS["solar-one-tank"]
    faults = [
        replace(_set_high(scenario, _AUTUMN, 6), name=name) for name in ("backup-set-high", "collector-pump-dead")
    ]
    assert {alert.kind for alert in _alerts(scenario, _AUTUMN, 20, faults)} == {"loop-no-flow"}


def test_once_it_is_set_back_the_alert_ends_when_the_backup_has_stopped_in_time_twice() -> None:
    scenario = SCENARIOS["assumed-flow"]
    fault = _set_high(scenario, _WINTER, 6)
    mended = replace(fault, end_ms=fault.start_ms + 6 * _DAY_MS)
    (alert,) = _alerts(scenario, _WINTER, 22, [mended])
    assert alert.ended_ms is not None
    assert mended.end_ms <= alert.ended_ms


def _verdict(kind: str, component: str, *, is_fault: bool = True) -> Assessment:
    finding = Finding(
        began_ms=_START_MS,
        ended_ms=None,
        detected_ms=_START_MS,
        severity="soon",
        template="Told.",
        evidence={},
        likely_causes=(),
        checks=(),
        cost_per_day=None,
        weight_s=600.0,
    )
    return Assessment(
        site="mill-lane-8",
        timezone="Europe/Berlin",
        kind=kind,
        component=component,
        from_ms=_START_MS,
        until_ms=_START_MS + _DAY_MS,
        rejoin=timedelta(hours=24),
        verdict=Fault((finding,)) if is_fault else Clear(_START_MS),
        explained_by=explainers(house(), kind, component),
    )


@pytest.mark.parametrize(
    ("other", "kinds"),
    [
        (_verdict("loop-low-flow", "collector"), ["loop-low-flow"]),
        (_verdict("sensor-offset", "solar.top"), ["sensor-offset"]),
        (_verdict("loop-low-flow", "collector", is_fault=False), ["heater-preempts"]),
        (_verdict("loop-low-flow", "ground"), ["heater-preempts", "loop-low-flow"]),
        (replace(_verdict("loop-low-flow", "collector"), site="mill-lane-9"), ["heater-preempts", "loop-low-flow"]),
    ],
)
def test_what_rests_on_other_parts_is_told_only_while_nothing_is_told_of_these(
    other: Assessment, kinds: list[str]
) -> None:
    mine = _verdict("heater-preempts", "element")
    alerts, _ = advance([], [mine, other], now_ms=0)
    assert sorted(alert.kind for alert in alerts) == kinds
    # The alert of the other part lasts into the next day, on which it says nothing itself.
    silent = replace(other, verdict=NotAssessed("Not seen."), from_ms=_START_MS + _DAY_MS)
    later, _ = advance(alerts, [replace(mine, from_ms=_START_MS + _DAY_MS), silent], now_ms=0)
    assert sorted(alert.kind for alert in later) == kinds
