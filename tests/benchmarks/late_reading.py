"""
A day again after one late reading, in a data folder as a service has it: DuckDB, SQLite, and a watcher's steps.

A house of 25 points a minute has its history accounted, today in progress included. Then a reading of yesterday that
was held back arrives. Measured is from the store having it until yesterday's ledger is in the records, and until today,
where yesterday bears on it, is too; beside it stands computing all days again, as a program without due days would.
"""

import shutil
import tempfile
import time
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from statistics import median

import numpy as np
from numpy.typing import NDArray

from analytics.site import Site
from analytics.trace import local_day
from api.compute import compute_due
from api.day_rows import day_span
from api.due import Watch
from api.migrate import open_records
from api.records import Records
from api.sites import add_version
from api.watcher import new_watch
from api.work import mark_due
from ingest.duckdb_store import open_duckdb_store
from ingest.store import Batch, ReadingStore
from ingest.virtual import SCENARIOS, simulate
from tests.benchmarks import Row, scale
from tests.benchmarks._minutes import months_of_minutes

__all__ = ["run"]

_SCENARIO = SCENARIOS["two-tank"]
_START = date(2026, 1, 1)
_DAYS = {"quick": 30, "usual": 365, "full": 365}
_DAY_MS = 86_400_000
_N_LATE = 9
_LATE_POINT = "dsh.leaving"


def run() -> list[Row]:
    folder = Path(tempfile.mkdtemp(prefix="heatledger-bench-"))
    try:
        with open_records(f"sqlite:///{folder / 'records.db'}") as records, open_duckdb_store(folder) as store:
            return _measured(records, store, _DAYS[scale()])
    finally:
        shutil.rmtree(folder)


def _measured(records: Records, store: ReadingStore, days: int) -> list[Row]:
    site = _site()
    yesterday = local_day(_START + timedelta(days=days - 2), site.timezone)
    now_ms = yesterday.end_ms + 13 * 3_600_000
    with records.begin() as session:
        add_version(session, _minutely(_SCENARIO.site_toml), valid_from=None, today=date.min, now_ms=now_ms)
    held_back = yesterday.start_ms + (10 + np.arange(_N_LATE) // 2) * 3_600_000 + np.arange(_N_LATE) * 420_000
    late = _fill(store, site, days, now_ms=now_ms, held_back=held_back)
    watch = new_watch(records, store)
    compute_due(watch, now_ms=now_ms, is_live=True, workers=1)
    took = [_after(watch, store, site, reading=reading, now_ms=now_ms) for reading in late]
    all_s, n_days = _all_again(watch, site, now_ms=now_ms)
    beside = f"all {n_days} days again: {all_s * 1e3:,.0f} ms"
    return [
        Row(what=what, value=median(seconds) * 1e3, unit="ms", beside=beside, ratio=median(seconds) / all_s)
        for what, seconds in (
            ("late reading to yesterday's ledger", [day for day, _ in took]),
            ("late reading to all that follows from it", [step for _, step in took]),
        )
    ]


def _after(
    watch: Watch, store: ReadingStore, site: Site, *, reading: tuple[int, float], now_ms: int
) -> tuple[float, float]:
    """Seconds from the store having the reading until yesterday's ledger is in the records, and until all is done."""
    time_ms, value = reading
    names, done_at = ((site.id, _LATE_POINT),), []
    store.write(Batch(names, np.zeros(1, np.int32), np.array([time_ms]), np.array([value])))
    started = time.perf_counter()
    report = compute_due(
        watch, now_ms=now_ms, is_live=True, workers=1, progress=lambda *_: done_at.append(time.perf_counter())
    )
    ended = time.perf_counter()
    if report.failures or len(report.accounted + report.judged) not in (1, 2):
        raise AssertionError(f"yesterday and perhaps today were to be computed; it was {report}")
    return done_at[0] - started, ended - started


def _all_again(watch: Watch, site: Site, *, now_ms: int) -> tuple[float, int]:
    with watch.records.begin() as session:
        first, last = day_span(session, site.id) or (_START, _START)
        days = [(first + timedelta(days=n)).isoformat() for n in range((last - first).days + 1)]
        mark_due(session, site.id, days, reason="version")
    started = time.perf_counter()
    report = compute_due(watch, now_ms=now_ms, is_live=True, workers=1)
    if len(report.accounted) != len(days) or report.failures:
        raise AssertionError(f"{len(days)} days were to be accounted; it was {report}")
    return time.perf_counter() - started, len(days)


def _site() -> Site:
    return simulate(_SCENARIO, start=_START, days=1, seed=3).site


def _minutely(toml: str) -> str:
    return toml.replace("interval_s = 10\n", "interval_s = 60\n")


def _fill(
    store: ReadingStore, site: Site, days: int, *, now_ms: int, held_back: Sequence[int]
) -> list[tuple[int, float]]:
    """Write the house's readings up to now, day by day, but for those held back, which are returned: time and value."""
    late: list[tuple[int, float]] = []
    for traces in months_of_minutes(_SCENARIO, _START, days):
        names = tuple((site.id, point) for point in traces)
        series = np.repeat(np.arange(len(traces), dtype=np.int32), [len(trace.time_ms) for trace in traces.values()])
        time_ms = np.concatenate([trace.time_ms for trace in traces.values()])
        value = np.concatenate([trace.value for trace in traces.values()])
        is_due, places = time_ms < now_ms, _places(names, series, time_ms, held_back)
        late += zip(time_ms[places].tolist(), value[places].tolist(), strict=True)
        is_due[places] = False
        for day in np.unique(time_ms[is_due] // _DAY_MS):
            rows = is_due & (time_ms // _DAY_MS == day)
            store.write(Batch(names, series[rows], time_ms[rows], value[rows]))
    if len(late) != _N_LATE:
        raise AssertionError(f"{len(late)} readings were held back; {_N_LATE} were to be")
    return late


def _places(
    names: Sequence[tuple[str, str]], series: NDArray[np.int32], time_ms: NDArray[np.int64], held_back: Sequence[int]
) -> NDArray[np.intp]:
    """Where among a month's rows the readings of the late point are that come next after the times held back."""
    of_point = np.flatnonzero(series == [point for _, point in names].index(_LATE_POINT))
    at_ms = time_ms[of_point]
    places = np.unique(np.searchsorted(at_ms, [at for at in held_back if at > at_ms[0]]))
    return of_point[places[places < len(at_ms)]]
