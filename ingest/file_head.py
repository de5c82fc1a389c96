"""What a file is, by its first bytes and its header; its name does not decide."""

import gzip
import os
import re
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Literal

import duckdb

from ingest.file_rows import FileRefusedError, Form, cells_of, form_of

__all__ = ["FileHead", "file_head", "lines_of"]

_SAMPLE_BYTES = 256 * 1024
_MAX_LINE_BYTES = 1 << 20
_NAMELESS_INDEX = "__index_level_0__"  # as pandas writes the index of a table, where it has no name
_ROW_LABELS = re.compile(r"__index_level_\d+__")
_MAGIC = {
    b"PAR1": "parquet",
    b"\x1f\x8b": "gzip",
    b"PK\x03\x04": "a spreadsheet or ZIP file; save the sheet as CSV",
    b"\xd0\xcf\x11\xe0": "an old spreadsheet; save the sheet as CSV",
    b"\xff\xfe": "text in UTF-16; save it as CSV in UTF-8",
    b"\xfe\xff": "text in UTF-16; save it as CSV in UTF-8",
    b"\x28\xb5\x2f\xfd": "compressed with zstd; unpack it first, or compress it with gzip",
    b"BZh": "compressed with bzip2; unpack it first, or compress it with gzip",
    b"\xfd7zXZ": "compressed with xz; unpack it first, or compress it with gzip",
}

_READABLE = ("TINYINT", "SMALLINT", "INTEGER", "BIGINT", "HUGEINT", "UTINYINT", "USMALLINT", "UINTEGER", "UBIGINT")
_READABLE += ("FLOAT", "DOUBLE", "DECIMAL", "BOOLEAN", "VARCHAR", "ENUM")


@dataclass(frozen=True, slots=True)
class FileHead:
    """
    A file that announces readings.

    Args:
        form: Its columns, the time first.
        types: Their types in Parquet; empty for CSV.
        n_bytes: Its size.
        bytes_a_row: About how much of that one row takes, from its first rows.
        places: Where the columns of `form` stand among those of a Parquet file, counted from 0.
        n_columns: How many columns a Parquet file has; those that number a table's rows are no part of `form`.
    """

    path: Path
    kind: Literal["csv", "parquet"]
    form: Form
    types: tuple[str, ...]
    is_gzip: bool
    n_bytes: int
    bytes_a_row: float
    places: tuple[int, ...] = ()
    n_columns: int = 0


def file_head(path: Path, *, site: str) -> FileHead:
    """
    Look at a file of readings of a site, whose columns may be named `{point}` or `{site}/{point}`.

    Raises:
        FileRefusedError: If it cannot be opened or is not what it should be.
    """
    try:
        with path.open("rb") as file:
            start = file.read(8)
        n_bytes = path.stat().st_size
    except OSError as error:
        raise FileRefusedError(f"{path} cannot be read: {os.strerror(error.errno or 0)}") from error
    if not start:
        raise FileRefusedError(f"{path.name} is empty; a file of readings begins with a row such as time,hot.temp")
    known = next((what for magic, what in _MAGIC.items() if start.startswith(magic)), "csv")
    if known == "parquet":
        return _parquet_head(path, n_bytes, site=site)
    if known not in ("csv", "gzip"):
        raise FileRefusedError(f"{path.name} is {known}")
    return _csv_head(path, n_bytes, is_gzip=known == "gzip", site=site)


def _csv_head(path: Path, n_bytes: int, *, is_gzip: bool, site: str) -> FileHead:
    with path.open("rb") as raw, _unpacked(raw, path.name, is_gzip=is_gzip) as file:
        sample = file.read(_SAMPLE_BYTES)
        n_packed = max(1, raw.tell() if is_gzip else len(sample))
    if b"\0" in sample:
        raise FileRefusedError(f"{path.name} is not text; a file of readings is CSV or Parquet")
    if not sample.strip():
        raise FileRefusedError(f"{path.name} is empty; a file of readings begins with a row such as time,hot.temp")
    first = sample.removeprefix(b"\xef\xbb\xbf").splitlines()[0]
    try:
        cells = cells_of(first.decode()) or [""]
    except UnicodeDecodeError as error:
        raise FileRefusedError(f"{path.name} is not text in UTF-8; save it as CSV in UTF-8") from error
    n_rows = max(1, sample.count(b"\n"))
    form = form_of(cells, file=path.name, site=site)
    return FileHead(path, "csv", form, (), is_gzip, n_bytes, n_packed / n_rows)


def _parquet_head(path: Path, n_bytes: int, *, site: str) -> FileHead:
    try:
        with duckdb.connect() as connection:
            columns = connection.execute("describe select * from read_parquet(?)", [str(path)]).fetchall()
            n_rows = connection.execute("select count(*) from read_parquet(?)", [str(path)]).fetchall()[0][0]
    except duckdb.Error as error:
        raise FileRefusedError(f"{path.name} is a damaged Parquet file: {str(error).splitlines()[0]}") from error
    names, kinds = [column[0] for column in columns], [column[1] for column in columns]
    places = _places(names, kinds, file=path.name)
    form = form_of(["time" if names[i] == _NAMELESS_INDEX else names[i] for i in places], file=path.name, site=site)
    types = tuple(kinds[i] for i in places)
    _check_types(form, types, file=path.name)
    return FileHead(path, "parquet", form, types, False, n_bytes, n_bytes / max(1, n_rows), places, len(names))


def _places(names: Sequence[str], types: Sequence[str], *, file: str) -> tuple[int, ...]:
    """
    Where the time and what belongs to it stand; numbers of a table's rows, which have no name, hold no reading.

    Raises:
        FileRefusedError: If it cannot be told which column is the time.
    """
    time_at = _time_at(names, types)
    instants = [i for i, kind in enumerate(types) if kind.startswith("TIMESTAMP")]
    unnamed = [i for i, name in enumerate(names) if _ROW_LABELS.fullmatch(name)]
    if names[time_at] not in ("time", _NAMELESS_INDEX) and len(instants) == 1:
        raise FileRefusedError(
            f"{file} has no column 'time'; its column {names[instants[0]]!r} holds instants: name it 'time'"
        )
    if any(i in instants and i != time_at for i in unnamed):
        raise FileRefusedError(
            f"{file} holds instants in its column 'time' and in an index without a name; write it without that index"
        )
    rest = [i for i in range(len(names)) if i != time_at and i not in unnamed]
    if sorted(names[i] for i in rest) == ["point", "value"]:
        rest.sort(key=lambda i: names[i])  # the order of the long form
    return time_at, *rest


def _time_at(names: Sequence[str], types: Sequence[str]) -> int:
    """Where the time stands: the column of that name, else an index of instants without a name, else the first one."""
    if "time" in names:
        return names.index("time")
    if _NAMELESS_INDEX in names and types[names.index(_NAMELESS_INDEX)].startswith("TIMESTAMP"):
        return names.index(_NAMELESS_INDEX)
    return 0


def _check_types(form: Form, types: tuple[str, ...], *, file: str) -> None:
    if types[0] == "DATE":
        raise FileRefusedError(
            f"{file} holds dates without a time of day in its column {form.columns[0]!r}: all readings of a day would "
            "fall on midnight; write the time as a timestamp (UTC if it has no zone)"
        )
    if not types[0].startswith(("TIMESTAMP", "VARCHAR")):
        raise FileRefusedError(
            f"{file} holds its time as {types[0]}; it must be a timestamp (UTC if it has no zone) or ISO 8601 text"
        )
    for name, kind in zip(form.columns[1:], types[1:], strict=True):
        if kind.endswith("[]") or not kind.startswith(_READABLE):
            raise FileRefusedError(f"{file} holds {kind} in its column {name!r}; it must hold numbers")


@contextmanager
def _unpacked(raw: IO[bytes], name: str, *, is_gzip: bool) -> Iterator[IO[bytes]]:
    try:
        if not is_gzip:
            yield raw
            return
        with gzip.GzipFile(fileobj=raw) as file:
            yield file
    except (EOFError, gzip.BadGzipFile, zlib.error) as error:
        raise FileRefusedError(f"{name} is a damaged gzip file: {error}") from error


def lines_of(head: FileHead) -> Iterator[str]:
    """
    Lines of a CSV file after its header, without empty ones. Bytes that are not UTF-8 are kept as surrogates.

    Raises:
        FileRefusedError: If the file turns out damaged, or has a line of more than 1 MiB.
    """
    with head.path.open("rb") as raw, _unpacked(raw, head.path.name, is_gzip=head.is_gzip) as file:
        file.readline()
        while line := file.readline(_MAX_LINE_BYTES):
            if len(line) == _MAX_LINE_BYTES:
                raise FileRefusedError(f"{head.path.name} has a line of more than 1 MiB; it is not a file of readings")
            if line.strip():
                yield line.decode(errors="surrogateescape")
