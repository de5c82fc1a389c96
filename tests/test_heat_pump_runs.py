"""When a compressor ran, by readings that are minutes apart, against its truth."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from analytics.heat_pump_runs import Runs, on_part, run_totals
from analytics.plant import CELL_S
from analytics.site import HeatPump
from analytics.trace import Trace
from ingest.virtual import SCENARIOS, simulate, truth_to_json
from tests.accounts import account_days
from tests.small_sites import point

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


def test_starts_and_stops_are_as_sure_as_powers_that_are_a_twentieth_off_beside_them_let_them_be() -> None:
    """Drawn: a run of ten minutes that begins and ends anywhere in its minutes, with 5 % more power or less."""
    rng, off_s = np.random.default_rng(20260106), []
    pump = HeatPump(id="hp", power="hp.power", source_loop="ground")
    for _ in range(4000):
        parts, powers = rng.uniform(0.0, 1.0, 2), 2000.0 * (1.0 + 0.05 * rng.standard_normal(2))
        elec_w = np.full(14, 2000.0)
        elec_w[[0, -1]] = 0.0
        elec_w[[1, -2]] = parts * powers
        on = on_part(pump, elec_w, interval_s=CELL_S)
        off_s.append(CELL_S * (on.sum() - 10.0 - parts.sum()))
    told, _ = run_totals(
        pump, Runs(np.array([1]), np.array([12])), np.ones(14), on=on, is_told=True,
        point=point("hp.power", "power", "W", sampling="mean"), covered=1.0,
    )  # fmt: skip
    assert told.doubt.passing["starts and stops of hp"] == pytest.approx(np.std(off_s), rel=0.1)
