"""
Readings in one DuckDB file in the data folder: the store of the embedded default.

Who may write: one process at a time. DuckDB locks the file; a second process gets a `StoreBusyError` that says who
holds it. Inside the process any thread may write (they take turns) and read (each sees whole batches only).

What is promised after a crash: a batch, its new series and its news are one transaction, on disk when `write` returns.
A crash before that leaves nothing of the batch, so it can be sent again; a crash after it makes the repetition a batch
of duplicates. There is no primary key: exactness rests on all writes passing `write`, which looks up every reading
that is not later than all readings of its series, and only those.

What is not promised: that rows lie on disk in the order of time after late readings (`read` puts them in order), and
that news stay apart for ever (old news of one site and day grow together, to the newest cursor).

Rows go down in order of time, then series, as they arrive: 2 to 3 bytes a reading, and one site's day out of 500 sites'
in 20 ms by the zone maps on time. Sorted by site after the day is closed it would be read in 4 ms, but take 5 to 7
bytes, since times that repeat all over the fleet are what compresses best.
"""

import re
import threading
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

import duckdb
import numpy as np
from numpy.typing import NDArray

from analytics.trace import EMPTY_TRACE, Trace
from ingest.batch import SortedRows, day_runs, judge, require_finite, sort_rows
from ingest.store import Batch, News, StoreBusyError, StoreUnavailableError, WriteCounts

__all__ = ["DuckDBStore", "open_duckdb_store"]

FILE_NAME = "readings.duckdb"
_DAY_MS = 86_400_000
_NEVER_MS = np.iinfo(np.int64).min
_NEWS_ROWS_TO_COMPACT = 500_000  # some 1000 commits of 500 sites: growing them together costs 1 % of the writes
_LATEST_WINDOWS_MS = (3_600_000, _DAY_MS, 30 * _DAY_MS)  # where the last readings are looked for before all is searched
_BLOCK_BYTES = 65_536  # a quarter of DuckDB's own: a column of a row group fills its blocks, a third less on disk
_SCHEMA = """
create table if not exists site (id integer, name varchar);
create table if not exists series (id integer, site integer, point varchar);
create table if not exists reading (series integer, time_ms bigint, value double);
create table if not exists news (seq bigint, site integer, first_ms bigint, last_ms bigint);
"""
_NEWS_TOGETHER = (
    "select max(seq) as seq, site, min(first_ms) as first_ms, max(last_ms) as last_ms from news where seq > ? "
    f"group by site, first_ms // {_DAY_MS}, last_ms // {_DAY_MS}"
)
_NEWS_EACH = "select seq, site, first_ms, last_ms from news where seq > ?"
_FEW_NEWS = 100  # so few are told sooner each for itself than together


def open_duckdb_store(folder: Path, *, read_only: bool = False) -> "DuckDBStore":
    """
    Open the readings of a data folder, which is created where it does not exist.

    Args:
        folder: The data folder; the readings lie in `readings.duckdb` in it.
        read_only: Several processes may read at once, while none writes. A folder without readings reads as empty.
    Raises:
        StoreBusyError: If another process holds the readings; says which, and what to do.
        StoreUnavailableError: If the file cannot be opened or is not one of ours.
    """
    return DuckDBStore(_connect(folder, read_only=read_only), file=folder / FILE_NAME)


def _connect(folder: Path, *, read_only: bool) -> duckdb.DuckDBPyConnection:
    file = folder / FILE_NAME
    try:
        if read_only and not file.exists():
            connection = duckdb.connect(":memory:")
            connection.execute(_SCHEMA)
            return connection
        if not read_only:
            folder.mkdir(parents=True, exist_ok=True)
        connection = duckdb.connect(str(file), read_only=read_only, config={"default_block_size": _BLOCK_BYTES})
        if not read_only:
            connection.execute(_SCHEMA)
        return connection
    except OSError as error:
        raise StoreUnavailableError(f"the data folder {folder} cannot be made: {error.strerror}") from error
    except duckdb.Error as error:
        raise _opening_error(file, str(error)) from error


def _opening_error(file: Path, message: str) -> StoreUnavailableError:
    if "lock" in message:
        holder = re.search(r"PID (\d+)", message)
        who = f"process {holder[1]}" if holder else "another process"
        return StoreBusyError(
            f"the readings in {file} are in use by {who}; stop `heatledger serve` or `heatledger demo` "
            "on this folder first, or ask the running service on its web address"
        )
    if "not a valid DuckDB" in message:
        return StoreUnavailableError(
            f"{file} is not a readings file of heatledger; move it away, or name another data folder"
        )
    return StoreUnavailableError(f"the readings in {file} cannot be opened: {message.splitlines()[0]}")


class DuckDBStore:
    """The `ReadingStore` of one data folder; made by `open_duckdb_store`."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, *, file: Path) -> None:
        self._file = file
        self._root = connection
        self._writing = threading.Lock()
        self._opening = threading.Lock()
        self._sites: dict[str, int] = {}
        self._series: dict[tuple[str, str], int] = {}
        self._site_of = np.empty(0, np.int32)
        # For each series: no reading is later than `_high_ms`; `_last` is the reading at it, NaN where not looked up.
        self._high_ms = np.empty(0, np.int64)
        self._last = np.empty(0, np.float64)
        self._names_known: tuple[object, NDArray[np.int32]] = (None, np.empty(0, np.int32))
        self._seq = self._n_news = 0
        with self._reporting():
            self._remember()

    def write(self, batch: Batch) -> WriteCounts:
        require_finite(batch)
        if not len(batch):
            return WriteCounts()
        with self._writing, self._reporting(), self._cursor() as cursor:
            cursor.begin()
            try:
                series = self._ids(cursor, batch.names)[batch.series]
                rows = sort_rows(series, np.asarray(batch.time_ms, np.int64), np.asarray(batch.value, np.float64))
                counts, written = self._put(cursor, rows)
                cursor.commit()
            except BaseException:
                self._forget(cursor)
                raise
            self._learn(written)
            return counts

    def read(self, site: str, points: Sequence[str], *, start_ms: int, end_ms: int) -> Mapping[str, Trace]:
        known = self._series  # replaced as a whole by the writer, so a reader sees all of a batch's series or none
        ids = {point: known[site, point] for point in points if (site, point) in known}
        if not ids:
            return dict.fromkeys(points, EMPTY_TRACE)
        with self._reporting(), self._cursor() as cursor:
            found = cursor.execute(
                f"select series, time_ms, value from reading where {_one_of(ids.values())} "
                "and time_ms >= ? and time_ms < ?",
                [start_ms, end_ms],
            ).fetchnumpy()
        series, time_ms, value = (np.asarray(found[name]) for name in ("series", "time_ms", "value"))
        order = _by_series(series, time_ms)
        series, time_ms, value = series[order], time_ms[order], value[order]
        wanted = np.fromiter(ids.values(), series.dtype, len(ids))  # another type would have the rows cast to it
        firsts, lasts = (series.searchsorted(wanted, side=side).tolist() for side in ("left", "right"))
        spans = zip(ids, firsts, lasts, strict=True)
        traces = {point: Trace(time_ms[first:last], value[first:last]) for point, first, last in spans}
        return {point: traces.get(point, EMPTY_TRACE) for point in points}

    def span(self, site: str) -> tuple[int, int] | None:
        # News name the first and last reading of every write and no reading is ever taken back, so this is exact.
        with self._reporting(), self._cursor() as cursor:
            sql = "select min(first_ms), max(last_ms) from news where site = ?"
            first_ms, last_ms = cursor.execute(sql, [self._sites.get(site, -1)]).fetchall()[0]
        return None if first_ms is None else (first_ms, last_ms)

    def latest(self, site: str) -> Mapping[str, tuple[int, float]]:
        with self._writing, self._reporting():
            ids = {point: i for (of, point), i in self._series.items() if of == site}
            self._look_up_last(np.array([i for i in ids.values() if np.isnan(self._last[i])], np.int32))
            return {point: (int(self._high_ms[i]), float(self._last[i])) for point, i in ids.items()}

    def news(self, after: str) -> Sequence[News]:
        """All but the last carry `after` as their cursor: whoever stops half way gets them again, and misses none."""
        names = {number: name for name, number in self._sites.items()}
        with self._reporting(), self._cursor() as cursor:
            newest = int(after or 0)
            is_few = 0 <= self._seq - newest <= _FEW_NEWS
            rows = cursor.execute(_NEWS_EACH if is_few else _NEWS_TOGETHER, [newest]).fetchall()
        rows.sort()
        names |= {number: name for name, number in self._sites.items()}
        cursors = [after] * (len(rows) - 1) + [str(row[0]) for row in rows[-1:]]
        return [News(at, names[row[1]], row[2], row[3]) for at, row in zip(cursors, rows, strict=True)]

    def close(self) -> None:
        with self._writing, self._opening:
            self._root.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @contextmanager
    def _cursor(self) -> Iterator[duckdb.DuckDBPyConnection]:
        with self._opening:
            cursor = self._root.cursor()
        try:
            yield cursor
        finally:
            cursor.close()

    @contextmanager
    def _reporting(self) -> Iterator[None]:
        try:
            yield
        except duckdb.Error as error:
            first_line = str(error).splitlines()[0]
            raise StoreUnavailableError(f"the readings in {self._file} cannot be used: {first_line}") from error

    def _remember(self) -> None:
        with self._cursor() as cursor:
            self._sites = {name: i for i, name in cursor.execute("select id, name from site").fetchall()}
            rows = cursor.execute(
                "select s.id, name, point, s.site from series s join site on site.id = s.site"
            ).fetchall()
            last_of = dict(cursor.execute("select site, max(last_ms) from news group by site").fetchall())
            seq = cursor.execute("select coalesce(max(seq), 0), count(*) from news").fetchall()[0]
        self._seq, self._n_news = seq
        self._series = {(site, point): i for i, site, point, _ in rows}
        self._site_of = np.zeros(len(rows), np.int32)
        self._high_ms = np.full(len(rows), _NEVER_MS, np.int64)
        self._last = np.full(len(rows), np.nan)
        for i, _, _, site_id in rows:
            self._site_of[i] = site_id
            self._high_ms[i] = last_of.get(site_id, _NEVER_MS)

    def _ids(self, cursor: duckdb.DuckDBPyConnection, names: Sequence[tuple[str, str]]) -> NDArray[np.int32]:
        """Ids of series, new ones made; names that come again and again in one order are looked up once."""
        if self._names_known[0] == names:
            return self._names_known[1]
        unknown = [name for name in dict.fromkeys(names) if name not in self._series]
        if unknown:
            self._add_series(cursor, unknown)
        ids = np.fromiter((self._series[name] for name in names), np.int32, len(names))
        if isinstance(names, tuple):
            self._names_known = (names, ids)
        return ids

    def _add_series(self, cursor: duckdb.DuckDBPyConnection, names: Sequence[tuple[str, str]]) -> None:
        new_sites = [site for site in dict.fromkeys(site for site, _ in names) if site not in self._sites]
        if new_sites:
            numbers = range(len(self._sites), len(self._sites) + len(new_sites))
            cursor.execute("insert into site select unnest(?), unnest(?)", [list(numbers), new_sites])
            self._sites = self._sites | dict(zip(new_sites, numbers, strict=True))
        ids = range(len(self._series), len(self._series) + len(names))
        site_ids = [self._sites[site] for site, _ in names]
        columns = [list(ids), site_ids, [point for _, point in names]]
        cursor.execute("insert into series select unnest(?), unnest(?), unnest(?)", columns)
        self._series = self._series | dict(zip(names, ids, strict=True))
        self._site_of = np.append(self._site_of, np.array(site_ids, np.int32))
        self._high_ms = np.append(self._high_ms, np.full(len(names), _NEVER_MS))
        self._last = np.append(self._last, np.full(len(names), np.nan))

    def _put(self, cursor: duckdb.DuckDBPyConnection, rows: SortedRows) -> tuple[WriteCounts, SortedRows]:
        known, old, rowid = self._stored_already(cursor, rows)
        verdict = judge(rows, known, old)
        if verdict.replace.any():
            gone = {"row": rowid[verdict.replace]}
            cursor.register("gone", gone)
            cursor.execute("delete from reading where rowid in (select row from gone)")
        put = verdict.write
        written = SortedRows(rows.series[put], rows.time_ms[put], rows.value[put], rows.value[put], WriteCounts())
        if len(written):
            self._insert(cursor, written)
            self._tell(cursor, written)
        return verdict.counts, written

    def _stored_already(
        self, cursor: duckdb.DuckDBPyConnection, rows: SortedRows
    ) -> tuple[NDArray[np.bool_], NDArray[np.float64], NDArray[np.int64]]:
        """Whether each row is stored, its value and row id. Rows later than all of their series are not looked up."""
        known, old, rowid = np.zeros(len(rows), bool), np.zeros(len(rows)), np.zeros(len(rows), np.int64)
        asked = np.flatnonzero(rows.time_ms <= self._high_ms[rows.series])
        for _, first_ms, last_ms in day_runs(np.zeros(len(asked), np.int32), rows.time_ms[asked]):
            part = asked[(rows.time_ms[asked] >= first_ms) & (rows.time_ms[asked] <= last_ms)]
            cursor.register("asked", {"i": part, "series": rows.series[part], "time_ms": rows.time_ms[part]})
            found = cursor.execute(
                "select i, r.rowid as row, value from reading r join asked using (series, time_ms) "
                "where r.time_ms between ? and ? and r.series between ? and ?",
                [first_ms, last_ms, int(rows.series[part].min()), int(rows.series[part].max())],
            ).fetchnumpy()
            i = found["i"]
            known[i], old[i], rowid[i] = True, found["value"], found["row"]
        return known, old, rowid

    def _insert(self, cursor: duckdb.DuckDBPyConnection, rows: SortedRows) -> None:
        cursor.register("put", {"series": rows.series, "time_ms": rows.time_ms, "value": rows.value})
        cursor.execute("insert into reading select series, time_ms, value from put")

    def _tell(self, cursor: duckdb.DuckDBPyConnection, rows: SortedRows) -> None:
        runs = list(day_runs(self._site_of[rows.series], rows.time_ms))
        site, first_ms, last_ms = (np.array(column) for column in zip(*runs, strict=True))
        told = {"seq": self._seq + 1 + np.arange(len(runs)), "site": site, "first_ms": first_ms, "last_ms": last_ms}
        cursor.register("told", told)
        cursor.execute("insert into news select seq, site, first_ms, last_ms from told")
        self._seq += len(runs)
        self._n_news += len(runs)
        if self._n_news > _NEWS_ROWS_TO_COMPACT:
            cursor.execute(f"create or replace temp table together as {_NEWS_TOGETHER}", [-1])
            cursor.execute("delete from news")
            cursor.execute("insert into news select seq, site, first_ms, last_ms from together order by seq")
            self._n_news = 0

    def _learn(self, rows: SortedRows) -> None:
        """Note the last reading of each series that was written."""
        is_last = rows.time_ms >= self._high_ms[rows.series]
        series = rows.series[is_last]
        self._high_ms[series] = rows.time_ms[is_last]  # of several in one series the last one holds: rows go by time
        self._last[series] = rows.value[is_last]

    def _forget(self, cursor: duckdb.DuckDBPyConnection) -> None:
        """Take back what a failed write put into memory, by reading the file again."""
        self._names_known = (None, np.empty(0, np.int32))
        cursor.rollback()
        self._remember()

    def _look_up_last(self, series: NDArray[np.int32]) -> None:
        """Find the last reading of series, in ever wider windows before the last time that they can have."""
        for window_ms in (*_LATEST_WINDOWS_MS, None):
            if not len(series):
                return
            high_ms = int(self._high_ms[series].max())
            low_ms = _NEVER_MS if window_ms is None else high_ms - window_ms
            with self._cursor() as cursor:
                found = cursor.execute(
                    f"select series, max(time_ms) as time_ms, arg_max(value, time_ms) as value from reading "
                    f"where {_one_of(series.tolist())} and time_ms >= ? group by series",
                    [low_ms],
                ).fetchnumpy()
            self._high_ms[found["series"]] = found["time_ms"]
            self._last[found["series"]] = found["value"]
            series = series[np.isnan(self._last[series])]


def _one_of(ids: Collection[int]) -> str:
    """Condition on series: a range where they lie close together, since that is twice as quick to scan as a list."""
    low, high = min(ids), max(ids)
    if high - low < 4 * len(ids):
        return f"series between {low} and {high}"
    return f"series in ({','.join(map(str, ids))})"


def _by_series(series: NDArray[np.int32], time_ms: NDArray[np.int64]) -> NDArray[np.intp]:
    """Order by series, then time, for rows that mostly come by time."""
    by_time = np.argsort(time_ms, kind="stable")
    offset = series[by_time] - series.min(initial=np.iinfo(np.int32).max)
    fits = offset.max(initial=0) < 65_536  # 16 bits are sorted by radix
    return by_time[np.argsort(offset.astype(np.uint16) if fits else offset, kind="stable")]
