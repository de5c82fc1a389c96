"""
The pure part of the watcher's work: consecutive days of one site, from readings to ledgers and alerts.

A job holds all that is needed and nothing that cannot be sent to another process; the same job gives the same
outcomes, to the bit.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from analytics.day import CarriedState, DayResult, account_day, state_from_json, state_to_json, window
from analytics.detection import assess_day
from analytics.expected.nearby import NearbySun
from analytics.expected.watching import Watched, watched_to_json
from analytics.figures import DayLedger, day_from_json, day_to_record
from analytics.trace import EMPTY_TRACE, LocalDay, Trace, local_day
from api.alerting import alerts_after
from api.expecting import detectors_knowing, expected_so_far, watched_on
from api.sites import parsed

__all__ = [
    "EDGE_MS",
    "HISTORY_DAYS",
    "MAX_SILENT_DAYS",
    "Accounted",
    "DayJob",
    "DayOutcome",
    "DayTask",
    "account_again",
    "compute_days",
    "day_window",
]

# So far back the judgements of a day look (analytics.detection).
HISTORY_DAYS = 60
# Read ledgers that are kept: the history of some eight sites, some 20 MB.
_KEPT_LEDGERS = 512
# After a month without any reading the account pauses, and begins anew with the next reading.
MAX_SILENT_DAYS = 31
# Readings so close to midnight make no day of their own: they close the day beside, by a clock that is a little off.
EDGE_MS = 600_000


@dataclass(frozen=True, slots=True)
class DayTask:
    """One day to compute, with the text of the site file that held on it; `until_ms` while the day is running."""

    day: str
    text: str
    digest: str
    until_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DayJob:
    """
    Consecutive days of a site.

    Args:
        traces: Readings of all points, from the first task's window to the end of the last one's.
        state: What the day before the first one handed over (JSON), None where there is none.
        alerts: The alerts' state at the end of that day (JSON).
        history: Ledgers (text of JSON) of up to HISTORY_DAYS days before the first task, oldest first.
        silent_days: Days without readings that end with the day before.
        nearby: The sun by houses near by, of the days from the one before the first task, where the site needs it.
    """

    site: str
    tasks: Sequence[DayTask]
    traces: Mapping[str, Trace]
    state: dict[str, Any] | None
    alerts: list[Any]
    history: Sequence[str]
    silent_days: int
    nearby: NearbySun | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DayOutcome:
    """A computed day as it is stored; `ledger` is None where the account pauses."""

    task: DayTask
    ledger: dict[str, Any] | None
    state: dict[str, Any] | None
    alerts: list[Any]
    silent_days: int


def day_window(day: str, timezone: str) -> tuple[LocalDay, int, int]:
    """A local day, and the span of readings that its account looks at."""
    local = local_day(date.fromisoformat(day), timezone)
    start_ms, end_ms = window(local)
    return local, start_ms, end_ms


def compute_days(job: DayJob) -> Sequence[DayOutcome]:
    """Outcomes of a job's days, in order; each hands its state to the next."""
    outcomes: list[DayOutcome] = []
    history = [_kept(job.site, text) for text in job.history]
    state, alerts, silent_days = job.state, job.alerts, job.silent_days
    expected = expected_so_far(state)
    for task in job.tasks:
        outcome, ledger, expected = _compute_day(
            job, task, state=state, expected=expected, alerts=alerts, history=history, silent_days=silent_days
        )
        outcomes.append(outcome)
        history = [*history, ledger][-HISTORY_DAYS:] if ledger is not None else []
        state, alerts, silent_days = outcome.state, outcome.alerts, outcome.silent_days
    return outcomes


@lru_cache(_KEPT_LEDGERS)
def _kept(site: str, text: str) -> DayLedger:
    """A ledger of the records; a day that is computed again looks back on days that were read for the last one."""
    return day_from_json(site, msgspec.json.decode(text))


def _compute_day(
    job: DayJob,
    task: DayTask,
    *,
    state: dict[str, Any] | None,
    expected: Mapping[str, Watched],
    alerts: list[Any],
    history: Sequence[DayLedger],
    silent_days: int,
) -> tuple[DayOutcome, DayLedger | None, Mapping[str, Watched]]:
    site = parsed(task.text)
    local, _, _ = day_window(task.day, site.timezone)
    silent_days = 0 if _has_reading(job.traces, local) else silent_days + 1
    if silent_days > MAX_SILENT_DAYS:
        return _pause(task, alerts=alerts, silent_days=silent_days), None, {}
    result = account_again(task, job.traces, state).result
    # The ledger goes through its JSON, so that history read back from the records is the same to the bit.
    ledger_json = day_to_record(result.ledger)
    ledger = day_from_json(job.site, ledger_json)
    verdicts = assess_day(result.plant, history, detectors=detectors_knowing(expected, job.nearby))
    after = alerts_after(alerts, verdicts, timezone=site.timezone)
    if task.until_ms is None:  # A day that is not over tells nothing of what it will have given.
        earlier = history[-1] if history else None
        expected = watched_on(task.text, expected, ledger, alerts=after, earlier=earlier, nearby=job.nearby)
    outcome = DayOutcome(
        task=task,
        ledger=ledger_json,
        state={**_null_for_nan(state_to_json(result.state)), "expected": watched_to_json(expected)},
        alerts=after,
        silent_days=silent_days,
    )
    return outcome, ledger, expected


@dataclass(frozen=True, slots=True)
class Accounted:
    """A day's account, and the state that it began with."""

    result: DayResult
    before: CarriedState | None


def account_again(task: DayTask, traces: Mapping[str, Trace], state: dict[str, Any] | None) -> Accounted:
    """
    A day's account from its readings.

    Args:
        traces: Over the day's window at least.
        state: What the day before left (JSON), None where there is none.
    """
    site = parsed(task.text)
    local, start_ms, end_ms = day_window(task.day, site.timezone)
    bounds_ms = np.array((start_ms, end_ms))
    cut = {point: _cut(traces.get(point, EMPTY_TRACE), bounds_ms) for point in site.points}
    before = None if state is None else state_from_json(_nan_for_null(state))
    return Accounted(account_day(site, cut, local, state=before, until_ms=task.until_ms), before)


def _null_for_nan(data: Any) -> Any:
    """JSON has no NaN; what is not known is null in the records."""
    if isinstance(data, dict):
        return {key: _null_for_nan(value) for key, value in data.items()}
    return None if isinstance(data, float) and math.isnan(data) else data


def _nan_for_null(data: Any) -> Any:
    if isinstance(data, dict):
        return {key: _nan_for_null(value) for key, value in data.items()}
    return math.nan if data is None else data


def _pause(task: DayTask, *, alerts: list[Any], silent_days: int) -> DayOutcome:
    return DayOutcome(task=task, ledger=None, state=None, alerts=alerts, silent_days=silent_days)


def _has_reading(traces: Mapping[str, Trace], day: LocalDay) -> bool:
    """Whether anything was said on a day, but for what belongs to the day before or after."""
    for trace in traces.values():
        first, last = np.searchsorted(trace.time_ms, (day.start_ms + EDGE_MS, day.end_ms - EDGE_MS))
        if last > first:
            return True
    return False


def _cut(trace: Trace, bounds_ms: NDArray[np.int64]) -> Trace:
    first, last = trace.time_ms.searchsorted(bounds_ms).tolist()
    return Trace(trace.time_ms[first:last], trace.value[first:last])
