"""
The site file: TOML text in, a whole `Site` or every fault at once out.

Three steps: each table is read field by field (`site_tables`), the tables are held against one another
(`site_rules`), and only when nothing is wrong is a `Site` built. Where the contract leaves a choice:

- a point with quantity energy or volume is a counter where `sampling` is left out, for it can be nothing else;
- the `power` of a heat pump or a heater may also be an energy counter;
- a loop with a heat meter's `energy` needs no `fluid`;
- a stage's `height` of one number h is the level (h, h);
- a tariff band's `months` are 1 to 12 or English names ("Jan"), its `days` 1 (Monday) to 7 or names ("Mon"); a band may
  pass midnight, and its days are those of the minute itself; bands must leave no minute of the year without a price.
"""

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from analytics.site import Site
from analytics.site_fields import Entry, Fault, Place, WrongValueError, identifier, nearest, quoted, read_table
from analytics.site_rules import RULES, Draft
from analytics.site_tables import (
    LISTS,
    POINT_FIELDS,
    SINGLE,
    SITE_FIELDS,
    TOP_LEVEL,
    make_baseline,
    make_hot_water,
    make_point,
    make_prices,
    maker,
)

__all__ = ["Fault", "SiteFileError", "parse_site"]

_POINT_ID_HINT = 'use lower-case letters, digits, "-", "_" and dots between them, such as [points."tank.top"]'


class SiteFileError(ValueError):
    """A site file that cannot be used; `faults` has everything that is wrong with it, `str()` one line for each."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        super().__init__("\n".join(str(fault) for fault in faults))
        self.faults = tuple(faults)


def parse_site(text: str, *, file: str) -> Site:
    """
    Read a site file.

    Args:
        text: The file's content (TOML, UTF-8 already decoded; a leading byte order mark is skipped).
        file: The file's name, for the messages.
    Raises:
        SiteFileError: With every fault of the file, each naming table, field, what is wrong and what would be right.
    """
    tables = _toml(text.removeprefix("\ufeff"), file)
    top = [*_top_level_faults(tables, file)]
    site = _read_site(tables, file)
    points, point_faults = _read_points(tables.get("points", {}), file)
    lists = {kind: _read_list(tables.get(kind, []), kind, file) for kind in LISTS}
    single = {kind: _read_single(tables[kind], kind, file) for kind in SINGLE if kind in tables}
    ids = {kind: _raw_ids(tables.get(kind)) for kind in LISTS} | {"points": _point_ids(tables.get("points"))}
    draft = Draft(site=site, points=points, lists=lists, single=single, ids=ids)
    entries = [site, *points.values(), *(entry for found in lists.values() for entry in found), *single.values()]
    faults = [*top, *point_faults, *(fault for entry in entries for fault in entry.faults)]
    faults += [fault for rule in RULES for fault in rule(draft)]
    if faults:
        raise SiteFileError(_in_file_order(faults, tables))
    return _build(site, draft)


def _toml(text: str, file: str) -> Mapping[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        fault = Fault(file, "the whole file", "", "is nested too deeply to be read", "write each table once, flat")
        raise SiteFileError([fault]) from error
    except ValueError as error:  # TOMLDecodeError, or a number with more digits than Python reads
        raise SiteFileError([_syntax_fault(str(error), file)]) from error


def _syntax_fault(message: str, file: str) -> Fault:
    found = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", message)
    what = " ".join(message[: found.start() if found else None].split())
    what = "a quote is left open" if what == r"Illegal character '\n'" else what[:1].lower() + what[1:]
    if found is None:
        return Fault(file, "the whole file", "", f"is not TOML ({what})", "mend it and check again")
    where, right = "the end of the file", "look at the last lines for a quote or bracket left open"
    if found[1]:
        where, right = f"line {found[1]}, column {found[2]}", "mend this line and check again"
    return Fault(file, where, "", f"is not TOML ({what})", right)


def _top_level_faults(tables: Mapping[str, Any], file: str) -> Iterator[Fault]:
    place = Place(file, "top level")
    for key in tables:
        if key not in TOP_LEVEL:
            close = nearest(key, [kind for kind in TOP_LEVEL if kind not in tables]) or nearest(key, TOP_LEVEL)
            right = f"did you mean {_bracketed(close)}?" if close else f"the tables are {_all_tables()}"
            yield place.fault(key if re.fullmatch(r"[\w-]+", key) else quoted(key), "is not a known table", right)
    if "schema" not in tables:
        if not _is_misspelt("schema", tables):
            yield place.fault("schema", "is missing", "write schema = 1 before the first table")
    elif tables["schema"] != 1 or type(tables["schema"]) is not int:
        yield place.fault("schema", f"{quoted(tables['schema'])} is not a schema known here", "write schema = 1")


def _is_misspelt(kind: str, tables: Mapping[str, Any]) -> bool:
    """Whether a table that is missing has its sentence already, as the meaning of an unknown one."""
    missing = [known for known in TOP_LEVEL if known not in tables]
    return any(nearest(key, missing) == kind for key in tables if key not in TOP_LEVEL)


def _bracketed(kind: str) -> str:
    if kind == "schema":
        return "schema = 1"
    if kind == "points":
        return "[points.ID]"
    return f"[[{kind}]]" if kind in LISTS else f"[{kind}]"


def _all_tables() -> str:
    return ", ".join(_bracketed(kind) for kind in TOP_LEVEL if kind != "schema")


def _read_site(tables: Mapping[str, Any], file: str) -> Entry:
    place = Place(file, "[site]")
    if "site" not in tables and _is_misspelt("site", tables):
        return Entry(place, {})
    if "site" not in tables:
        right = "add [site] with id, name, timezone, latitude and longitude"
        return Entry(place, {}, [place.fault("", "is missing", right)])
    return _table_or_fault(tables["site"], SITE_FIELDS, place)


def _table_or_fault(raw: object, fields: Any, place: Place) -> Entry:
    if not isinstance(raw, dict):
        return Entry(
            place, {}, [place.fault("", f"{quoted(raw)} stands where one table belongs", f"write {place.table}")]
        )
    return read_table(raw, fields, place)


def _read_points(raw: object, file: str) -> tuple[Mapping[str, Entry], Sequence[Fault]]:
    if not isinstance(raw, dict):
        wrong = f"{quoted(raw)} stands where tables by id belong"
        return {}, [Place(file, "[points]").fault("", wrong, 'write [points."tank.top"] and so on')]
    return {id: _read_point(id, table, file) for id, table in raw.items()}, []


def _read_point(id: str, raw: object, file: str) -> Entry:
    place = Place(file, f"[points.{id if re.fullmatch(r'[a-z0-9_-]+', id) else quoted(id)}]")
    if isinstance(raw, dict) and raw and all(isinstance(value, dict) for value in raw.values()):
        inner = next(iter(raw))
        wrong, right = (
            "has no fields, only tables",
            f"put an id with dots in quotes: [points.{quoted(f'{id}.{inner}')}]",
        )
        return Entry(place, {}, [place.fault("", wrong, right)])
    entry = _table_or_fault(raw, POINT_FIELDS, place)
    try:
        identifier(dots=True)(id)
    except WrongValueError as error:
        fault = place.fault("id", error.wrong, error.right or _POINT_ID_HINT)
        return Entry(place, entry.values, [fault, *entry.faults])
    return entry


def _read_list(raw: object, kind: str, file: str) -> Sequence[Entry]:
    place = Place(file, f"[[{kind}]]")
    if not isinstance(raw, list):
        wrong, right = f"{quoted(raw)} stands where a list belongs", f"write [[{kind}]] with two brackets"
        return [Entry(place, {}, [place.fault("", wrong, right)])]
    return [_table_or_fault(item, LISTS[kind], _list_place(item, kind, n, file=file)) for n, item in enumerate(raw, 1)]


def _list_place(item: object, kind: str, n: int, *, file: str) -> Place:
    id = item.get("id") if isinstance(item, dict) else None
    return Place(file, f"[[{kind}]] {quoted(id)}" if isinstance(id, str) else f"[[{kind}]] number {n}")


def _read_single(raw: object, kind: str, file: str) -> Entry:
    return _table_or_fault(raw, SINGLE[kind], Place(file, f"[{kind}]"))


def _raw_ids(raw: object) -> frozenset[str]:
    items = raw if isinstance(raw, list) else [raw]
    found = [item.get("id") for item in items if isinstance(item, dict)]
    return frozenset(id for id in found if isinstance(id, str))


def _point_ids(raw: object, *, before: str = "") -> frozenset[str]:
    """The ids of all points, also of those whose dots lack their quotes, so that these make one sentence only."""
    tables = {key: value for key, value in raw.items() if isinstance(value, dict)} if isinstance(raw, dict) else {}
    found = {f"{before}{key}" for key in tables}
    for key, value in tables.items():
        found |= _point_ids(value, before=f"{before}{key}.")
    return frozenset(found)


def _in_file_order(faults: Sequence[Fault], tables: Mapping[str, Any]) -> Sequence[Fault]:
    """The faults of one table together, tables in the order of the file."""
    kinds = list(tables)

    def rank(fault: Fault) -> int:
        found = re.match(r"\[+(\w+)", fault.table)
        return kinds.index(found[1]) if found and found[1] in kinds else -1

    tables_seen = list(dict.fromkeys(fault.table for fault in faults))
    return sorted(faults, key=lambda fault: (rank(fault), tables_seen.index(fault.table)))


def _build(site: Entry, draft: Draft) -> Site:
    head = dict(site.values)
    parts = {kind: {e.values["id"]: maker(kind)(e.values) for e in found} for kind, found in draft.lists.items()}
    single = {kind: entry.values for kind, entry in draft.single.items()}
    return Site(
        latitude_deg=head.pop("latitude"),
        longitude_deg=head.pop("longitude"),
        **head,
        points={id: make_point(id, entry.values) for id, entry in draft.points.items()},
        fluids=parts["fluid"],
        tanks=parts["tank"],
        loops=parts["loop"],
        heat_pumps=parts["heat_pump"],
        collectors=parts["collector"],
        heaters=parts["heater"],
        stages=parts["stage"],
        hot_water=make_hot_water(single["hot_water"]) if "hot_water" in single else None,
        prices=make_prices(single.get("prices", {})),
        baseline=make_baseline(single.get("baseline", {})),
    )
