"""What cannot be used is kept with its reason, topic and bytes, on SQLite and on PostgreSQL alike."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine, create_engine

from ingest import quarantine
from ingest.admit import PresenceNews, Rejection
from ingest.counts import Counts, add_totals, totals
from ingest.decode import Message
from ingest.presence import Presence, note_presence, presence
from ingest.quarantine import QuarantineCount

PAYLOAD = bytes(range(256))


@pytest.fixture(params=["sqlite", "postgresql"])
def records(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Engine]:
    on_sqlite = request.param == "sqlite"
    url = f"sqlite:///{tmp_path / 'r.db'}" if on_sqlite else request.getfixturevalue("postgres_server").new_database()
    engine = create_engine(url)
    quarantine.quarantine_metadata.create_all(engine)
    yield engine
    engine.dispose()


def _rejection(number: int, *, records: tuple[int, ...] | None = None, site: str = "a") -> Rejection:
    message = Message(f"sites/{site}/readings", PAYLOAD, 1_780_315_200_000 + number)
    return Rejection(message, f"cause {number}", records, len(records or (0,)))


def test_an_entry_comes_back_as_it_went_in(records: Engine) -> None:
    quarantine.add(records, [_rejection(1), _rejection(2, records=(3, 7))], way="http")
    whole, partly = quarantine.entries(records)
    assert (whole.topic, whole.payload, whole.reason, whole.way) == ("sites/a/readings", PAYLOAD, "cause 1", "http")
    assert (whole.site, whole.received_ms, whole.records, whole.n_readings) == ("a", 1_780_315_200_001, None, 1)
    assert (partly.records, partly.n_readings, partly.replayed_ms) == ((3, 7), 2, None)
    assert partly.message.only == frozenset({3, 7})


def test_entries_are_counted_and_paged_by_site(records: Engine) -> None:
    quarantine.add(records, [_rejection(i, site="ab"[i % 2]) for i in range(7)], way="mqtt")
    assert quarantine.count(records) == QuarantineCount(7, 7)
    assert quarantine.count(records, site="b") == QuarantineCount(3, 3)
    first = quarantine.entries(records, site="a", limit=3)
    rest = quarantine.entries(records, site="a", limit=3, after_id=first[-1].id)
    assert [entry.reason for entry in (*first, *rest)] == ["cause 0", "cause 2", "cause 4", "cause 6"]


def test_a_replayed_entry_is_kept_but_waits_no_more(records: Engine) -> None:
    quarantine.add(records, [_rejection(1), _rejection(2)], way="mqtt")
    first, _ = quarantine.entries(records)
    with records.begin() as connection:
        assert quarantine.settle(connection, first, None, now_ms=5)
    assert quarantine.count(records) == QuarantineCount(1, 1)
    assert [entry.replayed_ms for entry in quarantine.entries(records, with_replayed=True)] == [5, None]


def test_two_replays_at_once_settle_an_entry_once(records: Engine) -> None:
    quarantine.add(records, [_rejection(1)], way="mqtt")
    (entry,) = quarantine.entries(records)
    with records.begin() as connection:
        assert quarantine.settle(connection, entry, None, now_ms=5)
        assert not quarantine.settle(connection, entry, None, now_ms=6)


def test_a_nul_in_a_name_does_not_keep_an_entry_out(records: Engine) -> None:
    message = Message("sites/a\0/readings", b"\0", 1)
    quarantine.add(records, [Rejection(message, "'\0' is odd", None, 1)], way="mqtt")  # PostgreSQL's text has no NUL
    (entry,) = quarantine.entries(records)
    assert (entry.topic, entry.payload) == ("sites/a\ufffd/readings", b"\0")


def test_totals_add_up_by_way(records: Engine) -> None:
    for way in ("mqtt", "mqtt", "http"):
        with records.begin() as connection:
            add_totals(connection, way, Counts(received=10, stored=6, duplicate=3, quarantined=1, replaced=2))
    assert totals(records) == {"mqtt": Counts(20, 12, 6, 2, 4), "http": Counts(10, 6, 3, 1, 2)}


def test_presence_moves_with_a_change_of_state_only(records: Engine) -> None:
    said = [(True, 100), (True, 200), (False, 300), (True, 250)]
    for online, at_ms in said:
        with records.begin() as connection:
            note_presence(connection, [PresenceNews("a", online, at_ms), PresenceNews("b", True, at_ms)])
    assert presence(records) == {"a": Presence("offline", 300), "b": Presence("online", 100)}
