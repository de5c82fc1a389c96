"""The stores that the contract holds for, each against its real database, and small batches to write into them."""

import contextlib
import threading
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.error import HTTPError
from urllib.parse import parse_qs, urlencode, urlsplit

import numpy as np

from ingest.duckdb_store import open_duckdb_store
from ingest.influx_http import InfluxSettings
from ingest.influx_store import open_influx_store
from ingest.store import Batch, ReadingStore
from tests.servers import InfluxServer

__all__ = ["STORES", "OpenStore", "batch_of", "opener", "v2_front"]

STORES = ("duckdb", "influx alone", "influx shared", "influx by v2")
OpenStore = Callable[[], ReadingStore]


def batch_of(*rows: tuple[str, str, int, float]) -> Batch:
    """A batch of (site, point, time_ms, value) in the order given."""
    names = tuple(dict.fromkeys((site, point) for site, point, _, _ in rows))
    series = [names.index((site, point)) for site, point, _, _ in rows]
    times, values = [row[2] for row in rows], [row[3] for row in rows]
    return Batch(names, np.array(series, np.int32), np.array(times, np.int64), np.array(values, np.float64))


@contextmanager
def opener(kind: str, *, folder: Path, influx: InfluxServer | None) -> Iterator[OpenStore]:
    """A function that opens a store of a kind, again and again on the same data."""
    if kind == "duckdb":
        yield lambda: open_duckdb_store(folder / "data")
        return
    assert influx is not None
    database = influx.new_database()
    with v2_front(influx.url) if kind == "influx by v2" else contextlib.nullcontext(influx.url) as url:
        settings = InfluxSettings(
            url=url,
            database=database,
            write_api="v2" if kind == "influx by v2" else "v1",
            is_shared=kind == "influx shared",
            settle_s=0.2,
        )
        yield lambda: open_influx_store(settings)


class _V2Front(BaseHTTPRequestHandler):
    """
    Serves `/api/v2/write` in front of InfluxDB 1.6, as InfluxDB 1.8 does by itself: the bucket is the database.

    Source: InfluxDB 1.8 documentation, "InfluxDB 2.0 API compatibility endpoints". Whether the client's requests are
    right in themselves is shown against VictoriaMetrics, which serves that path without help.
    """

    behind = ""

    def do_POST(self) -> None:
        where = urlsplit(self.path)
        path = where.path + "?" + where.query
        if where.path == "/api/v2/write":
            asked = parse_qs(where.query)
            precision = {"ns": "n"}.get(asked["precision"][0], asked["precision"][0])
            path = "/write?" + urlencode({"db": asked["bucket"][0], "precision": precision})
        body = self.rfile.read(int(self.headers["content-length"]))
        request = urllib.request.Request(self.behind + path, data=body, method="POST")
        request.add_header("Content-Type", self.headers.get("content-type", "text/plain"))
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:
                self._answer(answer.status, answer.read())
        except HTTPError as error:
            with error:
                self._answer(error.code, error.read())

    def _answer(self, status: int, body: bytes) -> None:
        self.send_response(status)
        self.send_header("Content-Type", "application/json")
        if status != 204:
            self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:
        """Tests are silent."""


@contextmanager
def v2_front(url: str) -> Iterator[str]:
    """Address of an InfluxDB 1.6 with InfluxDB 1.8's `/api/v2/write` before it."""
    handler = type("Handler", (_V2Front,), {"behind": url})
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
