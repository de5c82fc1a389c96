"""
Gateways of MQTT 5.0 and 3.1.1 at the embedded broker, with real clients on both sides (paho-mqtt).

What a packet is made of: OASIS, MQTT Version 5.0, 2019.
"""

import queue
import socket
from collections.abc import Iterator

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from api.broker import EmbeddedBroker
from api.mqtt5 import MalformedPacketError, Packet, Translator, length_bytes
from tests.servers import answers, wait_until

V5, V311 = MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311


class _Gateway:
    """A real client; what it is told lies in queues."""

    def __init__(
        self, port: int, version: MQTTProtocolVersion, name: str = "", *, will: str = "", is_clean: bool = True
    ) -> None:
        clean = {} if version is V5 else {"clean_session": is_clean}
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=version, **clean)
        self.messages: queue.Queue[paho.MQTTMessage] = queue.Queue()
        self.told: queue.Queue[tuple[str, object]] = queue.Queue()
        self.client.on_message = lambda _client, _data, message: self.messages.put(message)
        self.client.on_connect = lambda _c, _d, flags, reason, properties: self.told.put(("connect", reason))
        self.client.on_subscribe = lambda _c, _d, _mid, reasons, _p: self.told.put(("subscribe", reasons))
        self.client.on_unsubscribe = lambda _c, _d, _mid, reasons, _p: self.told.put(("unsubscribe", reasons))
        if will:
            self.client.will_set(will, b"offline", qos=1, retain=True)
        start = {"clean_start": is_clean} if version is V5 else {}
        self.client.connect("127.0.0.1", port, keepalive=30, **start)
        self.client.loop_start()
        assert self.next_told("connect") == "Success"

    def next_told(self, kind: str) -> object:
        found, what = self.told.get(timeout=20)
        assert found == kind
        return what

    def subscribe(self, topic: str, qos: int = 1) -> list[ReasonCode]:
        self.client.subscribe(topic, qos)
        return self.next_told("subscribe")  # type: ignore[return-value]

    def publish(self, topic: str, payload: bytes, qos: int = 1, **more: object) -> None:
        message = self.client.publish(topic, payload, qos=qos, **more)  # type: ignore[arg-type]
        message.wait_for_publish(20)
        assert message.is_published()

    def message(self) -> paho.MQTTMessage:
        return self.messages.get(timeout=20)

    def leave(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    with EmbeddedBroker(0) as broker:
        broker.open()
        wait_until(lambda: answers(broker.port), within_s=20, what="the door to open")
        yield broker.port


@pytest.mark.parametrize("reader", [V5, V311], ids=["read by 5.0", "read by 3.1.1"])
@pytest.mark.parametrize("writer", [V5, V311], ids=["written by 5.0", "written by 3.1.1"])
@pytest.mark.parametrize("qos", [0, 1, 2])
def test_messages_pass_whole_between_both_versions(
    port: int, writer: MQTTProtocolVersion, reader: MQTTProtocolVersion, qos: int
) -> None:
    listens, speaks = _Gateway(port, reader), _Gateway(port, writer)
    listens.subscribe(f"a/{qos}", qos)
    payloads = [b"", b"x", bytes(range(256)) * 4096]  # the last is one MiB
    for payload in payloads:
        speaks.publish(f"a/{qos}", payload, qos)
    heard = [listens.message() for _ in payloads]
    assert [(message.topic, message.payload) for message in heard] == [(f"a/{qos}", payload) for payload in payloads]
    listens.leave()
    speaks.leave()


def test_what_5_0_adds_to_a_message_is_left_out_and_the_message_is_not(port: int) -> None:
    listens, speaks = _Gateway(port, V5), _Gateway(port, V5, "gateway-1")
    reasons = listens.subscribe("b/#")
    assert [reason.value for reason in reasons] == [1]
    properties = Properties(PacketTypes.PUBLISH)
    properties.UserProperty = [("house", "quarry-road-3"), ("firmware", "7")]
    properties.MessageExpiryInterval = 3600
    properties.ContentType = "application/senml+json"
    speaks.publish("b/c", b"12", properties=properties)
    assert listens.message().payload == b"12"
    listens.leave()
    speaks.leave()


def test_a_retained_presence_and_a_will_are_told(port: int) -> None:
    watcher = _Gateway(port, V5)
    watcher.subscribe("sites/+/presence")
    dies = _Gateway(port, V5, "dies", will="sites/a/presence")
    dies.publish("sites/a/presence", b"online", retain=True)
    assert watcher.message().payload == b"online"
    dies.client.loop_stop()
    dies.client.socket().shutdown(socket.SHUT_RDWR)
    assert watcher.message().payload == b"offline"
    leaves = _Gateway(port, V5, "leaves", will="sites/b/presence")
    leaves.client.disconnect(reasoncode=ReasonCode(PacketTypes.DISCONNECT, "Disconnect with will message"))
    assert watcher.message().topic == "sites/b/presence"
    leaves.client.loop_stop()
    late = _Gateway(port, V5)
    late.subscribe("sites/a/presence")
    assert late.message().payload == b"offline"
    quiet = _Gateway(port, V5, "quiet", will="sites/c/presence")
    quiet.leave()
    speaks = _Gateway(port, V5)
    speaks.publish("sites/d/presence", b"online")
    assert watcher.message().topic == "sites/d/presence"  # nothing of the one that left in order
    for site in ("a", "b"):  # the broker tells what is retained to all that come
        speaks.publish(f"sites/{site}/presence", b"", retain=True)
    for each in (watcher, late, speaks):
        each.leave()


def test_several_topics_are_asked_for_and_left_at_once(port: int) -> None:
    listens, speaks = _Gateway(port, V5), _Gateway(port, V5)
    listens.client.subscribe([("d/1", SubscribeOptions(1)), ("d/2", SubscribeOptions(0)), ("d/3", SubscribeOptions(2))])
    assert [reason.value for reason in listens.next_told("subscribe")] == [1, 0, 2]  # type: ignore[attr-defined]
    listens.client.unsubscribe(["d/2", "d/3"])
    assert len(listens.next_told("unsubscribe")) == 2  # type: ignore[arg-type]
    for topic in ("d/2", "d/3", "d/1"):
        speaks.publish(topic, topic.encode())
    assert listens.message().payload == b"d/1"
    listens.leave()
    speaks.leave()


def test_the_door_stays_shut_until_it_is_told_to_open() -> None:
    with EmbeddedBroker(0) as broker:
        assert not answers(broker.port)
        assert answers(broker.inner_port)
        broker.open()
        wait_until(lambda: answers(broker.port), within_s=20, what="the door to open")


def test_what_is_no_mqtt_is_shut_out_and_the_broker_goes_on(port: int) -> None:
    for noise in (
        b"GET / HTTP/1.1\r\n\r\n",
        b"\x10\xff\xff\xff\xff\xff",
        Packet(0x10, b"\0\4MQTT\5\2\0\x3c\x7f").encoded(),
        Packet(0x10, b"\0\4MQTT\5\2\0\x3c\0\xff\xff").encoded(),
    ):
        with socket.create_connection(("127.0.0.1", port), timeout=40) as stranger:
            stranger.sendall(noise)
            stranger.shutdown(socket.SHUT_WR)
            assert stranger.recv(100) == b""
    well = _Gateway(port, V5)
    well.leave()


@pytest.mark.parametrize(
    ("length", "encoded"),
    # MQTT Version 5.0, table 1-1: the least and the most of each number of bytes.
    [
        (0, "00"),
        (127, "7f"),
        (128, "8001"),
        (16_383, "ff7f"),
        (16_384, "808001"),
        (2_097_151, "ffff7f"),
        (2_097_152, "80808001"),
        (268_435_455, "ffffff7f"),
    ],
)
def test_lengths_are_written_as_the_standard_shows(length: int, encoded: str) -> None:
    assert length_bytes(length).hex() == encoded


@pytest.mark.parametrize(
    "packet",
    [
        Packet(0xF0, b"\x18\0"),
        Packet(0x32, b"\0\0\0\1\0x"),  # a topic alias stands for an empty topic
        Packet(0x30, b"\0\5a"),
        Packet(0x30, b"\0\1a\x05"),
        Packet(0x82, b"\0\1\0\0\1a"),
        Packet(0x82, b"\0\1\x80\x80\x80\x80\x01"),
    ],
    ids=["authentication", "topic alias", "topic too long", "properties too long", "no options", "length too long"],
)
def test_packets_that_cannot_be_turned_are_refused(packet: Packet) -> None:
    with pytest.raises(MalformedPacketError):
        Translator().to_broker(packet)
