"""The way in: whatever is taken is stored, a duplicate, or in quarantine, and the totals say so for good."""

import json
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import Engine, create_engine, text

from analytics.site import Point
from ingest import quarantine
from ingest.counts import Counts, totals
from ingest.decode import Message
from ingest.directory import Directory, directory_of
from ingest.duckdb_store import open_duckdb_store
from ingest.pipeline import Intake
from ingest.presence import presence
from ingest.quarantine import QuarantineCount
from ingest.store import Batch, ReadingStore, StoreUnavailableError, WriteCounts
from tests.gateways import SITE, TOPIC, pack, small_directory

NOW_MS = 1_790_000_000_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[ReadingStore]:
    with open_duckdb_store(tmp_path / "store") as opened:
        yield opened


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Engine]:
    engine = create_engine(f"sqlite:///{tmp_path / 'records.db'}")
    quarantine.quarantine_metadata.create_all(engine)
    yield engine
    engine.dispose()


@pytest.fixture
def intake(store: ReadingStore, records: Engine) -> Intake:
    directory = small_directory()
    return Intake(lambda: directory, store, records)


def _message(payload: bytes | list[dict[str, object]], topic: str = TOPIC) -> Message:
    return Message(topic, payload if isinstance(payload, bytes) else json.dumps(payload).encode(), NOW_MS)


def _adds_up(counts: Counts) -> bool:
    return counts.received == counts.stored + counts.duplicate + counts.quarantined


def test_readings_new_known_changed_and_bad_are_told_apart(intake: Intake) -> None:
    first = intake.take([_message(pack(1))], now_ms=NOW_MS)
    assert first.counts == Counts(received=5, stored=5)
    changed = [{"n": "t0", "t": 1_780_000_001, "v": -5}, {"n": "tx", "v": 1}]
    again = intake.take([_message(pack(1)), _message(changed), _message(b"?")], now_ms=NOW_MS)
    assert again.counts == Counts(received=8, stored=1, duplicate=5, quarantined=2, replaced=1)
    assert len(again.rejections) == 2
    assert totals(intake.records) == {"mqtt": first.counts + again.counts}
    assert quarantine.count(intake.records) == QuarantineCount(2, 2)


def test_many_messages_are_one_commit_of_the_store(intake: Intake, store: ReadingStore) -> None:
    intake.take([_message(pack(number)) for number in range(40)], now_ms=NOW_MS)
    assert len(store.news("")) == 1
    assert (
        sum(len(trace.value) for trace in store.read("mill-lane-9", ["t0", "t4"], start_ms=0, end_ms=NOW_MS).values())
        == 80
    )


def test_presence_is_kept_and_counts_no_reading(intake: Intake) -> None:
    receipt = intake.take([_message(b"online", "sites/mill-lane-9/presence")], now_ms=NOW_MS)
    assert receipt.counts == Counts()
    assert presence(intake.records)["mill-lane-9"].state == "online"


class _Away:
    """A store that cannot be reached, as far as a writer can tell."""

    def write(self, batch: Batch) -> WriteCounts:
        raise StoreUnavailableError("the server does not answer")


def test_a_store_that_is_away_leaves_no_trace_in_quarantine_or_totals(records: Engine) -> None:
    directory = small_directory()
    intake = Intake(lambda: directory, _Away(), records)  # type: ignore[arg-type]
    with pytest.raises(StoreUnavailableError, match="does not answer"):
        intake.take([_message(pack(1)), _message(b"?")], now_ms=NOW_MS)
    assert quarantine.count(records) == QuarantineCount(0, 0)
    assert totals(records) == {}


def test_records_that_are_away_are_told_and_taking_again_is_harmless(intake: Intake) -> None:
    with intake.records.begin() as connection:
        connection.execute(text("ALTER TABLE intake_totals RENAME TO hidden"))
    with pytest.raises(StoreUnavailableError, match="the records cannot be written"):
        intake.take([_message(pack(1)), _message(b"?")], now_ms=NOW_MS)
    assert quarantine.count(intake.records) == QuarantineCount(0, 0)
    with intake.records.begin() as connection:
        connection.execute(text("ALTER TABLE hidden RENAME TO intake_totals"))
    again = intake.take([_message(pack(1)), _message(b"?")], now_ms=NOW_MS)
    assert again.counts == Counts(received=6, duplicate=5, quarantined=1)


class _Changing:
    """A directory source whose sites can be mended."""

    def __init__(self) -> None:
        self.directory: Directory = small_directory()

    def __call__(self) -> Directory:
        return self.directory


def test_what_was_mended_can_be_replayed_and_only_that(store: ReadingStore, records: Engine) -> None:
    source = _Changing()
    intake = Intake(source, store, records)
    intake.take([_message([{"n": "t0", "v": 1}, {"n": "new.temp", "v": 2}, {"n": "tx", "v": 3}])], now_ms=NOW_MS)
    assert intake.replay(now_ms=NOW_MS + 1).counts == Counts(received=2, quarantined=2)
    new = Point(id="new.temp", quantity="temperature", unit="degC")
    source.directory = directory_of([replace(SITE, points={**SITE.points, "new.temp": new})])
    replayed = intake.replay(now_ms=NOW_MS + 2)
    assert replayed.counts == Counts(received=2, stored=1, quarantined=1)
    (still,) = quarantine.entries(records)
    assert (still.records, still.n_readings) == ((2,), 1)
    assert still.reason == "record 2: 'tx' is not a point of site 'mill-lane-9'"
    assert totals(records) == {"mqtt": Counts(received=3, stored=2, quarantined=1)}
    assert store.latest("mill-lane-9")["new.temp"] == (NOW_MS, 2.0)


def test_a_payload_of_an_unknown_site_is_whole_again_after_a_replay(store: ReadingStore, records: Engine) -> None:
    source = _Changing()
    intake = Intake(source, store, records, way="http")
    intake.take([_message(pack(1), "sites/mill-lane-11/readings")], now_ms=NOW_MS)
    assert quarantine.count(records) == QuarantineCount(1, 5)
    source.directory = directory_of([SITE, replace(SITE, id="mill-lane-11")])
    assert intake.replay(now_ms=NOW_MS, site="mill-lane-9").counts == Counts()
    assert intake.replay(now_ms=NOW_MS, site="mill-lane-11").counts == Counts(received=5, stored=5)
    assert quarantine.count(records) == QuarantineCount(0, 0)
    assert totals(records) == {"http": Counts(received=5, stored=5)}


def test_readings_of_a_site_that_was_added_a_moment_ago_are_stored(store: ReadingStore, records: Engine) -> None:
    newest = _Changing()
    intake = Intake(lambda: directory_of([]), store, records, newest=newest)
    assert intake.take([_message(pack(1))], now_ms=NOW_MS).counts == Counts(received=5, stored=5)
    newest.directory = directory_of([])
    assert intake.take([_message(pack(1))], now_ms=NOW_MS).counts == Counts(received=5, quarantined=5)


def test_a_reading_of_the_future_is_good_once_its_time_has_come(intake: Intake) -> None:
    hour_ahead = [{"n": "t0", "t": NOW_MS / 1000 + 3600, "v": 7}]
    assert intake.take([_message(hour_ahead)], now_ms=NOW_MS).counts.quarantined == 1
    assert intake.replay(now_ms=NOW_MS + 3_600_000).counts == Counts(received=1, stored=1)


def test_a_relative_time_counts_from_its_arrival_even_when_replayed(store: ReadingStore, records: Engine) -> None:
    source = _Changing()
    source.directory = directory_of([])
    intake = Intake(source, store, records)
    intake.take([_message([{"n": "t0", "t": -60, "v": 7}])], now_ms=NOW_MS)
    source.directory = small_directory()
    intake.replay(now_ms=NOW_MS + 86_400_000)
    assert store.latest("mill-lane-9") == {"t0": (NOW_MS - 60_000, 7.0)}


def test_more_than_a_page_of_quarantine_is_replayed(store: ReadingStore, records: Engine) -> None:
    source = _Changing()
    source.directory = directory_of([])
    intake = Intake(source, store, records)
    intake.take([_message(pack(number)) for number in range(230)], now_ms=NOW_MS)
    source.directory = small_directory()
    assert intake.replay(now_ms=NOW_MS).counts == Counts(received=1150, stored=1150)


def test_threads_that_bring_the_same_readings_at_once_lose_and_double_nothing(intake: Intake) -> None:
    messages, receipts = [_message(pack(number)) for number in range(60)], []

    def bring() -> None:
        receipts.extend(intake.take(messages[i : i + 10], now_ms=NOW_MS) for i in range(0, 60, 10))

    threads = [threading.Thread(target=bring) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    total = sum((receipt.counts for receipt in receipts), Counts())
    assert total == Counts(received=1200, stored=300, duplicate=900)
    assert totals(intake.records) == {"mqtt": total}
    assert _adds_up(total)


def test_two_replays_at_once_count_every_reading_once(store: ReadingStore, records: Engine) -> None:
    source = _Changing()
    source.directory = directory_of([])
    intake = Intake(source, store, records)
    intake.take([_message(pack(number)) for number in range(60)], now_ms=NOW_MS)
    source.directory = small_directory()
    threads = [threading.Thread(target=lambda: intake.replay(now_ms=NOW_MS)) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    kept = totals(records)["mqtt"]
    assert (kept.received, kept.quarantined, _adds_up(kept)) == (300, 0, True)
    assert quarantine.count(records) == QuarantineCount(0, 0)
