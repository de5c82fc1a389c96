"""
The watcher: computes the days that have news, and only those.

It works from the store and the records alone: news become due days (`api.due`), due days become ledgers and alerts
(`api.days`), stored together with what makes them done. Killed at any moment, it goes on where it was; doubled, each
site is served by the one that holds its lease; run a year later, it finds the same. `now_ms` is passed in.
"""

import uuid
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from sqlalchemy import Row
from sqlalchemy.orm import Session

from analytics.trace import Trace, local_day
from api.alerting import store_alerts
from api.day_rows import before, shifted, store_outcomes
from api.days import DayJob, DayOutcome, DayTask, compute_days, day_window
from api.due import Horizon, Watch, mark_running_days, read_horizon, take_news
from api.moved import Cause
from api.neighbours import sun_nearby
from api.program import account_program
from api.records import Records, RecordsError
from api.sites import (
    SiteVersion,
    parsed,
    site_ids,
    site_versions,
    version_on,
)
from api.work import (
    LeaseLostError,
    clear_due,
    count_due,
    due_days,
    hold_lease,
    keep_lease,
    release_lease,
    sites_with_due_days,
)
from ingest.store import ReadingStore, StoreUnavailableError

__all__ = ["DayFailure", "StepReport", "Worked", "new_watch", "step"]

# A job of 16 days is some half a second of work, and some ten megabytes of readings.
_DAYS_A_JOB = 16
_NEWS = ("readings", "unfinished")
# Of so many days before a job the sun of houses near by is read, for the sentence of a lasting want of heat.
_SHOWN_DAYS = 30

Progress = Callable[[int, int], None]
"""Called with days done and days known to be due."""


@dataclass(frozen=True, slots=True)
class DayFailure:
    """A day that could not be computed, through a fault of the program; it stays due."""

    site: str
    day: str
    error: Exception


@dataclass(slots=True)
class StepReport:
    """What a step did, as (site, day): `accounted` anew, or only `judged` again since their history changed."""

    accounted: list[tuple[str, str]] = field(default_factory=list)
    judged: list[tuple[str, str]] = field(default_factory=list)
    failures: list[DayFailure] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Worked:
    """A job that was handed out, with the due days that it will clear and why each was due (see `api.moved`)."""

    job: DayJob
    marks: dict[str, int]
    due: dict[str, tuple[str, Cause | None]]


def new_watch(records: Records, store: ReadingStore, *, lease_ms: int = 120_000) -> Watch:
    return Watch(records, store, uuid.uuid4().hex, lease_ms, account_program())


def step(
    watch: Watch,
    *,
    now_ms: int,
    sites: Sequence[str] | None = None,
    is_live: bool = True,
    is_informed: bool = False,
    executor: Executor | None = None,
    slots: int = 1,
    progress: Progress | None = None,
    is_stopping: Callable[[], bool] | None = None,
) -> StepReport:
    """
    Compute all that is due up to now.

    Args:
        sites: Only these; None means all.
        is_live: Whether readings may still be on their way. If not, a site is accounted up to its last reading,
            and silence after it means nothing.
        is_informed: Whether the store's news have just been taken.
        executor: Where jobs run; None means here, one after the other.
        slots: Jobs handed to the executor at a time.
        is_stopping: Asked before each job; once it says yes, no further one is begun, and the rest stays due.
    """
    if not is_informed:
        take_news(watch)
    with watch.records.look() as session:
        wanted = list(site_ids(session)) if sites is None else list(sites)
    found = {site: read_horizon(watch, site, now_ms=now_ms, is_live=is_live) for site in wanted}
    horizons = {site: horizon for site, horizon in found.items() if horizon is not None}
    mark_running_days(watch, horizons, is_live=is_live)
    run = _Run(watch, horizons, now_ms=now_ms, progress=progress, is_stopping=is_stopping)
    run.work(executor, slots)
    return run.report


class _Run:
    """One step's work: hands out jobs, at most one a site at a time, and stores what comes back."""

    def __init__(
        self,
        watch: Watch,
        horizons: Mapping[str, Horizon],
        *,
        now_ms: int,
        progress: Progress | None,
        is_stopping: Callable[[], bool] | None,
    ) -> None:
        self.report = StepReport()
        self._watch = watch
        self._horizons = horizons
        self._now_ms = now_ms
        self._progress = progress
        self._is_stopping = is_stopping or (lambda: False)

    def work(self, executor: Executor | None, slots: int) -> None:
        with self._watch.records.look() as session:
            waiting = deque(site for site in sites_with_due_days(session) if site in self._horizons)
        running: dict[Future[Sequence[DayOutcome]], Worked] = {}
        while waiting or running:
            if self._is_stopping():
                waiting.clear()
            while waiting and len(running) < slots:
                worked = self._prepare(waiting.popleft())
                if worked is not None:
                    running[_submit(executor, worked.job)] = worked
            for future in wait(running, return_when=FIRST_COMPLETED).done if running else ():
                worked = running.pop(future)
                if self._finish(worked, future):
                    waiting.append(worked.job.site)

    def _prepare(self, site: str) -> Worked | None:
        """The next job of a site, under its lease; None where nothing is due (any more) or another watcher has it."""
        with self._watch.records.begin() as session:
            until_ms = self._now_ms + self._watch.lease_ms
            if not hold_lease(session, site, self._watch.holder, now_ms=self._now_ms, until_ms=until_ms):
                return None
            tasks, marks, due = _next_tasks(session, site, horizon=self._horizons[site])
            if not tasks:
                release_lease(session, site, self._watch.holder)
                return None
            earlier = before(session, site, tasks[0].day)
            first, last = (date.fromisoformat(day) for day in (shifted(tasks[0].day, -_SHOWN_DAYS), tasks[-1].day))
            nearby = sun_nearby(session, parsed(tasks[-1].text), first=first, last=last)
        job = DayJob(
            site=site,
            tasks=tasks,
            traces=_read_traces(self._watch.store, site, tasks),
            state=earlier.state,
            alerts=earlier.alerts,
            history=earlier.history,
            silent_days=earlier.silent_days,
            nearby=nearby,
        )
        return Worked(job, marks, due)

    def _finish(self, worked: Worked, future: Future[Sequence[DayOutcome]]) -> bool:
        """Store a job's outcomes; False where the site has nothing left, or is to be left alone in this step."""
        site = worked.job.site
        try:
            outcomes = future.result()
            has_more = self._store(worked, outcomes)
        except LeaseLostError:
            return False
        except (RecordsError, StoreUnavailableError, BrokenExecutor):
            raise
        except Exception as error:  # A fault in one site's data must not stop the others.
            self.report.failures.append(DayFailure(site, worked.job.tasks[0].day, error))
            return False
        for outcome in outcomes:
            is_judged = worked.due[outcome.task.day][0] == "history"
            if outcome.ledger is not None:
                (self.report.judged if is_judged else self.report.accounted).append((site, outcome.task.day))
        self._tell()
        return has_more

    def _store(self, worked: Worked, outcomes: Sequence[DayOutcome]) -> bool:
        """Put the outcomes down; whether days of the site are still due. The lease goes with the last of them."""
        site = worked.job.site
        with self._watch.records.begin() as session:
            keep_lease(session, site, self._watch.holder)
            # First, since storing may make the same days due again.
            clear_due(session, site, worked.marks)
            replaced = store_outcomes(
                session, site, outcomes, due=worked.due, computed_ms=self._now_ms, program=self._watch.program
            )
            store_alerts(
                session,
                earlier=worked.job.alerts,
                replaced=replaced,
                found=[alert for outcome in outcomes for alert in outcome.alerts],
                from_ms=_begins_ms(worked.job.tasks[0]),
                now_ms=self._now_ms,
            )
            has_more = count_due(session, [site]) > 0
            if not has_more:
                release_lease(session, site, self._watch.holder)
        return has_more

    def _tell(self) -> None:
        if self._progress is not None:
            with self._watch.records.look() as session:
                left = count_due(session, list(self._horizons))
            done = len(self.report.accounted) + len(self.report.judged)
            self._progress(done, done + left)


def _begins_ms(task: DayTask) -> int:
    return local_day(date.fromisoformat(task.day), parsed(task.text).timezone).start_ms


def _submit(executor: Executor | None, job: DayJob) -> Future[Sequence[DayOutcome]]:
    if executor is not None:
        return executor.submit(compute_days, job)
    future: Future[Sequence[DayOutcome]] = Future()
    try:
        future.set_result(compute_days(job))
    except Exception as error:
        future.set_exception(error)
    return future


def _next_tasks(
    session: Session, site: str, *, horizon: Horizon
) -> tuple[list[DayTask], dict[str, int], dict[str, tuple[str, Cause | None]]]:
    """
    The oldest run of consecutive due days that have begun, at most _DAYS_A_JOB, with their marks and reasons.

    Days that readings or the clock made due come before the past that is computed again for another reason: that may
    take long, and whoever waits for hot water today is not to wait for it. Should it hand over something else to such a
    day in the end, that is due again.
    """
    versions, rows = site_versions(session, site), due_days(session, site)
    of_news = _run_of(versions, [row for row in rows if row.reason in _NEWS], horizon)
    run = of_news or _run_of(versions, rows, horizon)
    marks = {row.day: row.mark for row, _ in run}
    return [task for _, task in run], marks, {row.day: (row.reason, row.cause) for row, _ in run}


def _run_of(
    versions: Sequence[SiteVersion], rows: Sequence[Row[Any]], horizon: Horizon
) -> Sequence[tuple[Row[Any], DayTask]]:
    """The first of the due days that follow one another and have begun, with what is to be done for each."""
    run: list[tuple[Row[Any], DayTask]] = []
    for row in rows[:_DAYS_A_JOB]:
        task = _task(versions, row.day, horizon)
        if (run and row.day != shifted(run[-1][0].day, 1)) or _begins_ms(task) >= horizon.begun_ms:
            break
        run.append((row, task))
    return run


def _task(versions: Sequence[SiteVersion], day: str, horizon: Horizon) -> DayTask:
    version = version_on(versions, date.fromisoformat(day))
    end_ms = local_day(date.fromisoformat(day), version.site.timezone).end_ms
    return DayTask(day, version.text, version.digest, horizon.until_ms if end_ms > horizon.until_ms else None)


def _read_traces(store: ReadingStore, site: str, tasks: Sequence[DayTask]) -> Mapping[str, Trace]:
    """Readings of every point of the site over the tasks' windows."""
    points = {point for text in {task.text for task in tasks} for point in parsed(text).points}
    _, start_ms, _ = day_window(tasks[0].day, parsed(tasks[0].text).timezone)
    _, _, end_ms = day_window(tasks[-1].day, parsed(tasks[-1].text).timezone)
    return store.read(site, sorted(points), start_ms=start_ms, end_ms=end_ms)
