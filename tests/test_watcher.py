"""The watcher computes what has news, only that, and the same however it is stopped, doubled or delayed."""

import json
from collections.abc import Iterator
from concurrent.futures import Executor, Future
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import select

from api.compute import process_pool
from api.day_rows import is_same
from api.due import Watch, take_news
from api.migrate import open_records
from api.records import AlertRow, AlertTransitionRow, DayRow, LeaseRow, Records
from api.results import ledger
from api.sites import add_version
from api.watcher import StepReport, new_watch, step
from api.work import count_due
from ingest.duckdb_store import open_duckdb_store
from ingest.store import ReadingStore
from tests.plain_house import INTERVAL_MS, SITE, batch_of, days_of, first_ms, readings, site_text

FIRST, COUNT = "2026-03-10", 6
DAYS = days_of(FIRST, COUNT)
LATER_MS = first_ms("2026-06-01")


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    with open_records(f"sqlite:///{tmp_path / 'records.db'}") as opened:
        yield opened


@pytest.fixture
def store(tmp_path: Path) -> Iterator[ReadingStore]:
    with open_duckdb_store(tmp_path) as opened:
        yield opened


@pytest.fixture
def watch(records: Records, store: ReadingStore) -> Watch:
    add(records, site_text())
    return new_watch(records, store)


def add(records: Records, text: str, *, valid_from: str | None = None) -> None:
    with records.begin() as session:
        add_version(session, text, valid_from=valid_from, today=None, now_ms=0)  # type: ignore[arg-type]


def run(watch: Watch, *, now_ms: int = LATER_MS, is_live: bool = False) -> StepReport:
    report = step(watch, now_ms=now_ms, is_live=is_live)
    assert report.failures == []
    return report


def fill(store: ReadingStore, days: list[str] | None = None) -> None:
    first, last = (days or DAYS)[0], (days or DAYS)[-1]
    store.write(readings(first_ms(first), first_ms(days_of(last, 2)[1])))


def all_rows(records: Records) -> str:
    """Everything that was computed, as text: ledgers, carried states and alerts."""
    with records.look() as session:
        rows = session.scalars(select(DayRow).order_by(DayRow.site_id, DayRow.day))
        days = [(row.site_id, row.day, row.ledger, row.state, row.alerts, row.silent_days) for row in rows]
        alerts = session.scalars(select(AlertRow).where(AlertRow.state != "withdrawn").order_by(AlertRow.id))
        return json.dumps([days, [(alert.id, alert.state, alert.body) for alert in alerts]], sort_keys=True)


def test_every_day_from_the_first_reading_to_the_last_is_accounted_once(watch: Watch, store: ReadingStore) -> None:
    fill(store)
    assert run(watch).accounted == [(SITE, day) for day in DAYS]
    assert run(watch).accounted == []
    with watch.records.look() as session:
        found = ledger(session, SITE, first=None, last=None)
    assert [day["day"] for day in found["days"]] == list(DAYS)
    assert found["days"][2]["stages"][0]["heat"]["value"] == pytest.approx(2.95 * 2.5, rel=0.02)  # 2.95 kW for 2.5 h


def test_a_late_reading_computes_its_day_again_and_what_that_day_hands_over(watch: Watch, store: ReadingStore) -> None:
    fill(store)
    run(watch)
    noon = np.array([first_ms(DAYS[1]) + 11 * 3_600_000 + 60_000], np.int64)
    store.write(batch_of(noon, {"element": np.array([9000.0])}))
    report = run(watch)
    assert (SITE, DAYS[1]) in report.accounted
    assert (SITE, DAYS[0]) not in report.accounted + report.judged


def test_days_are_accounted_again_only_as_far_as_the_carried_heat_differs(watch: Watch, store: ReadingStore) -> None:
    fill(store)
    run(watch)
    with watch.records.look() as session:
        before = {row.day: row.state for row in session.scalars(select(DayRow))}
    # A tap reading in the middle of a pause, of the value that is interpolated there anyway.
    pause = np.array([first_ms(DAYS[1]) + 3 * 3_600_000 + 60_000], np.int64)
    store.write(batch_of(pause, {"draw": np.array([0.0])}))
    report = run(watch)
    assert report.accounted == [(SITE, DAYS[1])]
    with watch.records.look() as session:
        after = {row.day: row.state for row in session.scalars(select(DayRow))}
    assert is_same(before, after)


def _late_live(watch: Watch, store: ReadingStore, point: str, value: float) -> StepReport:
    """A reading of yesterday noon that comes at noon today, when all before it has been accounted."""
    noon_ms = first_ms(DAYS[-1]) + 12 * 3_600_000
    store.write(readings(first_ms(DAYS[0]), noon_ms))
    run(watch, now_ms=noon_ms, is_live=True)
    late = np.array([first_ms(DAYS[-2]) + 11 * 3_600_000 + 60_000], np.int64)
    store.write(batch_of(late, {point: np.array([value])}))
    return run(watch, now_ms=noon_ms + 1000, is_live=True)


def test_a_late_reading_of_yesterday_accounts_yesterday_and_judges_today(watch: Watch, store: ReadingStore) -> None:
    # An outlet that reads otherwise for a moment between draws: its pairs change, what the day hands over does not.
    report = _late_live(watch, store, "hot", 20.0)
    assert (report.accounted, report.judged) == ([(SITE, DAYS[-2])], [(SITE, DAYS[-1])])


def test_a_late_reading_of_yesterday_that_changes_the_carried_heat_accounts_today_too(
    watch: Watch, store: ReadingStore
) -> None:
    report = _late_live(watch, store, "element", 9000.0)
    assert (report.accounted, report.judged) == ([(SITE, DAYS[-2]), (SITE, DAYS[-1])], [])


def test_late_readings_give_the_same_as_if_they_had_come_in_time(tmp_path: Path) -> None:
    rows = []
    for name, order in (("in time", (0, 1, 2)), ("late", (2, 0, 1))):
        with open_records(f"sqlite:///{tmp_path / name}.db") as records, open_duckdb_store(tmp_path / name) as store:
            add(records, site_text())
            watch = new_watch(records, store)
            for part in order:
                fill(store, list(DAYS[2 * part : 2 * part + 2]))
                run(watch)
            rows.append(all_rows(records))
    assert rows[0] == rows[1]


def test_a_new_version_computes_the_days_on_which_it_holds_and_no_others(
    watch: Watch, store: ReadingStore, records: Records
) -> None:
    fill(store)
    run(watch)
    add(records, site_text(ua_w_per_k=4.0), valid_from=DAYS[3])
    assert [day for _, day in run(watch).accounted] == list(DAYS[3:])
    with records.look() as session:
        losses = [day["tanks"][0]["loss"]["value"] for day in ledger(session, SITE, first=None, last=None)["days"]]
    assert losses[3] == pytest.approx(2 * losses[2], rel=0.05)


def test_a_day_in_progress_is_accounted_up_to_now_and_again_when_it_is_over(watch: Watch, store: ReadingStore) -> None:
    noon_ms = first_ms(DAYS[1]) + 12 * 3_600_000
    store.write(readings(first_ms(DAYS[0]), noon_ms))
    assert [day for _, day in run(watch, now_ms=noon_ms, is_live=True).accounted] == [DAYS[0], DAYS[1]]
    store.write(readings(noon_ms, first_ms(DAYS[2])))
    over = run(watch, now_ms=first_ms(DAYS[2]) + 1000, is_live=True).accounted
    assert (SITE, DAYS[1]) in over
    assert over[-1] == (SITE, DAYS[2])


def test_a_silent_site_is_judged_while_nothing_arrives(watch: Watch, store: ReadingStore, records: Records) -> None:
    noon_ms = first_ms(DAYS[1]) + 12 * 3_600_000
    store.write(readings(first_ms(DAYS[0]), noon_ms))
    run(watch, now_ms=noon_ms, is_live=True)
    run(watch, now_ms=noon_ms + 6 * 3_600_000, is_live=True)
    with records.look() as session:
        silent = session.scalars(select(AlertRow).where(AlertRow.body["kind"].as_string() == "site-silent")).one()
        assert silent.state == "open"
    store.write(readings(noon_ms + 6 * 3_600_000, noon_ms + 8 * 3_600_000))
    run(watch, now_ms=noon_ms + 8 * 3_600_000, is_live=True)
    with records.look() as session:
        silent = session.get_one(AlertRow, silent.id)
        changes = session.scalars(select(AlertTransitionRow).where(AlertTransitionRow.alert_id == silent.id)).all()
    assert silent.state == "resolved"
    assert [change.state for change in changes] == ["open", "resolved"]
    assert changes[1].at_ms == noon_ms + 6 * 3_600_000 + INTERVAL_MS


def test_after_the_fact_the_end_of_a_file_is_not_silence(watch: Watch, store: ReadingStore, records: Records) -> None:
    store.write(readings(first_ms(DAYS[0]), first_ms(DAYS[1]) + 12 * 3_600_000))
    run(watch)
    with records.look() as session:
        kinds = [row.body["kind"] for row in session.scalars(select(AlertRow))]
    assert "site-silent" not in kinds


def test_after_a_month_of_silence_the_account_begins_anew(watch: Watch, store: ReadingStore, records: Records) -> None:
    fill(store, ["2026-01-01"])
    run(watch)
    fill(store, ["2026-03-10"])
    run(watch)
    with records.look() as session:
        days = list(session.scalars(select(DayRow.day).order_by(DayRow.day)))
    assert days == [*days_of("2026-01-01", 32), "2026-03-10"]


def test_a_day_that_hands_over_something_unknown_is_followed_all_the_same(
    watch: Watch, store: ReadingStore, records: Records
) -> None:
    noon = np.array([first_ms(DAYS[0]) + 12 * 3_600_000], np.int64)
    store.write(batch_of(noon, {"tank.top": np.array([50.0])}))
    run(watch)
    store.write(batch_of(noon + 86_400_000, {"tank.top": np.array([50.0])}))
    assert (SITE, DAYS[1]) in run(watch).accounted


def test_a_clock_that_is_a_little_off_makes_no_day_of_its_own(watch: Watch, store: ReadingStore) -> None:
    fill(store)
    around = np.array([first_ms(DAYS[0]) - 3000, first_ms(DAYS[-1]) + 86_403_000], np.int64)
    store.write(batch_of(around, {"tank.top": np.array([55.0, 56.0])}))
    assert run(watch).accounted == [(SITE, day) for day in DAYS]


class _StoppedError(Exception):
    pass


class _StopsAfter(Executor):
    """Runs so many jobs, and fails as a killed process would."""

    def __init__(self, jobs: int) -> None:
        self.left = jobs

    def submit(self, fn, /, *args, **kwargs):  # type: ignore[no-untyped-def]
        if self.left == 0:
            raise _StoppedError
        self.left -= 1
        future: Future = Future()
        future.set_result(fn(*args, **kwargs))
        return future


def test_killed_between_two_jobs_it_goes_on_and_finds_the_same(tmp_path: Path) -> None:
    many = list(days_of(FIRST, 40))
    rows = []
    for name, stops in (("whole", ()), ("killed", (0, 1, 1))):
        with open_records(f"sqlite:///{tmp_path / name}.db") as records, open_duckdb_store(tmp_path / name) as store:
            add(records, site_text())
            fill(store, many)
            now_ms = LATER_MS
            for jobs in stops:
                with pytest.raises(_StoppedError):
                    step(new_watch(records, store), now_ms=now_ms, is_live=False, executor=_StopsAfter(jobs))
                now_ms += 600_000  # The dead watcher's lease runs out.
            step(new_watch(records, store), now_ms=now_ms, is_live=False)
            rows.append(all_rows(records))
    assert rows[0] == rows[1]


def test_killed_between_taking_news_and_computing_loses_no_day(watch: Watch, store: ReadingStore) -> None:
    fill(store)
    assert take_news(watch)
    successor = new_watch(watch.records, store)
    assert [day for _, day in run(successor).accounted] == list(DAYS)


def test_a_site_leased_to_another_watcher_is_left_to_it(watch: Watch, store: ReadingStore, records: Records) -> None:
    fill(store)
    with records.begin() as session:
        session.add(LeaseRow(site_id=SITE, holder="another", until_ms=LATER_MS + 1))
    assert run(watch).accounted == []
    assert [day for _, day in run(watch, now_ms=LATER_MS + 1).accounted] == list(DAYS)


def test_results_of_a_watcher_that_lost_its_lease_are_thrown_away(
    watch: Watch, store: ReadingStore, records: Records
) -> None:
    fill(store)

    class _LosesLease(Executor):
        def submit(self, fn, /, *args, **kwargs):  # type: ignore[no-untyped-def]
            with records.begin() as session:
                session.get_one(LeaseRow, SITE).holder = "another"
            future: Future = Future()
            future.set_result(fn(*args, **kwargs))
            return future

    assert step(watch, now_ms=LATER_MS, is_live=False, executor=_LosesLease()).accounted == []
    with records.look() as session:
        assert session.scalars(select(DayRow)).all() == []
        assert count_due(session, [SITE]) >= COUNT


def test_processes_side_by_side_find_the_same_as_one(tmp_path: Path) -> None:
    rows = []
    for name in ("one", "two"):
        with open_records(f"sqlite:///{tmp_path / name}.db") as records, open_duckdb_store(tmp_path / name) as store:
            for site in ("a", "b", "c"):
                add(records, site_text(site=site))
                store.write(readings(first_ms(DAYS[0]), first_ms(DAYS[3]), site=site))
            watch = new_watch(records, store)
            if name == "one":
                step(watch, now_ms=LATER_MS, is_live=False)
            else:
                with process_pool(2) as pool:
                    step(watch, now_ms=LATER_MS, is_live=False, executor=pool, slots=3)
            rows.append(all_rows(records))
    assert rows[0] == rows[1]


def test_a_stored_history_is_computed_the_same_a_year_later(tmp_path: Path) -> None:
    rows = []
    for name, now_ms in (("soon", first_ms(DAYS[-1]) + 2 * 86_400_000), ("late", LATER_MS + 365 * 86_400_000)):
        with open_records(f"sqlite:///{tmp_path / name}.db") as records, open_duckdb_store(tmp_path / name) as store:
            add(records, site_text())
            fill(store)
            step(new_watch(records, store), now_ms=now_ms, is_live=False)
            rows.append(all_rows(records))
    assert rows[0] == rows[1]
