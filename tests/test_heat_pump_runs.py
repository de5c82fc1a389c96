"""When a compressor ran, by readings that are minutes apart, against its truth."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from analytics.trace import Trace
from ingest.virtual import SCENARIOS, simulate, truth_to_json
from tests.accounts import account_days

_START = date(2026, 1, 12)
_DAYS = 4


def _seldom(trace: Trace, interval_ms: int, *, sampling: str) -> Trace:
    """Of readings at instants: some of them, or means of the time between."""
    edges_ms = np.arange(trace.time_ms[0], trace.time_ms[-1], interval_ms)
    if sampling == "instant":
        return Trace(edges_ms, np.interp(edges_ms, trace.time_ms, trace.value))
    total = np.concatenate(([0.0], np.cumsum(trace.value[1:] * np.diff(trace.time_ms))))
    return Trace(edges_ms[1:], np.diff(np.interp(edges_ms, trace.time_ms, total)) / interval_ms)


@pytest.mark.parametrize("sampling", ["mean", "instant"])
@pytest.mark.parametrize("interval_s", [120, 300])
def test_run_hours_by_readings_minutes_apart_hold_the_truth(interval_s: int, sampling: str) -> None:
    run = simulate(SCENARIOS["two-tank"], start=_START, days=_DAYS, seed=7, perfect=True)
    points = dict(run.site.points)
    points["hp.power"] = replace(points["hp.power"], sampling=sampling, interval_s=float(interval_s))
    power = _seldom(run.traces["hp.power"], 1000 * interval_s, sampling=sampling)
    days = [_START + timedelta(days=n) for n in range(_DAYS)]
    results = account_days(replace(run.site, points=points), {**run.traces, "hp.power": power}, days)
    for result, day in zip(results, run.truth, strict=True):
        (pump,) = result.ledger.heat_pumps
        true_h = truth_to_json(day)["heat_pumps"][0]["heating"]["run_hours"]
        assert abs(pump.heating_run_hours.value - true_h) <= pump.heating_run_hours.plus_minus
        assert pump.heating_run_hours.plus_minus < 0.2 * true_h
