"""`python -m tests.studies [FILE] [--fortnights N]` runs the studies and writes what they found as Markdown."""

import argparse
from pathlib import Path

from tests.studies import coverage, origins
from tests.studies.houses import PARCEL_HOUSES

_TEXT = """# What the studies found

Made by `{command}`; all houses are virtual, and invented.

## How often the truth lies within a figure's interval

{coverage}

## The same over a fortnight

{together}

## Heat by origin

{origins}

## Against a plant of other physics

Houses whose tanks are parcels of water that move as wholes (`tests/parcels`): nothing mixes because of a grid, fluids
are CoolProp's, elements heat along their whole range, and the controllers are others.

{parcels}

{origins_of_parcels}
"""


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.studies")
    parser.add_argument("file", nargs="?", type=Path)
    parser.add_argument("--fortnights", type=int, help="houses of each kind that are followed over a fortnight")
    asked = parser.parse_args()
    of_fortnights = {} if asked.fortnights is None else {"houses": asked.fortnights}
    text = _TEXT.format(
        command="make studies"
        if asked.fortnights is None
        else f"python -m tests.studies --fortnights {asked.fortnights}",
        coverage=coverage.table(),
        together=coverage.table_together(**of_fortnights),
        origins=origins.table(),
        parcels=coverage.table_of_parcels(),
        origins_of_parcels=origins.table(range(901, 904), PARCEL_HOUSES),
    )
    if asked.file:
        asked.file.write_text(text, encoding="utf-8")
    else:
        print(text)


if __name__ == "__main__":
    main()
