"""The flow that a loop showed on its first days: carried for years, left out where other alerts bear on it."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest

from analytics.detection import Clear, Fault, NotAssessed, Verdict
from analytics.detection.loop_low_flow import LoopLowFlow
from analytics.expected.first_flows import FIRST_FLOW_DAYS, first_flows, flows_so_far
from analytics.expected.watching import Watched, watched_from_json, watched_to_json
from analytics.figures import DayLedger
from analytics.site import Site
from tests.ledgers import record, with_conditions
from tests.plants import DAY, changed, healthy_day, house, plant_of

_HOUSE = house()


def _days(flow_l_min: float, *, days: int = FIRST_FLOW_DAYS, last: date = DAY) -> list[DayLedger]:
    name = "loop.collector.flow_"
    told = {f"{name}l_min": flow_l_min, f"{name}evenness": 0.99, f"{name}h": 5.0}
    return with_conditions(record(last, days=days, kwh_per_h=1.2), told)


def _carried(ledgers: Sequence[DayLedger], *, site: Site = _HOUSE, troubled: Sequence[str] = ()) -> dict[str, Watched]:
    known: dict[str, Watched] = {}
    for day in ledgers:
        known = flows_so_far(site, known, day, troubled=troubled)
        known = watched_from_json(json.loads(json.dumps(watched_to_json(known))))
    return known


def _verdict(
    flow_l_min: float, known: Mapping[str, Watched], history: Sequence[DayLedger], *, site: Site = _HOUSE
) -> Verdict:
    changes = {"collector.flow": [("08:20", "16:40", flow_l_min)]}
    plant = plant_of(site, changed(healthy_day(), changes))
    return LoopLowFlow(watched=known).assess(plant, history, "collector")


def test_a_lasting_want_of_flow_never_becomes_usual() -> None:
    known = _carried([*_days(5.0, last=DAY - timedelta(days=90)), *_days(3.0, days=90)])
    verdict = _verdict(3.0, known, _days(3.0, days=60))
    assert isinstance(verdict, Fault)
    assert verdict.findings[0].evidence["usual_l_min"] == pytest.approx(5.0)
    assert isinstance(_verdict(5.0, known, _days(3.0, days=60)), Clear)


def test_days_with_an_alert_on_the_loop_or_its_sensors_are_no_first_days() -> None:
    for named in ("collector", "collector.flow", "collector.pump", _HOUSE.id):
        known = _carried(_days(3.0), troubled=[named])
        assert first_flows(known, "collector", since=None) == []
    assert len(first_flows(_carried(_days(3.0), troubled=["ground"]), "collector", since=None)) == FIRST_FLOW_DAYS


def test_a_later_commissioning_begins_anew() -> None:
    known = _carried(_days(5.0, last=DAY - timedelta(days=20)))
    again = replace(_HOUSE, commissioned=DAY - timedelta(days=15))
    assert first_flows(known, "collector", since=again.commissioned) == []
    renewed = {**known, **flows_so_far(again, known, _days(3.0, days=1)[0])}
    assert [day.flow_l_min for day in first_flows(renewed, "collector", since=again.commissioned)] == [3.0]
    assert isinstance(_verdict(3.0, known, _days(3.0), site=again), Clear)


def test_nine_days_are_too_few() -> None:
    few = _days(6.0, days=FIRST_FLOW_DAYS - 1)
    told = replace(_HOUSE, collectors={})  # nothing but its own days tells what flow the loop needs
    assert isinstance(_verdict(3.0, _carried(few), few, site=told), NotAssessed)
    assert isinstance(_verdict(3.0, {}, _days(6.0), site=told), Fault)


# What runs for some minutes a day: ten minutes of which the first and the last do not count.
_MORNING, _EVENING = ("06:00", "06:10"), ("18:00", "18:10")


def _short_runs(l_min: Sequence[float], today: Mapping[tuple[str, str], float], *, hours: float = 0.15) -> Verdict:
    """Earlier days, of nine minutes that count unless `hours` says otherwise, then runs of today."""
    name = "loop.desuperheater.flow_"
    history = [
        day
        for n, flow in enumerate(l_min)
        for day in with_conditions(
            record(DAY - timedelta(days=len(l_min) - n - 1), days=1, kwh_per_h=1.2),
            {f"{name}l_min": flow, f"{name}evenness": 0.99, f"{name}h": hours},
        )
    ]
    changes = {
        "dsh.flow": [("00:00", "24:00", 0.0), *((*run, flow) for run, flow in today.items())],
        "dsh.pump": [("00:00", "24:00", 0.0), *((*run, 60.0) for run in today)],
    }
    return LoopLowFlow().assess(plant_of(_HOUSE, changed(healthy_day(), changes)), history, "desuperheater")


def test_minutes_of_too_little_flow_add_up_over_days() -> None:
    first = [6.0] * FIRST_FLOW_DAYS
    verdict = _short_runs([*first, 3.0, 3.0, 3.0], {_MORNING: 3.0})
    assert isinstance(verdict, Fault)
    (finding,) = verdict.findings
    assert finding.is_by_day
    assert finding.began_ms == plant_of(_HOUSE, healthy_day()).day.start_ms - 3 * 86_400_000
    assert finding.evidence["running_days"] == 4
    assert finding.evidence["running_min"] == pytest.approx(3 * 9 + 8, abs=1)
    assert "on 4 days, 50 % of the 6.0 l/min" in finding.summary


def test_too_few_of_such_minutes_prove_nothing() -> None:
    first = [6.0] * FIRST_FLOW_DAYS
    assert isinstance(_short_runs([*first, 3.0, 3.0], {_MORNING: 3.0}), NotAssessed)
    assert isinstance(_short_runs([*first, 3.0, 3.0, 3.0, 6.0], {_MORNING: 3.0}), NotAssessed)
    assert isinstance(_short_runs([*first, 3.0, 3.0, 3.0], {("06:00", "06:05"): 3.0}), NotAssessed)


def test_days_that_told_it_by_themselves_do_not_date_it_back_to_their_midnight() -> None:
    low = [*[6.0] * FIRST_FLOW_DAYS, 3.0, 3.0, 3.0]
    assert isinstance(_short_runs(low, {_MORNING: 3.0}, hours=0.6), NotAssessed)


def test_a_quarter_of_an_hour_of_good_flow_ends_it_whatever_rests_lie_between() -> None:
    low = [*[6.0] * FIRST_FLOW_DAYS, 3.0, 3.0, 3.0]
    assert isinstance(_short_runs(low, {_MORNING: 6.0}), NotAssessed)
    assert isinstance(_short_runs(low, {_MORNING: 6.0, _EVENING: 6.0}), Clear)
