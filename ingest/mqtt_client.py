"""The wire to the broker: settings, what is subscribed, and a client that acknowledges only when told to."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from ingest.buffered_socket import BufferedSocket
from ingest.directory import Directory

__all__ = ["IngestSettings", "new_client", "set_connection", "subscribe", "topic_filters", "unsubscribe"]

_PRESENCE = "sites/+/presence"
_SITES = "sites/#"
_RETAIN_ON_NEW = 1  # MQTT 5, 3.8.3.1: retained messages only where the subscription is new


@dataclass(frozen=True, slots=True, kw_only=True)
class IngestSettings:
    """
    One ingester's place at a broker.

    Args:
        host, port: The broker.
        client_id: Names the broker's session; fixed over restarts, and another one for each process.
        version: Of MQTT.
        username, password: Where the broker asks for them.
        tls: Whether to speak TLS; `tls_ca` (default: the system's authorities), `tls_cert` and `tls_key` are files.
        shared_group: Several ingesters of one group share the messages (`$share/GROUP/...`).
        session_expiry_s: How long the broker keeps messages for an ingester that is away. A week: somebody can be on
            leave. (MQTT 3.1.1 leaves this to the broker.)
        receive_maximum: Messages under way without acknowledgement. What is in memory when the store is away.
        batch_messages, batch_s: A commit's size, whichever is reached first. Half of what may be under way: the
            broker sends the next half meanwhile.
        keepalive_s: After one and a half of it without a sign, broker and ingester take each other for dead.
    """

    host: str = "127.0.0.1"
    port: int = 1883
    client_id: str = "heatledger-ingest"
    version: Literal["3.1.1", "5.0"] = "5.0"
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    tls_ca: Path | None = None
    tls_cert: Path | None = None
    tls_key: Path | None = None
    shared_group: str | None = None
    session_expiry_s: int = 7 * 86_400
    receive_maximum: int = 2000
    batch_messages: int = 1000
    batch_s: float = 0.1
    keepalive_s: int = 30


def topic_filters(directory: Directory, *, shared_group: str | None) -> frozenset[str]:
    """
    What to subscribe to.

    All of `sites/`, so that a mistyped topic comes to quarantine instead of to nothing, and the points' own topics.
    A shared subscription is not told what is retained (MQTT 5, 4.8.2), so every member asks for presence as well.
    """
    own = {topic for topic in directory.channels if not topic.startswith("sites/")}
    if shared_group is None:
        return frozenset({_SITES, *own})
    return frozenset({_PRESENCE, *(f"$share/{shared_group}/{topic}" for topic in (_SITES, *own))})


class _Client(paho.Client):
    """Paho reads and writes its socket in small pieces, and has no other place to put a buffer between."""

    def _create_socket(self) -> BufferedSocket:
        return BufferedSocket(super()._create_socket())


def new_client(
    settings: IngestSettings, *, on_message: Callable[[paho.Client, object, paho.MQTTMessage], None]
) -> paho.Client:
    """A client that keeps its session at the broker; `Network` connects it."""
    is_v5 = settings.version == "5.0"
    client = _Client(
        CallbackAPIVersion.VERSION2,
        client_id=settings.client_id,
        clean_session=None if is_v5 else False,
        protocol=paho.MQTTv5 if is_v5 else paho.MQTTv311,
        manual_ack=True,
    )
    if settings.username is not None:
        client.username_pw_set(settings.username, settings.password)
    if settings.tls:
        files = (settings.tls_ca, settings.tls_cert, settings.tls_key)
        client.tls_set(*(None if file is None else str(file) for file in files))
    set_connection(client, settings)
    client.on_message = on_message
    return client


def set_connection(client: paho.Client, settings: IngestSettings) -> None:
    """Tell a client where to connect and which session to ask for; it does so when it is run."""
    if settings.version == "5.0":
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = settings.session_expiry_s
        properties.ReceiveMaximum = settings.receive_maximum
        client.connect_async(
            settings.host, settings.port, settings.keepalive_s, clean_start=False, properties=properties
        )
    else:
        client.connect_async(settings.host, settings.port, settings.keepalive_s)


def subscribe(client: paho.Client, filters: frozenset[str], *, version: str) -> None:
    """Subscribe to filters at QoS 1."""
    if not filters:
        return
    if version == "5.0":
        options = SubscribeOptions(qos=1, retainHandling=_RETAIN_ON_NEW)
        client.subscribe([(each, options) for each in sorted(filters)])
    else:
        client.subscribe([(each, 1) for each in sorted(filters)])


def unsubscribe(client: paho.Client, filters: frozenset[str]) -> None:
    """Hear no more of these."""
    if filters:
        client.unsubscribe(sorted(filters))
