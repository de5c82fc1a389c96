"""
The demonstration's past: houses live through some weeks, and what their sensors said is stored and accounted for.

The data folder is used again where it holds the same fleet and is not older than two days; the houses then live
through what they missed.
"""

import json
import os
import pickle
import shutil
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import date
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from analytics.trace import Trace
from api.compute import compute_due, process_pool
from api.demo_houses import LivedHouse, live_history
from api.demo_plan import DemoPlan
from api.migrate import open_records
from api.open_store import open_store
from api.records import Records
from api.settings import Settings, SettingsError, require_data
from api.sites import add_version
from api.watcher import Progress, new_watch
from ingest.store import Batch, ReadingStore
from ingest.virtual.fleet import DEMO_FLEET, FleetHouse
from ingest.virtual.run import LiveSite
from ingest.virtual.scenario import site_of

__all__ = ["Bars", "make_history"]

Bars = Callable[[str], AbstractContextManager[Progress]]
"""Opens a progress bar for a phase, named by what is counted."""

_MARK = "demo.json"
_LOG = "heatledger.log"
_HOUSES_FOLDER = "houses"
_DAY_MS = 86_400_000
_USABLE_FOR_MS = 2 * _DAY_MS
# A write of so many readings is a quarter of a second and 50 MB.
_ROWS_A_WRITE = 1_000_000


def make_history(
    settings: Settings, plan: DemoPlan, *, now_ms: int, say: Callable[[str], None], bar: Bars
) -> Mapping[str, LiveSite]:
    """
    Fill the data folder with the houses' past, or with what is missing of it, and account for it.

    Returns:
        Each house by site id, ready to live on from `now_ms`.
    Raises:
        SettingsError: If the folder holds something else.
    """
    data = require_data(settings)
    is_made = _is_usable(data, plan, now_ms)
    if not is_made:
        _clear(data)
    with open_records(settings.resolved_records_url) as records, open_store(settings) as store:
        if is_made:
            say(f"The houses of {data} live on")
            lives = _catch_up(data, plan, store, now_ms=now_ms)
        else:
            say(f"{plan.n_houses} invented houses live through {plan.days} days, in {data}")
            lives = _live_all(settings, plan, records=records, store=store, now_ms=now_ms, bar=bar)
        say("Their heat is accounted for")
        with bar("days accounted") as tell:
            watch = new_watch(records, store)
            report = compute_due(watch, now_ms=now_ms, is_live=True, workers=settings.workers, progress=tell)
    for failure in report.failures:
        raise failure.error
    _write_mark(data, plan, now_ms=now_ms, is_complete=True)
    return lives


def _live_all(
    settings: Settings, plan: DemoPlan, *, records: Records, store: ReadingStore, now_ms: int, bar: Bars
) -> Mapping[str, LiveSite]:
    data = require_data(settings)
    _write_mark(data, plan, now_ms=now_ms, is_complete=False)
    (data / _HOUSES_FOLDER).mkdir(exist_ok=True)
    workers = min(settings.workers or os.cpu_count() or 1, plan.n_houses)
    lives: dict[str, LiveSite] = {}
    with process_pool(workers) as pool, bar("houses") as tell:
        tell(0, plan.n_houses)
        running = [pool.submit(live_history, house, plan.days, now_ms) for house in _houses(plan)]
        while running:
            # In the order of the fleet, and let go of at once: a house's readings are some 100 MB.
            lived = running.pop(0).result()
            _settle_in(data, lived, records=records, store=store, now_ms=now_ms)
            lives[lived.house.scenario.site_id] = lived.live
            tell(len(lives), plan.n_houses)
    return lives


def _settle_in(data: Path, lived: LivedHouse, *, records: Records, store: ReadingStore, now_ms: int) -> None:
    scenario = lived.house.scenario
    site = site_of(scenario)
    with records.begin() as session:
        add_version(session, scenario.site_toml, valid_from=None, today=date.min, now_ms=now_ms)
    _write(store, site.id, lived.traces)
    _house_file(data, lived.house).write_bytes(pickle.dumps(lived.live))


def _houses(plan: DemoPlan) -> Sequence[FleetHouse]:
    return DEMO_FLEET[: plan.n_houses]


def _house_file(data: Path, house: FleetHouse) -> Path:
    return data / _HOUSES_FOLDER / f"{house.scenario.site_id}.pickle"


def _catch_up(data: Path, plan: DemoPlan, store: ReadingStore, *, now_ms: int) -> Mapping[str, LiveSite]:
    """The houses as they were when they were made, and their readings from then until now."""
    lives: dict[str, LiveSite] = {}
    for house in _houses(plan):
        live: LiveSite = pickle.loads(_house_file(data, house).read_bytes())
        _write(store, house.scenario.site_id, live.advance(max(now_ms, live.now_ms)))
        lives[house.scenario.site_id] = live
    return lives


def _write(store: ReadingStore, site: str, traces: Mapping[str, Trace]) -> None:
    """Write traces in order of time, as they would have come."""
    names = [(site, point) for point in traces]
    counts = [len(trace.time_ms) for trace in traces.values()]
    series = np.repeat(np.arange(len(names), dtype=np.int32), counts)
    time_ms = np.concatenate([trace.time_ms for trace in traces.values()])
    value = np.concatenate([trace.value for trace in traces.values()])
    order = np.argsort(time_ms, kind="stable")
    for first in range(0, len(order), _ROWS_A_WRITE):
        rows = order[first : first + _ROWS_A_WRITE]
        store.write(Batch(names, series[rows], time_ms[rows], value[rows]))


def _mark_of(plan: DemoPlan) -> dict[str, object]:
    return {
        "program": version("heatledger"),
        "houses": [house.scenario.site_id for house in _houses(plan)],
        "days": plan.days,
    }


def _write_mark(data: Path, plan: DemoPlan, *, now_ms: int, is_complete: bool) -> None:
    data.mkdir(parents=True, exist_ok=True)
    mark = {**_mark_of(plan), "made_ms": now_ms, "is_complete": is_complete}
    (data / _MARK).write_text(json.dumps(mark))


def _read_mark(data: Path) -> dict[str, Any] | None:
    try:
        mark = json.loads((data / _MARK).read_text())
    except (OSError, ValueError):
        return None
    return mark if isinstance(mark, dict) else None


def _is_usable(data: Path, plan: DemoPlan, now_ms: int) -> bool:
    """Whether the folder holds this very fleet, whole and not long left alone."""
    mark = _read_mark(data)
    if (
        mark is None
        or not mark.get("is_complete")
        or any(mark.get(key) != value for key, value in _mark_of(plan).items())
    ):
        return False
    return 0 <= now_ms - mark["made_ms"] <= _USABLE_FOR_MS and all(
        _house_file(data, each).is_file() for each in _houses(plan)
    )


def _clear(data: Path) -> None:
    """Empty a folder of an earlier demonstration; leave everything else alone."""
    if not data.exists() or all(path.name == _LOG for path in data.iterdir()):
        return
    if _read_mark(data) is None:
        raise SettingsError(f"{data} holds something else than a demonstration; name an empty folder, or a new one")
    shutil.rmtree(data / _HOUSES_FOLDER, ignore_errors=True)
    for path in data.iterdir():
        if path.name.startswith(("readings.duckdb", "records.db", _LOG, "service.json")):
            path.unlink()
