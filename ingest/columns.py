"""What decoding gives: readings as columns, and the faults of what could not be read."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import msgspec

__all__ = ["SWITCH", "Columns", "Fault", "short", "whole_fault"]

SWITCH = "(switch)"
"""Stands in the place of a unit where the value is true or false, which only a status point takes."""

_SHORT_CHARS = 60


@dataclass(frozen=True, slots=True)
class Fault:
    """Why a record cannot be used; `record` counts from 0, and is None where the whole payload cannot be used."""

    record: int | None
    reason: str
    n_readings: int = 1


class Columns(msgspec.Struct, frozen=True, gc=False):
    """
    Readings of one payload. Sequences of one length: `name` and `unit` (None: not given) as sent, `time_s` in seconds
    since 1970 UTC, `value`, and `record`, the place in the payload counted from 0.
    """

    name: Sequence[str] = ()
    unit: Sequence[str | None] = ()
    time_s: Sequence[float] = ()
    value: Sequence[float] = ()
    record: Sequence[int] = ()
    faults: Sequence[Fault] = ()

    @property
    def n_received(self) -> int:
        """How many readings the payload held, readable or not."""
        return len(self.value) + sum(fault.n_readings for fault in self.faults)


def whole_fault(reason: str, n_readings: int = 1) -> Columns:
    """A payload that cannot be used at all."""
    return Columns(faults=[Fault(None, reason, n_readings)])


def short(value: Any) -> str:
    """A value as a message shows it: quoted, and cut where it is long."""
    text = repr(value) if not isinstance(value, bool) else str(value).lower()
    return text if len(text) <= _SHORT_CHARS else f"{text[: _SHORT_CHARS - 3]}..."
