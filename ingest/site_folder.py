"""A directory source for an ingester that stands alone: a folder of site files, read again when one changes."""

import logging
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from analytics.site import Site
from analytics.site_file import SiteFileError, parse_site
from ingest.directory import Directory, directory_of

__all__ = ["SiteFolder"]

_LOG = logging.getLogger(__name__)
_LOOK_EVERY_S = 1.0

_Mark = Sequence[tuple[str, int, int]]


class SiteFolder:
    """
    Gives the directory of all `*.toml` in a folder.

    Raises:
        SiteFileError: On making it, if a file is faulty. Later, a faulty change is logged and the last good
            directory stays, since readings go on arriving.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = threading.Lock()
        self._mark = self._look()
        self._directory = self._load()
        self._looked_at_s = time.monotonic()

    def __call__(self) -> Directory:
        with self._lock:
            if time.monotonic() - self._looked_at_s >= _LOOK_EVERY_S:
                self._looked_at_s = time.monotonic()
                self._refresh()
            return self._directory

    def _refresh(self) -> None:
        mark = self._look()
        if mark == self._mark:
            return
        self._mark = mark
        try:
            self._directory = self._load()
        except (SiteFileError, OSError) as error:
            _LOG.error("the site files as they were stay in force: %s", error)

    def _look(self) -> _Mark:
        found = ((path, path.stat()) for path in sorted(self._folder.glob("*.toml")))
        return [(path.name, status.st_mtime_ns, status.st_size) for path, status in found]

    def _load(self) -> Directory:
        sites: dict[str, Site] = {}
        for path in sorted(self._folder.glob("*.toml")):
            site = parse_site(path.read_text(), file=str(path))
            sites[site.id] = site
        return directory_of(sites.values())
