"""The ledger as a spreadsheet, and its table in the terminal: what is not known, what is hardly known, and on what."""

import csv
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from io import StringIO
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pyarrow
import pyarrow.parquet
import pytest
from rich.console import Console

from analytics.figures import Figure, HeatPumpLine, day_to_json, unavailable
from analytics.period import Span, add_up
from api.export import write_ledger
from api.ledger_text import comparison_table, ledger_csv, ledger_table
from api.results import period_json
from tests.small_sites import site
from tests.test_year_before import FIRST, NONE, ledger_of

HOUSE = site([])


def _ledger(*days: dict[str, Any], **more: object) -> dict[str, Any]:
    return {"site": "mill-lane-8", "timezone": "UTC", "days": list(days), **more}


def _cells(file: Path, sheet: str) -> list[list[Any]]:
    return [[cell.value for cell in row] for row in openpyxl.load_workbook(file)[sheet].iter_rows()]


def test_a_spreadsheet_has_numbers_units_empty_cells_and_what_the_money_rests_on(tmp_path: Path) -> None:
    file = tmp_path / "ledger.xlsx"
    day = day_to_json(ledger_of(FIRST, 3.5, heat=8.0, money=2.0))
    write_ledger(_ledger(day), file, assumptions=["Electricity at €0.30 per kWh."])
    heading, row = _cells(file, "ledger")
    of = dict(zip(heading, row, strict=True))
    assert (of["purchased [kWh]"], of["saved.money [EUR]"], of["day"]) == (3.5, 2.0, datetime(2025, 1, 1))
    assert (of["hot_water.volume [kWh]"], of["hot_water.volume basis"]) == (None, "unavailable")
    assert [line[0] for line in _cells(file, "about")][-2:] == [
        "What was saved rests on this:",
        "Electricity at €0.30 per kWh.",
    ]


def test_no_text_of_a_spreadsheet_is_a_formula_and_a_year_is_a_name(tmp_path: Path) -> None:
    file = tmp_path / "ledger.xlsx"
    year = add_up(Span(FIRST, FIRST, "2025"), [ledger_of(FIRST, 3.5, heat=8.0, currency="=1+1")], backups=[])
    write_ledger(_ledger(period_json(year)), file, assumptions=["=2+2"])
    book = openpyxl.load_workbook(file)
    every = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert {cell.data_type for cell in every} == {"s", "n", "d"}
    assert book["ledger"]["A2"].value == "2025"
    assert "=2+2" in [cell.value for cell in every]


@pytest.mark.parametrize("suffix", [".parquet", ".xlsx"])
def test_days_are_dates_to_reckon_with_and_periods_have_their_names(suffix: str, tmp_path: Path) -> None:
    """A spreadsheet subtracts two of them; a week is called by its name, and its first and last day are dates."""
    read: Callable[..., pd.DataFrame] = {".parquet": pd.read_parquet, ".xlsx": pd.read_excel}[suffix]
    days = [ledger_of(FIRST + timedelta(days=n), 3.5, heat=8.0) for n in range(2)]
    write_ledger(_ledger(*map(day_to_json, days)), tmp_path / f"days{suffix}", assumptions=[])
    first, last = pd.to_datetime(read(tmp_path / f"days{suffix}")["day"])
    assert (first.date(), last - first) == (FIRST, timedelta(days=1))
    week = add_up(Span(FIRST, FIRST + timedelta(days=4), "2025-W01"), days, backups=[])
    write_ledger(_ledger(period_json(week)), tmp_path / f"week{suffix}", assumptions=[])
    row = read(tmp_path / f"week{suffix}").iloc[0]
    assert row["day"] == "2025-W01"
    assert pd.Timestamp(row["last day"]) - pd.Timestamp(row["first day"]) == timedelta(days=4)
    assert not isinstance(row["first day"], str)


def test_a_day_in_parquet_is_of_the_type_of_days(tmp_path: Path) -> None:
    write_ledger(_ledger(day_to_json(ledger_of(FIRST, 3.5, heat=8.0))), tmp_path / "a.parquet", assumptions=[])
    assert pyarrow.parquet.read_schema(tmp_path / "a.parquet").field("day").type == pyarrow.date32()


def _shown(print_it: Callable[[Console], None]) -> str:
    out = StringIO()
    print_it(Console(width=160, file=out))
    return out.getvalue()


def _row(**parts: object) -> list[str]:
    day = day_to_json(ledger_of(FIRST, 3.5, heat=8.0)) | parts
    shown = _shown(lambda console: ledger_table(_ledger(day), HOUSE, console))
    line = next(line for line in shown.splitlines() if "2025-01-01" in line)
    return [cell.strip() for cell in line.strip("│").split("│")]


@pytest.mark.parametrize(
    ("value", "plus_minus", "told"),
    [(0.0, 40.0, "0.00 ±40"), (0.0, 0.3, "0.00"), (8.0, 7.9, "8.00"), (8.0, 8.1, "8.00 ±8"), (None, None, "—")],
)
def test_a_figure_that_its_doubt_swamps_shows_it_in_the_table(value: float, plus_minus: float, told: str) -> None:
    figure = {"value": value, "unit": "kWh", "plus_minus": plus_minus, "basis": "derived", "coverage": 0.1, "why": ""}
    assert _row(purchased=figure)[-3] == told


def test_a_cop_of_cooling_is_named_so_and_one_of_heating_comes_first() -> None:
    def line(heating: Figure) -> HeatPumpLine:
        return HeatPumpLine("hp", NONE, NONE, heating, NONE, NONE, NONE, NONE, Figure(6.4, "1"), NONE, NONE, NONE)

    cops = []
    for heating in (unavailable("1", "It did not heat."), Figure(3.2, "1")):
        day = replace(ledger_of(FIRST, 3.5, heat=8.0), heat_pumps=[line(heating)])
        cops.append(_row(heat_pumps=day_to_json(day)["heat_pumps"])[-4])
    assert cops == ["6.40 (cooling)", "3.20"]


def test_two_periods_say_how_little_of_one_was_heard() -> None:
    """A day of 0.5 and one that was heard for half of it: 50 % of the later one."""
    spans = [Span(day, day, f"{day}") for day in (FIRST, FIRST + timedelta(days=1))]
    earlier = add_up(spans[0], [ledger_of(spans[0].first, 3.5, heat=8.0)], backups=[])
    later = add_up(spans[1], [ledger_of(spans[1].first, 1.5, heat=4.0, coverage=0.5)], backups=[])
    shown = _shown(lambda console: comparison_table(earlier, later, site=HOUSE, console=console))
    assert "2025-01-02: usable readings cover 50 % of its days." in shown
    assert "2025-01-01: usable" not in shown


def test_a_row_of_a_period_has_its_days_and_how_many_of_them_are_known() -> None:
    """A week of which three days have an account."""
    week = Span(FIRST, FIRST + timedelta(days=6), "2025-W01")
    days = [ledger_of(FIRST + timedelta(days=n), 3.5, heat=8.0) for n in range(3)]
    rows = csv.DictReader(StringIO(ledger_csv(_ledger(period_json(add_up(week, days, backups=[]))))))
    (row,) = list(rows)
    told = [row[heading] for heading in ("day", "first day", "last day", "days", "days known")]
    assert told == ["2025-W01", "2025-01-01", "2025-01-07", "7", "3"]
    assert float(row["coverage"]) == pytest.approx(3 / 7)
    (of_a_day,) = csv.DictReader(StringIO(ledger_csv(_ledger(day_to_json(days[0])))))
    assert list(of_a_day)[:2] == ["day", "coverage"]
