"""The socket and the thread between paho and the broker: what goes in comes out, and a broken thread is told of."""

import shutil
import socket
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, create_engine

from ingest.buffered_socket import BufferedSocket
from ingest.counts import Counts, totals
from ingest.duckdb_store import open_duckdb_store
from ingest.mqtt import Ingester, IngestSettings
from ingest.mqtt_client import new_client
from ingest.pipeline import Intake
from ingest.quarantine import entries, quarantine_metadata
from ingest.store import ReadingStore
from tests.gateways import TOPIC, Gateway, pack, small_directory
from tests.servers import MosquittoServer, free_port, wait_until

LARGE = b"[" + b" " * (1 << 20) + b"]"


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


@pytest.fixture
def pair() -> Iterator[tuple[BufferedSocket, socket.socket]]:
    near, far = socket.socketpair()
    buffered = BufferedSocket(near)
    buffered.setblocking(False)
    with far:
        yield buffered, far
        buffered.close()


@given(pieces=st.lists(st.binary(max_size=300), max_size=8), sizes=st.lists(st.integers(1, 100), min_size=1))
@settings(deadline=None)
def test_whatever_pieces_are_asked_for_the_bytes_come_in_order(pieces: list[bytes], sizes: list[int]) -> None:
    near, far = socket.socketpair()
    for piece in pieces:
        far.sendall(piece)
    far.close()
    buffered, got = BufferedSocket(near), b""
    while piece := buffered.recv(sizes[len(got) % len(sizes)]):
        got += piece
    buffered.close()
    assert got == b"".join(pieces)


def test_what_is_kept_for_the_next_call_is_pending(pair: tuple[BufferedSocket, socket.socket]) -> None:
    buffered, far = pair
    with pytest.raises(BlockingIOError, match="unavailable"):
        buffered.recv(1)
    far.sendall(b"abcdef")
    assert buffered.pending() == 0
    assert buffered.recv(2) == b"ab"
    assert buffered.pending() == 4
    assert buffered.recv(9) == b"cdef"
    assert buffered.pending() == 0


def test_nothing_is_sent_before_it_is_flushed_and_then_all_at_once(pair: tuple[BufferedSocket, socket.socket]) -> None:
    buffered, far = pair
    far.setblocking(False)
    assert [buffered.send(b"\x40\x02\x00\x07") for _ in range(3)] == [4, 4, 4]
    with pytest.raises(BlockingIOError, match="unavailable"):
        far.recv(100)
    assert buffered.flush() is True
    assert far.recv(100) == 3 * b"\x40\x02\x00\x07"


def test_a_network_that_takes_no_more_gets_the_rest_later_and_in_order(
    pair: tuple[BufferedSocket, socket.socket],
) -> None:
    buffered, far = pair
    sent = bytes(range(256)) * 20_000
    buffered.send(sent)
    assert buffered.flush() is False
    got = b""
    while len(got) < len(sent):
        got += far.recv(1 << 20)
        buffered.flush()
    assert got == sent
    assert buffered.flush() is True


def test_closing_sends_what_is_left_and_a_lost_connection_is_told_by_reading(
    pair: tuple[BufferedSocket, socket.socket],
) -> None:
    buffered, far = pair
    buffered.send(b"farewell")
    buffered.close()
    assert far.recv(100) == b"farewell"
    near, gone = socket.socketpair()
    gone.close()
    lost = BufferedSocket(near)
    lost.send(b"to nobody")
    assert lost.flush() is True
    assert lost.recv(1) == b""
    lost.close()


def test_paho_reads_and_writes_through_the_buffer(mosquitto_server: MosquittoServer) -> None:
    client = new_client(IngestSettings(port=mosquitto_server.port), on_message=lambda *_: None)
    client.reconnect()
    assert isinstance(client.socket(), BufferedSocket)
    client.disconnect()
    assert client.socket() is None


def test_a_paho_that_opens_its_sockets_otherwise_is_refused_in_a_sentence(
    mosquitto_server: MosquittoServer, store: ReadingStore, records: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    directory = small_directory()
    monkeypatch.delattr("ingest.mqtt_client._Client._create_socket")
    intake = Intake(lambda: directory, store, records)
    with (
        Ingester(IngestSettings(port=mosquitto_server.port), intake) as ingester,
        pytest.raises(RuntimeError, match="opens its sockets in a way of its own"),
    ):
        ingester.wait(threading.Event())


def test_a_bug_on_the_network_thread_ends_the_ingester_and_loses_nothing(
    mosquitto_server: MosquittoServer, store: ReadingStore, records: Engine
) -> None:
    def broken_clock() -> int:
        raise ValueError("no time")

    directory = small_directory()
    intake = Intake(lambda: directory, store, records)
    connection = IngestSettings(port=mosquitto_server.port)
    with Ingester(connection, intake, clock_ms=broken_clock) as ingester:
        wait_until(lambda: ingester.status.is_listening, within_s=10, what="listening")
        with Gateway(mosquitto_server.port) as gateway:
            gateway.publish([(TOPIC, pack(0))])
        with pytest.raises(ValueError, match="no time"):
            ingester.wait(threading.Event())
        assert ingester.status.problem == "no more readings are taken: no time; start again"
    with Ingester(connection, intake) as ingester:
        wait_until(lambda: ingester.status.n_messages == 1, within_s=10, what="the message again")
    assert totals(records) == {"mqtt": Counts(received=5, stored=5)}


def test_an_acknowledgement_goes_out_at_once_though_nothing_comes(
    mosquitto_server: MosquittoServer, store: ReadingStore, records: Engine
) -> None:
    n_messages, directory = 300, small_directory()
    # One message under way: the broker sends the next when it has the acknowledgement, and nothing else wakes anyone.
    connection = IngestSettings(port=mosquitto_server.port, receive_maximum=1)
    with (
        Ingester(connection, Intake(lambda: directory, store, records)) as ingester,
        Gateway(mosquitto_server.port) as gateway,
    ):
        wait_until(lambda: ingester.status.is_listening, within_s=10, what="listening")
        gateway.publish((TOPIC, pack(number)) for number in range(n_messages))
        wait_until(lambda: ingester.status.n_messages == n_messages, within_s=n_messages / 5, what="all messages")
    assert totals(records)["mqtt"].duplicate == 0


def _certificate(folder: Path) -> tuple[Path, Path]:
    key, certificate = folder / "key.pem", folder / "certificate.pem"
    command = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=127.0.0.1"]
    command += ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(certificate)]
    subprocess.run(command, check=True, capture_output=True)
    return key, certificate


@pytest.mark.parametrize("version", ["3.1.1", "5.0"])
def test_small_and_large_messages_come_through_tls(
    tmp_path: Path, store: ReadingStore, records: Engine, version: str
) -> None:
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed (Debian package openssl)")
    folder = tmp_path / "mosquitto"
    folder.mkdir()
    key, certificate = _certificate(folder)
    plain_port, directory = free_port(), small_directory()
    options = [f"certfile {certificate}", f"keyfile {key}", f"listener {plain_port} 127.0.0.1"]
    intake = Intake(lambda: directory, store, records)
    with MosquittoServer(folder, options=options) as broker, Gateway(plain_port) as gateway:
        connection = IngestSettings(port=broker.port, version=version, tls=True, tls_ca=certificate)  # type: ignore[arg-type]
        with Ingester(connection, intake) as ingester:
            wait_until(lambda: ingester.status.is_listening, within_s=10, what="listening")
            messages = [(TOPIC, pack(number)) for number in range(500)]
            gateway.publish([*messages[:250], (TOPIC, LARGE), *messages[250:]])
            wait_until(lambda: ingester.status.n_messages >= 501, within_s=20, what="501 messages")
    (entry,) = entries(records)
    assert entry.payload == LARGE
    assert totals(records) == {"mqtt": Counts(received=2501, stored=2500, quarantined=1)}
