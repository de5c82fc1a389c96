"""
Admission: which readings are good, in the units of their points, and why the others are not.

Pure: messages, a directory and the time now go in; a batch for the store and rejections come out. Nothing is lost in
between: `n_received` is always the readings of the batch and those of the rejections together.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from analytics.units import convert
from ingest.columns import Columns, Fault, short
from ingest.decode import Message, decode, parse_topic
from ingest.directory import Conversion, Directory, Lookup, Shape
from ingest.store import Batch

__all__ = ["EARLIEST_MS", "MAX_AHEAD_MS", "Admitted", "PresenceNews", "Rejection", "admit"]

EARLIEST_MS = 946_684_800_000
"""2000-01-01 UTC: a clock that says less was never set."""

MAX_AHEAD_MS = 15 * 60 * 1000
"""A clock that is further ahead is wrong, and its readings would stand in the way of the true ones."""

_PRESENCE = {b"online": True, b"offline": False}
_MAX_REASONS = 10


@dataclass(frozen=True, slots=True)
class Rejection:
    """
    What of a message cannot be used.

    Args:
        message: As it came.
        reason: A sentence for each cause, a line each.
        records: Places of the bad records in the payload; None where all of it cannot be used.
        n_readings: How many readings that is.
    """

    message: Message
    reason: str
    records: tuple[int, ...] | None
    n_readings: int


@dataclass(frozen=True, slots=True)
class PresenceNews:
    """A gateway said that its site is online, or its Last Will said that it is not."""

    site: str
    online: bool
    at_ms: int


@dataclass(frozen=True, slots=True)
class Admitted:
    """A batch for the store, what cannot be used, who said hello, and how many readings came in all."""

    batch: Batch
    rejections: Sequence[Rejection]
    presence: Sequence[PresenceNews]
    n_received: int


@dataclass(frozen=True, slots=True)
class _Rows:
    """Readings of all messages together; row i belongs to the message whose first row is the last not above i.

    `shapes` are of the messages that have rows, `records` and `first_row` of all.
    """

    shapes: list[Shape] = field(default_factory=list)
    time_s: list[float] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    records: list[Sequence[int]] = field(default_factory=list)
    first_row: list[int] = field(default_factory=list)


def admit(messages: Sequence[Message], directory: Directory, *, now_ms: int) -> Admitted:
    """Decode and judge messages. `now_ms` is the latest that a reading's time may be, but for 15 minutes."""
    rows = _Rows()
    faults: list[list[Fault]] = []
    presence: list[PresenceNews] = []
    for message in messages:
        rows.first_row.append(len(rows.value))
        rows.records.append(())
        news = _presence(message, directory)
        if isinstance(news, PresenceNews):
            presence.append(news)
            faults.append([])
            continue
        faults.append([news] if news is not None else _take_rows(message, directory, rows))
    series, time_ms, value = _as_arrays(rows, directory)
    bad = _bad_rows(time_ms, value, now_ms=now_ms)
    for row in np.flatnonzero(bad).tolist():
        place = bisect_right(rows.first_row, row) - 1
        record = rows.records[place][row - rows.first_row[place]]
        reason = _why_bad(directory.points[series[row]].id, time_ms[row], value[row], now_ms=now_ms)
        faults[place].append(Fault(record, reason))
    good = ~bad
    rejections = [_rejection(message, found) for message, found in zip(messages, faults, strict=True) if found]
    batch = _batch(directory, series[good], time_ms[good].astype(np.int64), value[good])
    return Admitted(batch, rejections, presence, len(batch) + sum(each.n_readings for each in rejections))


def _presence(message: Message, directory: Directory) -> PresenceNews | Fault | None:
    if not message.topic.endswith("/presence") or message.topic in directory.channels:
        return None
    try:
        topic = parse_topic(message.topic, directory)
    except LookupError as error:
        return Fault(None, str(error.args[0]))
    if topic.site not in directory.sites:
        return Fault(None, f"site {short(topic.site)} is not known{directory.nearest_site(topic.site)}")
    online = _PRESENCE.get(message.payload)
    if online is None:
        return Fault(None, f"the presence {short(message.payload.decode(errors='replace'))} is not online or offline")
    return PresenceNews(topic.site, online, message.received_ms)


def _take_rows(message: Message, directory: Directory, rows: _Rows) -> list[Fault]:
    """Put a message's readings under the rows so far; what is refused comes back."""
    columns, lookup = decode(message, directory)
    faults = list(columns.faults)
    if message.only is not None:
        columns, faults = _only(columns, message.only)
    if not columns.value:
        return faults
    names, units = tuple(columns.name), tuple(columns.unit)
    shape = lookup.shapes.get((names, units))
    if shape is None:
        shape, kept, refused = _shape(columns, directory=directory, lookup=lookup)
        if refused:
            columns, faults = _rows_of(columns, kept), [*faults, *refused]
        else:
            directory.remember(lookup, names, units, shape)
    rows.shapes.append(shape)
    rows.time_s.extend(columns.time_s)
    rows.value.extend(columns.value)
    rows.records[-1] = columns.record
    return faults


def _only(columns: Columns, wanted: frozenset[int]) -> tuple[Columns, list[Fault]]:
    """The records that are asked for; what holds for the whole payload holds for them."""
    faults = [
        Fault(None, fault.reason, len(wanted)) if fault.record is None else fault
        for fault in columns.faults
        if fault.record is None or fault.record in wanted
    ]
    return _rows_of(columns, [i for i, record in enumerate(columns.record) if record in wanted]), faults


def _rows_of(columns: Columns, kept: Sequence[int]) -> Columns:
    name, unit, time_s, value, record = (
        [column[i] for i in kept]
        for column in (columns.name, columns.unit, columns.time_s, columns.value, columns.record)
    )
    return Columns(name, unit, time_s, value, record)


def _shape(columns: Columns, *, directory: Directory, lookup: Lookup) -> tuple[Shape, list[int], list[Fault]]:
    """Ask the directory for each name and unit: where the known ones go, which rows these are, and the faults."""
    kept, found, faults = [], [], []
    for i, (name, unit) in enumerate(zip(columns.name, columns.unit, strict=True)):
        try:
            found.append(directory.find(lookup, name, unit))
        except LookupError as error:
            faults.append(Fault(columns.record[i], str(error.args[0])))
            continue
        kept.append(i)
    series, conversion = np.array(found, np.int32).reshape(-1, 2).T
    return (series, conversion), kept, faults


def _as_arrays(rows: _Rows, directory: Directory) -> tuple[NDArray[np.int32], NDArray[np.float64], NDArray[np.float64]]:
    none = np.empty(0, np.int32)
    series = np.concatenate([none, *(shape[0] for shape in rows.shapes)])
    conversion = np.concatenate([none, *(shape[1] for shape in rows.shapes)])
    value = np.array(rows.value, np.float64)
    for number in np.flatnonzero(np.bincount(conversion, minlength=1)).tolist():
        wanted = directory.conversions[number]
        if wanted is not None:
            where = conversion == number
            value[where] = _converted(value[where], wanted)
    return series, np.rint(np.array(rows.time_s, np.float64) * 1000.0), value


def _converted(value: NDArray[np.float64], conversion: Conversion) -> NDArray[np.float64]:
    if conversion.scale != 1 or conversion.offset != 0:
        value = value * conversion.scale.numerator / conversion.scale.denominator + float(conversion.offset)
    return convert(value, conversion.quantity, from_unit=conversion.from_unit, to_unit=conversion.to_unit)


def _bad_rows(time_ms: NDArray[np.float64], value: NDArray[np.float64], *, now_ms: int) -> NDArray[np.bool_]:
    return ~(np.isfinite(value) & (time_ms >= EARLIEST_MS) & (time_ms <= now_ms + MAX_AHEAD_MS))


def _why_bad(point: str, time_ms: float, value: float, *, now_ms: int) -> str:
    if not np.isfinite(value):
        return f"{short(point)} has the value {value}, which is not a finite number"
    if time_ms > now_ms + MAX_AHEAD_MS:
        return (
            f"{short(point)} has the time {_moment(time_ms)}, more than 15 minutes ahead of {_moment(now_ms)}; "
            "check the gateway's clock and that times are in seconds"
        )
    return f"{short(point)} has the time {_moment(time_ms)}, before 2000-01-01; check the gateway's clock"


def _moment(time_ms: float) -> str:
    try:
        return datetime.fromtimestamp(time_ms / 1000.0, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    except (OverflowError, ValueError, OSError):
        return f"{time_ms / 1000.0:g} s after 1970"


def _batch(
    directory: Directory, series: NDArray[np.int32], time_ms: NDArray[np.int64], value: NDArray[np.float64]
) -> Batch:
    """A batch that names the series it holds, and no others: a store would take them for points with readings."""
    present = np.flatnonzero(np.bincount(series, minlength=1))
    numbers = np.zeros(len(directory.names) + 1, np.int32)
    numbers[present] = np.arange(len(present), dtype=np.int32)
    names = tuple(directory.names[i] for i in present.tolist()) if len(series) else ()
    return Batch(names, numbers[series], time_ms, value)


def _rejection(message: Message, faults: Sequence[Fault]) -> Rejection:
    n_readings = sum(fault.n_readings for fault in faults)
    if any(fault.record is None for fault in faults):
        records = None if message.only is None else tuple(sorted(message.only))
        return Rejection(message, "\n".join(fault.reason for fault in faults), records, n_readings)
    faults = sorted(faults, key=lambda fault: fault.record or 0)
    lines = [f"record {fault.record}: {fault.reason}" for fault in faults[:_MAX_REASONS]]
    if len(faults) > _MAX_REASONS:
        lines.append(f"and {len(faults) - _MAX_REASONS} more records")
    return Rejection(message, "\n".join(lines), tuple(fault.record or 0 for fault in faults), n_readings)
