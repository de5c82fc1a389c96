"""
Readings of a file in blocks of columns, by DuckDB's readers, in bounded memory.

A block holds what is plainly good as arrays, and every row with anything odd about it as text, for `file_rows` to
judge. Where DuckDB gives up on a CSV file (a row with too many cells, a stray quote, bytes that are not UTF-8), the
rest is read line by line, so that the rows keep their numbers and none is lost.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import duckdb
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ingest.file_head import FileHead, lines_of
from ingest.file_rows import FileRefusedError, cells_of

__all__ = ["Block", "blocks"]

_VECTOR = 2048  # rows: DuckDB's unit of work
_READINGS_A_BLOCK = 1_000_000  # some 100 MB in flight; twice as many are not read any faster
_LINES_A_BLOCK = 20_000
_NO_TIME = np.iinfo(np.int64).min


@dataclass(frozen=True, slots=True)
class Block:
    """
    Some rows of a file.

    Args:
        n_rows: How many rows there are, odd ones included.
        row: Where each good reading stands in the file; the header is row 1. shape (n,)
        series: Its point's place in the names given. int32, shape (n,)
        time_ms, value: What it says. shape (n,)
        odd: Rows to be judged, by their number, and their cells.
    """

    n_rows: int
    row: NDArray[np.int64]
    series: NDArray[np.int32]
    time_ms: NDArray[np.int64]
    value: NDArray[np.float64]
    odd: Sequence[tuple[int, Sequence[str]]] = field(default_factory=list)


def blocks(head: FileHead, points: Sequence[str], *, site: str, limits_ms: tuple[int, int]) -> Iterator[Block]:
    """
    Read a file.

    Args:
        head: What it is.
        points: The points of the site; `series` counts in this order.
        site: Its id; a long file may name a point `{site}/{point}`.
        limits_ms: Earliest and latest time; others make a row odd.
    Raises:
        FileRefusedError: If the file turns out damaged; what came before is good.
    """
    n_rows = 0
    try:
        for block in _by_duckdb(head, points, site=site, limits_ms=limits_ms):
            n_rows += block.n_rows
            yield block
    except duckdb.Error as error:
        if head.kind == "parquet":
            why = str(error).splitlines()[0]
            raise FileRefusedError(f"{head.path.name} is damaged after row {n_rows}: {why}") from error
        yield from _by_lines(head, n_rows)


def _by_lines(head: FileHead, n_done: int) -> Iterator[Block]:
    odd: list[tuple[int, Sequence[str]]] = []
    for row, line in enumerate(lines_of(head), start=2):
        if row < n_done + 2:
            continue
        odd.append((row, cells_of(line)))
        if len(odd) == _LINES_A_BLOCK:
            yield _only_odd(odd)
            odd = []
    yield _only_odd(odd)


def _only_odd(odd: Sequence[tuple[int, Sequence[str]]]) -> Block:
    return Block(len(odd), np.empty(0, np.int64), np.empty(0, np.int32), np.empty(0, np.int64), np.empty(0), odd)


def _by_duckdb(head: FileHead, points: Sequence[str], *, site: str, limits_ms: tuple[int, int]) -> Iterator[Block]:
    n_columns = 1 if head.form.is_long else len(head.form.points)
    n_vectors = max(1, _READINGS_A_BLOCK // (_VECTOR * n_columns))
    with duckdb.connect() as connection:
        connection.execute("set TimeZone = 'UTC'")
        long = head.form.is_long
        sql = _long_sql(head, points, limits_ms, site=site) if long else _wide_sql(head, points, limits_ms)
        answer = connection.execute(sql)
        n_rows = 0
        while len(frame := answer.fetch_df_chunk(n_vectors)):
            yield (_long_block if long else _wide_block)(frame, head, points, n_before=n_rows)
            n_rows += len(frame)


def _wide_block(frame: pd.DataFrame, head: FileHead, points: Sequence[str], *, n_before: int) -> Block:
    is_good = frame["cells"].isna().to_numpy()
    ids = np.array([points.index(point) for point in head.form.points if point in points], np.int32)
    value = frame.iloc[:, 2:].to_numpy(np.float64)
    is_there = ~np.isnan(value) & is_good[:, np.newaxis]
    row, column = np.nonzero(is_there)
    time_ms = frame["t"].to_numpy(np.int64)
    odd = _odd(frame, is_good, n_before)
    return Block(len(frame), row + (n_before + 2), ids[column], time_ms[row], value[is_there], odd)


def _long_block(frame: pd.DataFrame, head: FileHead, points: Sequence[str], *, n_before: int) -> Block:
    is_good = frame["cells"].isna().to_numpy()
    value = frame["value"].to_numpy(np.float64)
    is_there = is_good & ~np.isnan(value)
    series = frame["point"].cat.codes.to_numpy(np.int32)[is_there]
    time_ms = frame["t"].to_numpy(np.int64)[is_there]
    row = np.flatnonzero(is_there) + (n_before + 2)
    return Block(len(frame), row, series, time_ms, value[is_there], _odd(frame, is_good, n_before))


def _odd(frame: pd.DataFrame, is_good: NDArray[np.bool_], n_before: int) -> Sequence[tuple[int, Sequence[str]]]:
    places = np.flatnonzero(~is_good)
    rows = (places + n_before + 2).tolist()
    return [(row, list(cells)) for row, cells in zip(rows, frame["cells"].to_numpy()[places], strict=True)]


def _wide_sql(head: FileHead, points: Sequence[str], limits_ms: tuple[int, int]) -> str:
    """Columns: t [ms], cells (text of an odd row, else null), then the value of each known point."""
    wanted = [i for i, point in enumerate(head.form.points, start=1) if point in points]
    unknown = [i for i, point in enumerate(head.form.points, start=1) if point not in points]
    odd = [f"({_is_odd(f'c{i}', f'v{i}')})" for i in wanted] + [f"c{i} is not null" for i in unknown]
    some = " or ".join(f"c{i} is not null" for i in range(1, len(head.form.columns)))
    values = "".join(f", {_number(head, i)} as v{i}" for i in wanted)
    shown = "".join(f", v{i}" for i in wanted)
    return (
        f"select t, case when {_time_is_odd(limits_ms)} and ({some}) or {' or '.join(odd)} "
        f"then {_texts(head)} end as cells{shown} from (select *, {_time_ms(head)} as t{values} from {_source(head)})"
    )


def _long_sql(head: FileHead, points: Sequence[str], limits_ms: tuple[int, int], *, site: str) -> str:
    """Columns: t [ms], cells (text of an odd row, else null), value, point (a category)."""
    names = ", ".join(_quoted(point) for point in points)
    name, prefix = "trim(c1::varchar)", f"{site}/"
    own = f"case when starts_with({name}, {_quoted(prefix)}) then substr({name}, {len(prefix) + 1}) else {name} end"
    is_odd = f"c2 is not null and ({_time_is_odd(limits_ms)} or p is null or {_is_odd('c2', 'v')})"
    return (
        f"select t, case when {is_odd} then {_texts(head)} end as cells, v as value, "
        f"p as point from (select *, {_time_ms(head)} as t, {_number(head, 2)} as v, "
        f"try_cast({own} as enum({names})) as p from {_source(head)})"
    )


def _source(head: FileHead) -> str:
    path = _quoted(str(head.path))
    n_columns = len(head.form.columns)
    if head.kind == "parquet":
        column_at = {place: f"c{i}" for i, place in enumerate(head.places)}
        names = ", ".join(column_at.get(place, f"left_out{place}") for place in range(head.n_columns))
        columns = ", ".join(_without_nan(f"c{i}", kind) for i, kind in enumerate(head.types))
        return f"(select {columns} from read_parquet({path}) as file({names}))"
    columns = ", ".join(f"'c{i}': 'VARCHAR'" for i in range(n_columns))
    packing = "gzip" if head.is_gzip else "none"
    return (
        f"read_csv({path}, columns = {{{columns}}}, auto_detect = false, header = false, skip = 1, delim = ',', "
        f"quote = '\"', escape = '\"', nullstr = '', compression = '{packing}')"
    )


def _without_nan(column: str, kind: str) -> str:
    """A column in which NaN, by which such files say that there is no reading, is null."""
    return f"case when not isnan({column}) then {column} end as {column}" if kind in ("FLOAT", "DOUBLE") else column


def _time_ms(head: FileHead) -> str:
    # To the nearest millisecond, as everywhere.
    return f"coalesce((epoch_us(try_cast(c0 as timestamptz)) + 500) // 1000, {_NO_TIME})"


def _time_is_odd(limits_ms: tuple[int, int]) -> str:
    return f"(t < {limits_ms[0]} or t > {limits_ms[1]})"


def _number(head: FileHead, i: int) -> str:
    if head.kind == "parquet" and head.types[i] != "VARCHAR":
        return f"try_cast(c{i} as double)"
    return f"case when not contains(c{i}, '_') then try_cast(c{i} as double) end"


def _is_odd(cell: str, value: str) -> str:
    return f"{cell} is not null and ({value} is null or not isfinite({value}))"


def _texts(head: FileHead) -> str:
    return "[" + ", ".join(f"coalesce(c{i}::varchar, '')" for i in range(len(head.form.columns))) + "]"


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
