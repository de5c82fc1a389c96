"""A month beside the year before, from real records: versions in time, whole days only, the command and its JSON."""

import json
from datetime import date

import pytest

from analytics.figures import day_to_record
from api.beside import month_beside, month_json, own_figures
from api.commands import main
from api.held import held_versions
from api.migrate import open_records
from api.records import DayRow
from api.results import NoLedgerError, ledger
from api.schemas import MonthOut
from api.sites import add_version
from tests.plain_house import SITE, first_ms, site_text
from tests.test_year_before import LAST, invented

DEARER = site_text().replace("electricity_per_kwh = 0.30", "electricity_per_kwh = 0.36")
TODAY_MS = first_ms("2026-03-13") + 1


@pytest.fixture
def records(tmp_path):
    """A year and more of an invented house; the last day in progress, a dearer price from 6 March 2026 on."""
    with open_records(f"sqlite:///{tmp_path / 'records.db'}") as opened:
        with opened.begin() as session:
            for text, start in ((site_text(), None), (DEARER, "2026-03-06")):
                add_version(session, text, valid_from=start, today=date(2026, 3, 6), now_ms=0)
            for day, _ in invented(2, better=2.0):
                session.add(_row(day_to_record(day), until_ms=TODAY_MS if day.day == LAST else None))
        yield opened


def _row(data, *, until_ms):
    return DayRow(
        site_id=SITE,
        day=data["day"],
        ledger=data,
        state={},
        alerts=[],
        version_digest="",
        until_ms=until_ms,
        silent_days=0,
        computed_ms=0,
    )


def _month(records, month=date(2026, 3, 1), now_ms=TODAY_MS):
    with records.look() as session:
        return month_beside(session, SITE, month, now_ms=now_ms)


def _told(records, month=date(2026, 3, 1)):
    found = _month(records, month)
    with records.look() as session:
        return month_json(found, own_figures(session, found))


def test_the_day_in_progress_is_left_out_and_the_month_is_in_progress(records):
    found = _month(records)
    assert (found.last, found.in_progress) == (date(2026, 3, 11), True)
    assert [each.n_pairs for each in found.compared] == [11, 31 + 28 + 11]


def test_a_month_that_is_over_is_whole_and_january_stands_for_its_year_to_date(records):
    found = _month(records, date(2026, 1, 1))
    assert (found.last, found.in_progress, len(found.compared)) == (date(2026, 1, 31), False, 1)


def test_the_json_of_a_month_keeps_to_its_schema_and_tells_what_it_rests_on(records):
    told = _told(records)
    MonthOut.model_validate(told, strict=True)
    month, year = told["compared"]
    assert (month["name"], year["name"], month["days_compared"]) == ("2026-03", "2026", 11)
    assert month["corrected"]["change"]["value"] == pytest.approx(-22, abs=month["corrected"]["change"]["plus_minus"])
    assert month["sentences"][0].startswith("This month, up to 11 March, you have bought ")
    assert "1 March to 5 March 2026: Electricity at €0.30 per kWh." in told["assumptions"]
    assert "6 March to 11 March 2026: Electricity at €0.36 per kWh." in told["assumptions"]
    json.dumps(told, allow_nan=False)


def test_a_month_has_its_own_figures_whether_or_not_there_is_a_year_before(records):
    first, later = _told(records, date(2025, 2, 1)), _told(records)
    MonthOut.model_validate(first, strict=True)
    assert first["compared"][0]["figures"] == {}
    assert (first["month"]["day"], first["month"]["days"], first["month"]["known"]) == ("2025-02", 28, 28)
    assert (later["month"]["first"], later["month"]["last"]) == ("2026-03-01", "2026-03-11")
    with records.look() as session:
        days = ledger(session, SITE, first=date(2025, 2, 1), last=date(2025, 2, 28))["days"]
    assert first["month"]["purchased"]["value"] == pytest.approx(sum(day["purchased"]["value"] for day in days))
    assert later["month"]["purchased"]["value"] == pytest.approx(
        later["compared"][0]["figures"]["purchased"]["later"]["value"]
    )


def test_the_versions_that_held_cover_the_days_once(records):
    with records.look() as session:
        held = held_versions(session, SITE, date(2026, 3, 1), date(2026, 3, 11))
        before = held_versions(session, SITE, date(2025, 3, 1), date(2025, 3, 31))
        after = held_versions(session, SITE, date(2026, 3, 7), date(2026, 3, 7))
    assert [(each.first.day, each.last.day) for each in held] == [(1, 5), (6, 11)]
    assert [each.site.prices.electricity_per_kwh for each in (*held, *before, *after)] == [0.30, 0.36, 0.30, 0.36]


def test_the_ledger_by_month_tells_its_assumptions_and_the_ledger_by_day_is_the_contracts(records):
    with records.look() as session:
        by_month = ledger(session, SITE, first=date(2026, 3, 1), last=None, by="month")
        by_day = ledger(session, SITE, first=date(2026, 3, 1), last=None)
    assert "6 March to 12 March 2026: Electricity at €0.36 per kWh." in by_month["assumptions"]
    assert set(by_day) == {"site", "timezone", "days"}


def test_a_month_without_a_whole_day_says_so(records):
    with pytest.raises(NoLedgerError, match=f"no whole day of {SITE} in 2027-01 has a ledger"):
        _month(records, date(2027, 1, 1))


def test_the_command_prints_tables_sentences_and_assumptions(records, tmp_path, capsys):
    assert main(["month", SITE, "2026-02", "--data", str(tmp_path)]) == 0
    told = capsys.readouterr().out
    for piece in ("Bought, corrected", "In February 2026 you bought", "From January to February 2026 you bought"):
        assert piece in told
    assert "What the money saved in February 2026 rests on:\n- Compared with an electric tank heater" in told
    assert "Money saved is at the prices that held in each of the two years." in told


def test_a_month_with_nothing_beside_it_shows_its_own_figures_and_says_so_once(records, tmp_path, capsys):
    assert main(["month", SITE, "2025-02", "--data", str(tmp_path)]) == 0
    told = capsys.readouterr().out
    assert "Energy bought for hot water" in told
    assert told.count("There is nothing to set beside it: there is no account of February 2024.") == 1
    assert told.count("There is nothing to set beside it") == 1
    assert "each of the two years" not in told


def test_the_command_refuses_what_is_no_month_and_a_month_without_days(records, tmp_path, capsys):
    assert main(["month", SITE, "2026-13", "--data", str(tmp_path)]) == 2
    assert "'2026-13' is not a month; write it as YYYY-MM, such as 2026-01" in capsys.readouterr().err
    assert main(["month", SITE, "2027-01", "--data", str(tmp_path)]) == 2
    assert f"no whole day of {SITE} in 2027-01 has a ledger" in capsys.readouterr().err
