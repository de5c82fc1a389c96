"""A burnt-out element where the sun does most of the work: found as soon as it is missed, on virtual houses."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from analytics.day import account_day, window
from analytics.detection import Alert, Verdict, advance, assess_day
from analytics.detection import Fault as FoundFault
from analytics.detection.heater_no_output import HeaterNoOutput
from analytics.expected.heater import on_level
from analytics.figures import DayLedger
from analytics.site import Site
from analytics.trace import Trace, local_day
from ingest.virtual import SCENARIOS, Fault, simulate
from ingest.virtual.scenario import site_of
from tests.accounts import day_traces
from tests.ledgers import record, with_conditions

_DAY_MS = 86_400_000


def _alerts(
    scenario: str,
    start: date,
    *,
    days: int,
    broken: tuple[int, int] | None = None,
    n_sensors: int | None = None,
    fault: str = "element-burnt-out",
    beside: Sequence[Fault] = (),
    at_rest: Sequence[str] = (),
) -> tuple[int, list[Alert]]:
    """
    Alerts of a house whose element is burnt out from one day's morning to another's, and when that began.

    `beside` are other faults; points `at_rest` read nothing meanwhile. With `n_sensors` the element's tank has so many
    sensors only: one half way up, or none.
    """
    zone = site_of(SCENARIOS[scenario]).timezone
    first_ms = local_day(start, zone).start_ms
    at_ms = [first_ms + n * _DAY_MS + 10 * 3_600_000 for n in broken or (0, 0)]
    faults: Sequence[Fault] = [Fault(name=fault, start_ms=at_ms[0], end_ms=at_ms[1])] if broken else []
    run = simulate(SCENARIOS[scenario], start=start, days=days, seed=5, faults=[*faults, *beside])
    site = run.site if n_sensors is None else _with_fewer_sensors(run.site, n_sensors)
    traces = {name: _zero(t, *at_ms) if name in at_rest else t for name, t in run.traces.items()}
    alerts: list[Alert] = []
    history: list[DayLedger] = []
    state = None
    for day in (local_day(start + timedelta(days=n), zone) for n in range(days)):
        result = account_day(site, day_traces(traces, *window(day)), day, state=state)
        alerts, _ = advance(alerts, assess_day(result.plant, history, detectors=[HeaterNoOutput()]), now_ms=day.end_ms)
        state, history = result.state, [*history, result.ledger]
    return at_ms[0], alerts


def _zero(trace: Trace, from_ms: int, until_ms: int) -> Trace:
    inside = (trace.time_ms >= from_ms) & (trace.time_ms < until_ms)
    return Trace(trace.time_ms, np.where(inside, 0.0, trace.value))


def test_in_june_a_burnt_out_element_is_found_on_the_first_day_that_it_is_missed() -> None:
    # Burnt out on 8 June; the sound house's element is first called on 14 June, and the tank never gets lukewarm.
    began_ms, alerts = _alerts("two-tank", date(2026, 5, 24), days=26, broken=(15, 23))
    (alert,) = alerts
    assert (alert.kind, alert.component) == ("heater-no-output", "element")
    assert 5.5 <= (alert.detected_ms - began_ms) / _DAY_MS <= 7.0
    assert "has taken no power since" in alert.summary
    assert float(alert.evidence["level_degc"] or 0) == pytest.approx(46.0, abs=3.0)  # its thermostat comes on at 46
    assert float(alert.evidence["level_limit_degc"] or 0) < 46.0
    assert alert.ended_ms is not None  # mended on 16 June: it heats when it is next called
    assert alert.ended_ms >= began_ms + 8 * _DAY_MS


def _with_fewer_sensors(site: Site, n_sensors: int) -> Site:
    (tank,) = (site.tanks[stage.tank] for stage in site.stages.values() if stage.backup and stage.tank)
    half_way = len(tank.temperatures) // 2
    kept = tank.temperatures[half_way : half_way + n_sensors]
    return replace(site, tanks={**site.tanks, tank.id: replace(tank, temperatures=kept)})


@pytest.mark.parametrize("n_sensors", [0, 1])
@pytest.mark.parametrize("start", [date(2026, 1, 5), date(2025, 12, 8)], ids=str)
def test_without_a_sensor_beside_it_a_burnt_out_element_is_found_by_the_water_that_leaves(
    start: date, n_sensors: int
) -> None:
    began_ms, alerts = _alerts("solar-one-tank", start, days=16, broken=(5, 14), n_sensors=n_sensors)
    (alert,) = alerts
    assert (alert.kind, alert.component) == ("heater-no-output", "element")
    assert 0 < alert.detected_ms - began_ms <= 5 * _DAY_MS
    assert "had left its tank" in alert.summary
    assert alert.ended_ms is None or alert.ended_ms >= began_ms + 9 * _DAY_MS


@pytest.mark.parametrize("start", [date(2026, 1, 5), date(2026, 10, 20)], ids=str)
@pytest.mark.parametrize("scenario", ["two-tank", "solar-one-tank", "energy-counters"])
def test_without_a_sensor_beside_it_a_sound_element_is_left_alone(scenario: str, start: date) -> None:
    assert _alerts(scenario, start, days=20, n_sensors=1)[1] == []


def test_an_element_that_nobody_calls_says_nothing() -> None:
    assert _alerts("two-tank", date(2026, 6, 18), days=9, broken=(2, 9))[1] == []


def test_a_called_element_that_warms_nothing_is_found_within_hours_by_its_status() -> None:
    began_ms, alerts = _alerts("assumed-flow", date(2026, 1, 5), days=5, broken=(1, 3))
    (alert,) = alerts
    assert began_ms < alert.began_ms
    assert alert.detected_ms - alert.began_ms <= 2 * 3_600_000
    assert "warms nothing" in alert.summary
    assert alert.ended_ms is not None


def test_a_boiler_that_gives_its_loop_nothing_is_told_by_its_own_name_and_causes() -> None:
    _, (alert,) = _alerts("boiler-backup", date(2026, 1, 5), days=4, broken=(1, 4), fault="boiler-lockout")
    assert (alert.kind, alert.component) == ("heater-no-output", "boiler")
    assert alert.summary.startswith("The heater burner has given the boiler loop no heat since")
    assert alert.likely_causes[0].startswith("boiler locked out")
    assert not any("element" in cause for cause in alert.likely_causes)


def _kept_at(degc: float, *, came_on_at_degc: float, is_locked_out: bool = True) -> Verdict:
    """A boiler that came on at so many degrees on ten days, while the sun keeps the tank's top at `degc`."""
    start = date(2026, 1, 5)
    faults = [Fault(name="boiler-lockout", start_ms=0, end_ms=2**62)] if is_locked_out else []
    run = simulate(SCENARIOS["boiler-backup"], start=start, days=2, seed=5, faults=faults)
    (tank,) = run.site.tanks.values()
    warm = {
        point: Trace(run.traces[point].time_ms, np.maximum(run.traces[point].value, degc - 0.1 * n))
        for n, point in enumerate(tank.temperatures)
    }
    day = local_day(start + timedelta(days=1), run.site.timezone)
    plant = account_day(run.site, day_traces({**run.traces, **warm}, *window(day)), day).plant
    levels = {"heater.boiler.start_degc": came_on_at_degc, "heater.boiler.idle_degc": came_on_at_degc + 3.0}
    history = with_conditions(record(day.date, days=10, kwh_per_h=0.0), levels)
    return HeaterNoOutput().assess(plant, history, "boiler")


def test_a_boiler_that_runs_its_pump_in_vain_is_told_before_the_tank_is_cold() -> None:
    verdict = _kept_at(44.0, came_on_at_degc=50.0)
    assert isinstance(verdict, FoundFault)
    finding = verdict.findings[0]
    assert "although its pump runs" in finding.summary
    assert "fell to 44.0 degC. Before, heat came whenever the top had fallen to 50.0 degC" in finding.summary
    assert finding.detected_ms - finding.began_ms <= 2 * 3_600_000


@pytest.mark.parametrize(
    ("degc", "came_on_at_degc", "is_locked_out"), [(44.0, 45.0, True), (49.0, 50.0, True), (44.0, 50.0, False)]
)
def test_a_boiler_is_told_by_no_tank_as_warm_as_before_nor_while_it_heats(
    degc: float, came_on_at_degc: float, is_locked_out: bool
) -> None:
    verdict = _kept_at(degc, came_on_at_degc=came_on_at_degc, is_locked_out=is_locked_out)
    assert not isinstance(verdict, FoundFault)


_NOT_CALLED = ("boiler.pump", "boiler.flow", "burner.on")


def test_a_boiler_that_is_not_called_is_told_once_the_house_has_no_warm_water() -> None:
    house = {"days": 13, "broken": (7, 11), "fault": "boiler-lockout", "at_rest": _NOT_CALLED}
    began_ms, (alert,) = _alerts("boiler-backup", date(2026, 1, 5), **house)  # type: ignore[arg-type]
    assert (alert.kind, alert.component, alert.severity) == ("heater-no-output", "boiler", "soon")
    assert began_ms < alert.began_ms < alert.detected_ms < began_ms + 3 * _DAY_MS
    assert "has been at rest since" in alert.summary
    assert alert.evidence["lowest_water_degc"] < 40  # type: ignore[operator]
    assert alert.ended_ms is not None
    assert began_ms + 4 * _DAY_MS <= alert.ended_ms < began_ms + 5 * _DAY_MS


def test_a_boiler_switched_off_while_nobody_is_at_home_is_left_alone() -> None:
    at_ms = local_day(date(2026, 1, 12), "Europe/Berlin").start_ms
    away = Fault(name="nobody-home", start_ms=at_ms, end_ms=at_ms + 10 * _DAY_MS)
    house = {"days": 14, "broken": (7, 14), "fault": "boiler-lockout", "at_rest": _NOT_CALLED, "beside": [away]}
    assert _alerts("boiler-backup", date(2026, 1, 5), **house)[1] == []  # type: ignore[arg-type]


def test_of_a_boiler_that_was_off_for_longer_than_a_week_nothing_is_said() -> None:
    house = {"days": 20, "broken": (0, 20), "fault": "boiler-lockout", "at_rest": _NOT_CALLED}
    assert _alerts("boiler-backup", date(2026, 4, 20), **house)[1] == []  # type: ignore[arg-type]


@pytest.mark.parametrize("start", [date(2026, 1, 5), date(2026, 4, 20), date(2026, 10, 1)], ids=str)
def test_a_sound_boiler_is_left_alone(start: date) -> None:
    assert _alerts("boiler-backup", start, days=14)[1] == []


@pytest.mark.parametrize("start", [date(2026, 1, 5), date(2026, 6, 1)], ids=str)
def test_a_sound_element_known_by_its_status_stays_quiet(start: date) -> None:
    assert _alerts("assumed-flow", start, days=10)[1] == []


def test_a_level_is_the_lowest_before_the_heater_last_came_on() -> None:
    nan = float("nan")
    starts, idle = [48.0, nan, 47.0, 49.0, 46.5, nan, 50.0, nan], [49.0, 60.0, 46.2, 50.0, 47.0, 58.0, 51.0, 30.0]
    level = on_level(starts, idle)
    assert level is not None
    assert (level.degc, level.on_days, level.days) == (46.2, 5, 7)
    assert on_level(starts[:6], idle[:6]) is None  # on four days only
    assert np.isfinite(on_level(starts, [nan] * 8).degc)  # type: ignore[union-attr]
