"""What the tests of file import share: a small site, a quarantine that keeps what it is given, and what is stored."""

from dataclasses import dataclass, field
from pathlib import Path

from ingest.counts import Counts
from ingest.files import import_files
from ingest.store import ReadingStore
from tests.gateways import SITE

__all__ = ["NOW_MS", "T0", "T0_MS", "Kept", "import_one", "stored", "written"]

NOW_MS = 1_780_315_200_000  # 2026-06-01T12:00:00Z
T0 = "2026-05-01T00:00:00Z"
T0_MS = 1_777_593_600_000


@dataclass
class Kept:
    """A quarantine for tests: keeps what it is given."""

    entries: list[tuple[int, str, str, bytes]] = field(default_factory=list)

    def __call__(self, *, reason: str, topic: str, payload: bytes, n_readings: int) -> None:
        self.entries.append((n_readings, reason, topic, payload))

    @property
    def n_readings(self) -> int:
        return sum(entry[0] for entry in self.entries)


def import_one(path: Path, store: ReadingStore, kept: Kept | None = None) -> Counts:
    return import_files(SITE, [path], store=store, quarantine=kept or Kept(), now_ms=NOW_MS)


def written(path: Path, text: str | bytes) -> Path:
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def stored(store: ReadingStore, *points: str) -> dict[str, list[tuple[int, float]]]:
    traces = store.read(SITE.id, points, start_ms=0, end_ms=NOW_MS + 10**9)
    return {p: list(zip(t.time_ms.tolist(), t.value.tolist(), strict=True)) for p, t in traces.items()}
