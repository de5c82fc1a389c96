"""
The one way in for messages, whoever brings them: MQTT, HTTP, or a replay out of quarantine.

`Intake.take` returns when every reading of its messages is durable: in the store, there already, or in quarantine.
If it raises, nothing may be acknowledged, and the messages have to be brought again; the store makes that harmless,
and quarantine is written last, so that a store that is away does not fill it. Readings that carry no time of their
own (relative times, plain values) are given the time of arrival, so that bringing those again with another
`received_ms` makes other readings.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from sqlalchemy import Engine
from sqlalchemy.exc import OperationalError

from ingest import quarantine
from ingest.admit import Admitted, Rejection, admit
from ingest.counts import Counts, add_totals
from ingest.decode import Message
from ingest.directory import DirectorySource
from ingest.presence import note_presence
from ingest.quarantine import QuarantineEntry
from ingest.store import ReadingStore, StoreUnavailableError, WriteCounts
from ingest.tables import quarantine_metadata

__all__ = ["Intake", "Receipt"]

_REPLAY_AT_ONCE = 100


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of some messages; `rejections` are already in quarantine."""

    counts: Counts = field(default_factory=Counts)
    rejections: Sequence[Rejection] = ()

    def __add__(self, other: "Receipt") -> "Receipt":
        return Receipt(self.counts + other.counts, [*self.rejections, *other.rejections])


@dataclass(frozen=True, slots=True)
class Intake:
    """
    Safe to use from several threads, and from several processes on one store and one database.

    Args:
        directory: Gives the known sites and points.
        store: Where readings go.
        records: The database of quarantine, totals and presence; its tables exist (`create_tables`, or migrations).
        way: The name under which totals are kept: mqtt, http or file.
        newest: The directory looked up anew, where `directory` may be some moments old.
    """

    directory: DirectorySource
    store: ReadingStore
    records: Engine
    way: str = "mqtt"
    newest: DirectorySource | None = None

    def take(self, messages: Sequence[Message], *, now_ms: int) -> Receipt:
        """
        Make messages durable, as one commit of the store.

        Args:
            now_ms: The time now; no reading may be more than 15 minutes ahead of it.
        Raises:
            StoreUnavailableError: If the store or the records cannot be written now; bring the messages again.
        """
        admitted = self._admit(messages, now_ms=now_ms)
        written = self._write(admitted)
        counts = _counts(admitted, written)
        try:
            with self.records.begin() as connection:
                quarantine.add(connection, admitted.rejections, way=self.way)
                note_presence(connection, admitted.presence)
                if counts.received:
                    add_totals(connection, self.way, counts)
        except OperationalError as error:
            raise StoreUnavailableError(f"the records cannot be written: {error.orig}") from error
        return Receipt(counts, admitted.rejections)

    def _admit(self, messages: Sequence[Message], *, now_ms: int) -> Admitted:
        """What can be used; a site or point that seems unknown may have been added a moment ago."""
        known = self.directory()
        admitted = admit(messages, known, now_ms=now_ms)
        if not admitted.rejections or self.newest is None:
            return admitted
        newest = self.newest()
        return admitted if newest is known else admit(messages, newest, now_ms=now_ms)

    def replay(self, *, now_ms: int, site: str | None = None) -> Receipt:
        """
        Try again what waits in quarantine, of one site or of all.

        What is good now leaves it; what is still bad stays, with its present reason. Counts are of this replay.

        Raises:
            StoreUnavailableError: If the store or the records cannot be written now; what was done stays done.
        """
        receipt, last_id = Receipt(), 0
        while waiting := quarantine.entries(self.records, site=site, after_id=last_id, limit=_REPLAY_AT_ONCE):
            for way in sorted({entry.way for entry in waiting}):
                receipt += self._replay([entry for entry in waiting if entry.way == way], way, now_ms=now_ms)
            last_id = waiting[-1].id
        return receipt

    def create_tables(self) -> None:
        """Make the tables where no migrations do: tests, and an ingester on a database of its own."""
        quarantine_metadata.create_all(self.records)

    def _write(self, admitted: Admitted) -> WriteCounts:
        return self.store.write(admitted.batch) if len(admitted.batch) else WriteCounts()

    def _replay(self, entries: Sequence[QuarantineEntry], way: str, *, now_ms: int) -> Receipt:
        messages = [entry.message for entry in entries]
        latest_ms = max(now_ms, *(entry.received_ms for entry in entries))
        admitted = admit(messages, self.directory(), now_ms=latest_ms)
        counts = _counts(admitted, self._write(admitted))
        still_bad = {id(rejection.message): rejection for rejection in admitted.rejections}
        n_before = sum(entry.n_readings for entry in entries)
        try:
            with self.records.begin() as connection:
                for entry, message in zip(entries, messages, strict=True):
                    if not quarantine.settle(connection, entry, still_bad.get(id(message)), now_ms=now_ms):
                        raise _OvertakenError
                note_presence(connection, admitted.presence)
                add_totals(connection, way, counts + Counts(received=-n_before, quarantined=-n_before))
        except _OvertakenError:
            apart = ([entry] for entry in entries) if len(entries) > 1 else ()
            return sum((self._replay(one, way, now_ms=now_ms) for one in apart), Receipt())
        except OperationalError as error:
            raise StoreUnavailableError(f"the records cannot be written: {error.orig}") from error
        return Receipt(counts, admitted.rejections)


class _OvertakenError(Exception):
    """Another replay was first with an entry, so the counts of this one do not hold."""


def _counts(admitted: Admitted, written: WriteCounts) -> Counts:
    n_quarantined = sum(rejection.n_readings for rejection in admitted.rejections)
    return Counts(admitted.n_received, written.stored, written.duplicate, n_quarantined, written.replaced)
