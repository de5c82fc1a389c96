"""Delivered water judged where the meter tells only every few minutes that water ran: virtual houses and by hand."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from analytics.day import account_day, window
from analytics.detection import Alert, advance, assess_day
from analytics.detection.drawn_water import drawn_stretches
from analytics.detection.outlet_too_cool import OutletTooCool
from analytics.figures import DayLedger
from analytics.plant import Draw, Signal
from analytics.trace import Trace, local_day
from ingest.virtual import SCENARIOS, Fault, simulate
from ingest.virtual.scenario import site_of
from tests.accounts import day_traces
from tests.small_sites import point

_START = date(2026, 1, 5)
_DAY_MS = 86_400_000


def _alerts(*, seldom: str, fault: str = "") -> list[Alert]:
    """Of a house whose volume counter is read every 5 minutes, or also when it has counted on."""
    zone = site_of(SCENARIOS["assumed-flow"]).timezone
    from_ms = local_day(_START, zone).start_ms + _DAY_MS
    faults: Sequence[Fault] = [Fault(name=fault, start_ms=from_ms, end_ms=from_ms + 9 * _DAY_MS)] if fault else []
    run = simulate(SCENARIOS["assumed-flow"], start=_START, days=5, seed=3, faults=faults)
    volume = run.traces["draw.volume"]
    due = np.diff(volume.time_ms // 300_000, prepend=-1) > 0
    kept = due if seldom == "read" else due | (np.diff(volume.value, prepend=-1.0) > 0)
    traces = {**run.traces, "draw.volume": Trace(volume.time_ms[kept], volume.value[kept])}
    interval_s = 300.0 if seldom == "read" else 10.0
    points = {**run.site.points, "draw.volume": replace(run.site.points["draw.volume"], interval_s=interval_s)}
    site = replace(run.site, points=points)
    alerts: list[Alert] = []
    history: list[DayLedger] = []
    state = None
    for day in (local_day(_START + timedelta(days=n), zone) for n in range(5)):
        result = account_day(site, day_traces(traces, *window(day)), day, state=state)
        alerts, _ = advance(alerts, assess_day(result.plant, history, detectors=[OutletTooCool()]), now_ms=day.end_ms)
        state, history = result.state, [*history, result.ledger]
    return alerts


@pytest.mark.parametrize("seldom", ["read", "speaks"])
def test_a_pipe_that_cools_between_draws_is_not_delivered_water(seldom: str) -> None:
    assert [alert.summary for alert in _alerts(seldom=seldom)] == []


@pytest.mark.parametrize("seldom", ["read", "speaks"])
@pytest.mark.parametrize("fault", ["mixing-valve-cold", "element-burnt-out"])
def test_water_that_is_too_cool_is_still_found(fault: str, seldom: str) -> None:
    (alert,) = _alerts(seldom=seldom, fault=fault)
    wanting = fault == "element-burnt-out"
    assert ("no hot water" in alert.summary) is wanting
    assert alert.ended_ms is None


def _meter(sampling: str, time_s: Sequence[float], value: Sequence[float]) -> Signal:
    meter = point("m", "volume" if sampling == "counter" else "flow", "m3", sampling=sampling)
    return Signal(meter, np.array(time_s), np.array(value), 600.0, np.arange(0.0, 3600.0, 60.0))


@pytest.mark.parametrize(
    ("meter", "expected"),
    [
        # Read every 10 s: all of it after 45 s.
        (_meter("counter", np.arange(0.0, 610, 10), np.arange(61) / 1000), [(45.0, 600.0, 555.0, True)]),
        # 30 l in each of two intervals: 300 s at 6 l/min, 45 s to settle.
        (_meter("counter", [0, 300, 600], [0, 0.03, 0.06]), [(0, 300, 255, False), (300, 600, 255, False)]),
        # 1 l in one interval warms no pipe.
        (_meter("counter", [0, 300, 600], [0, 0.001, 0.031]), [(300.0, 600.0, 255.0, False)]),
        # It spoke when it counted on: after a long silence, then every 20 s.
        (_meter("counter", [0, *range(500, 610, 20), 600], [i / 1000 for i in range(8)]), [(545, 600, 55, True)]),
        # A flow that was there at both ends ran throughout.
        (_meter("instant", [0, 300, 600], [1e-4, 1e-4, 1e-4]), [(45.0, 600.0, 555.0, True)]),
        # Half of an interval's mean: water ran for half of it, if it ran as from an ordinary tap.
        (_meter("mean", [0, 300, 600], [0, 5e-5, 0]), [(0.0, 300.0, 105.0, False)]),
    ],
    ids=["fine", "seldom", "little", "on change", "instants", "means"],
)
def test_when_water_surely_ran(meter: Signal, expected: list[tuple[float, float, float, bool]]) -> None:
    found = drawn_stretches(Draw(0.0, 600.0, 0.06, 10.0, 55.0, 0.0), meter, 45.0)
    assert [(s.start_s, s.end_s, pytest.approx(s.seconds), s.throughout) for s in found] == expected
