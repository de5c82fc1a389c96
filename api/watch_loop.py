"""The watcher as a thread: one step after the other, as long as the service runs."""

import logging
import threading
import time
from collections.abc import Callable, Sequence
from math import inf
from types import TracebackType
from typing import Self

from api.compute import compute_due
from api.due import mark_days_of_other_programs
from api.records import Records, RecordsError
from api.watcher import StepReport, new_watch
from ingest.store import ReadingStore, StoreUnavailableError

__all__ = ["WatchLoop"]

_LOG = logging.getLogger(__name__)
# A page should not be older than the time it takes to look at it.
_PERIOD_S = 2.0
# Then news is taken again, whatever is left to do: of an update of the program, which has all the past computed again.
_LONGEST_STEP_S = 20.0


class WatchLoop:
    """
    Computes what is due every two seconds while the `with` block lasts.

    `settle` does so at once, for whoever wants to be sure; `problem` is a sentence, "" while all is well.
    """

    def __init__(
        self,
        records: Records,
        store: ReadingStore,
        *,
        clock: Callable[[], int],
        workers: int = 0,
        lease_s: int = 120,
    ) -> None:
        self._watch = new_watch(records, store, lease_ms=lease_s * 1000)
        self._clock = clock
        self._workers = workers
        self._one_step = threading.Lock()
        self._stopping = threading.Event()
        self._is_renewed = False
        self._thread = threading.Thread(target=self._run, name="watcher", daemon=True)
        self.problem = ""

    def settle(self, sites: Sequence[str] | None = None) -> None:
        """
        Compute all that is due now, of some sites or of all.

        Raises:
            Exception: What a day failed with, if one did.
        """
        for failure in self._step(sites).failures:
            raise failure.error

    def _step(self, sites: Sequence[str] | None, *, for_s: float = inf) -> StepReport:
        """Compute what is due now, or as much of it as can be begun in so long a time."""
        with self._one_step:
            is_over = _over_after(for_s)
            if not self._is_renewed:
                if count := mark_days_of_other_programs(self._watch):
                    _LOG.info("%d days were computed by another version of the program, and are computed again", count)
                self._is_renewed = True
            return compute_due(
                self._watch,
                now_ms=self._clock(),
                sites=sites,
                is_live=True,
                workers=self._workers,
                is_stopping=lambda: self._stopping.is_set() or is_over(),
            )

    def _run(self) -> None:
        while not self._stopping.is_set():
            self.problem = self._tried()
            self._stopping.wait(_PERIOD_S)

    def _tried(self) -> str:
        """One step; what went wrong is logged and told, and tried again with the next one."""
        try:
            failures = self._step(None, for_s=_LONGEST_STEP_S).failures
        except (RecordsError, StoreUnavailableError) as error:
            _LOG.warning("the watcher waits: %s", error)
            return f"the watcher waits: {error}"
        except Exception as error:
            _LOG.exception("the watcher failed")
            return f"the watcher failed: {error}"
        for failure in failures:
            _LOG.error("%s of %s cannot be computed", failure.day, failure.site, exc_info=failure.error)
        return "; ".join(f"{failure.day} of {failure.site} cannot be computed" for failure in failures)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stopping.set()
        self._thread.join()


def _over_after(for_s: float) -> Callable[[], bool]:
    """What says no when it is asked first, and yes once so long a time has passed since."""
    ends_s: list[float] = []

    def is_over() -> bool:
        now_s = time.monotonic()
        if not ends_s:
            ends_s.append(now_s + for_s)
        return now_s > ends_s[0]

    return is_over
