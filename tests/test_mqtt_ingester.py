"""The ingester at a real Mosquitto: what it hears, under either version of MQTT, and how it says what is wrong."""

import json
import shutil
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cbor2
import pytest
from sqlalchemy import Engine, create_engine

from ingest import quarantine
from ingest.__main__ import main
from ingest.counts import Counts, totals
from ingest.directory import Directory, directory_of
from ingest.duckdb_store import open_duckdb_store
from ingest.inbox import Inbox
from ingest.mqtt import Ingester, IngestSettings, run_ingester
from ingest.mqtt_client import topic_filters
from ingest.pipeline import Intake
from ingest.presence import presence
from ingest.quarantine import quarantine_metadata
from ingest.site_folder import SiteFolder
from ingest.store import Batch, ReadingStore, WriteCounts
from tests.gateways import BASE_S, SITE, SITE_TOML, TOPIC, Gateway, pack, small_directory
from tests.servers import MosquittoServer, wait_until


@pytest.fixture
def store(tmp_path: Path) -> Iterator[ReadingStore]:
    with open_duckdb_store(tmp_path / "store") as opened:
        yield opened


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Engine]:
    engine = create_engine(f"sqlite:///{tmp_path / 'records.db'}")
    quarantine_metadata.create_all(engine)
    yield engine
    engine.dispose()


class Source:
    """A directory source that a test can change."""

    def __init__(self, directory: Directory) -> None:
        self.directory = directory

    def __call__(self) -> Directory:
        return self.directory


@contextmanager
def listening(broker: MosquittoServer, intake: Intake, **settings: Any) -> Iterator[Ingester]:
    with Ingester(IngestSettings(port=broker.port, **settings), intake) as ingester:
        wait_until(lambda: ingester.status.is_listening, within_s=10, what="listening")
        yield ingester


def _until(ingester: Ingester, n_messages: int) -> None:
    wait_until(lambda: ingester.status.n_messages >= n_messages, within_s=15, what=f"{n_messages} messages")


def test_an_ingester_is_well_only_once_the_broker_has_confirmed_what_it_listens_to(
    store: ReadingStore, records: Engine
) -> None:
    # What is published between connection and confirmation is kept for nobody.
    ingester = Ingester(IngestSettings(), Intake(Source(small_directory()), store, records))
    granted = SimpleNamespace(is_failure=False, value=1)
    ingester._on_connect(None, None, None, granted, None)  # type: ignore[arg-type]
    assert (ingester.status.is_listening, bool(ingester.status.problem)) == (False, True)
    ingester._on_subscribe(None, None, 1, [granted], None)  # type: ignore[arg-type]
    assert (ingester.status.is_listening, ingester.status.problem) == (True, "")


@pytest.mark.parametrize("version", ["3.1.1", "5.0"])
def test_packs_plain_values_and_presence_are_heard(
    mosquitto_server: MosquittoServer, store: ReadingStore, records: Engine, version: str
) -> None:
    intake = Intake(Source(small_directory()), store, records)
    with listening(mosquitto_server, intake, version=version) as ingester, Gateway(mosquitto_server.port) as gateway:
        gateway.publish(
            [
                (TOPIC, pack(0)),
                (f"{TOPIC}/cbor", cbor2.dumps([{0: "t0", 1: "Cel", 2: 30.5, 6: BASE_S + 1}])),
                ("cellar/temperature", b"12.25"),
                ("plug/room/SENSOR", json.dumps({"SI7021": {"Temperature": 19.5, "Valve": "ON"}}).encode()),
                ("sites/mill-lane-9/presence", b"online"),
            ]
        )
        _until(ingester, 5)
        assert ingester.status.counts == Counts(received=9, stored=9)
    latest = {point: value for point, (_, value) in store.latest("mill-lane-9").items()}
    assert latest["t0"] == 30.5
    assert (latest["cellar"], latest["room"], latest["humid"]) == (12.25, 19.5, 1.0)
    assert presence(records)["mill-lane-9"].state == "online"


def test_a_plain_value_has_the_time_of_its_arrival(
    mosquitto_server: MosquittoServer, store: ReadingStore, records: Engine
) -> None:
    intake, settings = Intake(Source(small_directory()), store, records), IngestSettings(port=mosquitto_server.port)
    with Ingester(settings, intake, clock_ms=lambda: 1_780_315_200_123) as ingester:
        wait_until(lambda: ingester.status.is_listening, within_s=10, what="listening")
        with Gateway(mosquitto_server.port) as gateway:
            gateway.publish([("cellar/temperature", b"12.25")])
            _until(ingester, 1)
    assert store.latest("mill-lane-9") == {"cellar": (1_780_315_200_123, 12.25)}


def test_a_mistyped_topic_comes_to_quarantine_and_not_to_nothing(
    mosquitto_server: MosquittoServer, store: ReadingStore, records: Engine
) -> None:
    intake = Intake(Source(small_directory()), store, records)
    with listening(mosquitto_server, intake) as ingester, Gateway(mosquitto_server.port) as gateway:
        gateway.publish([("sites/mill-lane-9/reading", pack(0))])
        _until(ingester, 1)
    (entry,) = quarantine.entries(records)
    assert entry.reason.startswith("topic 'sites/mill-lane-9/reading' is not one of sites/{site}/readings, ")
    assert entry.payload == pack(0)


def test_a_retained_presence_is_heard_by_an_ingester_that_comes_later(
    mosquitto_server: MosquittoServer, store: ReadingStore, records: Engine
) -> None:
    with Gateway(mosquitto_server.port) as gateway:
        gateway.send("sites/mill-lane-9/presence", b"offline", retain=True)
        gateway.settle()
    intake = Intake(Source(small_directory()), store, records)
    for group in (None, "ingest"):  # a shared subscription is not told what is retained, so presence is asked apart
        with listening(mosquitto_server, intake, client_id=f"late-{group}", shared_group=group) as ingester:
            _until(ingester, 1)
            assert presence(records)["mill-lane-9"].state == "offline"


def test_a_site_that_is_added_is_heard_without_a_restart(
    mosquitto_server: MosquittoServer, store: ReadingStore, records: Engine
) -> None:
    source = Source(directory_of([]))
    with (
        listening(mosquitto_server, Intake(source, store, records)) as ingester,
        Gateway(mosquitto_server.port) as gateway,
    ):
        gateway.publish([("cellar/temperature", b"1")])
        source.directory = small_directory()
        wanted = topic_filters(source.directory, shared_group=None)
        assert {"sites/#", "cellar/temperature", "cellar/fan", "plug/room/SENSOR"} == wanted
        sent = 0

        def arrives() -> bool:
            nonlocal sent
            sent += 1
            gateway.publish([("cellar/temperature", str(sent).encode())])
            return ingester.status.counts.stored > 0

        wait_until(arrives, within_s=10, what="a value on the new topic")
    assert "cellar" in store.latest("mill-lane-9")


@pytest.mark.parametrize("version", ["3.1.1", "5.0"])
def test_two_ingesters_share_one_stream_and_each_reading_is_stored_once(
    mosquitto_server: MosquittoServer, store: ReadingStore, records: Engine, version: str
) -> None:
    intake, shared = Intake(Source(small_directory()), store, records), {"version": version, "shared_group": "g"}
    with (
        listening(mosquitto_server, intake, client_id="one", **shared) as one,
        listening(mosquitto_server, intake, client_id="two", **shared) as two,
        Gateway(mosquitto_server.port) as gateway,
    ):
        gateway.publish((TOPIC, pack(number)) for number in range(200))
        both = lambda: one.status.n_messages + two.status.n_messages  # noqa: E731
        wait_until(lambda: both() >= 200, within_s=15, what="200 messages")
        assert both() == 200
        assert min(one.status.n_messages, two.status.n_messages) > 0
    assert totals(records) == {"mqtt": Counts(received=1000, stored=1000)}


def test_a_message_larger_than_a_mebibyte_is_kept_whole_in_quarantine(
    mosquitto_server: MosquittoServer, store: ReadingStore, records: Engine
) -> None:
    payload = b"[" + b" " * (1 << 20) + b"]"
    intake = Intake(Source(small_directory()), store, records)
    with listening(mosquitto_server, intake) as ingester, Gateway(mosquitto_server.port) as gateway:
        gateway.publish([(TOPIC, payload)])
        _until(ingester, 1)
    (entry,) = quarantine.entries(records)
    assert entry.payload == payload


def test_a_broker_that_is_not_there_yet_is_waited_for(
    mosquitto_server: MosquittoServer, store: ReadingStore, records: Engine
) -> None:
    mosquitto_server.stop()
    settings = IngestSettings(port=mosquitto_server.port)
    with Ingester(settings, Intake(Source(small_directory()), store, records)) as ingester:
        assert ingester.status.problem == "not connected yet"
        mosquitto_server.start()
        wait_until(lambda: ingester.status.is_listening, within_s=15, what="listening")
        assert ingester.status.problem == ""


def test_wrong_password_is_said_and_the_right_one_lets_in(tmp_path: Path, store: ReadingStore, records: Engine) -> None:
    folder = tmp_path / "mosquitto"
    folder.mkdir()
    if shutil.which("mosquitto_passwd") is None:
        pytest.skip("mosquitto_passwd is not installed (Debian package mosquitto)")
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(folder / "passwords"), "ingest", "right"], check=True)
    options = ["allow_anonymous false", f"password_file {folder / 'passwords'}"]
    intake = Intake(Source(small_directory()), store, records)
    with MosquittoServer(folder, options=options) as broker:
        wrong = IngestSettings(port=broker.port, username="ingest", password="wrong")
        with Ingester(wrong, intake) as ingester:
            wait_until(lambda: "refuses" in ingester.status.problem, within_s=10, what="a refusal")
            assert ingester.status.problem == "the broker refuses client 'heatledger-ingest': Not authorized"
        with listening(broker, intake, username="ingest", password="right"):
            pass


def test_tls_with_an_authority_of_ones_own(tmp_path: Path, store: ReadingStore, records: Engine) -> None:
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed (Debian package openssl)")
    folder = tmp_path / "mosquitto"
    folder.mkdir()
    key, certificate = folder / "key.pem", folder / "certificate.pem"
    command = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=127.0.0.1"]
    command += ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(certificate)]
    subprocess.run(command, check=True, capture_output=True)
    options = [f"certfile {certificate}", f"keyfile {key}"]
    with MosquittoServer(folder, options=options) as broker:
        intake = Intake(Source(small_directory()), store, records)
        with listening(broker, intake, tls=True, tls_ca=certificate) as ingester:
            assert ingester.status.problem == ""


class _Broken:
    """A store with a bug, which is not the same as a store that is away."""

    def write(self, batch: Batch) -> WriteCounts:
        raise ValueError("series 7 does not exist")


def test_a_bug_in_the_store_ends_the_ingester_and_acknowledges_nothing(
    mosquitto_server: MosquittoServer, store: ReadingStore, records: Engine
) -> None:
    settings = IngestSettings(port=mosquitto_server.port)
    with listening(mosquitto_server, Intake(Source(small_directory()), store, records)):
        pass
    with Gateway(mosquitto_server.port) as gateway:
        gateway.publish([(TOPIC, pack(0))])
    broken = Intake(Source(small_directory()), _Broken(), records)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="series 7 does not exist"):
        run_ingester(settings, broken, stop=threading.Event())
    with listening(mosquitto_server, Intake(Source(small_directory()), store, records)) as ingester:
        _until(ingester, 1)
    assert totals(records) == {"mqtt": Counts(received=5, stored=5)}


def test_stopping_finishes_what_has_arrived_and_leaves_the_rest_to_the_next_run(
    mosquitto_server: MosquittoServer, store: ReadingStore, records: Engine
) -> None:
    intake = Intake(Source(small_directory()), store, records)
    with listening(mosquitto_server, intake) as ingester, Gateway(mosquitto_server.port) as gateway:
        gateway.publish((TOPIC, pack(number)) for number in range(100))
    at_stop = ingester.status.n_messages
    with listening(mosquitto_server, intake) as later:
        wait_until(lambda: at_stop + later.status.n_messages >= 100, within_s=10, what="the rest")
    kept = totals(records)["mqtt"]  # acknowledgements that crossed new messages at the end may not have been heard
    assert (kept.stored, kept.quarantined, kept.received) == (500, 0, 500 + kept.duplicate)


def test_topics_below_sites_are_not_asked_for_twice() -> None:
    own = replace(SITE.points["cellar"], topic="sites/mill-lane-9/cellar")
    directory = directory_of([replace(SITE, points={"cellar": own})])
    assert topic_filters(directory, shared_group=None) == {"sites/#"}
    assert topic_filters(directory, shared_group="g") == {"$share/g/sites/#", "sites/+/presence"}


def test_a_full_inbox_makes_its_writer_wait_and_a_closed_one_refuses() -> None:
    inbox: Inbox[int] = Inbox(capacity=2, enough=2)
    threads = [threading.Thread(target=inbox.put, args=([number],)) for number in range(5)]
    for thread in threads:
        thread.start()
    got: list[int] = []
    while len(got) < 5:
        got += inbox.take(idle_s=5, gather_s=0)
    for thread in threads:
        thread.join()
    assert sorted(got) == [0, 1, 2, 3, 4]
    inbox.close()
    assert inbox.put([9]) is False
    assert inbox.is_done


@pytest.mark.parametrize(
    ("broken", "sentence"),
    [
        ({"--broker": "broker"}, "'broker' is not HOST:PORT, as 127.0.0.1:1883"),
        ({"--sites": "/no/such/folder"}, "'/no/such/folder' is not a folder"),
    ],
)
def test_the_command_says_what_is_wrong_with_its_arguments(
    broken: dict[str, str], sentence: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = {"--sites": str(tmp_path), "--data": str(tmp_path)} | broken
    with pytest.raises(SystemExit, match="2"):
        main([part for pair in arguments.items() for part in pair])
    assert sentence in capsys.readouterr().err


def test_the_command_refuses_a_faulty_site_file_with_its_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "house.toml").write_text("schema = 1\n[site]\nid = 7\n")
    assert main(["--sites", str(tmp_path), "--data", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert said.startswith("heatledger ingest: ")
    assert "house.toml" in said


def test_a_site_folder_follows_its_files_and_keeps_the_last_good_ones(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.site_folder._LOOK_EVERY_S", 0.0)
    file = tmp_path / "house.toml"
    file.write_text(SITE_TOML)
    source = SiteFolder(tmp_path)
    before = source()
    assert source() is before
    file.write_text(SITE_TOML + "nonsense")
    assert source() is before
    file.write_text(SITE_TOML.replace("mill-lane-9", "mill-lane-90"))
    assert list(source().sites) == ["mill-lane-90"]
