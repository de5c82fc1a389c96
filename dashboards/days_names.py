"""What a stretch of days is called: a month, a season or a year by its name, any other by its first and last day."""

from datetime import date, timedelta

from dashboards.numbers import Display, show_day, show_month

__all__ = ["days_between", "days_name"]


def days_name(first: date, last: date, display: Display) -> str:
    """Whole months, years and weeks by their names: "January 2026", "December 2025 to February 2026", "2026"."""
    if first.day == 1 and (last + timedelta(days=1)).day == 1:
        if (first.year, first.month, last.month) == (last.year, 1, 12):
            return str(first.year)
        if (first.year, first.month) == (last.year, last.month):
            return show_month(first)
        return f"{show_month(first) if first.year != last.year else f'{first:%B}'} to {show_month(last)}"
    if first.weekday() == 0 and (last - first).days == 6:
        year, week, _ = first.isocalendar()
        return f"Week {week} of {year}"
    return days_between(first, last, display)


def days_between(first: date, last: date, display: Display) -> str:
    """ "5 January to 31 January 2026"; a single day by itself."""
    if first == last:
        return show_day(first, display, year=True)
    return f"{show_day(first, display, year=first.year != last.year)} to {show_day(last, display, year=True)}"
