"""
Readings in InfluxDB: the store of an installed base.

Schema: `readings,site=SITE,point=POINT value=FLOAT TIME` and `news,site=SITE,writer=WRITER,run=N first=INT,last=INT
ARRIVAL`; the server stamps one request with one time, so a site's runs of days in it are told apart by their number.
InfluxDB keeps one value for a series and time, the last that came, which is just what the protocol asks for.

Who may write: any number of processes, if their settings say `is_shared`; then each looks up what is stored before it
writes, to count duplicates and replacements. A process that writes alone looks up only what is not later than all
readings of its series.

What is promised after a crash: readings are written first, their news after them, and `write` returns when the server
has both on disk. Across several requests InfluxDB has no transaction, so a crash or a lost connection may leave some or
all readings of a batch without news, or with news and no word to the caller. The caller then sends the batch again, as
it must; the readings fall on themselves, and news are told for duplicates too, so no change goes unheard. A watcher may
for that reason hear of a day in which nothing changed. The server's own clock stamps news, so the clocks of the
writers do not matter.

What is not promised: that the counts are exact for readings that two processes write at the same moment.
"""

import threading
import uuid
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from analytics.trace import EMPTY_TRACE, Trace
from ingest.batch import SortedRows, day_runs, judge, require_finite, sort_rows
from ingest.influx_http import InfluxQuery, InfluxSettings, RowsOfSeries, line_writer, reading_lines, tag_set, text
from ingest.store import Batch, News, WriteCounts

__all__ = ["InfluxStore", "open_influx_store"]

_DAY_MS = 86_400_000
_NEVER_MS = np.iinfo(np.int64).min
_SITES_A_QUERY = 50  # beyond, a query over all sites is cheaper than their names


def open_influx_store(settings: InfluxSettings) -> "InfluxStore":
    """
    The readings in an InfluxDB. Nothing is asked of the server yet, so it may be started later.

    Every method raises `StoreUnavailableError` with the server's address while it is away.
    """
    return InfluxStore(settings)


class InfluxStore:
    """The `ReadingStore` of one InfluxDB database; made by `open_influx_store`."""

    def __init__(self, settings: InfluxSettings) -> None:
        self._settings = settings
        self._writer_id = uuid.uuid4().hex[:12]
        self._write_lines = line_writer(settings)
        self._query = InfluxQuery(settings)
        self._writing = threading.Lock()
        self._forget()

    def write(self, batch: Batch) -> WriteCounts:
        require_finite(batch)
        if not len(batch):
            return WriteCounts()
        with self._writing:
            try:
                return self._write(batch)
            except BaseException:
                self._forget()  # what the server took of the batch is not known
                raise

    def read(self, site: str, points: Sequence[str], *, start_ms: int, end_ms: int) -> Mapping[str, Trace]:
        if not points:
            return {}
        where = f"site = {text(site)} AND {_one_of('point', points)}"
        sql = f"SELECT value FROM readings WHERE {where} AND {_between(start_ms, end_ms - 1)} GROUP BY point"
        parts: dict[str, list[RowsOfSeries]] = {}
        for part in self._query(sql):
            parts.setdefault(part.tags["point"], []).append(part)
        return {point: _trace(parts.get(point, [])) for point in points}

    def span(self, site: str) -> tuple[int, int] | None:
        ends = [
            part.rows[0][0]
            for which in ("first", "last")
            for part in self._query(f"SELECT {which}(value) FROM readings WHERE site = {text(site)}")
        ]
        return (ends[0], ends[-1]) if ends else None

    def latest(self, site: str) -> Mapping[str, tuple[int, float]]:
        parts = self._query(f"SELECT last(value) FROM readings WHERE site = {text(site)} GROUP BY point")
        return {part.tags["point"]: part.rows[0] for part in parts}

    def news(self, after: str) -> Sequence[News]:
        """All but the last carry `after` as their cursor: whoever stops half way gets them again, and misses none."""
        until = f"time <= now() - {round(self._settings.settle_s * 1000)}ms" if self._settings.is_shared else "time > 0"
        if after:
            sql = f'SELECT "first", "last" FROM news WHERE time > {int(after)} AND {until} GROUP BY site'
            arrived = _by_site_and_day(self._query(sql, epoch="ns", row=tuple[int, int, int]))
        else:
            arrived = self._all_news(until)
        cursors = [after] * (len(arrived) - 1) + [str(row[0]) for row in arrived[-1:]]
        return [News(cursor, *row[1:]) for cursor, row in zip(cursors, arrived, strict=True)]

    def close(self) -> None:
        """Nothing is held open."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _forget(self) -> None:
        """Start without any knowledge of what is stored."""
        self._series: dict[tuple[str, str], int] = {}
        self._heads: list[str] = []
        self._site_ids: dict[str, int] = {}
        self._site_of = np.empty(0, np.int32)
        self._high_ms = np.empty(0, np.int64)  # no reading of the series is later, as far as this process knows

    def _write(self, batch: Batch) -> WriteCounts:
        series = self._ids(batch.names)[batch.series]
        rows = sort_rows(series, np.asarray(batch.time_ms, np.int64), np.asarray(batch.value, np.float64))
        verdict = judge(rows, *self._stored_already(rows))
        put = verdict.write
        pairs = zip(rows.time_ms[put].tolist(), rows.value[put].tolist(), strict=True)
        for lines in reading_lines(self._heads, rows.series[put].tolist(), pairs):
            self._write_lines(lines, "ms")
        self._tell(rows)
        np.maximum.at(self._high_ms, rows.series, rows.time_ms)
        return verdict.counts

    def _tell(self, rows: SortedRows) -> None:
        """News of all rows, duplicates too: a batch that comes again may be one whose news were lost."""
        sites = list(self._site_ids)
        n_runs: Counter[int] = Counter()
        lines = []
        for site, first_ms, last_ms in day_runs(self._site_of[rows.series], rows.time_ms):
            tags = {"site": sites[site], "writer": self._writer_id, "run": str(n_runs[site])}
            lines.append(f"news{tag_set(tags)} first={first_ms}i,last={last_ms}i")
            n_runs[site] += 1
        self._write_lines("\n".join(lines), "ns")

    def _ids(self, names: Sequence[tuple[str, str]]) -> NDArray[np.int32]:
        unknown = [name for name in dict.fromkeys(names) if name not in self._series]
        if unknown:
            heads = [f"readings{tag_set({'site': site, 'point': point})}" for site, point in unknown]
            sites = list(dict.fromkeys(site for site, _ in unknown))
            last_ms = {} if self._settings.is_shared else self._last_times(sites)
            for site in sites:
                self._site_ids.setdefault(site, len(self._site_ids))
            self._series |= {name: len(self._series) + i for i, name in enumerate(unknown)}
            self._heads += heads
            self._site_of = np.append(self._site_of, np.array([self._site_ids[site] for site, _ in unknown], np.int32))
            high_ms = np.array([last_ms.get(name, _NEVER_MS) for name in unknown], np.int64)
            self._high_ms = np.append(self._high_ms, high_ms)
        return np.fromiter((self._series[name] for name in names), np.int32, len(names))

    def _last_times(self, sites: Sequence[str]) -> Mapping[tuple[str, str], int]:
        where = f"WHERE {_one_of('site', sites)} " if len(sites) <= _SITES_A_QUERY else ""
        parts = self._query(f"SELECT last(value) FROM readings {where}GROUP BY site, point")
        return {(part.tags["site"], part.tags["point"]): part.rows[0][0] for part in parts}

    def _stored_already(self, rows: SortedRows) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
        """Whether each row is stored, and its value."""
        known, old = np.zeros(len(rows), bool), np.zeros(len(rows))
        is_new = np.zeros(len(rows), bool) if self._settings.is_shared else rows.time_ms > self._high_ms[rows.series]
        asked = np.flatnonzero(~is_new)
        for _, first_ms, last_ms in day_runs(np.zeros(len(asked), np.int32), rows.time_ms[asked]):
            part = asked[(rows.time_ms[asked] >= first_ms) & (rows.time_ms[asked] <= last_ms)]
            series, time_ms, value = self._readings_between(rows.series[part], first_ms, last_ms)
            at, is_there = _find(rows.series[part], rows.time_ms[part], among=(series, time_ms))
            known[part], old[part[is_there]] = is_there, value[at[is_there]]
        return known, old

    def _readings_between(
        self, series: NDArray[np.int32], first_ms: int, last_ms: int
    ) -> tuple[NDArray[np.int32], NDArray[np.int64], NDArray[np.float64]]:
        """What is stored of the sites of some series in [first_ms, last_ms]: series, time and value."""
        names = list(self._site_ids)
        sites = [names[i] for i in np.unique(self._site_of[series]).tolist()]
        where = f"{_one_of('site', sites)} AND " if len(sites) <= _SITES_A_QUERY else ""
        sql = f"SELECT value FROM readings WHERE {where}{_between(first_ms, last_ms)} GROUP BY site, point"
        ids, traces = [np.empty(0, np.int32)], [EMPTY_TRACE]
        for part in self._query(sql):
            number = self._series.get((part.tags["site"], part.tags["point"]))
            if number is not None:
                traces.append(_trace([part]))
                ids.append(np.full(len(part.rows), number, np.int32))
        return (
            np.concatenate(ids),
            np.concatenate([trace.time_ms for trace in traces]),
            np.concatenate([trace.value for trace in traces]),
        )

    def _all_news(self, until: str) -> Sequence[tuple[int, str, int, int]]:
        """One piece of news for each site that spans all its readings, with the cursor of the newest news."""
        sql = f'SELECT last("first") FROM news WHERE {until}'
        cursor = [part.rows[0][0] for part in self._query(sql, epoch="ns", row=tuple[int, int])]
        if not cursor:
            return []
        ends: dict[str, list[int]] = {}
        for which in ("first", "last"):
            for part in self._query(f"SELECT {which}(value) FROM readings GROUP BY site"):
                ends.setdefault(part.tags["site"], []).append(part.rows[0][0])
        return [(cursor[0], site, times[0], times[-1]) for site, times in ends.items()]


def _by_site_and_day(parts: Iterable[RowsOfSeries]) -> Sequence[tuple[int, str, int, int]]:
    """News as (arrival, site, first_ms, last_ms); those of one site and day are one, with the newest arrival."""
    together: dict[tuple[str, int, int], tuple[int, int, int]] = {}
    for part in parts:
        for arrival, first_ms, last_ms in part.rows:
            key = (part.tags["site"], first_ms // _DAY_MS, last_ms // _DAY_MS)
            old = together.get(key, (arrival, first_ms, last_ms))
            together[key] = (max(old[0], arrival), min(old[1], first_ms), max(old[2], last_ms))
    return sorted((arrival, site, first, last) for (site, _, _), (arrival, first, last) in together.items())


def _find(
    series: NDArray[np.int32], time_ms: NDArray[np.int64], *, among: tuple[NDArray[np.int32], NDArray[np.int64]]
) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """For each (series, time) its place `among` others, and whether it is there at all."""
    if not len(among[0]):
        return np.zeros(len(series), np.intp), np.zeros(len(series), bool)
    start_ms, n_series = min(time_ms.min(), among[1].min()), int(max(series.max(), among[0].max())) + 1
    key = (time_ms - start_ms) * n_series + series
    other = (among[1] - start_ms) * n_series + among[0]
    order = np.argsort(other, kind="stable")
    at = order[np.searchsorted(other, key, sorter=order).clip(max=len(order) - 1)]
    return at, other[at] == key


def _trace(parts: Sequence[RowsOfSeries]) -> Trace:
    rows = [row for part in parts for row in part.rows]
    if not rows:
        return EMPTY_TRACE
    time_ms, value = zip(*rows, strict=True)
    return Trace(np.array(time_ms, np.int64), np.array(value, np.float64))


def _between(first_ms: int, last_ms: int) -> str:
    return f"time >= {first_ms}ms AND time <= {last_ms}ms"


def _one_of(tag: str, values: Sequence[str]) -> str:
    return "(" + " OR ".join(f"{tag} = {text(value)}" for value in values) + ")"
