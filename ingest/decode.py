"""
From a message to columns: which topic is what, and the table of decoders.

How readings are counted. A SenML record that gives a value, or should, is one reading received; so is each point
that a plain payload feeds. A payload that cannot be taken apart into records (it does not parse, is larger than
1 MiB, comes on a topic that nobody knows) is one reading received. Presence is a state, not a reading: a good presence
message counts nothing, a bad one counts as one.
"""

import json
from collections.abc import Sequence
from typing import Any, Literal

import msgspec

from ingest.columns import SWITCH, Columns, Fault, short, whole_fault
from ingest.csv_payload import decode_csv
from ingest.directory import Channel, Directory, Lookup
from ingest.senml import decode_senml_cbor, decode_senml_json

__all__ = ["DECODERS", "MAX_PAYLOAD_BYTES", "Message", "Topic", "decode", "parse_topic"]

MAX_PAYLOAD_BYTES = 1 << 20
"""1 MiB, about 20 thousand readings in JSON: more than a month of one point, each minute half of it."""

DECODERS = {"readings": decode_senml_json, "readings/cbor": decode_senml_cbor, "readings/csv": decode_csv}
"""What follows `sites/{site}/` in a topic, to the decoder of its payload."""

_ON = frozenset({"true", "on"})
_OFF = frozenset({"false", "off"})
_MAX_SHOWN_KEYS = 8


class Message(msgspec.Struct, frozen=True):
    """
    One message, from MQTT, from HTTP or out of quarantine.

    Args:
        topic: The MQTT topic, or the one that stands for the way it came.
        payload: Its bytes, as they came.
        received_ms: When it arrived, milliseconds since 1970 UTC.
        only: Places of the records to take; None for all of them.
    """

    topic: str
    payload: bytes
    received_ms: int
    only: frozenset[int] | None = None


class Topic(msgspec.Struct, frozen=True, gc=False):
    """What a topic is: a decoder's name for packs, "presence", or "plain" for points of their own topic."""

    kind: Literal["readings", "readings/cbor", "readings/csv", "presence", "plain"]
    site: str = ""
    channels: Sequence[Channel] = ()


def parse_topic(topic: str, directory: Directory) -> Topic:
    """
    What a topic is for.

    Raises:
        LookupError: With the sentence for the user, where the topic is nobody's.
    """
    channels = directory.channels.get(topic)
    if channels is not None:
        return Topic("plain", channels=channels)
    first, _, rest = topic.partition("/")
    site, _, kind = rest.partition("/")
    if first == "sites" and site and (kind in DECODERS or kind == "presence"):
        return Topic(kind, site)
    raise LookupError(
        f"topic {short(topic)} is not one of sites/{{site}}/readings, sites/{{site}}/readings/cbor, "
        "sites/{site}/presence, and no point has it as its topic"
    )


def decode(message: Message, directory: Directory) -> tuple[Columns, Lookup]:
    """Columns of a message of readings, and the names that its topic may use."""
    lookup = directory.qualified
    try:
        topic = parse_topic(message.topic, directory)
    except LookupError as error:
        return whole_fault(str(error.args[0])), lookup
    if len(message.payload) > MAX_PAYLOAD_BYTES:
        size = f"{len(message.payload)} bytes, more than the {MAX_PAYLOAD_BYTES} (1 MiB) that are taken"
        return whole_fault(f"the payload has {size}; send smaller packs"), lookup
    received_s = message.received_ms / 1000.0
    if topic.kind == "plain":
        return _decode_plain(message.payload, topic.channels, received_s=received_s), lookup
    columns = DECODERS[topic.kind](message.payload, received_s=received_s)
    found = directory.sites.get(topic.site)
    if found is None:
        reason = f"site {short(topic.site)} is not known{directory.nearest_site(topic.site)}"
        return whole_fault(reason, max(columns.n_received, 1)), lookup
    return columns, found


def _decode_plain(payload: bytes, channels: Sequence[Channel], *, received_s: float) -> Columns:
    """One reading for each point that the payload has a value for; the record is the point's place in the topic."""
    try:
        text = payload.decode().strip()
    except UnicodeDecodeError as error:
        return whole_fault(f"the payload is not text: {error}; a plain value looks like 21.5")
    found, faults, absent = list[tuple[int, float, str | None]](), list[Fault](), list[Fault]()
    for place, channel in enumerate(channels):
        try:
            found.append((place, *_plain_value(text, channel)))
        except KeyError as error:
            absent.append(Fault(place, f"{short(channel.name)} {error.args[0]}"))
        except ValueError as error:
            faults.append(Fault(place, f"{short(channel.name)} {error}"))
    if not found and not faults:
        return Columns(faults=absent)  # a gateway may publish its fields in turn, but not none of them
    places, values, units = zip(*found, strict=True) if found else ((), (), ())
    names = [channels[place].name for place in places]
    return Columns(names, units, [received_s] * len(found), values, places, faults)


def _plain_value(text: str, channel: Channel) -> tuple[float, str | None]:
    if channel.point.field is None:
        return _number(text, text)
    try:
        tree = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise ValueError(
            f"has the field {channel.point.field!r}, but the payload {short(text)} is not JSON: {error}"
        ) from error
    return _number(_at_path(tree, channel.point.field), text)


def _at_path(tree: Any, path: str) -> Any:
    """The value at a key path such as "ENERGY.Power" or "values.0"."""
    if isinstance(tree, dict) and path in tree:
        return tree[path]
    found = tree
    for key in path.split("."):
        if isinstance(found, dict) and key in found:
            found = found[key]
        elif isinstance(found, list) and key.isdecimal() and int(key) < len(found):
            found = found[int(key)]
        else:
            has = ", ".join(list(found)[:_MAX_SHOWN_KEYS]) if isinstance(found, dict) else short(found)
            raise KeyError(f"has the field {path!r}, which the payload has not; at {key!r} it has {has or 'nothing'}")
    return found


def _number(given: Any, text: str) -> tuple[float, str | None]:
    if isinstance(given, bool):
        return float(given), SWITCH
    if isinstance(given, int | float):
        return float(given), None
    if isinstance(given, str):
        word = given.strip().lower()
        if word in _ON or word in _OFF:
            return float(word in _ON), SWITCH
        try:
            return float(word.replace("_", "?")), None  # Python reads 1_000 as a number; no gateway means that
        except ValueError:
            pass
    raise ValueError(f"has the value {short(given)}, which is not a number; a plain value looks like 21.5, on or off")
