"""What moved in the past is kept with its cause, on SQLite and PostgreSQL; what did not move writes nothing."""

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from analytics.figures import Basis, Figure, figure_to_json
from analytics.site_changes import site_changes
from analytics.site_file import parse_site
from api.due import Watch, mark_computed_days
from api.migrate import open_records
from api.moved import has_moved
from api.moved_report import moved_json, moved_rows, past_changes, whole_period
from api.records import DayRow, Records
from api.results import period
from api.sites import Added, add_version
from api.watcher import new_watch, step
from api.work import mark_due
from dashboards.numbers import Display
from dashboards.past import reads_alike
from ingest.duckdb_store import open_duckdb_store
from tests.kept_days import kept, moves
from tests.plain_house import SITE, TIMEZONE, batch_of, days_of, first_ms, readings, site_text
from tests.servers import PostgresServer

DAYS = days_of("2026-03-10", 5)
LATER_MS = first_ms("2026-06-01")
DEARER = site_text().replace("electricity_per_kwh = 0.30", "electricity_per_kwh = 0.40")


@pytest.fixture(params=["sqlite", "postgresql"])
def records(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Records]:
    url = f"sqlite:///{tmp_path / 'records.db'}"
    if request.param == "postgresql":
        server: PostgresServer = request.getfixturevalue("postgres_server")
        url = server.new_database()
    with open_records(url) as opened:
        yield opened


@pytest.fixture
def watch(records: Records, tmp_path: Path) -> Iterator[Watch]:
    """The house with five days, computed."""
    add(records, site_text())
    with open_duckdb_store(tmp_path) as store:
        store.write(readings(first_ms(DAYS[0]), first_ms(DAYS[-1]) + 86_400_000))
        made = new_watch(records, store)
        run(made)
        yield made


def add(records: Records, text: str, *, valid_from: str | None = None) -> Added:
    with records.begin() as session:
        return add_version(session, text, valid_from=valid_from, today=date(2026, 6, 1), now_ms=0)


def run(watch: Watch, *, now_ms: int = LATER_MS) -> None:
    assert step(watch, now_ms=now_ms, is_live=False).failures == []


def element(watch: Watch, day: str, watts: float) -> None:
    """A reading of the element, in the night of a day, that came late or is corrected."""
    at = np.array([first_ms(day) + 3 * 3_600_000], np.int64)
    watch.store.write(batch_of(at, {"element": np.array([watts])}))


def test_a_first_computation_and_one_with_nothing_changed_write_no_row(watch: Watch, records: Records) -> None:
    before = kept(records)
    with records.begin() as session:
        mark_due(session, SITE, DAYS, reason="readings")
    run(watch, now_ms=LATER_MS + 1)
    assert moves(records) == []
    assert kept(records) == before


def test_a_new_version_that_says_the_same_moves_nothing(watch: Watch, records: Records) -> None:
    added = add(records, site_text() + "# the meter was cleaned\n", valid_from="")
    assert (added.days_due, added.changes) == (len(DAYS), [])
    run(watch)
    assert moves(records) == []


def test_a_new_version_keeps_what_each_touched_day_was_and_says_what_changed(watch: Watch, records: Records) -> None:
    added = add(records, DEARER, valid_from=DAYS[3])
    assert added.changes == ["prices electricity_per_kwh 0.3 → 0.4"]
    before = json.loads(kept(records))
    run(watch)
    moved = moves(records)
    assert [row.day for row in moved] == list(DAYS[3:])
    assert {json.dumps(row.cause["changes"]) for row in moved} == {json.dumps(added.changes)}
    assert set(moved[0].figures) == {"saved.money"}
    pair = moved[0].figures["saved.money"]
    assert pair["before"]["value"] == before[3][1]["saved"]["money"]["value"]
    assert pair["after"]["value"] == pytest.approx(pair["before"]["value"] * 0.4 / 0.3)


def test_a_late_reading_is_the_cause_of_what_it_moves(watch: Watch, records: Records) -> None:
    element(watch, DAYS[1], 9000.0)
    run(watch)
    moved = moves(records)
    assert moved[0].day == DAYS[1]
    assert {row.cause["kind"] for row in moved} == {"readings"}
    assert "stages.backup.heat" in moved[0].figures


def test_days_that_an_earlier_program_counted_otherwise_are_computed_again_when_asked_for(
    watch: Watch, records: Records
) -> None:
    now = kept(records)
    with records.begin() as session:
        row = session.get_one(DayRow, (SITE, DAYS[1]))
        ledger = json.loads(json.dumps(row.ledger))
        ledger["purchased"]["value"] += 1.0
        row.ledger = ledger
    run(watch)
    assert kept(records) != now  # the same program touches nothing
    with records.begin() as session:
        assert mark_computed_days(session, SITE, first=date.fromisoformat(DAYS[1]), last=None) == len(DAYS) - 1
    run(watch)
    assert kept(records) == now
    (moved,) = moves(records)
    assert (moved.day, moved.cause) == (DAYS[1], {"kind": "program"})
    pair = moved.figures["purchased"]
    assert pair["before"]["value"] == pytest.approx(pair["after"]["value"] + 1.0)


def test_late_readings_in_pieces_are_one_row_and_none_once_all_is_as_before(watch: Watch, records: Records) -> None:
    first = json.loads(kept(records))[1][1]["stages"][0]["heat"]["value"]
    for hour, watts in enumerate((9000.0, 8000.0)):
        element(watch, DAYS[1], watts)
        run(watch, now_ms=LATER_MS + hour * 3_600_000)
    (moved,) = (row for row in moves(records) if row.day == DAYS[1])
    assert moved.figures["stages.backup.heat"]["before"]["value"] == first
    element(watch, DAYS[1], 0.0)
    run(watch, now_ms=LATER_MS + 3 * 3_600_000)
    assert [row.day for row in moves(records)] == []


def test_steps_too_small_to_be_read_are_told_once_they_add_up(watch: Watch, records: Records) -> None:
    first = json.loads(kept(records))[1][1]["stages"][0]["heat"]
    told = []
    for minute in range(1, 13):
        element(watch, DAYS[1], 20.0 * minute)
        run(watch, now_ms=LATER_MS + minute * 60_000)
        told.append([row for row in moves(records) if row.day == DAYS[1] and "stages.backup.heat" in row.figures])
    assert [len(each) for each in told[:2]] == [0, 0]
    pair = told[-1][0].figures["stages.backup.heat"]
    assert pair["before"]["value"] == first["value"]
    assert pair["after"]["value"] == json.loads(kept(records))[1][1]["stages"][0]["heat"]["value"]


def test_readings_of_the_hours_around_midnight_are_not_late(records: Records, tmp_path: Path) -> None:
    add(records, site_text())
    with open_duckdb_store(tmp_path) as store:
        store.write(readings(first_ms(DAYS[0]), first_ms(DAYS[2])))
        live = new_watch(records, store)
        assert step(live, now_ms=first_ms(DAYS[2]) + 60_000).failures == []
        element(live, DAYS[1], 9000.0)
        assert step(live, now_ms=first_ms(DAYS[2]) + 2 * 3_600_000).failures == []
        assert moves(records) == []
        element(live, DAYS[1], 8000.0)
        assert step(live, now_ms=first_ms(DAYS[2]) + 4 * 3_600_000).failures == []
    assert [row.day for row in moves(records)] == [DAYS[1]]


def test_what_a_day_hands_on_moves_the_next_one_for_the_same_cause(watch: Watch, records: Records) -> None:
    """A version that holds on one day only; the days after it are of the version that they were of before."""
    stronger = site_text().replace('[points."element"]', '[points."element"]\ngain = 3.0')
    add(records, stronger, valid_from="")
    add(records, site_text(), valid_from=DAYS[1])
    run(watch)
    moved = {row.day: row for row in moves(records)}
    assert moved[DAYS[0]].cause["changes"] == ["points.element gain 1 → 3"]
    assert moved[DAYS[1]].cause == moved[DAYS[0]].cause
    assert "stages.backup.delivered" in moved[DAYS[1]].figures


def test_sums_by_cause_and_in_all_come_out_of_the_days(watch: Watch, records: Records) -> None:
    """Money moves by the ratio of the prices; the sums are added up here by hand from the ledgers of the days."""
    was = [day[1]["saved"]["money"]["value"] for day in json.loads(kept(records))]
    first, last = date.fromisoformat(DAYS[0]), date.fromisoformat(DAYS[-1])
    with records.look() as session:
        spread = period(session, SITE, first=first, last=last).total.saved.money.plus_minus
    add(records, DEARER, valid_from=DAYS[2])
    run(watch)
    with records.look() as session:
        moved = moved_rows(session, SITE)
        (change,) = past_changes(moved, timezone=TIMEZONE)
        (whole,) = whole_period(session, SITE, moved, first=first, last=last)
        told = moved_json(session, SITE, first=first, last=last)
    (money,) = change.sums
    assert (money.path, money.days) == ("saved.money", 3)
    assert money.before.value == pytest.approx(sum(was[2:]), rel=1e-12)
    assert money.after.value == pytest.approx(sum(was[2:]) * 4 / 3, rel=1e-9)
    assert whole.before.value == pytest.approx(sum(was), rel=1e-12)
    assert whole.after.value == pytest.approx(sum(was[:2]) + sum(was[2:]) * 4 / 3, rel=1e-9)
    assert whole.before.plus_minus == pytest.approx(spread, rel=1e-9)
    assert "prices electricity_per_kwh 0.3 → 0.4" in told["causes"][0]["sentence"]
    assert [day["day"] for day in told["causes"][0]["days"]] == list(DAYS[2:])


def test_only_what_reads_differently_has_moved() -> None:
    figure = {"value": 12.34, "unit": "kWh", "plus_minus": 0.2, "basis": "measured"}
    assert not has_moved(figure, {**figure, "value": 12.389})
    assert has_moved(figure, {**figure, "value": 12.391})
    assert has_moved(figure, {**figure, "plus_minus": 0.26})
    assert has_moved(figure, {**figure, "basis": "estimated"})
    assert has_moved(figure, {**figure, "value": None, "plus_minus": None, "basis": "unavailable"})
    assert has_moved(None, figure)
    assert not has_moved(None, None)
    starts = {"value": 4.0, "unit": "", "plus_minus": 0.0, "basis": "measured"}
    assert has_moved(starts, {**starts, "value": 5.0})
    money = {"value": 4.0, "unit": "EUR", "plus_minus": 1.0, "basis": "estimated"}
    assert has_moved(money, {**money, "value": 4.01})
    assert not has_moved(money, {**money, "value": 4.004})


def test_what_changed_in_a_file_is_told_in_its_own_words() -> None:
    site = parse_site(site_text(), file="one")
    top = replace(site.points["tank.top"], offset=0.3, accuracy=None)
    points = {**site.points, "tank.top": top, "loft": replace(top, id="loft")}
    other = replace(site, points=points, latitude_deg=52.0, hot_water=None, tanks={})
    assert site_changes(site, site) == []
    assert site_changes(site, other) == [
        "site latitude 52.5 → 52",
        "points.tank.top offset 0 → 0.3",
        "points.loft added",
        "tank.store taken out",
        "hot_water taken out",
    ]


@pytest.mark.parametrize(
    ("value", "basis", "is_alike"), [(135.4, "derived", True), (135.6, "derived", False), (135.4, "estimated", False)]
)
def test_a_statement_tells_of_no_figure_that_its_sentence_would_show_as_it_was(
    value: float, basis: Basis, is_alike: bool
) -> None:
    """134.6 and 135.4 kWh, each to 6 kWh, are both told as 135."""
    before, after = Figure(134.6, "kWh", 6.4, "derived"), Figure(value, "kWh", 6.4, basis)
    assert has_moved(figure_to_json(before), figure_to_json(after))
    assert reads_alike(before, after, "stages.sun.delivered", Display()) is is_alike
