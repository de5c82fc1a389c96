"""A gateway for tests: publishes packs to a real broker and knows what the broker has taken; and a small site."""

import json
import threading
from collections.abc import Iterable
from types import TracebackType
from typing import Self

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from analytics.site import Point, Site
from ingest.directory import Directory, directory_of

__all__ = ["BASE_S", "SITE", "SITE_TOML", "TOPIC", "Gateway", "pack", "small_directory"]

BASE_S = 1_780_000_000
"""A time in the past of any run: 2026-05-28."""

TOPIC = "sites/mill-lane-9/readings"

SITE = Site(
    id="mill-lane-9",
    name="Mill Lane 9 (invented)",
    timezone="Europe/Berlin",
    latitude_deg=52.5,
    longitude_deg=13.4,
    points={
        point.id: point
        for point in (
            *(Point(id=f"t{i}", quantity="temperature", unit="degC") for i in range(25)),
            Point(id="draw.flow", quantity="flow", unit="l/min"),
            Point(id="hp.power", quantity="power", unit="W"),
            Point(id="hp.energy", quantity="energy", unit="kWh", sampling="counter"),
            Point(id="meter.heat", quantity="energy", unit="J", sampling="counter"),
            Point(id="meter.volume", quantity="volume", unit="m3", sampling="counter"),
            Point(id="pump", quantity="status", unit="1"),
            Point(id="room", quantity="temperature", unit="degC", topic="plug/room/SENSOR", field="SI7021.Temperature"),
            Point(id="humid", quantity="status", unit="1", topic="plug/room/SENSOR", field="SI7021.Valve"),
            Point(id="cellar", quantity="temperature", unit="degC", topic="cellar/temperature"),
            Point(id="fan", quantity="status", unit="1", topic="cellar/fan"),
        )
    },
)

SITE_TOML = """
schema = 1
[site]
id = "mill-lane-9"
name = "Mill Lane 9 (invented)"
timezone = "Europe/Berlin"
latitude = 52.5
longitude = 13.4
""" + "".join(f'[points.t{i}]\nquantity = "temperature"\nunit = "degC"\n' for i in range(25))


def small_directory() -> Directory:
    """The directory of the one invented site."""
    return directory_of([SITE])


def pack(number: int, *, n_points: int = 5) -> bytes:
    """Pack `number` of a steady stream: all points at one second, each value told apart from every other."""
    records: list[dict[str, object]] = [
        {"n": f"t{i}", "u": "Cel", "v": 20.0 + number / 64 + i / 1024} for i in range(n_points)
    ]
    records[0]["bt"] = BASE_S + number
    return json.dumps(records).encode()


class Gateway:
    """A publisher at QoS 1 that is sure of a message only when the broker has acknowledged it."""

    def __init__(self, port: int, *, client_id: str = "gateway") -> None:
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=False, protocol=paho.MQTTv311
        )
        self._client.max_queued_messages_set(0)
        self._client.reconnect_delay_set(1, 1)
        self._connected = threading.Event()
        self._client.on_connect = lambda *_: self._connected.set()
        self._change = threading.Condition()
        self._n_sent = self._n_taken = 0
        self._client.on_publish = self._on_publish
        self._port = port

    def publish(self, messages: Iterable[tuple[str, bytes]], *, within_s: float = 30.0) -> int:
        """Publish, wait until the broker has taken all, and return how many there were."""
        n_messages = 0
        for topic, payload in messages:
            self.send(topic, payload)
            n_messages += 1
        self.settle(within_s=within_s)
        return n_messages

    def send(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Publish without waiting; without a connection the message is sent when there is one. `settle` waits."""
        with self._change:
            self._n_sent += 1
        self._client.publish(topic, payload, qos=1, retain=retain)

    def settle(self, *, within_s: float = 30.0) -> None:
        """Wait until the broker has taken all that was sent."""
        with self._change:
            if not self._change.wait_for(lambda: self._n_taken >= self._n_sent, within_s):
                raise TimeoutError(f"the broker took {self._n_taken} of {self._n_sent} messages within {within_s:g} s")

    def _on_publish(self, *_: object) -> None:
        with self._change:
            self._n_taken += 1
            self._change.notify_all()

    def __enter__(self) -> Self:
        self._client.connect_async("127.0.0.1", self._port, keepalive=30)
        self._client.loop_start()
        if not self._connected.wait(10):
            raise TimeoutError("no connection to the broker within 10 s")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.disconnect()
        self._client.loop_stop()
