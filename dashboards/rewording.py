"""Sentences of the analytics, which speak SI and name no year, in the reader's units, clock and calendar."""

import calendar
import re
from datetime import date

from dashboards.numbers import MINUS, Display, show_number, to_display, unit_name, us_clock

__all__ = ["in_readers_units", "with_years"]

_NUMBER = r"[-−]?\d+(?:\.\d+)?"
_MEASURE = re.compile(rf"({_NUMBER})(?:( to | and )({_NUMBER}))? (degC|K|l/min|l)(?![\w/])")


_PERCENT = re.compile(r"(?<=\d)%")
_DAY = re.compile(rf"(?<![\w.])(\d{{1,2}}) ({'|'.join(calendar.month_name[1:])})\b")
_US_YEAR = re.compile(rf"\b({'|'.join(calendar.month_name[1:])}) (\d{{1,2}}) (\d{{4}})\b")
_INSTANT = re.compile(r"(?<![\w:])([01]\d|2[0-3]):([0-5]\d)(?![\d:])(?: on (\d{1,2}) ([A-Z][a-z]+))?")


def in_readers_units(sentence: str, display: Display) -> str:
    """A sentence of the analytics, which speak SI, with its measures and times as the reader knows them."""

    def written(match: re.Match[str]) -> str:
        first, joint, last, unit = match.groups()
        texts = [_rewritten(number, unit, display) for number in (first, last) if number]
        return f"{(joint or '').join(texts)} {unit_name(unit, display)}"

    sentence = _MEASURE.sub(written, _PERCENT.sub(" %", sentence))
    if display.units == "si":
        return sentence
    return _US_YEAR.sub(r"\1 \2, \3", _DAY.sub(r"\2 \1", _INSTANT.sub(_us_instant, sentence)))


def with_years(sentence: str, first: date, today: date) -> str:
    """A sentence of what began on `first`, its days with their year where that is not this year."""

    def dated(match: re.Match[str]) -> str:
        month_day = (list(calendar.month_name).index(match[2]), int(match[1]))
        year = first.year + (month_day < (first.month, first.day))
        return match[0] if year >= today.year else f"{match[0]} {year}"

    return _DAY.sub(dated, sentence)


def _us_instant(match: re.Match[str]) -> str:
    """ "15:42 on 5 January" as "3:42 pm on January 5"."""
    hour, minute, day, month = match.groups()
    return us_clock(int(hour), minute) + (f" on {month} {day}" if day else "")


def _rewritten(number: str, unit: str, display: Display) -> str:
    """The same number in the display unit, with the decimals that it came with."""
    places = len(number.partition(".")[2])
    return show_number(to_display(float(number.replace(MINUS, "-")), unit, display), places, units=display.units)
