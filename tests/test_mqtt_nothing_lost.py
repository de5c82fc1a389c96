"""
Nothing is lost and nothing doubled, whatever dies: real Mosquitto, real stores, real SIGKILL.

A gateway's reading counts as sent when the broker has acknowledged it. Each test is named after the crash.
"""

import json
import os
import random
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine, create_engine

from ingest.counts import totals
from ingest.duckdb_store import open_duckdb_store
from ingest.influx_http import InfluxSettings
from ingest.influx_store import open_influx_store
from ingest.mqtt import Ingester, IngestSettings
from ingest.pipeline import Intake
from ingest.quarantine import entries, quarantine_metadata
from ingest.store import Batch, ReadingStore, StoreUnavailableError, WriteCounts
from tests.gateways import BASE_S, SITE_TOML, TOPIC, Gateway, pack, small_directory
from tests.servers import InfluxServer, MosquittoServer, wait_until

N_POINTS = 5
POINTS = [f"t{i}" for i in range(N_POINTS)]
N_KILLS = 20
SEED = 20260601
MARK = "sites/mill-lane-9/mark"


class Stream:
    """A gateway that publishes a pack after the other, steadily, until told to stop."""

    def __init__(self, gateway: Gateway, *, every_s: float = 0.01) -> None:
        self._gateway, self._every_s = gateway, every_s
        self._stop = threading.Event()
        self.n_sent = 0
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        while not self._stop.wait(self._every_s):
            self._gateway.send(TOPIC, pack(self.n_sent))
            self.n_sent += 1

    def __enter__(self) -> "Stream":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self._gateway.settle(within_s=60)


def assert_each_stored_once(store: ReadingStore, n_packs: int) -> None:
    """Every reading of packs 0 to n - 1, each time once, each with the value that was sent."""
    assert n_packs > 0
    start_ms = BASE_S * 1000
    traces = store.read("mill-lane-9", POINTS, start_ms=0, end_ms=start_ms + 10**10)
    for i, point in enumerate(POINTS):
        assert np.array_equal(traces[point].time_ms, start_ms + 1000 * np.arange(n_packs))
        assert np.array_equal(traces[point].value, 20.0 + np.arange(n_packs) / 64 + i / 1024)


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Engine]:
    engine = create_engine(f"sqlite:///{tmp_path / 'records.db'}")
    quarantine_metadata.create_all(engine)
    yield engine
    engine.dispose()


class Nursery:
    """Starts `python -m ingest` over and over without loading it anew; see `tests/ingester_nursery.py`."""

    def __init__(self) -> None:
        command = [sys.executable, "-m", "tests.ingester_nursery"]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def ask(self, question: Any) -> int:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(question) + "\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())

    def __enter__(self) -> "Nursery":
        return self

    def __exit__(self, *_: object) -> None:
        self._process.communicate()


@dataclass(frozen=True)
class Setting:
    """What a run of the ingester needs: it is started and ended many times on the same broker and data."""

    broker: MosquittoServer
    nursery: Nursery
    sites: Path
    data: Path

    @contextmanager
    def running(self, *, ends_with: signal.Signals = signal.SIGTERM) -> Iterator[None]:
        """An ingester process, once it is listening; ended by a signal."""
        log = self.data / "ingest.log"
        log.unlink(missing_ok=True)
        arguments = ["--sites", str(self.sites), "--data", str(self.data), "--broker", f"127.0.0.1:{self.broker.port}"]
        pid = self.nursery.ask({"arguments": arguments, "log": str(log)})
        try:
            is_listening = lambda: log.exists() and b"listening" in log.read_bytes()  # noqa: E731
            wait_until(is_listening, within_s=30, what="the ingester listening")
            yield
        finally:
            os.kill(pid, ends_with)
            status = self.nursery.ask(pid)
        assert status == (0 if ends_with == signal.SIGTERM else -ends_with), log.read_text()


@pytest.fixture
def setting(mosquitto_server: MosquittoServer, tmp_path: Path) -> Iterator[Setting]:
    """A broker that keeps a session for the ingester already, since that ran once before."""
    sites, data = tmp_path / "sites", tmp_path / "data"
    sites.mkdir()
    data.mkdir()
    (sites / "mill-lane-9.toml").write_text(SITE_TOML)
    with Nursery() as nursery:
        setting = Setting(mosquitto_server, nursery, sites, data)
        with setting.running():
            pass
        yield setting


def drain(setting: Setting) -> None:
    """
    A run until a mark that is sent last has come through: the broker hands over in the order in which it took.

    The mark is on a topic of nobody, so it goes to quarantine, where its coming can be seen from outside.
    """
    engine = create_engine(f"sqlite:///{setting.data / 'ingest.db'}")
    with Gateway(setting.broker.port, client_id="marker") as marker, setting.running():
        marker.publish([(MARK, b"the end")])
        has_come = lambda: any(entry.topic == MARK for entry in entries(engine))  # noqa: E731
        wait_until(has_come, within_s=40, what="the mark")
    counts = totals(engine)["mqtt"]
    assert counts.received == counts.stored + counts.duplicate + counts.quarantined
    engine.dispose()


def test_killed_at_twenty_random_moments_under_a_steady_stream_stores_every_reading_once(setting: Setting) -> None:
    moments = random.Random(SEED)
    with Gateway(setting.broker.port) as gateway:
        with Stream(gateway) as stream:
            for _ in range(N_KILLS):
                with setting.running(ends_with=signal.SIGKILL):
                    threading.Event().wait(moments.uniform(0.0, 0.6))  # the moment
        drain(setting)
    with open_duckdb_store(setting.data) as store:
        assert_each_stored_once(store, stream.n_sent)


@pytest.mark.parametrize(("moment", "n_durable"), [("before", 40), ("after", 60)])
def test_killed_around_the_commit_and_before_the_acknowledgement_loses_nothing(
    setting: Setting, moment: str, n_durable: int
) -> None:
    n_packs = 200
    with Gateway(setting.broker.port) as gateway:
        gateway.publish((TOPIC, pack(number)) for number in range(n_packs))
    command = [sys.executable, "-m", "tests.dying_ingester", str(setting.broker.port), str(setting.data), moment]
    assert subprocess.run(command, timeout=30).returncode == -signal.SIGKILL
    with open_duckdb_store(setting.data) as store:
        assert_each_stored_once(store, n_durable)  # batches of 20: it died at the third
    drain(setting)
    with open_duckdb_store(setting.data) as store:
        assert_each_stored_once(store, n_packs)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[ReadingStore]:
    with open_duckdb_store(tmp_path / "store") as opened:
        yield opened


@contextmanager
def listening(broker: MosquittoServer, store: Any, records: Engine, **settings: Any) -> Iterator[Ingester]:
    """An ingester in this process, once the broker has confirmed its subscriptions."""
    directory = small_directory()
    intake = Intake(lambda: directory, store, records)
    with Ingester(IngestSettings(port=broker.port, **settings), intake) as ingester:
        wait_until(lambda: ingester.status.is_listening, within_s=10, what="listening")
        yield ingester


def _has_settled(ingester: Ingester, n_packs: int) -> Callable[[], bool]:
    def has() -> bool:
        counts = ingester.status.counts
        return counts.stored >= n_packs * N_POINTS and counts.received == counts.stored + counts.duplicate

    return has


@pytest.mark.parametrize("version", ["3.1.1", "5.0"])
def test_broker_restarted_in_mid_stream_loses_nothing(
    mosquitto_server: MosquittoServer, store: ReadingStore, records: Engine, version: str
) -> None:
    with listening(mosquitto_server, store, records, version=version) as ingester:
        with Gateway(mosquitto_server.port) as gateway, Stream(gateway) as stream:
            for n_before in (50, 150):
                wait_until(lambda n=n_before: stream.n_sent > n, within_s=20, what=f"{n_before} packs")
                mosquitto_server.stop()
                mosquitto_server.start()
                wait_until(lambda: ingester.status.is_listening, within_s=20, what="listening again")
        wait_until(_has_settled(ingester, stream.n_sent), within_s=20, what="all stored")
    assert_each_stored_once(store, stream.n_sent)


class _Switchable:
    """A real store that can be made unreachable."""

    def __init__(self, store: ReadingStore) -> None:
        self._store, self.is_away, self.n_refused = store, False, 0

    def write(self, batch: Batch) -> WriteCounts:
        if self.is_away:
            self.n_refused += 1
            raise StoreUnavailableError("switched off")
        return self._store.write(batch)


@pytest.mark.parametrize("version", ["3.1.1", "5.0"])
def test_store_away_makes_the_broker_wait_and_loses_nothing(
    mosquitto_server: MosquittoServer, store: ReadingStore, records: Engine, version: str
) -> None:
    switch = _Switchable(store)
    with listening(mosquitto_server, switch, records, version=version, receive_maximum=50) as ingester:
        with Gateway(mosquitto_server.port) as gateway, Stream(gateway) as stream:
            wait_until(lambda: ingester.status.n_messages > 20, within_s=20, what="some stored")
            switch.is_away = True
            wait_until(lambda: switch.n_refused > 4, within_s=20, what="five attempts")
            n_before, problem = ingester.status.n_messages, ingester.status.problem
            wait_until(lambda: stream.n_sent > n_before + 200, within_s=20, what="more than may be under way")
        assert ingester.status.n_messages == n_before
        assert problem == "readings wait at the broker: switched off"
        switch.is_away = False
        wait_until(_has_settled(ingester, stream.n_sent), within_s=20, what="all stored")
        assert ingester.status.problem == ""
    assert_each_stored_once(store, stream.n_sent)


def test_stopped_while_the_store_is_away_the_messages_stay_with_the_broker(
    mosquitto_server: MosquittoServer, store: ReadingStore, records: Engine
) -> None:
    switch = _Switchable(store)
    switch.is_away = True
    with listening(mosquitto_server, switch, records), Gateway(mosquitto_server.port) as gateway:
        gateway.publish((TOPIC, pack(number)) for number in range(30))
        wait_until(lambda: switch.n_refused > 0, within_s=10, what="an attempt")
    switch.is_away = False
    with listening(mosquitto_server, switch, records) as ingester:
        wait_until(_has_settled(ingester, 30), within_s=10, what="all stored")
    assert_each_stored_once(store, 30)


def test_influxdb_killed_and_started_again_loses_nothing(
    mosquitto_server: MosquittoServer, influx_server: InfluxServer, records: Engine
) -> None:
    settings = InfluxSettings(url=influx_server.url, database=influx_server.new_database(), write_api="v1")
    with open_influx_store(settings) as store, listening(mosquitto_server, store, records) as ingester:
        with Gateway(mosquitto_server.port) as gateway, Stream(gateway) as stream:
            wait_until(lambda: ingester.status.n_messages > 50, within_s=20, what="some stored")
            influx_server.kill()
            wait_until(lambda: "wait at the broker" in ingester.status.problem, within_s=20, what="a problem")
            influx_server.start()
            wait_until(lambda: ingester.status.problem == "", within_s=30, what="writing again")
        n_packs = stream.n_sent
        counts = lambda: ingester.status.counts  # noqa: E731
        wait_until(lambda: counts().received >= n_packs * N_POINTS, within_s=20, what="all stored")
        assert counts().quarantined == 0
        assert_each_stored_once(store, n_packs)


def _survivors(folder: Path, options: list[str], store: ReadingStore, records: Engine) -> int:
    """Of 3000 messages published while the ingester is away, those that the broker still has for it."""
    folder.mkdir()
    with MosquittoServer(folder, options=options) as broker, Gateway(broker.port) as gateway:
        with listening(broker, store, records):
            pass
        gateway.publish((TOPIC, pack(number)) for number in range(3000))
        with listening(broker, store, records) as ingester:
            gateway.publish([(MARK, b"the end")])
            wait_until(lambda: ingester.status.counts.quarantined == 1, within_s=20, what="the mark")
            return ingester.status.n_messages - 1


def test_mosquitto_drops_what_its_default_queue_cannot_hold_and_keeps_all_with_the_setting_of_a_deployment(
    tmp_path: Path, store: ReadingStore, records: Engine
) -> None:
    assert _survivors(tmp_path / "default", [], store, records) == 1000  # mosquitto.conf(5): max_queued_messages
    assert _survivors(tmp_path / "deployed", ["max_queued_messages 0"], store, records) == 3000
    assert_each_stored_once(store, 3000)
