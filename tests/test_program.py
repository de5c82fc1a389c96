"""Days that another version of the program computed are computed again, and what moved by it is kept."""

import json
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import select

from api.due import Watch, mark_computed_days, mark_days_of_other_programs
from api.migrate import open_records
from api.program import account_program, digest_of
from api.records import DayRow, Records
from api.sites import add_version
from api.watch_loop import WatchLoop
from api.watcher import new_watch, step
from ingest.duckdb_store import open_duckdb_store
from tests.kept_days import kept, moves
from tests.plain_house import SITE, batch_of, days_of, first_ms, readings, site_text
from tests.servers import PostgresServer, wait_until

DAYS = days_of("2026-03-10", 5)
LATER_MS = first_ms("2026-06-01")


@pytest.fixture(params=["sqlite", "postgresql"])
def watch(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Watch]:
    """The house with five days, computed."""
    url = f"sqlite:///{tmp_path / 'records.db'}"
    if request.param == "postgresql":
        server: PostgresServer = request.getfixturevalue("postgres_server")
        url = server.new_database()
    with open_records(url) as records, open_duckdb_store(tmp_path) as store:
        with records.begin() as session:
            add_version(session, site_text(), valid_from=None, today=date(2026, 6, 1), now_ms=0)
        store.write(readings(first_ms(DAYS[0]), first_ms(DAYS[-1]) + 86_400_000))
        made = new_watch(records, store)
        run(made)
        yield made


def run(watch: Watch) -> None:
    assert step(watch, now_ms=LATER_MS, is_live=False).failures == []


def of_another_program(records: Records, *, day: str, more_kwh: float) -> None:
    """All days are as another program left them, which on one of them counted otherwise."""
    with records.begin() as session:
        for row in session.scalars(select(DayRow)):
            row.program = "another"
        row = session.get_one(DayRow, (SITE, day))
        row.ledger = row.ledger | {"purchased": row.ledger["purchased"] | {"value": more_kwh}}


def test_days_of_another_program_are_computed_again_once_and_what_moved_is_kept(watch: Watch) -> None:
    records, now = watch.records, kept(watch.records)
    assert mark_days_of_other_programs(watch) == 0
    of_another_program(records, day=DAYS[1], more_kwh=1000.0)
    assert mark_days_of_other_programs(watch, sites=[]) == 0
    assert mark_days_of_other_programs(watch) == len(DAYS)
    run(watch)
    assert kept(records) == now
    assert [(row.day, row.cause, set(row.figures)) for row in moves(records)] == [
        (DAYS[1], {"kind": "program"}, {"purchased"})
    ]
    assert mark_days_of_other_programs(watch) == 0


def test_what_is_read_now_is_computed_before_the_past_that_a_renewed_program_computes_again(watch: Watch) -> None:
    of_another_program(watch.records, day=DAYS[1], more_kwh=1000.0)
    mark_days_of_other_programs(watch)
    noon = np.array([first_ms(DAYS[-1]) + 11 * 3_600_000 + 60_000], np.int64)
    watch.store.write(batch_of(noon, {"element": np.array([9000.0])}))
    begun = iter([False])
    report = step(watch, now_ms=LATER_MS, is_live=False, is_stopping=lambda: next(begun, True))
    assert report.accounted == [(SITE, DAYS[-1])]
    run(watch)
    in_turn = kept(watch.records)
    with watch.records.begin() as session:
        assert mark_computed_days(session, SITE, first=None, last=None) == len(DAYS)
    run(watch)
    assert kept(watch.records) == in_turn


def test_days_whose_readings_are_gone_stay_as_another_program_left_them(watch: Watch, tmp_path: Path) -> None:
    records = watch.records
    of_another_program(records, day=DAYS[1], more_kwh=1000.0)
    left = kept(records)
    with open_duckdb_store(tmp_path / "younger") as store:
        store.write(readings(first_ms(DAYS[3]), first_ms(DAYS[-1]) + 86_400_000))
        younger = new_watch(records, store)
        assert mark_days_of_other_programs(younger) == 2
        run(younger)
    assert json.loads(kept(records))[:3] == json.loads(left)[:3]


def test_a_source_that_says_something_else_makes_another_program(tmp_path: Path) -> None:
    files = [tmp_path / name for name in ("a.py", "b.py")]
    for file in files:
        file.write_text(f"# {file.name}\n")
    first = digest_of(files)
    assert digest_of(reversed(files)) == first
    files[1].write_text("# b.py, otherwise\n")
    assert digest_of(files) != first
    assert len(account_program()) == len(first)


def test_a_service_computes_days_of_another_program_again_as_it_starts(watch: Watch) -> None:
    now = kept(watch.records)
    of_another_program(watch.records, day=DAYS[1], more_kwh=1000.0)
    WatchLoop(watch.records, watch.store, clock=lambda: LATER_MS).settle([SITE])
    again = json.loads(kept(watch.records))
    assert again[: len(DAYS)] == json.loads(now)


def test_a_service_that_may_begin_one_job_a_step_gets_through_all_of_them(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    of_another_program(watch.records, day=DAYS[1], more_kwh=1000.0)
    monkeypatch.setattr("api.watch_loop._LONGEST_STEP_S", 0.0)
    monkeypatch.setattr("api.watcher._DAYS_A_JOB", 2)
    monkeypatch.setattr("api.watch_loop._PERIOD_S", 0.01)
    with WatchLoop(watch.records, watch.store, clock=lambda: LATER_MS):
        wait_until(lambda: programs(watch.records) == {watch.program}, within_s=60.0, what="all days computed again")


def programs(records: Records) -> set[str]:
    with records.look() as session:
        return set(session.scalars(select(DayRow.program)))
