"""
From the broker to durable: how fast the ingester empties a broker, beside a subscriber that does nothing.

Both find the same packs waiting in a persistent session of a real Mosquitto, with the same window, and are timed from
connecting to the last message. The ingester decodes, admits, commits to DuckDB, keeps its totals, and acknowledges; the
other one acknowledges and throws away. `python -m tests.benchmarks.mqtt_to_durable` prints the rows.
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
from ingest.directory import Directory, directory_of
from ingest.duckdb_store import open_duckdb_store
from ingest.mqtt import Ingester, IngestSettings
from ingest.mqtt_client import connect, subscribe
from ingest.pipeline import Intake
from tests.benchmarks import Row, scale
from tests.gateways import BASE_S, SITE, Gateway
from tests.servers import MosquittoServer, wait_until

__all__ = ["run"]

N_SITES = 200
N_POINTS = 25
N_MESSAGES = 20_000
N_ROUNDS = 3
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
    connect(client, settings)
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


def _seconds_to_durable(folder: Path, n_messages: int) -> float:
    with _loaded_broker(folder, "ingest", n_messages) as settings, open_duckdb_store(folder / "store") as store:
        directory, records = _directory(), create_engine(f"sqlite:///{folder / 'records.db'}")
        intake = Intake(lambda: directory, store, records)
        intake.create_tables()
        start = time.perf_counter()
        with Ingester(settings, intake) as ingester:
            wait_until(lambda: ingester.status.n_messages >= n_messages, within_s=WITHIN_S, what="all durable")
            seconds = time.perf_counter() - start
        n_readings = n_messages * N_POINTS
        if ingester.status.counts != Counts(received=n_readings, stored=n_readings):
            raise RuntimeError(f"{n_readings} readings were sent, and this is what came: {ingester.status.counts}")
        records.dispose()
        return seconds


def run() -> Sequence[Row]:
    """Readings a second from the broker to the disk; the fastest of several rounds, the two kinds in turn."""
    n_messages, n_rounds = (1000, 1) if scale() == "quick" else (N_MESSAGES, N_ROUNDS)
    idle, durable = [], []
    with tempfile.TemporaryDirectory() as folder:
        for round_number in range(n_rounds):
            idle.append(_seconds_to_throw_away(Path(folder) / f"idle-{round_number}", n_messages))
            durable.append(_seconds_to_durable(Path(folder) / f"durable-{round_number}", n_messages))
    n_readings = n_messages * N_POINTS
    return [
        {
            "what": "MQTT to durable, packs of 25 (aim: 0.7 of the alternative)",
            "value": n_readings / min(durable),
            "unit": "readings/s",
            "beside": f"a subscriber that does nothing: {n_readings / min(idle):,.0f} readings/s",
            "ratio": min(idle) / min(durable),
        }
    ]
