"""Milliseconds of the records as instants."""

from datetime import UTC, datetime

__all__ = ["instant"]


def instant(time_ms: int) -> datetime:
    return datetime.fromtimestamp(time_ms / 1000, UTC)
