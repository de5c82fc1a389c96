"""Computing what is due with as many processes as the work deserves."""

import multiprocessing
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial

from api.due import Watch, take_news
from api.watcher import Progress, StepReport, step
from api.work import count_due, sites_with_due_days

__all__ = ["compute_due", "process_pool"]

# Starting a process and importing the analytics takes as long as some hundred days of work.
_DAYS_WORTH_A_POOL = 200


def compute_due(
    watch: Watch,
    *,
    now_ms: int,
    sites: Sequence[str] | None = None,
    is_live: bool,
    workers: int = 0,
    progress: Progress | None = None,
    is_stopping: Callable[[], bool] | None = None,
) -> StepReport:
    """One `step` of the watcher; with a pool of processes where several sites have much to compute."""
    take_news(watch)
    with watch.records.look() as session:
        due = [site for site in sites_with_due_days(session) if sites is None or site in sites]
        n_workers = min(workers or os.cpu_count() or 1, len(due))
        is_much = n_workers > 1 and count_due(session, due) >= _DAYS_WORTH_A_POOL
    one_step = partial(
        step,
        watch,
        now_ms=now_ms,
        sites=sites,
        is_live=is_live,
        is_informed=True,
        progress=progress,
        is_stopping=is_stopping,
    )
    if not is_much:
        return one_step()
    with process_pool(n_workers) as pool:
        return one_step(executor=pool, slots=n_workers + 1)  # One job waits ready while the others run.


@contextmanager
def process_pool(workers: int) -> Iterator[Executor]:
    """A pool whose processes end with this one, however it ends."""
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(workers, mp_context=context, initializer=_end_with_parent)
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _end_with_parent() -> None:
    import signal

    # Ctrl-C is for the parent, which then ends the pool in order.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=lambda: (parent.join(), os._exit(1)), daemon=True).start()
