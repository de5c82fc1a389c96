"""
The wire to InfluxDB: line protocol out, InfluxQL in.

Writes go through `influxdb-client` to `/api/v2/write`, which InfluxDB 1.8, 2 and 3 serve, or plainly to `/write` of
InfluxDB 1.x before 1.8. Reads go to `/query`, which 1, 2 (with a database mapped to the bucket) and 3 serve.
"""

import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal
from urllib.parse import urlencode

import msgspec
import urllib3
from influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException

from ingest.store import StoreUnavailableError

__all__ = ["InfluxQuery", "InfluxSettings", "Row", "RowsOfSeries", "line_writer", "reading_lines", "tag_set", "text"]

Row = tuple[int, float]
LineWriter = Callable[[str, str], None]
_LINES_A_REQUEST = 50_000  # some 4 MB: InfluxDB 1.x refuses bodies above 25 MB unless told otherwise
_ROWS_A_CHUNK = 50_000
_SPECIAL, _ESCAPED = re.compile("([,= ])"), r"\\\1"


@dataclass(frozen=True, slots=True, kw_only=True)
class InfluxSettings:
    """
    Where the readings are kept.

    Args:
        url: Address of the server, such as `http://127.0.0.1:8086`.
        database: The database of 1.x and 3, the bucket of 2.
        org, token: For InfluxDB 2 and 3.
        username, password: For InfluxDB 1.x with authentication.
        write_api: "v2" is `/api/v2/write`, "v1" is `/write`.
        is_shared: Whether other processes write to the same database. Then every write first looks up what is there,
            and news are held back for `settle_s`, so that none is overtaken by a later one of another process.
        settle_s: Longer than the server takes from receiving a write to showing it. [s]
        timeout_s: How long the server may take for one answer. [s]
    """

    url: str
    database: str
    org: str = ""
    token: str = field(default="", repr=False)
    username: str = ""
    password: str = field(default="", repr=False)
    write_api: Literal["v1", "v2"] = "v2"
    is_shared: bool = False
    settle_s: float = 2.0
    timeout_s: float = 30.0


@dataclass(frozen=True, slots=True)
class RowsOfSeries:
    """Part of the rows of one series, with its tags. A row is the time, then the values that were asked for."""

    tags: Mapping[str, str]
    rows: Sequence[Any]


def tag_set(tags: Mapping[str, str]) -> str:
    """
    Tags in line protocol, with a leading comma.

    Raises:
        ValueError: If a value cannot stand in line protocol: it is empty, has a line break, or ends with a backslash.
    """
    for name, value in tags.items():
        if not value or value.endswith("\\") or "\n" in value:
            raise ValueError(
                f"{name} {value!r} cannot be a tag: it must not be empty, have a line break or end with \\"
            )
    return "".join(f",{name}={_SPECIAL.sub(_ESCAPED, value)}" for name, value in tags.items())


def text(value: str) -> str:
    """A string literal of InfluxQL."""
    return "'" + value.replace("\\", "\\\\").replace("'", "\\'") + "'"


def reading_lines(heads: Sequence[str], series: Iterable[int], rows: Iterable[Row]) -> Iterator[str]:
    """
    Lines of readings, as many together as one request should carry.

    Args:
        heads: Measurement and tags of each series.
        series: Index into `heads` for each reading.
        rows: Its time [ms] and value; `repr` writes the shortest decimal that reads back to the same bits.
    """
    lines: list[str] = []
    for i, (time_ms, value) in zip(series, rows, strict=True):
        lines.append(f"{heads[i]} value={value!r} {time_ms}")
        if len(lines) == _LINES_A_REQUEST:
            yield "\n".join(lines)
            lines.clear()
    if lines:
        yield "\n".join(lines)


def line_writer(settings: InfluxSettings) -> LineWriter:
    """
    A function (lines, precision "ms" or "ns") that returns when the server has made the lines durable.

    It raises `StoreUnavailableError` where the server cannot be reached or does not take them.
    """
    return _writer_v2(settings) if settings.write_api == "v2" else _writer_v1(settings)


def _writer_v2(settings: InfluxSettings) -> LineWriter:
    token = settings.token or f"{settings.username}:{settings.password}"
    client = InfluxDBClient(
        settings.url, token=token, org=settings.org or "-", timeout=round(settings.timeout_s * 1000), retries=False
    )
    api = client.write_api(write_options=SYNCHRONOUS)

    def write(lines: str, precision: str) -> None:
        try:
            api.write(settings.database, record=lines, write_precision=precision)
        except ApiException as error:
            raise _refused(settings, error.status or 0, str(error.body or error.reason)) from error
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise _away(settings, error) from error

    return write


def _writer_v1(settings: InfluxSettings) -> LineWriter:
    pool = _pool(settings)

    def write(lines: str, precision: str) -> None:
        fields = {"db": settings.database, "precision": {"ns": "n"}.get(precision, precision)}
        try:
            answer = pool.request_encode_url("POST", f"{settings.url}/write", fields, body=lines.encode())
        except urllib3.exceptions.HTTPError as error:
            raise _away(settings, error) from error
        if answer.status >= 300:
            raise _refused(settings, answer.status, answer.data.decode(errors="replace"))

    return write


class InfluxQuery:
    """Asks a server in InfluxQL. Rows come in chunks, so that a long answer is never held as text."""

    def __init__(self, settings: InfluxSettings) -> None:
        self._settings = settings
        self._pool = _pool(settings)

    def __call__(self, sql: str, *, epoch: str = "ms", row: Any = Row) -> Iterator[RowsOfSeries]:
        """
        Rows of a query, each a `row`: its time, then its values.

        Raises:
            StoreUnavailableError: If the server cannot be reached or refuses the query.
        """
        decoder = msgspec.json.Decoder(_answer_of(row))
        fields = {"db": self._settings.database, "epoch": epoch, "chunked": "true", "chunk_size": str(_ROWS_A_CHUNK)}
        try:
            answer = self._pool.request_encode_body(
                "POST",
                f"{self._settings.url}/query?{urlencode(fields)}",
                {"q": sql},
                encode_multipart=False,
                preload_content=False,
            )
            with answer:
                if answer.status >= 300:
                    raise _refused(self._settings, answer.status, answer.data.decode(errors="replace"))
                yield from self._rows(answer, decoder)
        except urllib3.exceptions.HTTPError as error:
            raise _away(self._settings, error) from error

    def _rows(self, lines: Iterable[bytes], decoder: msgspec.json.Decoder) -> Iterator[RowsOfSeries]:
        for line in _whole_lines(lines):
            # The server writes -0.0 as -0, which a JSON reader takes for the whole number 0.
            for result in decoder.decode(line.replace(b",-0]", b",-0.0]")).results:
                if result.error:
                    raise _refused(self._settings, 200, result.error)
                for series in result.series:
                    yield RowsOfSeries(series.tags, series.values)


def _answer_of(row: Any) -> type[msgspec.Struct]:
    series = msgspec.defstruct(
        "Series", [("values", list[row]), ("tags", dict[str, str], msgspec.field(default_factory=dict))]
    )
    result = msgspec.defstruct(
        "Result", [("series", list[series], msgspec.field(default_factory=list)), ("error", str, "")]
    )
    return msgspec.defstruct("Answer", [("results", list[result])])


def _whole_lines(parts: Iterable[bytes]) -> Iterator[bytes]:
    rest = b""
    for part in parts:
        *lines, rest = (rest + part).split(b"\n")
        yield from filter(None, lines)
    if rest:
        yield rest


def _pool(settings: InfluxSettings) -> urllib3.PoolManager:
    headers = {}
    if settings.token:
        headers["authorization"] = f"Token {settings.token}"
    elif settings.username:
        headers |= urllib3.make_headers(basic_auth=f"{settings.username}:{settings.password}")
    return urllib3.PoolManager(headers=headers, retries=False, timeout=settings.timeout_s, maxsize=8)


def _away(settings: InfluxSettings, error: Exception) -> StoreUnavailableError:
    return StoreUnavailableError(f"the readings store at {settings.url} does not answer ({type(error).__name__})")


def _refused(settings: InfluxSettings, status: int, body: str) -> StoreUnavailableError:
    try:
        answer = json.loads(body)
        said = str(answer.get("error") or answer.get("message") or body)
    except (ValueError, AttributeError):
        said = body.strip()
    if "database not found" in said:
        said += f'; create it on the server with CREATE DATABASE "{settings.database}"'
    return StoreUnavailableError(f"the readings store at {settings.url} refuses (status {status}): {said}")
