"""A pair beside a tank that is as warm on every day: its offset is told by the hours of rests, warmed pipes never."""

from collections.abc import Callable, Mapping, Sequence
from datetime import date, timedelta
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from analytics.day import account_day, window
from analytics.detection import Fault
from analytics.detection.sensor_offset import SensorOffset
from analytics.figures import DayLedger
from analytics.trace import Trace, local_day
from ingest.virtual import SCENARIOS, VirtualRun, simulate
from tests.accounts import day_traces

Traces = Mapping[str, Trace]
Degc = NDArray[np.float64]
Port = Callable[[Degc], Degc]

_DAYS = 10
_LOOPS = {"heat-pump-tank": "load", "boiler-backup": "boiler"}
_PARTS = [(0.02, 0.01), (0.0, 0.05), (0.3, 0.1)]


def _at(sensor: int) -> Port:
    return lambda row_degc: row_degc[sensor]


def _late_front(sensor: int, power: float) -> Port:
    """Beside a sensor: the front of cold water passes there sooner or later than it."""

    def port(row_degc: Degc) -> Degc:
        cold_degc, top_degc = 6.0, row_degc[0]
        part = np.clip((row_degc[sensor] - cold_degc) / (top_degc - cold_degc), 0.0, 1.2)
        return np.asarray(cold_degc + (top_degc - cold_degc) * part**power)

    return port


# What warms the leaving and the entering pipe: never what lies between the sensors at the loop's two ports.
_PORTS: Sequence[tuple[Port, Port]] = [
    (_at(0), _at(1)),
    (_at(0), _at(3)),
    (_at(2), _at(3)),
    (_at(3), _at(0)),
    (_late_front(2, 3.0), _late_front(3, 0.3)),
    (_late_front(2, 0.3), _late_front(3, 2.0)),
]


@cache
def _house(start: date, scenario: str = "heat-pump-tank") -> VirtualRun:
    return simulate(SCENARIOS[scenario], start=start, days=_DAYS, seed=2)


def _told(
    traces: Traces, start: date, scenario: str = "heat-pump-tank"
) -> list[tuple[int, Mapping[str, float | int | str | None]]]:
    """The days on which an offset of the loop's pair was told, with its evidence."""
    run, state, found = _house(start, scenario), None, []
    history: list[DayLedger] = []
    for n in range(_DAYS):
        day = local_day(start + timedelta(days=n), run.site.timezone)
        account = account_day(run.site, day_traces(traces, *window(day)), day, state=state)
        verdict = SensorOffset().assess(account.plant, history, _LOOPS[scenario])
        if isinstance(verdict, Fault):
            found.append((n, verdict.findings[0].evidence))
        state = account.state
        history.append(account.ledger)
    return found


def _followed(time_ms: NDArray[np.int64], degc: Degc, lag_s: float) -> Degc:
    """What a pipe makes of a temperature that it follows late."""
    steps = 1.0 - np.exp(-np.diff(time_ms) / 1000.0 / lag_s)
    late = [float(degc[0])]
    for step, to_degc in zip(steps.tolist(), degc[1:].tolist(), strict=True):
        late.append(late[-1] + step * (to_degc - late[-1]))
    return np.array(late)


def _warmed(run: VirtualRun, ports: tuple[Port, Port], parts: tuple[float, float], *, lag_s: float) -> Traces:
    """Half an hour after the flow has stopped, both pipes take a part of their ports' warmth."""
    loop = _LOOPS["boiler-backup" if "boiler" in run.site.loops else "heat-pump-tank"]
    (tank,) = run.site.tanks.values()
    altered, flow = dict(run.traces), run.traces[f"{loop}.flow"]
    moving_ms = flow.time_ms[flow.value > 0.02]
    for point, port, part in zip((f"{loop}.leaving", f"{loop}.entering"), ports, parts, strict=True):
        pipe = altered[point]
        since = np.searchsorted(moving_ms, pipe.time_ms, side="right") - 1
        rests = (since < 0) | (pipe.time_ms - moving_ms[np.maximum(since, 0)] > 1_800_000)
        row = [np.interp(pipe.time_ms, altered[each].time_ms, altered[each].value) for each in tank.temperatures]
        water_degc = _followed(pipe.time_ms, port(np.array(row)), lag_s)
        altered[point] = Trace(pipe.time_ms, pipe.value + part * rests * (water_degc - pipe.value))
    return altered


@pytest.mark.parametrize("start", [date(2026, 1, 5), date(2026, 7, 5)], ids=str)
def test_sound_pipes_that_any_water_of_the_tank_warms_are_told_on_no_day(start: date) -> None:
    false = [
        (ports, parts)
        for ports in range(len(_PORTS))
        for parts in _PARTS
        if _told(_warmed(_house(start), _PORTS[ports], parts, lag_s=2400.0), start)
    ]
    assert false == []


@pytest.mark.parametrize("ports", [(_at(0), _at(2)), (_at(1), _at(2)), (_at(2), _at(0))])
def test_pipes_of_a_boiler_that_seldom_runs_are_told_on_no_day_of_a_summer(ports: tuple[Port, Port]) -> None:
    start, scenario = date(2026, 7, 5), "boiler-backup"
    false = [
        parts
        for parts in [(0.0, 0.05), (0.05, 0.0)]
        if _told(_warmed(_house(start, scenario), ports, parts, lag_s=2400.0), start, scenario)
    ]
    assert false == []


def _apart_k(run: VirtualRun, start: date) -> float:
    """By how much the house's own two sensors differ."""
    true = simulate(SCENARIOS["heat-pump-tank"], start=start, days=1, seed=2, perfect=True).traces
    own_k = [
        np.median(run.traces[point].value[: len(true[point].value)] - true[point].value)
        for point in ("load.entering", "load.leaving")
    ]
    return float(own_k[1] - own_k[0])


@pytest.mark.parametrize("offset_k", [0.3, -0.3])
@pytest.mark.parametrize("start", [date(2026, 1, 5), date(2026, 7, 5)], ids=str)
def test_an_offset_of_the_pair_is_told_within_a_week(start: date, offset_k: float) -> None:
    _assert_told(start, offset_k, since=0, within=7)


@pytest.mark.parametrize("offset_k", [0.3, -0.3])
@pytest.mark.parametrize("start", [date(2026, 1, 5), date(2026, 7, 5)], ids=str)
def test_an_offset_that_comes_to_a_pair_that_agreed_beside_as_warm_a_tank_is_told_in_three_days(
    start: date, offset_k: float
) -> None:
    _assert_told(start, offset_k, since=5, within=3)


def _assert_told(start: date, offset_k: float, *, since: int, within: int) -> None:
    run = _house(start)
    pipe = run.traces["load.leaving"]
    came_ms = local_day(start + timedelta(days=since), run.site.timezone).start_ms + (since > 0) * 36_000_000
    off_k = offset_k * (pipe.time_ms >= came_ms) - _apart_k(run, start)
    told = _told({**run.traces, "load.leaving": Trace(pipe.time_ms, pipe.value + off_k)}, start)
    assert told
    assert since < told[0][0] <= since + within
    assert told[0][1]["difference_k"] == pytest.approx(0.3, abs=0.05)
    assert told[0][1]["higher"] == ("load.leaving" if offset_k > 0 else "load.entering")
