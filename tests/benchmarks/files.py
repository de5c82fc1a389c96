"""
Import of files into the DuckDB store, beside `pandas.read_csv` of the same file.

They are not alike: pandas parses the numbers and leaves the times as text; the import also reads and judges the times,
checks every cell, counts duplicates, and has all on disk when it returns.
"""

import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.site import Point, Site
from ingest.duckdb_store import open_duckdb_store
from ingest.files import import_files
from tests.benchmarks import Row, scale

__all__ = ["run"]

POINTS = tuple(f"tank.t{i:02}" for i in range(25))
SITE = Site(
    id="bench",
    name="Bench (invented)",
    timezone="Etc/UTC",
    latitude_deg=0.0,
    longitude_deg=0.0,
    points={point: Point(id=point, quantity="temperature", unit="degC") for point in POINTS},
)
N_MINUTES = {"quick": 2000, "usual": 100_000, "full": 525_600}
NOW_MS = 1_800_000_000_000


def run() -> list[Row]:
    """Measure CSV wide and long, and Parquet."""
    folder = Path(tempfile.mkdtemp(prefix="heatledger-bench-"))
    try:
        return _measure(folder, _readings(N_MINUTES[scale()]))
    finally:
        shutil.rmtree(folder)


def _readings(n_minutes: int) -> pd.DataFrame:
    random = np.random.default_rng(20260105)
    values = np.round(40 + random.normal(0, 0.05, (n_minutes, len(POINTS))).cumsum(axis=0), 2)
    frame = pd.DataFrame(values, columns=POINTS)
    times = pd.date_range("2025-01-01", periods=n_minutes, freq="min", tz="UTC")
    frame.insert(0, "time", times.strftime("%Y-%m-%dT%H:%M:%SZ"))
    return frame


def _measure(folder: Path, frame: pd.DataFrame) -> list[Row]:
    long = frame.iloc[: len(frame) // 4].melt(id_vars="time", var_name="point").sort_values("time", kind="stable")
    frame.to_csv(folder / "wide.csv", index=False)
    long.to_csv(folder / "long.csv", index=False)
    frame.to_parquet(folder / "wide.parquet", index=False)
    n_wide, n_long = len(frame) * len(POINTS), len(long)
    return [
        _row(folder, "wide.csv", n_wide, "pandas.read_csv", pd.read_csv),
        _row(folder, "long.csv", n_long, "pandas.read_csv", pd.read_csv),
        _row(folder, "wide.parquet", n_wide, "pandas.read_parquet", pd.read_parquet),
    ]


def _row(folder: Path, name: str, n_readings: int, other_name: str, other: Callable[[Path], object]) -> Row:
    start = time.perf_counter()
    other(folder / name)
    other_per_s = n_readings / (time.perf_counter() - start)
    ours_per_s = n_readings / _import_s(folder, name, n_readings)
    return Row(
        what=f"import of {name}",
        value=ours_per_s,
        unit="readings/s",
        beside=f"{other_name}: {other_per_s:,.0f}",
        ratio=ours_per_s / other_per_s,
    )


def _import_s(folder: Path, name: str, n_readings: int) -> float:
    with open_duckdb_store(folder / f"data-{name}") as store:
        start = time.perf_counter()
        counts = import_files(SITE, [folder / name], store=store, quarantine=_refuse, now_ms=NOW_MS)
        took_s = time.perf_counter() - start
    if counts.stored != n_readings:
        raise AssertionError(f"{counts} of {n_readings} readings")
    return took_s


def _refuse(*, reason: str, topic: str, payload: bytes, n_readings: int) -> None:
    raise AssertionError(f"nothing should be refused, but {reason} ({topic}, {len(payload)} bytes, {n_readings})")
