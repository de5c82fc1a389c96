"""The ways in that commands and routes share: an intake on the records, files of readings, what lies in quarantine."""

import base64
from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from api.directory import RecordsDirectory
from api.records import Records
from api.sites import UnknownSiteError, admission_sites
from ingest import quarantine
from ingest.admit import Rejection
from ingest.counts import add_totals
from ingest.decode import Message
from ingest.directory import DirectorySource
from ingest.files import Progress, import_files
from ingest.pipeline import Intake, Receipt
from ingest.store import ReadingStore

__all__ = ["import_into", "intake_of", "quarantine_json", "receipt_json"]

_FILE = "file"


def intake_of(records: Records, store: ReadingStore, *, way: str, directory: DirectorySource) -> Intake:
    """The one way in for messages, counted under a name."""
    newest = directory.newest if isinstance(directory, RecordsDirectory) else None
    return Intake(directory, store, records.engine, way, newest)


def quarantine_json(
    records: Records, *, site: str | None = None, after_id: int = 0, limit: int = 100
) -> list[dict[str, Any]]:
    """What waits in quarantine, in order of arrival."""
    entries = quarantine.entries(records.reading, site=site, after_id=after_id, limit=limit)
    return [
        {
            "id": entry.id,
            "received": datetime.fromtimestamp(entry.received_ms / 1000, UTC).isoformat(),
            "way": entry.way,
            "topic": entry.topic,
            "reason": entry.reason,
            "n_readings": entry.n_readings,
            "payload": base64.b64encode(entry.payload).decode(),
        }
        for entry in entries
    ]


def receipt_json(receipt: Receipt) -> dict[str, Any]:
    """The counts of a receipt, and why readings are in quarantine."""
    counts = receipt.counts
    return {
        "received": counts.received,
        "stored": counts.stored,
        "duplicate": counts.duplicate,
        "quarantined": counts.quarantined,
        "replaced": counts.replaced,
        "reasons": [rejection.reason for rejection in receipt.rejections],
    }


def import_into(
    records: Records,
    store: ReadingStore,
    site: str,
    paths: Sequence[Path],
    *,
    now_ms: int,
    progress: Progress | None = None,
) -> dict[str, int]:
    """
    Store the readings of files, and count them.

    Raises:
        UnknownSiteError: If there is no such site.
        FileRefusedError: If a file is not what it should be.
    """
    with records.look() as session:
        known = admission_sites(session)
        if site not in known:
            raise UnknownSiteError(site, list(known))

    def keep(*, reason: str, topic: str, payload: bytes, n_readings: int) -> None:
        rejection = Rejection(Message(topic, payload, now_ms), reason, None, n_readings)
        quarantine.add(records.engine, [rejection], way=_FILE)

    counts = import_files(known[site], paths, store=store, quarantine=keep, now_ms=now_ms, progress=progress)
    with records.engine.begin() as connection:
        add_totals(connection, _FILE, counts)
    return asdict(counts)
