"""
One field of a site file: what it may hold, and the sentence for what it may not.

A check takes what TOML gave and returns the value the site model wants, or raises `WrongValueError`. `read_table`
gathers the faults of a whole table, so that a person sees all of them in one run.
"""

import difflib
import json
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from functools import lru_cache
from typing import Any, Protocol
from zoneinfo import available_timezones

__all__ = [
    "DAYS",
    "MONTHS",
    "Entry",
    "Fault",
    "Field",
    "Place",
    "WrongValueError",
    "choice",
    "day_number",
    "false_or_true",
    "identifier",
    "iso_date",
    "list_of",
    "minute_of_day",
    "month_number",
    "nearest",
    "number",
    "number_or_text",
    "quoted",
    "read_table",
    "text",
    "timezone_name",
]


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in a site file: where, what, and what would be right."""

    file: str
    table: str
    field: str
    wrong: str
    right: str

    def __str__(self) -> str:
        where = f"{self.table}, {self.field}" if self.field else self.table
        stop = "" if self.right.endswith("?") else "."
        return f"{self.file}: {where}: {self.wrong}; {self.right}{stop}"


@dataclass(frozen=True, slots=True)
class Place:
    """A table of a site file, as a person would look for it: `[[loop]] "ground"`."""

    file: str
    table: str

    def fault(self, field_name: str, wrong: str, right: str) -> Fault:
        return Fault(self.file, self.table, field_name, wrong, right)


class WrongValueError(ValueError):
    """A value that a field may not hold; `right` is the remedy where the check knows better than the field's hint."""

    def __init__(self, wrong: str, right: str = "") -> None:
        super().__init__(wrong)
        self.wrong = wrong
        self.right = right


class Check(Protocol):
    def __call__(self, raw: object, /) -> Any: ...


@dataclass(frozen=True, slots=True)
class Field:
    """
    What one key of a table may hold.

    Args:
        check: Converts, or raises `WrongValueError`.
        hint: What would be right, as an order: "give the tank's volume in litres".
        needed: Whether the table is incomplete without it.
        refers: The kind of table that a text in it must be the id of.
        quantities: For points, what the point must measure.
        rows: For a list of tables, the fields of each.
    """

    name: str
    check: Check
    hint: str
    needed: bool = False
    refers: str = ""
    quantities: Sequence[str] = ()
    rows: Sequence["Field"] = ()


@dataclass(frozen=True, slots=True)
class Entry:
    """A table as read: its values as far as they are right, its faults, and the fields that these are about."""

    place: Place
    values: Mapping[str, Any]
    faults: Sequence[Fault] = field(default=())
    faulty: frozenset[str] = frozenset()


def quoted(raw: object) -> str:
    """A value as it would stand in the file, on one line and not endless."""
    match raw:
        case bool():
            return "true" if raw else "false"
        case str():
            written = json.dumps(raw if len(raw) <= 60 else raw[:57] + "...", ensure_ascii=False)
            # Also what JSON leaves alone but a screen would break the line at.
            return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in written)
        case dict():
            return "a table"
        case list():
            return "a list"
        case date() | time():
            return raw.isoformat()
        case int() if abs(raw) >= 10**30:
            return "a number of more than thirty digits"
    return str(raw)


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that was probably meant, if one is close enough."""
    by_case: dict[str, str] = {}
    for name in sorted(known):
        by_case.setdefault(name.casefold(), name)
    found = difflib.get_close_matches(word.casefold(), by_case, n=1, cutoff=0.6)
    return by_case[found[0]] if found else None


def read_table(raw: Mapping[str, object], fields: Sequence[Field], place: Place, *, row: str = "") -> Entry:
    """A table by its fields: every value that is right, and a fault for everything that is not."""
    names = [one.name for one in fields]
    absent = [name for name in names if name not in raw]
    unknown = {key: nearest(key, absent) or nearest(key, names) for key in raw if key not in names}
    faults = [_unknown_key(key, close, names, place=place, row=row) for key, close in unknown.items()]
    faulty = {close for close in unknown.values() if close in absent}
    values: dict[str, Any] = {}
    for one in fields:
        found = _read_field(raw, one, place, label=f"{row}{one.name}", is_misspelt=one.name in faulty)
        values |= found.values
        faults += found.faults
        faulty |= {one.name} if found.faults else set()
    return Entry(place, values, faults, frozenset(faulty))


def _read_field(raw: Mapping[str, object], one: Field, place: Place, *, label: str, is_misspelt: bool) -> Entry:
    if one.name not in raw:
        is_fault = one.needed and not is_misspelt
        return Entry(place, {}, [place.fault(label, "is missing", one.hint)] if is_fault else [])
    value = raw[one.name]
    if one.rows and isinstance(value, list):
        rows = [_read_row(item, one, place, label=f"{label} {n}") for n, item in enumerate(value, 1)]
        return Entry(place, {one.name: [row.values for row in rows]}, [fault for row in rows for fault in row.faults])
    try:
        return Entry(place, {one.name: one.check(value)})
    except WrongValueError as error:
        return Entry(place, {}, [place.fault(label, error.wrong, error.right or one.hint)])


def _read_row(item: object, parent: Field, place: Place, *, label: str) -> Entry:
    if not isinstance(item, dict):
        return Entry(place, {}, [place.fault(label, f"{quoted(item)} is not a table", parent.hint)])
    return read_table(item, parent.rows, place, row=f"{label}, ")


def _unknown_key(key: str, close: str | None, names: Sequence[str], *, place: Place, row: str) -> Fault:
    right = f"did you mean {close}?" if close else f"the fields here are {', '.join(names)}"
    return place.fault(row + (key if re.fullmatch(r"[\w-]+", key) else quoted(key)), "is not a known field", right)


def text(raw: object) -> str:
    """A text with something in it."""
    if not isinstance(raw, str):
        raise WrongValueError(f"{quoted(raw)} is not a text")
    if not raw.strip():
        raise WrongValueError("is empty")
    return raw


def false_or_true(raw: object) -> bool:
    if not isinstance(raw, bool):
        raise WrongValueError(f"{quoted(raw)} is neither true nor false")
    return raw


def number(
    *, low: float = -math.inf, high: float = math.inf, above: float = -math.inf, nonzero: bool = False
) -> Callable[[object], float]:
    """A check for a finite number from `low` to `high`, greater than `above`."""

    def check(raw: object) -> float:
        value = _finite(raw)
        if value <= above:
            raise WrongValueError(f"{quoted(raw)} is not above {above:g}")
        if not low <= value <= high:
            both = math.isfinite(low) and math.isfinite(high)
            one = f"below {low:g}" if value < low else f"above {high:g}"
            raise WrongValueError(f"{quoted(raw)} is {f'outside {low:g} to {high:g}' if both else one}")
        if nonzero and value == 0:
            raise WrongValueError("must not be 0")
        return value

    return check


def _finite(raw: object) -> float:
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        bare = raw.strip() if isinstance(raw, str) else ""
        quotes = re.fullmatch(r"[-+]?\d+(\.\d+)?", bare)
        raise WrongValueError(f"{quoted(raw)} is not a number", f"write {bare} without quotes" if quotes else "")
    try:
        value = float(raw)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise WrongValueError(f"{quoted(raw)} is not a finite number")
    return value


def number_or_text(limits: Callable[[object], float]) -> Callable[[object], float | str]:
    """A check for a number within limits, or a text (an id)."""
    return lambda raw: text(raw) if isinstance(raw, str) else limits(raw)


def choice(*options: str) -> Callable[[object], str]:
    """A check for one of a few words."""

    def check(raw: object) -> str:
        if raw in options:
            return str(raw)
        close = nearest(raw, options) if isinstance(raw, str) else None
        raise WrongValueError(f"{quoted(raw)} is not one of its values", f"did you mean {quoted(close)}?" * bool(close))

    return check


def identifier(*, dots: bool = False) -> Callable[[object], str]:
    """A check for an id: lower-case letters, digits, "-" and "_"; a point's may hold dots between them."""
    pattern = re.compile(r"[a-z0-9_-]+(\.[a-z0-9_-]+)*" if dots else r"[a-z0-9_-]+")

    def check(raw: object) -> str:
        if not isinstance(raw, str) or not pattern.fullmatch(raw):
            raise WrongValueError(f"{quoted(raw)} is not an id")
        if len(raw) > 64:
            raise WrongValueError(f"an id of {len(raw)} characters is too long", "use at most 64")
        return raw

    return check


def list_of(check: Callable[[object], Any], *, empty: bool = True) -> Callable[[object], tuple[Any, ...]]:
    """A check for a list of which every item passes `check`."""

    def check_all(raw: object) -> tuple[Any, ...]:
        if not isinstance(raw, list):
            raise WrongValueError(f"{quoted(raw)} is not a list")
        if not raw and not empty:
            raise WrongValueError("is an empty list")
        return tuple(check(item) for item in raw)

    return check_all


def iso_date(raw: object) -> date:
    """A TOML date, or the same in quotes."""
    if isinstance(raw, date) and not isinstance(raw, datetime):
        return raw
    if isinstance(raw, str) and re.fullmatch(r"\d{4}-\d{2}-\d{2}", raw):
        try:
            return date.fromisoformat(raw)
        except ValueError as error:
            raise WrongValueError(f"{quoted(raw)} is not a day of the calendar") from error
    raise WrongValueError(f"{quoted(raw)} is not a date")


def minute_of_day(raw: object) -> int:
    """Minutes since midnight of "HH:MM" or a TOML time; "24:00" is 1440."""
    if isinstance(raw, time) and raw.second == 0 and raw.microsecond == 0:
        return raw.hour * 60 + raw.minute
    if isinstance(raw, str) and (found := re.fullmatch(r"([01]\d|2[0-3]):([0-5]\d)|24:00", raw)):
        return 1440 if found[1] is None else int(found[1]) * 60 + int(found[2])
    raise WrongValueError(f"{quoted(raw)} is not a time of day")


MONTHS: Sequence[str] = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)
DAYS: Sequence[str] = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def _numbered(raw: object, names: Sequence[str], noun: str) -> int:
    if isinstance(raw, int) and not isinstance(raw, bool) and 1 <= raw <= len(names):
        return raw
    if isinstance(raw, str):
        for position, name in enumerate(names, 1):
            if raw.lower() in (name.lower(), name[:3].lower()):
                return position
    raise WrongValueError(f"{quoted(raw)} is not a {noun}")


def month_number(raw: object) -> int:
    """1 to 12, from a number or an English name ("Jan", "January")."""
    return _numbered(raw, MONTHS, "month")


def day_number(raw: object) -> int:
    """Monday = 0, from 1 (Monday) to 7 (Sunday) or an English name ("Mon", "Monday")."""
    return _numbered(raw, DAYS, "day of the week") - 1


@lru_cache(maxsize=1)
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())


def timezone_name(raw: object) -> str:
    """A name of the IANA time zone database."""
    name = text(raw)
    if name not in _zones():
        city = name.rsplit("/", 1)[-1].replace(" ", "_")
        close = nearest(name, _zones()) or next((zone for zone in sorted(_zones()) if zone.endswith(f"/{city}")), None)
        raise WrongValueError(f"{quoted(name)} is not a time zone", f"did you mean {quoted(close)}?" * bool(close))
    return name
