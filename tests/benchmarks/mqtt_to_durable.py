"""
From the broker to durable: how fast the ingester empties a broker, beside a subscriber that does nothing.

Each round fills two brokers alike, real Mosquittos with the same packs waiting in a persistent session, and empties one
with the ingester and the other with a paho subscriber that acknowledges by itself and throws the messages away. Both
have the same window and the same settings. Both are timed from before they connect: the subscriber until it has heard
the last message, the ingester until the commit that makes the last reading durable has returned. So the ingester's
time holds its start, decoding, admission, the store's commits, the running totals, and the wait for a batch that does
not fill; filling the broker, opening the store and stopping are in neither.

The two take turns, and which is first changes from round to round. Value and ratio are of the fastest round of each:
what else the machine does can only slow one down. `python -m tests.benchmarks mqtt_to_durable` prints the rows.
"""

import json
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from sqlalchemy import create_engine

from ingest.counts import Counts
from ingest.decode import Message
from ingest.directory import Directory, directory_of
from ingest.duckdb_store import open_duckdb_store
from ingest.mqtt import Ingester, IngestSettings
from ingest.mqtt_client import set_connection, subscribe
from ingest.pipeline import Intake, Receipt
from tests.benchmarks import Row, scale
from tests.gateways import BASE_S, SITE, Gateway
from tests.servers import MosquittoServer, wait_until

__all__ = ["run"]

N_SITES = 200
N_POINTS = 25
# Long enough that connecting and the last commit weigh little: some 20 ms and at most 0.1 s.
N_MESSAGES = {"quick": 10_000, "usual": 20_000, "full": 100_000}
N_ROUNDS = {"quick": 2, "usual": 5, "full": 5}
WITHIN_S = 120.0


def _directory() -> Directory:
    return directory_of([replace(SITE, id=f"house-{i}") for i in range(N_SITES)])


def _packs(n_messages: int) -> Iterator[tuple[str, bytes]]:
    """Packs as a fleet sends them: each house in turn, all its points at one second."""
    for number in range(n_messages):
        house, minute = number % N_SITES, number // N_SITES
        records = [{"n": f"t{i}", "u": "Cel", "v": round(20 + minute / 7 + i / 3, 2)} for i in range(N_POINTS)]
        records[0] |= {"bt": BASE_S + 60 * minute}
        yield f"sites/house-{house}/readings", json.dumps(records, separators=(",", ":")).encode()


@contextmanager
def _loaded_broker(folder: Path, client_id: str, n_messages: int) -> Iterator[IngestSettings]:
    """A broker in which the packs wait for a client."""
    folder.mkdir()
    with MosquittoServer(folder) as broker:
        settings = IngestSettings(port=broker.port, client_id=client_id)
        client, is_subscribed = _client(settings, lambda *_: None)
        wait_until(is_subscribed.is_set, within_s=10, what="a session")
        client.disconnect()
        client.loop_stop()
        with Gateway(broker.port) as gateway:
            gateway.publish(_packs(n_messages), within_s=WITHIN_S)
        yield settings


def _client(settings: IngestSettings, on_message: Callable[..., None]) -> tuple[paho.Client, threading.Event]:
    """A subscriber that acknowledges by itself, and the sign that it is subscribed."""
    subscribed = threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=settings.client_id, protocol=paho.MQTTv5)
    client.on_message = on_message
    client.on_connect = lambda *_: subscribe(client, frozenset({"sites/#"}), version="5.0")
    client.on_subscribe = lambda *_: subscribed.set()
    set_connection(client, settings)
    client.loop_start()
    return client, subscribed


def _seconds_to_throw_away(folder: Path, n_messages: int) -> float:
    with _loaded_broker(folder, "idle", n_messages) as settings:
        done, n_heard = threading.Event(), 0

        def on_message(*_: object) -> None:
            nonlocal n_heard
            n_heard += 1
            if n_heard == n_messages:
                done.set()

        start = time.perf_counter()
        client, _ = _client(settings, on_message)
        if not done.wait(WITHIN_S):
            raise TimeoutError(f"{n_heard} of {n_messages} messages within {WITHIN_S:g} s")
        seconds = time.perf_counter() - start
        client.disconnect()
        client.loop_stop()
        return seconds


class _Watched:
    """An intake that notes when its last message was durable."""

    def __init__(self, intake: Intake, n_messages: int) -> None:
        self._intake, self._n_left = intake, n_messages
        self.directory = intake.directory
        self.is_done, self.done_at_s = threading.Event(), 0.0

    def take(self, messages: Sequence[Message], *, now_ms: int) -> Receipt:
        receipt = self._intake.take(messages, now_ms=now_ms)
        self._n_left -= len(messages)
        if self._n_left <= 0:
            self.done_at_s = time.perf_counter()
            self.is_done.set()
        return receipt


def _seconds_to_durable(folder: Path, n_messages: int) -> float:
    with _loaded_broker(folder, "ingest", n_messages) as settings, open_duckdb_store(folder / "store") as store:
        directory, records = _directory(), create_engine(f"sqlite:///{folder / 'records.db'}")
        intake = Intake(lambda: directory, store, records)
        intake.create_tables()
        watched = _Watched(intake, n_messages)
        start = time.perf_counter()
        with Ingester(settings, watched) as ingester:  # type: ignore[arg-type]
            if not watched.is_done.wait(WITHIN_S):
                raise TimeoutError(f"{ingester.status.n_messages} of {n_messages} messages within {WITHIN_S:g} s")
        n_readings = n_messages * N_POINTS
        if ingester.status.counts != Counts(received=n_readings, stored=n_readings):
            raise RuntimeError(f"{n_readings} readings were sent, and this is what came: {ingester.status.counts}")
        records.dispose()
        return watched.done_at_s - start


def run() -> Sequence[Row]:
    """Readings a second from the broker to the disk, of the fastest round."""
    n_messages, n_rounds = N_MESSAGES[scale()], N_ROUNDS[scale()]
    ways = {"idle": _seconds_to_throw_away, "durable": _seconds_to_durable}
    seconds: dict[str, list[float]] = {way: [] for way in ways}
    for round_number in range(n_rounds):
        for way in sorted(ways, reverse=round_number % 2 == 0):
            with tempfile.TemporaryDirectory() as folder:
                seconds[way].append(ways[way](Path(folder) / way, n_messages))
    n_readings, idle_s, durable_s = n_messages * N_POINTS, min(seconds["idle"]), min(seconds["durable"])
    return [
        {
            "what": "MQTT to durable, packs of 25 (aim: 0.7 of the alternative)",
            "value": n_readings / durable_s,
            "unit": "readings/s",
            "beside": f"a subscriber that does nothing: {n_readings / idle_s:,.0f} readings/s",
            "ratio": idle_s / durable_s,
        }
    ]
