"""The ledger as a file to take away: CSV, Parquet or a spreadsheet, every figure with its unit and interval."""

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import duckdb
import pandas as pd
import xlsxwriter

from api.ledger_text import EXPORT_SUFFIXES, ledger_csv

__all__ = ["ledger_file", "write_ledger"]


def ledger_file(ledger: Mapping[str, Any], suffix: str, *, assumptions: Sequence[str]) -> bytes:
    """The same as `write_ledger`, to be sent."""
    with TemporaryDirectory(prefix="heatledger-") as folder:
        path = Path(folder) / f"ledger{suffix}"
        write_ledger(ledger, path, assumptions=assumptions)
        return path.read_bytes()


def write_ledger(ledger: Mapping[str, Any], path: Path, *, assumptions: Sequence[str]) -> None:
    """
    Write the contract's JSON of `ledger` as a table with a row a day (or a period), by the file's suffix.

    Args:
        assumptions: What the saved money rests on, as sentences; a spreadsheet has them on a sheet of their own.
    Raises:
        ValueError: If the suffix is none of EXPORT_SUFFIXES.
        OSError: If the file cannot be written.
    """
    text = ledger_csv(ledger)
    match path.suffix:
        case ".csv":
            path.write_text(text, encoding="utf-8")
        case ".parquet":
            path.touch()  # so that what cannot be written is told by its own name
            _write_parquet(text, path)
        case ".xlsx":
            rests_on = ["", "What was saved rests on this:", *assumptions] if assumptions else []
            _write_sheet(text, [*_about(ledger), *rests_on], path)
        case _:
            raise ValueError(f"{path.name} does not tell its kind; end its name in {', '.join(EXPORT_SUFFIXES)}")


def _date_columns(heading: Sequence[str]) -> list[str]:
    """Which columns hold days; the `day` of a period is its name, such as 2026-W03."""
    of_periods = [name for name in heading if name in ("first day", "last day")]
    return of_periods or ["day"]


def _write_parquet(text: str, path: Path) -> None:
    frame = pd.read_csv(io.StringIO(text), dtype={"day": str})
    dates = ", ".join(f'"{name}"::date as "{name}"' for name in _date_columns(list(frame)))
    with duckdb.connect() as connection:
        connection.from_df(frame).project(f"* replace ({dates})").write_parquet(str(path))


def _write_sheet(text: str, about: Sequence[str], path: Path) -> None:
    heading, *rows = csv.reader(io.StringIO(text))
    path.touch()
    with xlsxwriter.Workbook(str(path), {"strings_to_formulas": False, "strings_to_urls": False}) as book:
        bold = book.add_format({"bold": True, "text_wrap": True, "valign": "top"})
        as_day = book.add_format({"num_format": "yyyy-mm-dd", "align": "left"})
        sheet = book.add_worksheet("ledger")
        sheet.write_row(0, 0, heading, bold)
        dates = [heading.index(name) for name in _date_columns(heading)]
        for index, row in enumerate(rows, start=1):
            sheet.write_row(index, 0, [row[0], *(_number(cell) for cell in row[1:])])
            for column in dates:
                sheet.write_datetime(index, column, date.fromisoformat(row[column]), as_day)
        sheet.freeze_panes(1, 1)
        sheet.set_column(0, len(heading) - 1, 14)
        notes = book.add_worksheet("about")
        for index, line in enumerate(about):
            notes.write_string(index, 0, line)


def _about(ledger: Mapping[str, Any]) -> list[str]:
    return [
        f"Account of heat of {ledger['site']}; days are local days of {ledger['timezone']}.",
        "plus_minus is the half-width of the 95 % interval; the unit stands in brackets, ratios have none.",
        "basis: measured, derived from measured ones, estimated with a stand-in, or unavailable (an empty cell).",
        "coverage: the part of the time with usable readings.",
    ]


def _number(cell: str) -> float | str:
    try:
        return float(cell)
    except ValueError:
        return cell
