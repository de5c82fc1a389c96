"""The intake's view of the sites, read from the records and read again when a site was added or changed."""

import threading
import time

from api.records import Records
from api.sites import admission_sites, versions_mark
from ingest.directory import Directory, directory_of

__all__ = ["RecordsDirectory"]

# How soon a running intake notices a site that another process added.
_LOOK_EVERY_S = 1.0


class RecordsDirectory:
    """A `DirectorySource`: the same object as long as nothing changed. Safe to use from several threads."""

    def __init__(self, records: Records) -> None:
        self._records = records
        self._lock = threading.Lock()
        self._looked_s = float("-inf")
        self._mark = -1
        self._directory = directory_of([])

    def __call__(self) -> Directory:
        with self._lock:
            if time.monotonic() - self._looked_s >= _LOOK_EVERY_S:
                self._look()
            return self._directory

    def newest(self) -> Directory:
        """The directory as it is now, looked up again."""
        self.refresh()
        return self._directory

    def refresh(self) -> None:
        """Notice a change now."""
        with self._lock:
            self._look()

    def _look(self) -> None:
        with self._records.look() as session:
            mark = versions_mark(session)
            if mark != self._mark:
                self._directory = directory_of(admission_sites(session).values())
                self._mark = mark
        self._looked_s = time.monotonic()
