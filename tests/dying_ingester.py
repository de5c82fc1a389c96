"""
An ingester that kills itself at a chosen moment: `python -m tests.dying_ingester PORT FOLDER before|after`.

`before` dies when the third batch is about to be written, `after` when it is durable and not yet acknowledged.
"""

import os
import signal
import sys
import threading
from pathlib import Path
from typing import Any

from sqlalchemy import create_engine

from ingest.duckdb_store import open_duckdb_store
from ingest.mqtt import IngestSettings, run_ingester
from ingest.pipeline import Intake
from ingest.store import Batch, ReadingStore, WriteCounts
from tests.gateways import small_directory

FATAL_BATCH = 3


class _Fatal:
    """The real store, with a power cut at one of its writes."""

    def __init__(self, store: ReadingStore, moment: str) -> None:
        self._store, self._moment, self._n_batches = store, moment, 0

    def write(self, batch: Batch) -> WriteCounts:
        self._n_batches += 1
        if self._n_batches == FATAL_BATCH and self._moment == "before":
            os.kill(os.getpid(), signal.SIGKILL)
        counts = self._store.write(batch)
        if self._n_batches == FATAL_BATCH and self._moment == "after":
            os.kill(os.getpid(), signal.SIGKILL)
        return counts

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)


def main(port: int, folder: Path, moment: str) -> None:
    directory = small_directory()
    settings = IngestSettings(port=port, batch_messages=20, receive_maximum=100)
    with open_duckdb_store(folder) as store:
        records = create_engine(f"sqlite:///{folder / 'ingest.db'}")
        intake = Intake(lambda: directory, _Fatal(store, moment), records)  # type: ignore[arg-type]
        intake.create_tables()
        run_ingester(settings, intake, stop=threading.Event())


if __name__ == "__main__":
    main(int(sys.argv[1]), Path(sys.argv[2]), sys.argv[3])
