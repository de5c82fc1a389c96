"""
The readings stores beside each other, on the same readings: write, size on disk, one site's day out of a fleet's days.

InfluxDB is written and read through our own store. VictoriaMetrics, which has no InfluxQL, is written through the same
client at `/api/v2/write` and read by its export API, as in `tests/test_influx_store.py`; nobody counts its duplicates,
which makes it cheaper to write. InfluxDB's size is that of its files soon after the last write, when its write-ahead
log is empty; it packs them closer when they have been cold for hours.
"""

import os
import shutil
import tempfile
import time
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np

from ingest.duckdb_store import open_duckdb_store
from ingest.influx_http import InfluxSettings, line_writer, reading_lines, tag_set
from ingest.influx_store import open_influx_store
from ingest.store import Batch, ReadingStore
from tests.benchmarks import Row, scale
from tests.servers import InfluxServer, Server, VictoriaServer, program, wait_until

__all__ = ["run"]

POINTS_A_SITE = 25
READINGS_A_BATCH = 12_500
DAY_MS = 86_400_000
START_MS = 1_767_571_200_000  # 2026-01-05
# Sites, days, minutes from reading to reading. A fleet's month is thinned to as many readings as its day has, but for
# the full size, which InfluxDB needs hours for.
SIZES = {"quick": (20, 0.1, 1), "usual": (500, 30.0, 30), "full": (500, 30.0, 1)}
N_READS = 7


@dataclass(frozen=True)
class Fleet:
    """So many sites, read every so many minutes for so many days."""

    n_sites: int
    n_days: float
    every_minutes: int = 1

    @property
    def names(self) -> tuple[tuple[str, str], ...]:
        return tuple((f"site-{i:03}", point) for i in range(self.n_sites) for point in points())

    @property
    def n_rounds(self) -> int:
        return round(self.n_days * 1440 / self.every_minutes)

    @property
    def n_readings(self) -> int:
        return self.n_sites * POINTS_A_SITE * self.n_rounds

    @property
    def n_in_window(self) -> int:
        return min(1440 // self.every_minutes, self.n_rounds)

    @property
    def window_ms(self) -> tuple[int, int]:
        """The day in the middle, or all where there is less."""
        start_ms = START_MS + int(self.n_days // 2) * DAY_MS
        return start_ms, start_ms + DAY_MS

    def batches(self) -> Iterator[Batch]:
        """Slow temperatures with a sensor's last digit of noise, in order of time."""
        random = np.random.default_rng(20260105)
        names = self.names
        n_together = max(1, READINGS_A_BATCH // len(names))
        level = random.uniform(10, 70, len(names))
        for first in range(0, self.n_rounds, n_together):
            n_now = min(n_together, self.n_rounds - first)
            steps = random.normal(0, 0.05, (n_now, len(names))).cumsum(axis=0)
            value = np.round(level + steps, 2)
            level = level + steps[-1]
            at_ms = START_MS + self.every_minutes * 60_000 * (first + np.arange(n_now, dtype=np.int64))
            series = np.tile(np.arange(len(names), dtype=np.int32), n_now)
            yield Batch(names, series, np.repeat(at_ms, len(names)), value.ravel())


@dataclass(frozen=True)
class Measured:
    """What one store came to."""

    readings_per_s: float
    bytes_a_reading: float
    site_day_ms: float


def points() -> Sequence[str]:
    return [f"tank.t{i:02}" for i in range(POINTS_A_SITE)]


def run() -> list[Row]:
    """Measure every store that is installed."""
    fleet = Fleet(*SIZES[scale()])
    ours = _in_folder(_duckdb, fleet)
    rows = []
    if program("influxd"):
        rows += _rows(fleet, ours, "influxdb", _in_folder(_influx, fleet))
    if program("victoria-metrics"):
        rows += _rows(fleet, ours, "victoria-metrics", _in_folder(_victoria, fleet))
    return rows


def _rows(fleet: Fleet, ours: Measured, name: str, other: Measured) -> list[Row]:
    often = "every minute" if fleet.every_minutes == 1 else f"every {fleet.every_minutes} minutes"
    days = f"{fleet.n_sites} sites' {fleet.n_days:g} days, read {often}"
    return [
        _row("DuckDB: write", "readings/s", name, ours.readings_per_s, other.readings_per_s),
        _row("DuckDB: size on disk", "bytes/reading", name, ours.bytes_a_reading, other.bytes_a_reading),
        _row(f"DuckDB: one site-day of {days}", "ms", name, ours.site_day_ms, other.site_day_ms),
    ]


def _row(what: str, unit: str, name: str, ours: float, other: float) -> Row:
    beside = f"{name}: {other:,.0f}" if other >= 1000 else f"{name}: {other:.3g}"
    return Row(what=what, value=ours, unit=unit, beside=beside, ratio=ours / other)


def _in_folder(measure: Callable[[Fleet, Path], Measured], fleet: Fleet) -> Measured:
    folder = Path(tempfile.mkdtemp(prefix="heatledger-bench-"))
    try:
        return measure(fleet, folder)
    finally:
        shutil.rmtree(folder)


def _duckdb(fleet: Fleet, folder: Path) -> Measured:
    with open_duckdb_store(folder) as store:
        speed = _write_speed(fleet, store)
    with open_duckdb_store(folder) as store:
        site_day_ms = _site_day_ms(fleet, lambda: _read_store(fleet, store))
    return Measured(speed, _bytes(folder) / fleet.n_readings, site_day_ms)


def _influx(fleet: Fleet, folder: Path) -> Measured:
    # So that the write-ahead log becomes files soon after the last write, and its size does not count.
    os.environ["INFLUXDB_DATA_CACHE_SNAPSHOT_WRITE_COLD_DURATION"] = "1s"
    with InfluxServer(folder) as server:
        settings = InfluxSettings(url=server.url, database=server.new_database(), write_api="v1")
        with open_influx_store(settings) as store:
            speed = _write_speed(fleet, store)
            wait_until(lambda: _bytes(folder / "wal") < 10_000, within_s=120, what="an empty write-ahead log")
            site_day_ms = _site_day_ms(fleet, lambda: _read_store(fleet, store))
        n_bytes = _bytes(folder / "data")
    return Measured(speed, n_bytes / fleet.n_readings, site_day_ms)


def _victoria(fleet: Fleet, folder: Path) -> Measured:
    with VictoriaServer(folder) as server:
        write = line_writer(InfluxSettings(url=server.url, database="readings", token="any", write_api="v2"))
        heads = [f"readings{tag_set({'site': site, 'point': point})}" for site, point in fleet.names]
        start = time.perf_counter()
        for batch in fleet.batches():
            pairs = zip(batch.time_ms.tolist(), batch.value.tolist(), strict=True)
            for lines in reading_lines(heads, batch.series.tolist(), pairs):
                write(lines, "ms")
        speed = fleet.n_readings / (time.perf_counter() - start)
        urllib.request.urlopen(f"{server.url}/internal/force_flush", timeout=60).close()
        site_day_ms = _site_day_ms(fleet, lambda: _export(fleet, server))
    return Measured(speed, _bytes(folder / "victoria") / fleet.n_readings, site_day_ms)


def _write_speed(fleet: Fleet, store: ReadingStore) -> float:
    n_stored, start = 0, time.perf_counter()
    for batch in fleet.batches():
        n_stored += store.write(batch).stored
    if n_stored != fleet.n_readings:
        raise AssertionError(f"{n_stored} of {fleet.n_readings} readings stored")
    return n_stored / (time.perf_counter() - start)


def _read_store(fleet: Fleet, store: ReadingStore) -> int:
    start_ms, end_ms = fleet.window_ms
    found = store.read(_site_asked(fleet), points(), start_ms=start_ms, end_ms=end_ms)
    return sum(len(trace.value) for trace in found.values())


def _export(fleet: Fleet, server: Server) -> int:
    start_ms, end_ms = fleet.window_ms
    match = f'{{__name__="readings_value",site="{_site_asked(fleet)}"}}'
    query = urllib.parse.urlencode({"match[]": match, "start": start_ms / 1000, "end": (end_ms - 1) / 1000})
    url = f"http://127.0.0.1:{server.port}/api/v1/export?{query}"
    with urllib.request.urlopen(url, timeout=60) as answer:
        return sum(len(msgspec.json.decode(line)["values"]) for line in answer.read().splitlines())


def _site_asked(fleet: Fleet) -> str:
    return f"site-{fleet.n_sites // 3:03}"


def _site_day_ms(fleet: Fleet, read: Callable[[], int]) -> float:
    """The median of a few reads, each of which must find all."""
    expected, took = POINTS_A_SITE * fleet.n_in_window, []
    for _ in range(N_READS):
        start = time.perf_counter()
        n_found = read()
        took.append((time.perf_counter() - start) * 1000)
        if n_found != expected:
            raise AssertionError(f"{n_found} readings read, {expected} written")
    return sorted(took)[N_READS // 2]


def _bytes(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
