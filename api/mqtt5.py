"""
MQTT 5.0 before a broker that speaks 3.1.1: packets of either, turned into the other.

What 5.0 adds to the packets of a gateway (properties, reasons) is taken off on the way in and left empty on the way
out. The broker's answer to a connection says what there is not: topic aliases, subscription identifiers, shared
subscriptions. How long a gateway wants its session kept is not heeded.

References:
    OASIS, MQTT Version 5.0, 2019, and MQTT Version 3.1.1, 2014.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from uuid import uuid4

__all__ = ["MalformedPacketError", "Packet", "Translator", "is_version_5", "length_bytes"]

_CONNECT, _CONNACK, _PUBLISH, _PUBCOMP = 1, 2, 3, 7
_SUBSCRIBE, _SUBACK, _UNSUBSCRIBE, _UNSUBACK, _DISCONNECT, _AUTH = 8, 9, 10, 11, 14, 15
_LEVEL_AT, _FLAGS_AT = 6, 7  # of "MQTT" with its length, then the level, then the flags
_CLEAN, _WILL = 0x02, 0x04
_WITH_WILL = 0x04  # reason of a 5.0 gateway that leaves and wants its will told
_NOT_THERE = bytes((0x29, 0, 0x2A, 0))  # subscription identifiers, shared subscriptions
_ASSIGNED_ID = 0x12
# Of the 3.1.1 answers to a connection, the reasons of 5.0.
_REASONS = {0: 0x00, 1: 0x84, 2: 0x85, 3: 0x88, 4: 0x86, 5: 0x87}
_LONGEST = 4  # bytes of a length


class MalformedPacketError(ValueError):
    """A packet that is none of MQTT 5.0, or asks for what is not there."""


@dataclass(frozen=True, slots=True)
class Packet:
    """The first byte of a packet, and what follows its length."""

    first: int
    body: bytes

    @property
    def kind(self) -> int:
        return self.first >> 4

    def encoded(self) -> bytes:
        return bytes((self.first,)) + length_bytes(len(self.body)) + self.body


def is_version_5(connect: Packet) -> bool:
    body = connect.body
    return connect.kind == _CONNECT and body[:_LEVEL_AT] == b"\x00\x04MQTT" and body[_LEVEL_AT : _LEVEL_AT + 1] == b"\5"


def length_bytes(length: int) -> bytes:
    """A length as MQTT writes it: seven bits a byte, the lowest first."""
    found = bytearray()
    while True:
        length, low = divmod(length, 128)
        found.append(low | (0x80 if length else 0))
        if not length:
            return bytes(found)


class Translator:
    """
    One connection's packets.

    `to_broker` turns what the gateway says into 3.1.1; None where nothing is said on, `ends` then being set if the
    connection is to be closed. `to_gateway` turns what the broker says into 5.0.
    """

    def __init__(self) -> None:
        self.ends = False
        self._assigned_id = b""
        self._n_filters: dict[bytes, int] = {}
        self._inward: Mapping[int, Callable[[Packet], Packet | None]] = {
            _CONNECT: self._connect,
            _PUBLISH: self._publish,
            _SUBSCRIBE: self._subscribe,
            _UNSUBSCRIBE: self._unsubscribe,
            _DISCONNECT: self._disconnect,
        }

    def to_broker(self, packet: Packet) -> Packet | None:
        """
        Raises:
            MalformedPacketError: If the packet is none of MQTT 5.0.
        """
        if packet.kind == _AUTH:
            raise MalformedPacketError("this broker knows no extended authentication")
        if packet.kind in self._inward:
            return self._inward[packet.kind](packet)
        # An acknowledgement's reason and properties are left out.
        return Packet(packet.first, packet.body[:2]) if _PUBLISH < packet.kind <= _PUBCOMP else packet

    def to_gateway(self, packet: Packet) -> Packet:
        body = packet.body
        if packet.kind == _CONNACK:
            told = _NOT_THERE
            if self._assigned_id:
                told += bytes((_ASSIGNED_ID,)) + _with_length(self._assigned_id)
            reason = _REASONS.get(body[1], 0x80)
            return Packet(packet.first, bytes((body[0], reason)) + length_bytes(len(told)) + told)
        if packet.kind == _PUBLISH:
            head = _publish_head(packet)
            return Packet(packet.first, body[:head] + b"\0" + body[head:])
        if packet.kind == _SUBACK:
            return Packet(packet.first, body[:2] + b"\0" + body[2:])
        if packet.kind == _UNSUBACK:
            return Packet(packet.first, body[:2] + bytes(1 + self._n_filters.pop(body[:2], 1)))
        return packet

    def _connect(self, packet: Packet) -> Packet:
        body = packet.body
        head = bytearray(body[: _FLAGS_AT + 3])
        head[_LEVEL_AT] = 4
        at = _after_properties(body, len(head))
        client_id, at = _taken(body, at)
        if not client_id:
            self._assigned_id = client_id = f"heatledger-{uuid4().hex[:12]}".encode()
            head[_FLAGS_AT] |= _CLEAN
        if head[_FLAGS_AT] & _WILL:
            at = _after_properties(body, at)
        return Packet(packet.first, bytes(head) + _with_length(client_id) + body[at:])

    def _publish(self, packet: Packet) -> Packet:
        head = _publish_head(packet)
        if packet.body[:2] == b"\0\0":
            raise MalformedPacketError("this broker knows no topic aliases")
        return Packet(packet.first, packet.body[:head] + packet.body[_after_properties(packet.body, head) :])

    def _subscribe(self, packet: Packet) -> Packet:
        body = bytearray(packet.body[:2])
        at = _after_properties(packet.body, 2)
        while at < len(packet.body):
            topic, at = _taken(packet.body, at)
            body += _with_length(topic) + bytes((_byte(packet.body, at) & 0x03,))
            at += 1
        return Packet(packet.first, bytes(body))

    def _unsubscribe(self, packet: Packet) -> Packet:
        first = at = _after_properties(packet.body, 2)
        n_filters = 0
        while at < len(packet.body):
            _, at = _taken(packet.body, at)
            n_filters += 1
        self._n_filters[packet.body[:2]] = n_filters
        return Packet(packet.first, packet.body[:2] + packet.body[first:])

    def _disconnect(self, packet: Packet) -> Packet | None:
        self.ends = True
        # A broker of 3.1.1 tells the will of a gateway that leaves without a word.
        return None if packet.body[:1] == bytes((_WITH_WILL,)) else Packet(packet.first, b"")


def _publish_head(packet: Packet) -> int:
    """Bytes of a publication before its properties: topic, and an identifier unless it is sent at most once."""
    _, at = _taken(packet.body, 0)
    return at + (2 if packet.first & 0x06 else 0)


def _with_length(text: bytes) -> bytes:
    return len(text).to_bytes(2) + text


def _taken(body: bytes, at: int) -> tuple[bytes, int]:
    """A text with its length before it, and where it ends."""
    end = at + 2 + int.from_bytes(body[at : at + 2])
    if end > len(body) or at + 2 > len(body):
        raise MalformedPacketError("a text is longer than its packet")
    return body[at + 2 : end], end


def _after_properties(body: bytes, at: int) -> int:
    """Where the properties end that begin somewhere."""
    length = 0
    for place in range(_LONGEST):
        byte = _byte(body, at + place)
        length |= (byte & 0x7F) << 7 * place
        if byte < 0x80:
            end = at + place + 1 + length
            if end > len(body):
                raise MalformedPacketError("properties are longer than their packet")
            return end
    raise MalformedPacketError("a length has more than four bytes")


def _byte(body: bytes, at: int) -> int:
    if at >= len(body):
        raise MalformedPacketError("a packet ends too soon")
    return body[at]
