"""Days as a person names them: a day, a week, a month, a year, or from one day to another."""

from datetime import date, timedelta

from analytics.period import Span, spans

__all__ = ["FIRST_DAY", "LAST_DAY", "day_of", "days_of", "month_of", "span_of"]

FIRST_DAY, LAST_DAY = date(2000, 1, 1), date(2999, 12, 31)
"""What a person may ask for: no reading is older, and a calendar ends somewhere."""


def day_of(text: str) -> date:
    """
    A day as it is typed: 2026-01-31.

    Raises:
        ValueError: If it is none; the message says how one is written.
    """
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a day; write it as YYYY-MM-DD, such as 2026-01-31") from None
    return _within(day)


def month_of(text: str) -> date:
    """
    The first day of a month as it is typed: 2026-01.

    Raises:
        ValueError: If it is none; the message says how one is written.
    """
    try:
        first = date.fromisoformat(f"{text}-01")
    except ValueError:
        raise ValueError(f"{text!r} is not a month; write it as YYYY-MM, such as 2026-01") from None
    return _within(first)


def span_of(text: str) -> Span:
    """
    The days that a text names: 2026-01-05, 2026-W03, 2026-01, 2026 or 2026-01-05..2026-01-31.

    Raises:
        ValueError: If it names none, or ends before it begins.
    """
    first, dots, last = text.partition("..")
    if dots:
        return _between(day_of(first), day_of(last or first))
    try:
        if len(text) == len("2026") and text.isdigit():
            return spans("year", _within(date(int(text), 1, 1)), date(int(text), 12, 31))[0]
        if "W" in text and text.count("-") == 1:
            monday = _within(date.fromisoformat(f"{text}-1"))
            return spans("week", monday, monday + timedelta(days=6))[0]
        if text.count("-") == 1:
            month = month_of(text)
            return spans("month", month, (month + timedelta(days=31)).replace(day=1) - timedelta(days=1))[0]
        return _between(day := day_of(text), day)
    except ValueError:
        raise ValueError(
            f"{text!r} is no day, week, month or year; write it as 2026-01-05, 2026-W03, 2026-01 or 2026"
        ) from None


def _between(first: date, last: date) -> Span:
    if first > last:
        raise ValueError(f"{first}..{last} ends before it begins; write the first day first")
    return Span(first, last, f"{first}" if first == last else f"{first}..{last}")


def days_of(text: str) -> tuple[date, date]:
    """
    The first and last day of what a text names as for `span_of`.

    Raises:
        ValueError: If it names none, or ends before it begins.
    """
    named = span_of(text)
    return named.first, named.last


def _within(day: date) -> date:
    if not FIRST_DAY <= day <= LAST_DAY:
        raise ValueError(f"{day} is not between {FIRST_DAY} and {LAST_DAY}, where readings can be")
    return day
