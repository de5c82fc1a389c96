"""A collector without a sun sensor, held against the sun that houses near by agree on, and only where they agree."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from analytics.expected.nearby import NearbySun, agreed_sun
from analytics.expected.stages import expected_of_record
from analytics.trace import local_day
from api.day_rows import store_outcomes
from api.days import DayJob, DayOutcome, DayTask, compute_days, day_window
from api.migrate import open_records
from api.neighbours import NEAR_KM, sun_nearby
from api.sites import add_version, present_site
from ingest.virtual import SCENARIOS, Fault, simulate
from tests.accounts import account_days
from tests.virtual_days import layout_text, virtual_days

_START, _DAYS, _BROKEN = date(2026, 3, 20), 46, 34
_ZONE = "Europe/Madrid"
_NAMES = [(_START + timedelta(days=n)).isoformat() for n in range(_DAYS)]


def _blind_text() -> str:
    """The layout's site file without its sun sensor."""
    text = re.sub(r'irradiance = "collector.sun"\n', "", layout_text("solar-one-tank"))
    return re.sub(r'\[points."collector.sun"\]\n(?:\S.*\n)*', "", text)


def _houses(parts: Mapping[date, float], spread: float) -> NearbySun:
    """Four houses that measure the same sky, each a little different, and a fifth whose sensor is dirty."""
    rng = np.random.default_rng(4)
    told = {day: [*(part * rng.normal(1.0, spread, 4)), 0.6 * part] for day, part in parts.items()}
    return agreed_sun(told, within_km=21.0)


def _outcomes(faults: Sequence[Fault], spread: float) -> Sequence[DayOutcome]:
    run = simulate(SCENARIOS["solar-one-tank"], start=_START, days=_DAYS, seed=8, faults=faults)
    days = [_START + timedelta(days=n) for n in range(_DAYS)]
    measured = [result.ledger.conditions for result in account_days(run.site, run.traces, days)]
    name = f"collector.{next(iter(run.site.collectors))}."
    parts = [each[f"{name}irradiation_kwh_m2"] / each[f"{name}ceiling_kwh_m2"] for each in measured]
    nearby = _houses(dict(zip(days, parts, strict=True)), spread)
    tasks = [DayTask(day, _blind_text(), "", None) for day in _NAMES]
    edges = (day_window(_NAMES[0], _ZONE)[1], day_window(_NAMES[-1], _ZONE)[2])
    assert all(trace.time_ms[0] >= edges[0] and trace.time_ms[-1] <= edges[1] for trace in run.traces.values())
    job = DayJob(
        site=run.site.id,
        tasks=tasks,
        traces=run.traces,
        state=None,
        alerts=[],
        history=[],
        silent_days=0,
        nearby=nearby,
    )
    return compute_days(job)


def _of_sun(outcomes: Sequence[DayOutcome]) -> list[dict[str, object]]:
    found = {alert["id"]: alert for outcome in outcomes for alert in outcome.alerts}
    return [alert for alert in found.values() if alert["component"] == "sun"]


def test_dust_on_a_collector_without_a_sun_sensor_is_told_by_the_neighbours() -> None:
    began_ms = local_day(_START + timedelta(days=_BROKEN), _ZONE).start_ms
    outcomes = _outcomes([Fault(name="collector-fouled", start_ms=began_ms)], spread=0.03)
    (alert,) = _of_sun(outcomes)
    assert alert["kind"] == "stage-below-expected"
    assert _NAMES[_BROKEN] < str(alert["detected"])[:10] <= _NAMES[_DAYS - 1]
    evidence = alert["evidence"]
    assert isinstance(evidence, Mapping)
    assert evidence["short_percent"] == pytest.approx(20, abs=8)  # dust takes a fifth of the sun
    assert re.search(r"It does not measure the sun: 4 to 5 houses within 21 km agree that \d+ %", str(alert["summary"]))


def test_by_the_neighbours_sun_the_interval_is_wider_and_holds() -> None:
    """A sound house from June to August with its own sun sensor, and without it beside neighbours good to 3 %."""
    start = date(2026, 6, 1)
    days = [start + timedelta(days=n) for n in range(90)]
    run = simulate(SCENARIOS["passing-heater"], start=start, days=len(days), seed=3)
    (name,) = run.site.collectors
    blind = replace(run.site, collectors={name: replace(run.site.collectors[name], irradiance=None)})
    own, other = ([result.ledger for result in account_days(site, run.traces, days)] for site in (run.site, blind))
    names = [f"collector.{name}.{what}_kwh_m2" for what in ("irradiation", "ceiling")]
    measured = {day.day: day.conditions[names[0]] / day.conditions[names[1]] for day in own}
    noise = np.random.default_rng(1).normal(1.0, 0.03, (len(measured), 4))
    sky = {day: part * float(np.median(each)) for (day, part), each in zip(measured.items(), noise, strict=True)}
    found = [
        [day for day in expected_of_record(site, record, sky=by)[0].days if np.isfinite(day.z)]
        for site, record, by in ((run.site, own, None), (blind, other, sky))
    ]
    assert min(len(each) for each in found) >= 30
    wide = [np.median([day.half_width / day.expected for day in each]) for each in found]
    assert wide[1] > 1.5 * wide[0]
    beyond = [np.mean([abs(day.value - day.expected) > day.half_width for day in each]) for each in found]
    assert max(beyond) <= 0.08


def test_where_the_houses_do_not_agree_nothing_is_told() -> None:
    began_ms = local_day(_START + timedelta(days=_BROKEN), _ZONE).start_ms
    assert _of_sun(_outcomes([Fault(name="collector-fouled", start_ms=began_ms)], spread=0.4)) == []


def test_a_clean_collector_without_a_sun_sensor_stays_quiet() -> None:
    outcomes = _outcomes([], spread=0.03)
    assert _of_sun(outcomes) == []
    assert outcomes[-1].state is not None
    assert outcomes[-1].state["expected"]["sun.heat"]["experience"]  # it was held to something


def test_at_least_three_houses_must_agree() -> None:
    day, other = date(2026, 4, 1), date(2026, 4, 2)
    found = agreed_sun({day: [0.60, 0.64, 0.70, 0.2], other: [0.9, 0.3, 0.6, 0.35]}, within_km=12.0)
    assert found.parts == {day: 0.64}
    assert found.houses == {day: 3}
    assert agreed_sun({day: [0.5, 0.5]}, within_km=12.0).parts == {}


def test_the_fleet_tells_of_the_sun_where_three_houses_near_by_measure_it(tmp_path: Path) -> None:
    days, text = 3, layout_text("solar-one-tank")
    outcomes = virtual_days("solar-one-tank", _START, days=days)
    with open_records(f"sqlite:///{tmp_path / 'records.db'}") as records, records.begin() as session:
        for n in range(3):
            name = f"house-{n}"
            own = text.replace('id = "olive-lane-12"', f'id = "{name}"')
            add_version(session, own, valid_from=None, today=_START, now_ms=0)
            store_outcomes(session, name, outcomes, due={}, computed_ms=0)
        one = present_site(session, "house-0")
        collectors = {name: replace(each, irradiance=None) for name, each in one.collectors.items()}
        blind = replace(one, id="blind", latitude_deg=one.latitude_deg + 0.1, collectors=collectors)
        found = sun_nearby(session, blind, first=_START, last=_START + timedelta(days=1))
        assert found is not None
        assert list(found.houses.values()) == [3, 3]
        assert found.within_km == pytest.approx(11.1, abs=0.1)  # a tenth of a degree of 111.2 km
        assert sun_nearby(session, one, first=_START, last=_START) is None  # it measures the sun itself
        away = replace(blind, latitude_deg=one.latitude_deg + 1.1 * NEAR_KM / 111.1)
        assert sun_nearby(session, away, first=_START, last=_START) is None
        among = replace(blind, id="house-0")  # leaves two others
        assert sun_nearby(session, among, first=_START, last=_START) is None
