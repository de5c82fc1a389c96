"""Reads the published tables in tests/reference: the first line of each says where it comes from."""

import csv
from pathlib import Path

_FOLDER = Path(__file__).parent / "reference"


def rows(name: str) -> list[dict[str, str]]:
    """The rows of a reference table, its source line left out."""
    with (_FOLDER / name).open(encoding="utf-8") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))
