"""Days as a person names them: a day, a week, a month or a year."""

from datetime import date, timedelta

from analytics.period import Span, spans

__all__ = ["span_of"]


def span_of(text: str) -> Span:
    """
    The days that a text names: 2026-01-05, 2026-W03, 2026-01 or 2026.

    Raises:
        ValueError: If it names none.
    """
    try:
        if len(text) == len("2026") and text.isdigit():
            return spans("year", date(int(text), 1, 1), date(int(text), 12, 31))[0]
        if "W" in text and text.count("-") == 1:
            monday = date.fromisoformat(f"{text}-1")
            return spans("week", monday, monday + timedelta(days=6))[0]
        if text.count("-") == 1:
            first = date.fromisoformat(f"{text}-01")
            return spans("month", first, (first + timedelta(days=31)).replace(day=1) - timedelta(days=1))[0]
        day = date.fromisoformat(text)
    except ValueError:
        raise ValueError(
            f"{text!r} is no day, week, month or year; write it as 2026-01-05, 2026-W03, 2026-01 or 2026"
        ) from None
    return Span(day, day, day.isoformat())
