"""
Rows of a file of readings, judged one by one: the good readings of a row, and what of it goes to quarantine and why.

Pure. The import hands over the rows that its quick path cannot take; a replay out of quarantine hands over all.
"""

import csv
import difflib
import math
import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

__all__ = [
    "FileRefusedError",
    "Form",
    "Judge",
    "Judged",
    "Refused",
    "cells_of",
    "form_of",
    "own_point",
    "time_ms_of",
    "to_quarantine",
]

_CHARS_AT_ONCE = 500_000
_SHOWN_CHARS = 40
_COMMA_NUMBER = re.compile(r"\s*[-+]?\d+,\d+\s*")
_NUMBER = re.compile(r"\s*[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?\s*", re.ASCII)
_ROW_NUMBERS = frozenset(("index", "level_0", "Unnamed: 0"))  # as tables name their row numbers once they are a column
_NOT_FINITE = frozenset(("nan", "inf", "infinity"))


class FileRefusedError(Exception):
    """A file that is not a file of readings; says what was found and what would be right."""


@dataclass(frozen=True, slots=True)
class Form:
    """How a file lays readings out: `long` is time, point, value; wide is time and then a column for each point."""

    columns: tuple[str, ...]

    @property
    def is_long(self) -> bool:
        return self.columns == ("time", "point", "value")

    @property
    def points(self) -> tuple[str, ...]:
        """The points that have a column (wide form)."""
        return self.columns[1:]


def own_point(name: str, site: str) -> str:
    """The point that a name means in a file of this site: `{point}`, or `{site}/{point}` as in SenML."""
    return name.removeprefix(f"{site}/") if site else name


def form_of(columns: Sequence[str], *, file: str, site: str = "") -> Form:
    """
    The form that a header announces.

    Args:
        site: Whose points the columns may name as `{site}/{point}`; "" leaves the names as they are.
    Raises:
        FileRefusedError: If it is not a header of readings.
    """
    names = tuple(own_point(name.strip(), site) for name in columns)
    if names[:2] == ("", "time"):
        raise FileRefusedError(f"{file} has a column without a name before 'time'; leave the numbers of its rows out")
    if names[0] != "time":
        raise FileRefusedError(_not_time(names[0], file))
    if len(names) < 2:
        raise FileRefusedError(f"{file} has only the column 'time'; after it comes a column for each point")
    twice = [name for name in dict.fromkeys(names) if names.count(name) > 1]
    if twice:
        raise FileRefusedError(f"{file} has the column {twice[0]!r} twice; each point has one column")
    if "" in names:
        raise FileRefusedError(f"{file} has no name for column {names.index('') + 1}; name the point it holds")
    return Form(names)


def _not_time(first: str, file: str) -> str:
    for separator, word in ((";", "semicolons"), ("\t", "tabs"), ("|", "bars")):
        if first.split(separator)[0].strip().strip('"') == "time" and separator in first:
            return f"{file} separates its columns by {word}; write commas between columns and a point in numbers"
    if time_ms_of(first) is not None:
        return f"{file} begins with readings; its first row must name the columns: 'time', then the points"
    return f"{file} has {_shown(first)} as its first column; it must be 'time', and a column for each point after it"


@dataclass(frozen=True, slots=True)
class Refused:
    """One reading, or one whole row, that cannot be used. Those of one `kind` are told together."""

    kind: tuple[str, str]
    reason: str
    row: int
    cells: tuple[str, ...]
    n_readings: int = 1


@dataclass(frozen=True, slots=True)
class Judged:
    """Good readings as (row, point, time_ms, value), and those that are refused."""

    good: list[tuple[int, str, int, float]] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Judge:
    """
    Judges rows of one file.

    Args:
        file: Its name, for the sentences.
        form: Its columns.
        known: The points of the site; None takes any name (a replay asks the directory later).
        site: The site's id, "" where it is not known.
        limits_ms: Earliest and latest time that are taken, the latest being 15 minutes ahead; None takes any time.
    """

    file: str
    form: Form
    known: Collection[str] | None = None
    site: str = ""
    limits_ms: tuple[int, int] | None = None

    def judge(self, row: int, cells: Sequence[str], into: Judged) -> None:
        """Put the readings of one row into `into`. Rows count from 1, which is the header."""
        texts = [cell.strip() for cell in cells[1:]]
        if len(cells) != len(self.form.columns):
            n_readings = 1 if self.form.is_long else max(1, sum(map(bool, texts)))
            reason = f"{self.file}, row {row}: {len(cells)} cells, where the header has {len(self.form.columns)}"
            into.refused.append(Refused(("row", ""), reason, row, tuple(cells), n_readings))
            return
        pairs = [(texts[0], texts[1])] if self.form.is_long else list(zip(self.form.points, texts, strict=True))
        time_ms = time_ms_of(cells[0])
        time_fault = self._time_fault(cells[0], time_ms)
        for name, text in pairs:
            if not text:
                continue
            point = own_point(name, self.site)
            fault = time_fault or self._reading_fault(point, text)
            if fault is None:
                into.good.append((row, point, time_ms or 0, float(text)))
                continue
            kind, reason = fault
            column = "" if kind == "time" or self.form.is_long else f", column {_shown(name)}"
            reason = f"{self.file}, row {row}{column}: {reason}"
            together = (kind, "" if kind == "time" else point)
            into.refused.append(Refused(together, reason, row, (cells[0], name, text)))

    def _time_fault(self, text: str, time_ms: int | None) -> tuple[str, str] | None:
        if time_ms is None:
            return "time", f"the time {_shown(text)} is not ISO 8601, such as 2026-01-05T14:30:00Z"
        if self.limits_ms is None or self.limits_ms[0] <= time_ms <= self.limits_ms[1]:
            return None
        if time_ms < self.limits_ms[0]:
            return "time", f"the time {_shown(text)} is before 2000-01-01; the clock was not set"
        latest = datetime.fromtimestamp(self.limits_ms[1] // 1000, UTC).isoformat().replace("+00:00", "Z")
        return "time", f"the time {_shown(text)} is after {latest}, 15 minutes ahead of now"

    def _reading_fault(self, point: str, text: str) -> tuple[str, str] | None:
        if self.known is not None and point not in self.known:
            near = difflib.get_close_matches(point, self.known, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            hint = "; if it numbers the rows, leave it out of the file" if point in _ROW_NUMBERS else hint
            return "point", f"site {self.site!r} has no point {_shown(point)}{hint}"
        if _NUMBER.fullmatch(text) and math.isfinite(float(text)):
            return None
        if _COMMA_NUMBER.fullmatch(text):
            return "number", f"{_shown(text)} is not a number; write {text.replace(',', '.')}"
        if _NUMBER.fullmatch(text) or text.lower().lstrip("+-") in _NOT_FINITE:
            return "number", f"{_shown(text)} is not a finite number; leave the cell empty where there is no reading"
        return "number", f"{_shown(text)} is not a number"


def time_ms_of(text: str) -> int | None:
    """Milliseconds since 1970 of an ISO 8601 time, UTC where it has no offset; None where it is not one."""
    try:
        moment = datetime.fromisoformat(text.strip())
        moment = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    except (ValueError, OverflowError):
        return None
    since = moment - datetime(1970, 1, 1, tzinfo=UTC)
    return ((since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds + 500) // 1000


def cells_of(line: str) -> list[str]:
    """The cells of one line of CSV; an empty list for an empty line."""
    try:
        return next(csv.reader([line.rstrip("\r\n")]), [])
    except csv.Error:
        return [line.rstrip("\r\n")]  # a cell of more than 128 kB: some stray quote


def to_quarantine(refused: Sequence[Refused], form: Form) -> Iterator[tuple[str, bytes, int]]:
    """
    What is refused, as (reason, payload, readings): those of one kind and point together, with the first one's reason.

    The payload is a small CSV file with what the cells said, so that it can be read and replayed.
    """
    kinds: dict[tuple[str, str], list[Refused]] = {}
    for one in refused:
        kinds.setdefault(one.kind, []).append(one)
    for (kind, _), members in kinds.items():
        columns = form.columns if kind == "row" else ("time", "point", "value")
        for part in _parts(members):
            n_readings = sum(one.n_readings for one in part)
            more = f" (and {n_readings - part[0].n_readings} more up to row {part[-1].row})" if len(part) > 1 else ""
            yield part[0].reason + more, _csv((columns, *(one.cells for one in part))), n_readings


def _parts(refused: Sequence[Refused]) -> Iterator[Sequence[Refused]]:
    """Cut into pieces of some 500 kB, well below the 1 MiB that a replay takes."""
    start = n_chars = 0
    for end, one in enumerate(refused):
        n_chars += sum(len(cell) + 3 for cell in one.cells)
        if n_chars > _CHARS_AT_ONCE and end > start:
            yield refused[start:end]
            start, n_chars = end, 0
    yield refused[start:]


def _csv(rows: Sequence[Sequence[str]]) -> bytes:
    lines = (",".join(_quoted(cell) for cell in row) for row in rows)
    return ("\n".join(lines) + "\n").encode(errors="surrogateescape")


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if any(mark in cell for mark in ',"\r\n') else cell


def _shown(text: str) -> str:
    text = text.encode(errors="replace").decode()
    return repr(text if len(text) <= _SHOWN_CHARS else text[: _SHOWN_CHARS - 3] + "...")
