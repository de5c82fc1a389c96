"""A virtual house as files: its site file, its readings (wide CSV or Parquet) and its truth."""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Literal

import duckdb
import numpy as np
import pandas as pd

from analytics.trace import Trace
from ingest.virtual.faults import Fault
from ingest.virtual.run import Progress, VirtualRun, run_days
from ingest.virtual.scenario import Scenario, site_of
from ingest.virtual.truth import DayTruth, truth_to_json

__all__ = ["FileFormat", "Written", "write_run", "write_scenario"]

FileFormat = Literal["csv", "parquet"]

_DAYS_AT_ONCE = 20


@dataclass(frozen=True)
class Written:
    """What was written, and how many readings."""

    site: Path
    readings: Path
    truth: Path
    n_readings: int


@dataclass(frozen=True, kw_only=True)
class _Story:
    """What the truth file says of the run as a whole."""

    scenario: Scenario
    seed: int
    perfect: bool
    faults: Sequence[Fault]


def write_run(
    run: VirtualRun, out: Path, *, file_format: FileFormat = "parquet", progress: Progress | None = None
) -> Written:
    """
    A finished run as `site.toml`, `readings.csv` or `readings.parquet`, and `truth.json` in the folder `out`.

    Readings have a first column `time` in UTC and one column a point; an empty cell is no reading.
    """
    story = _Story(scenario=run.scenario, seed=run.seed, perfect=run.perfect, faults=run.faults)
    written = _write(story, out, parts=[run.traces], truth=run.truth, file_format=file_format)
    if progress:
        progress(len(run.truth), len(run.truth))
    return written


def write_scenario(
    scenario: Scenario,
    out: Path,
    *,
    start: date,
    days: int,
    seed: int = 0,
    perfect: bool = False,
    faults: Sequence[Fault] = (),
    file_format: FileFormat = "parquet",
    progress: Progress | None = None,
) -> Written:
    """Simulate and write at once, without holding the whole run: for years at a time. Files as `write_run`."""
    truth: list[DayTruth] = []

    def parts() -> Iterable[Mapping[str, Trace]]:
        for day in run_days(scenario, start=start, days=days, seed=seed, perfect=perfect, faults=faults):
            truth.append(day.truth)
            yield day.traces
            if progress:
                progress(len(truth), days)

    story = _Story(scenario=scenario, seed=seed, perfect=perfect, faults=faults)
    return _write(story, out, parts=parts(), truth=truth, file_format=file_format)


def _write(
    story: _Story,
    out: Path,
    *,
    parts: Iterable[Mapping[str, Trace]],
    truth: Sequence[DayTruth],
    file_format: FileFormat,
) -> Written:
    out.mkdir(parents=True, exist_ok=True)
    written = out / "site.toml", out / f"readings.{file_format}", out / "truth.json"
    n_readings = _write_readings(list(site_of(story.scenario).points), parts, written[1])
    written[0].write_text(_site_text(story.scenario, truth[0].day), encoding="utf-8")
    written[2].write_text(json.dumps(_truth(story, truth), indent=1) + "\n", encoding="utf-8")
    return Written(*written, n_readings)


def _site_text(scenario: Scenario, began: date) -> str:
    """The site file; a house with a past was commissioned before it."""
    stated = site_of(scenario).commissioned
    if stated is None or stated <= began:
        return scenario.site_toml
    return scenario.site_toml.replace(f"commissioned = {stated}", f"commissioned = {began}")


def _write_readings(points: Sequence[str], parts: Iterable[Mapping[str, Trace]], path: Path) -> int:
    """Days are gathered in a scratch database, so that memory does not grow with the years."""
    with TemporaryDirectory(dir=path.parent) as scratch, _scratch(Path(scratch)) as database:
        columns = ", ".join(f'"{point}" DOUBLE' for point in points)
        database.execute(f"CREATE TABLE readings (time TIMESTAMP, {columns})")
        n_readings = 0
        waiting: list[pd.DataFrame] = []
        for part in parts:
            waiting.append(_wide(points, part))
            n_readings += sum(len(trace.value) for trace in part.values())
            if len(waiting) >= _DAYS_AT_ONCE:
                _append(database, waiting)
                waiting = []
        _append(database, waiting)
        _copy(database, path)
    return n_readings


def _scratch(folder: Path) -> duckdb.DuckDBPyConnection:
    return duckdb.connect(folder / "scratch.duckdb", config={"memory_limit": "400MB"})


def _append(database: duckdb.DuckDBPyConnection, frames: Sequence[pd.DataFrame]) -> None:
    if frames:
        database.register("frame", pd.concat(frames, ignore_index=True))
        # NaN is how the frame says "no reading"; the files say it with nothing at all.
        columns = ", ".join(f"nullif(\"{name}\", 'nan'::DOUBLE)" for name in frames[0].columns[1:])
        database.execute(f"INSERT INTO readings SELECT time, {columns} FROM frame")
        database.unregister("frame")


def _copy(database: duckdb.DuckDBPyConnection, path: Path) -> None:
    place = str(path).replace("'", "''")
    if path.suffix == ".parquet":
        database.execute(f"COPY readings TO '{place}' (FORMAT parquet, COMPRESSION zstd)")
    else:
        time = "strftime(time, '%Y-%m-%dT%H:%M:%S.%gZ') AS time"
        database.execute(f"COPY (SELECT {time}, * EXCLUDE (time) FROM readings) TO '{place}' (FORMAT csv, HEADER)")


def _wide(points: Sequence[str], traces: Mapping[str, Trace]) -> pd.DataFrame:
    """One row per time stamp, one column a point, NaN where there is no reading."""
    # Points of one gateway share their stamps, so few sets of times make all of them.
    distinct = {id(trace.time_ms): trace.time_ms for trace in traces.values()}
    time_ms = np.unique(np.concatenate(list(distinct.values())))
    frame = {"time": time_ms.astype("datetime64[ms]")}
    for point in points:
        column = np.full(len(time_ms), np.nan)
        column[np.searchsorted(time_ms, traces[point].time_ms)] = traces[point].value
        frame[point] = column
    return pd.DataFrame(frame)


def _truth(story: _Story, days: Sequence[DayTruth]) -> dict[str, Any]:
    site = site_of(story.scenario)
    return {
        "site": site.id,
        "timezone": site.timezone,
        "scenario": story.scenario.layout,
        "seed": story.seed,
        "perfect": story.perfect,
        "faults": [
            {"name": f.name, "start": _iso(f.start_ms), "end": _iso(f.end_ms), "points": list(f.points)}
            for f in story.faults
        ],
        "days": [truth_to_json(day) for day in days],
    }


def _iso(time_ms: int) -> str | None:
    """An instant as text; None for a fault that is never mended."""
    return datetime.fromtimestamp(time_ms / 1000, UTC).isoformat() if time_ms < 2**53 else None
