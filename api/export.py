"""The ledger as a file to take away: CSV, Parquet or a spreadsheet, every figure with its unit and interval."""

import csv
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import xlsxwriter

from api.ledger_text import EXPORT_SUFFIXES, ledger_csv

__all__ = ["write_ledger"]


def write_ledger(ledger: Mapping[str, Any], path: Path) -> None:
    """
    Write the contract's JSON of `ledger` as a table with a row a day (or a period), by the file's suffix.

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
            frame = pd.read_csv(io.StringIO(text), dtype={"day": str})
            duckdb.from_df(frame).write_parquet(str(path))
        case ".xlsx":
            _write_sheet(text, ledger, path)
        case _:
            raise ValueError(f"{path.name} does not tell its kind; end its name in {', '.join(EXPORT_SUFFIXES)}")


def _write_sheet(text: str, ledger: Mapping[str, Any], path: Path) -> None:
    heading, *rows = csv.reader(io.StringIO(text))
    path.touch()
    with xlsxwriter.Workbook(str(path)) as book:
        bold = book.add_format({"bold": True, "text_wrap": True, "valign": "top"})
        sheet = book.add_worksheet("ledger")
        sheet.write_row(0, 0, heading, bold)
        for index, row in enumerate(rows, start=1):
            sheet.write_row(index, 0, [_number(cell) for cell in row])
        sheet.freeze_panes(1, 1)
        sheet.set_column(0, len(heading) - 1, 14)
        about = book.add_worksheet("about")
        about.write_column(0, 0, _about(ledger))


def _about(ledger: Mapping[str, Any]) -> list[str]:
    return [
        f"Account of heat of {ledger['site']}; days are local days of {ledger['timezone']}.",
        "plus_minus is the half-width of the 95 % interval; the unit stands in brackets, ratios have none.",
        "basis: measured, derived from measured ones, estimated with a stand-in, or unavailable (an empty cell).",
    ]


def _number(cell: str) -> float | str:
    try:
        return float(cell)
    except ValueError:
        return cell
