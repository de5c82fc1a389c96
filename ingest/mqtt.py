"""
The ingester: from the broker to the store, without loss.

Who writes: one thread, here; the network thread only puts messages into the inbox. What is promised: a message is
acknowledged after `Intake.take` has returned, so after its readings are durable, and in the order of arrival. After a
crash at any moment the broker, which keeps the session, sends again what was not acknowledged, and the store finds
what it has already. While the store is away nothing is acknowledged and nothing dropped: the number of messages under
way is bounded, so the broker waits, and keeps what is not sent yet as long as its own limits allow (Mosquitto:
`max_queued_messages`, by default 1000, which a deployment has to raise). What is not promised: that a message without
a time of its own, sent again after a crash, gets the same time again.

An acknowledgement belongs to a connection. What arrived over an earlier one is not acknowledged over a later one,
since the broker may have given its number to another message; the broker sends it again.
"""

import logging
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Any, NamedTuple, Self

import paho.mqtt.client as paho

from ingest.counts import Counts
from ingest.decode import Message
from ingest.directory import Directory
from ingest.inbox import Inbox
from ingest.mqtt_client import IngestSettings, new_client, subscribe, topic_filters, unsubscribe
from ingest.network import Network
from ingest.pipeline import Intake
from ingest.store import StoreUnavailableError

__all__ = ["IngestSettings", "Ingester", "IngesterStatus", "run_ingester", "wall_clock_ms"]

_LOG = logging.getLogger(__name__)
_IDLE_S = 0.5  # how often the directory is looked at while nothing arrives
_RETRY_S = (0.1, 5.0)
_REFUSED = 0x80  # MQTT reason codes from here on are failures


class _Arrived(NamedTuple):
    message: Message
    connection: int
    mid: int
    qos: int


@dataclass(frozen=True, slots=True)
class IngesterStatus:
    """
    How an ingester fares.

    Args:
        is_listening: Connected, and the broker has confirmed the subscriptions.
        n_messages, counts: Made durable since the start.
        problem: What is wrong now, in a sentence; "" if nothing is.
    """

    is_listening: bool
    n_messages: int
    counts: Counts
    problem: str


def wall_clock_ms() -> int:
    """Milliseconds since 1970 UTC."""
    return time.time_ns() // 1_000_000


class Ingester:
    """
    Takes what the broker has for the known sites; `with` runs it and ends it in order.

    Args:
        settings: The broker and this ingester's place at it.
        intake: Makes readings durable; its directory source must not raise.
        clock_ms: Tells the time of arrival.
    """

    def __init__(
        self, settings: IngestSettings, intake: Intake, *, clock_ms: Callable[[], int] = wall_clock_ms
    ) -> None:
        self._settings, self._intake, self._clock_ms = settings, intake, clock_ms
        window = settings.receive_maximum
        self._inbox: Inbox[_Arrived] = Inbox(capacity=window, enough=min(settings.batch_messages, max(window // 2, 1)))
        self._stopping, self._ended = threading.Event(), threading.Event()
        self._connection_lock = threading.Lock()
        self._connection, self._is_connected, self._is_subscribed = 0, False, False
        self._subscribed: frozenset[str] = frozenset()
        self._wanted: tuple[Directory | None, frozenset[str]] = (None, frozenset())
        self._n_messages, self._counts = 0, Counts()
        self._store_problem, self._broker_problem = "", "not connected yet"
        self._arrived: list[_Arrived] = []
        self._failure: BaseException | None = None
        self._client = new_client(settings, on_message=self._on_message)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_subscribe = self._on_subscribe
        self._network = Network(self._client, after_reading=self._hand_over, on_failure=self._give_up)
        self._writer = threading.Thread(target=self._write_until_stopped, name="ingest-writer", daemon=True)

    @property
    def status(self) -> IngesterStatus:
        ended = "" if self._failure is None else f"no more readings are taken: {self._failure}; start again"
        problem = ended or self._store_problem or self._broker_problem
        return IngesterStatus(self._is_subscribed, self._n_messages, self._counts, problem)

    def wait(self, stop: threading.Event) -> None:
        """
        Return when `stop` is set.

        Raises:
            Exception: What ended the ingester, if it could not go on.
        """
        while not stop.wait(_IDLE_S) and not self._ended.is_set():
            pass
        if self._failure is not None:
            raise self._failure

    def __enter__(self) -> Self:
        self._writer.start()
        self._network.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stopping.set()
        self._inbox.close()
        self._writer.join()
        self._network.stop()

    # The network thread.

    def _on_connect(self, client: paho.Client, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            self._note_problem(f"the broker refuses client {self._settings.client_id!r}: {reason}")
            return
        with self._connection_lock:
            self._connection += 1
            self._subscribed = frozenset()
            self._is_connected = True
        self._broker_problem = "the broker has not confirmed the subscriptions yet"
        _LOG.info("connected to %s:%d", self._settings.host, self._settings.port)

    def _on_disconnect(self, client: paho.Client, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        with self._connection_lock:
            was_connected = self._is_connected
            self._connection += 1
            self._is_connected = self._is_subscribed = False
        if was_connected and not self._stopping.is_set():
            self._note_problem(f"no connection to {self._settings.host}:{self._settings.port}: {reason}")

    def _on_subscribe(self, client: paho.Client, userdata: Any, mid: int, reasons: Any, properties: Any) -> None:
        refused = [str(reason) for reason in reasons if reason.value >= _REFUSED]
        if refused:
            self._note_problem(f"the broker refuses a subscription: {refused[0]}; see its access rules")
        else:
            self._broker_problem = ""
            _LOG.info("listening")
        self._is_subscribed = not refused

    def _note_problem(self, problem: str) -> None:
        if problem != self._broker_problem:
            _LOG.warning("%s", problem)
        self._broker_problem = problem

    def _on_message(self, client: paho.Client, userdata: Any, message: paho.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(not UTF-8)"
        arrived = Message(topic, bytes(message.payload), self._clock_ms())
        self._arrived.append(_Arrived(arrived, self._connection, message.mid, message.qos))

    def _hand_over(self) -> None:
        self._inbox.put(self._arrived)
        self._arrived.clear()

    # The writer's thread.

    def _write_until_stopped(self) -> None:
        try:
            while not self._inbox.is_done:
                self._keep_subscribed()
                batch = self._inbox.take(idle_s=_IDLE_S, gather_s=self._settings.batch_s)
                if batch and not self._commit(batch):
                    return
                self._acknowledge(batch)
        except BaseException as error:
            self._give_up(error)
        finally:
            self._inbox.close()
            self._ended.set()

    def _give_up(self, error: BaseException) -> None:
        """On either thread: whoever waits is told."""
        _LOG.error("the ingester cannot go on", exc_info=error)
        self._failure = error
        self._inbox.close()
        self._ended.set()

    def _keep_subscribed(self) -> None:
        directory = self._intake.directory()
        if directory is not self._wanted[0]:
            self._wanted = directory, topic_filters(directory, shared_group=self._settings.shared_group)
        wanted = self._wanted[1]
        with self._connection_lock:
            if not self._is_connected or wanted == self._subscribed:
                return
            unsubscribe(self._client, self._subscribed - wanted)
            subscribe(self._client, wanted - self._subscribed, version=self._settings.version)
            self._subscribed = wanted

    def _commit(self, batch: Sequence[_Arrived]) -> bool:
        """Make a batch durable, however long it takes; False if told to stop before it was."""
        messages, wait_s = [arrived.message for arrived in batch], _RETRY_S[0]
        while True:
            try:
                receipt = self._intake.take(messages, now_ms=self._clock_ms())
            except StoreUnavailableError as error:
                if not self._store_problem:
                    _LOG.warning("readings wait at the broker: %s", error)
                self._store_problem = f"readings wait at the broker: {error}"
                if self._stopping.wait(wait_s):
                    return False
                wait_s = min(2 * wait_s, _RETRY_S[1])
                self._keep_subscribed()
                continue
            self._store_problem = ""
            self._n_messages += len(batch)
            self._counts += receipt.counts
            return True

    def _acknowledge(self, batch: Sequence[_Arrived]) -> None:
        with self._connection_lock:
            for arrived in batch:
                if arrived.connection == self._connection and arrived.qos:
                    self._client.ack(arrived.mid, arrived.qos)


def run_ingester(settings: IngestSettings, intake: Intake, *, stop: threading.Event) -> None:
    """
    Take readings until `stop` is set; then finish what has arrived.

    Raises:
        Exception: What made it impossible to go on; a store or broker that is away does not.
    """
    with Ingester(settings, intake) as ingester:
        ingester.wait(stop)
