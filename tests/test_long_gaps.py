"""
A house that is silent for half a day, against its truth: what was not heard is in doubt, not zero.

Perfect sensors, so that all doubt is the gap's.
"""

from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any

import pytest

from analytics.figures import DayLedger, Figure
from analytics.trace import Trace, local_day
from ingest.virtual import SCENARIOS, simulate, truth_to_json
from tests.accounts import account_days

_HOUR_MS = 3_600_000
_STARTS = {"winter": date(2026, 1, 12), "summer": date(2026, 7, 13)}


def _silenced(trace: Trace, from_ms: int, to_ms: int) -> Trace:
    heard = (trace.time_ms < from_ms) | (trace.time_ms >= to_ms)
    return Trace(trace.time_ms[heard], trace.value[heard])


def _day(layout: str, start: date, hours: tuple[int, int]) -> tuple[DayLedger, Mapping[str, Any]]:
    run = simulate(SCENARIOS[layout], start=start, days=1, seed=7, perfect=True)
    midnight_ms = local_day(start, run.site.timezone).start_ms
    from_ms, to_ms = (midnight_ms + hour * _HOUR_MS for hour in hours)
    counters = {point.id for point in run.site.points.values() if point.sampling == "counter"}
    traces = {p: t if p in counters else _silenced(t, from_ms, to_ms) for p, t in run.traces.items()}
    (result,) = account_days(run.site, traces, [start])
    return result.ledger, truth_to_json(run.truth[0])


def _pairs(ledger: DayLedger, truth: Mapping[str, Any]) -> Iterator[tuple[str, Figure, float]]:
    stages = {line["stage"]: line for line in truth["stages"]}
    for line in ledger.stages:
        yield f"heat of {line.stage}", line.heat, stages[line.stage]["heat"]
    yield "volume", ledger.hot_water.volume, truth["hot_water"]["volume"]
    yield "hot water", ledger.hot_water.heat, truth["hot_water"]["heat"]
    for line in ledger.heat_pumps:
        (true,) = [each for each in truth["heat_pumps"] if each["heat_pump"] == line.heat_pump]
        ways = {
            "heating": (line.heating_electricity, line.heating_heat, line.heating_run_hours, line.heating_starts),
            "cooling": (line.cooling_electricity, line.cooling, line.cooling_run_hours, line.cooling_starts),
        }
        for way, figures in ways.items():
            names = ("electricity", "heat" if way == "heating" else "cooling", "run_hours", "starts")
            for name, figure in zip(names, figures, strict=True):
                yield f"{way} {name}", figure, true[way][name]


@pytest.mark.parametrize("hours", [(8, 20), (0, 13), (15, 24)], ids=["by day", "morning", "evening"])
@pytest.mark.parametrize("season", _STARTS)
@pytest.mark.parametrize("layout", SCENARIOS)
def test_the_truth_of_a_day_half_unheard_lies_within_its_intervals(
    layout: str, season: str, hours: tuple[int, int]
) -> None:
    ledger, truth = _day(layout, _STARTS[season], hours)
    outside = [
        f"{name}: {figure.value:.2f} ± {figure.plus_minus:.2f}, truth {true:.2f}"
        for name, figure, true in _pairs(ledger, truth)
        if figure.basis != "unavailable" and abs(figure.value - true) > figure.plus_minus + 0.01 * abs(true) + 0.05
    ]
    assert outside == []


def test_nothing_heard_of_a_part_by_day_is_not_nothing_for_sure() -> None:
    ledger, _ = _day("two-tank", _STARTS["summer"], (6, 21))
    (sun,) = [line for line in ledger.stages if line.stage == "sun"]
    assert sun.heat.value < 0.5
    assert sun.heat.plus_minus > 10
    assert "cover 37% of the day" in sun.heat.why
    assert ledger.purchased.plus_minus > 1
    assert ledger.electricity.pumps.plus_minus > 0.3
    assert ledger.heat_pumps[0].heating_starts.plus_minus > 10


def test_a_gap_of_minutes_is_told_by_its_sides_and_a_longer_one_is_not() -> None:
    start = _STARTS["winter"]
    run = simulate(SCENARIOS["two-tank"], start=start, days=1, seed=7, perfect=True)
    from_ms = local_day(start, run.site.timezone).start_ms + 3 * _HOUR_MS
    backups = []
    for minutes in (0, 14, 45):
        traces = {point: _silenced(trace, from_ms, from_ms + minutes * 60_000) for point, trace in run.traces.items()}
        (result,) = account_days(run.site, traces, [start])
        backups += [line.heat for line in result.ledger.stages if line.stage == "backup"]
    whole, short, long = backups
    assert short.plus_minus < 0.1
    # The element heated for twenty minutes in it.
    assert whole.value - long.value > 1.0
    assert whole.value - long.value < long.plus_minus < 3.0
