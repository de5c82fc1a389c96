"""`python -m tests.studies [FILE]` runs the studies and writes what they found as Markdown."""

import sys
from pathlib import Path

from tests.studies import coverage, origins

_TEXT = """# What the studies found

Made by `make studies`; all houses are virtual, and invented.

## How often the truth lies within a figure's interval

{coverage}

## The same over a fortnight

{together}

## Heat by origin

{origins}
"""


def main() -> None:
    text = _TEXT.format(coverage=coverage.table(), together=coverage.table_together(), origins=origins.table())
    if len(sys.argv) > 1:
        Path(sys.argv[1]).write_text(text, encoding="utf-8")
    else:
        print(text)


if __name__ == "__main__":
    main()
