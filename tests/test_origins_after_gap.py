"""Heat that came into a tank while nothing was heard is of unknown origin, and counts as carried over."""

from datetime import date, timedelta

import pytest

from analytics.figures import DayLedger
from analytics.trace import Trace, local_day
from ingest.virtual import SCENARIOS, simulate, truth_to_json
from tests.accounts import account_days

_HOUR_MS = 3_600_000
_DAYS = 4


def _ledgers(layout: str, start: date, gap_h: tuple[int, int] | None) -> tuple[list[DayLedger], list[dict[str, float]]]:
    """Four days, the second of which is silent for some hours; and the true heat at the taps by origin."""
    run = simulate(SCENARIOS[layout], start=start, days=_DAYS, seed=7, perfect=True)
    traces = dict(run.traces)
    if gap_h is not None:
        day_ms = local_day(start + timedelta(days=1), run.site.timezone).start_ms
        from_ms, to_ms = (day_ms + hour * _HOUR_MS for hour in gap_h)
        for point, trace in run.traces.items():
            heard = (trace.time_ms < from_ms) | (trace.time_ms >= to_ms)
            traces[point] = Trace(trace.time_ms[heard], trace.value[heard])
    days = [start + timedelta(days=n) for n in range(_DAYS)]
    true = [{stage["stage"]: stage["delivered"] for stage in truth_to_json(day)["stages"]} for day in run.truth]
    return [result.ledger for result in account_days(run.site, traces, days)], true


def _delivered(ledger: DayLedger, stage: str) -> float:
    return next(line.delivered.value for line in ledger.stages if line.stage == stage)


@pytest.mark.parametrize(("layout", "idle"), [("two-tank", "backup"), ("solar-one-tank", "backup")])
def test_sun_that_nobody_heard_is_not_given_to_who_was_in_the_tank(layout: str, idle: str) -> None:
    ledgers, true = _ledgers(layout, date(2026, 7, 13), (7, 21))
    for ledger, day in zip(ledgers[2:], true[2:], strict=True):
        assert _delivered(ledger, idle) - day[idle] < 0.1
        assert _delivered(ledger, "sun") <= day["sun"] + 0.1
    carried = [ledger.hot_water.carried_over.value for ledger in ledgers]
    assert max(carried[2:]) > 0.5
    why = ledgers[1].hot_water.carried_over.why
    assert "What came into the tanks while readings were missing counts as carried over." in why
    for ledger in ledgers:
        parts = [line.delivered.value for line in ledger.stages] + [ledger.hot_water.carried_over.value]
        assert sum(parts) == pytest.approx(ledger.hot_water.heat.value, rel=1e-9)


def test_without_gaps_nothing_is_found() -> None:
    ledgers, _ = _ledgers("two-tank", date(2026, 7, 13), None)
    assert not any("while readings were missing" in ledger.hot_water.carried_over.why for ledger in ledgers)
