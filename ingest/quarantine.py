"""
Quarantine: what could not be used, with its reason, its topic and its bytes, until it is replayed.

One entry is one message. Where only some of its records are bad, `records` names them, and a replay takes those
alone. An entry stays as it is until a replay finds nothing wrong any more; then it is kept with `replayed_ms` set.
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, Engine, RowMapping, func, insert, select, update

from ingest.admit import Rejection
from ingest.decode import Message
from ingest.tables import quarantine, quarantine_metadata

__all__ = [
    "QuarantineCount",
    "QuarantineEntry",
    "add",
    "count",
    "entries",
    "quarantine_metadata",
    "settle",
]


@dataclass(frozen=True, slots=True)
class QuarantineEntry:
    """
    Args:
        way: How it came: mqtt, http or file.
        site: The site of its topic; "" where the topic says none.
        reason: A sentence for each cause, a line each.
        records: Places of the bad records; None where all of the payload cannot be used.
        n_readings: How many readings it stands for.
        replayed_ms: When it was replayed with success; None while it waits.
    """

    id: int
    way: str
    site: str
    topic: str
    payload: bytes
    received_ms: int
    reason: str
    records: tuple[int, ...] | None
    n_readings: int
    replayed_ms: int | None

    @property
    def message(self) -> Message:
        """The message as it came, for a replay."""
        return Message(
            self.topic, self.payload, self.received_ms, None if self.records is None else frozenset(self.records)
        )


@dataclass(frozen=True, slots=True)
class QuarantineCount:
    """What waits in quarantine: messages, and the readings in them."""

    n_entries: int
    n_readings: int


def add(target: Engine | Connection, rejections: Iterable[Rejection], *, way: str) -> None:
    """Keep what was refused; in its own transaction if given an engine."""
    rows = [_row(rejection, way) for rejection in rejections]
    if not rows:
        return
    if isinstance(target, Engine):
        with target.begin() as connection:
            connection.execute(insert(quarantine), rows)
    else:
        target.execute(insert(quarantine), rows)


def _row(rejection: Rejection, way: str) -> dict[str, object]:
    message = rejection.message
    topic = _storable(message.topic)
    parts = topic.split("/")
    return {
        "way": way,
        "site": parts[1][:128] if parts[0] == "sites" and len(parts) > 2 else "",
        "topic": topic,
        "payload": message.payload,
        "received_ms": message.received_ms,
        "reason": _storable(rejection.reason),
        "records": None if rejection.records is None else json.dumps(rejection.records),
        "n_readings": rejection.n_readings,
    }


def _storable(text: str) -> str:
    """Text as every database takes it: PostgreSQL's has no NUL, and none has half of a surrogate pair."""
    return text.encode("utf-8", "backslashreplace").decode().replace("\0", "\ufffd")


def entries(
    engine: Engine, *, site: str | None = None, after_id: int = 0, limit: int = 100, with_replayed: bool = False
) -> Sequence[QuarantineEntry]:
    """Entries in order of arrival, those after `after_id`; the last one's id is where to go on from."""
    query = select(quarantine).where(quarantine.c.id > after_id).order_by(quarantine.c.id).limit(limit)
    if site is not None:
        query = query.where(quarantine.c.site == site)
    if not with_replayed:
        query = query.where(quarantine.c.replayed_ms.is_(None))
    with engine.connect() as connection:
        return [_entry(row) for row in connection.execute(query).mappings()]


def _entry(row: RowMapping) -> QuarantineEntry:
    fields = dict(row)
    fields["records"] = None if row["records"] is None else tuple(json.loads(row["records"]))
    return QuarantineEntry(**fields)


def count(engine: Engine, *, site: str | None = None) -> QuarantineCount:
    """How much waits in quarantine."""
    query = select(func.count(), func.coalesce(func.sum(quarantine.c.n_readings), 0))
    query = query.where(quarantine.c.replayed_ms.is_(None))
    if site is not None:
        query = query.where(quarantine.c.site == site)
    with engine.connect() as connection:
        n_entries, n_readings = connection.execute(query).one()
    return QuarantineCount(int(n_entries), int(n_readings))


def settle(connection: Connection, entry: QuarantineEntry, rejection: Rejection | None, *, now_ms: int) -> bool:
    """
    Write down what a replay of an entry came to: done, or what is still wrong.

    False where another replay was first and the entry is not as it was; then nothing is written.
    """
    as_it_was = (quarantine.c.id == entry.id) & quarantine.c.replayed_ms.is_(None)
    as_it_was &= quarantine.c.n_readings == entry.n_readings
    if rejection is None:
        change = update(quarantine).where(as_it_was).values(replayed_ms=now_ms)
    else:
        still = _row(rejection, entry.way)
        change = update(quarantine).where(as_it_was)
        change = change.values({name: still[name] for name in ("reason", "records", "n_readings")})
    return connection.execute(change).rowcount == 1
