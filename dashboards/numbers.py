"""
The one module that writes numbers, days and times for people.

A figure is written to the digits that its interval allows and no further; what is not known is a dash. SI or US
customary display follows the site; the time is always the site's local time.
"""

import math
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Literal, TypeVar
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from analytics.figures import Figure
from analytics.site import Site
from analytics.units import shown, shown_unit

__all__ = [
    "MINUS",
    "UNKNOWN",
    "Display",
    "Written",
    "display_of",
    "free_places",
    "interval_places",
    "local_date",
    "plural",
    "share_spread",
    "show_age",
    "show_beside",
    "show_clock",
    "show_count",
    "show_day",
    "show_figure",
    "show_instant",
    "show_money",
    "show_month",
    "show_number",
    "show_percent",
    "show_quantity",
    "show_range",
    "show_span",
    "spoken",
    "to_display",
    "unit_name",
    "us_clock",
    "write_figure",
]

Numbers = TypeVar("Numbers", float, NDArray[np.float64])

UNKNOWN = "—"
MINUS = "−"
_FEW_DIGITS = 3  # significant digits where no interval is known: common practice, as on a data sheet
_SYMBOLS = {"USD": "$", "EUR": "€", "GBP": "£", "CAD": "CA$", "AUD": "A$", "NZD": "NZ$", "JPY": "¥"}


@dataclass(frozen=True, slots=True)
class Display:
    """How one site wants to be shown."""

    units: Literal["si", "us"] = "si"
    timezone: str = "UTC"
    currency: str = "EUR"


def display_of(site: Site) -> Display:
    return Display(site.units, site.timezone, site.prices.currency)


# How a unit's name is printed, where that differs from how it is written in a site file.
_PRINTED = {
    "1": "",
    "degC": "°C",
    "degF": "°F",
    "degF difference": "°F",
    "W/m2": "W/m²",
    "Btu/(h ft2)": "Btu/(h ft²)",
    "degF/kW": "°F/kW",
    "l/(min m2)": "l/(min m²)",
}


@dataclass(frozen=True, slots=True)
class Written:
    """A figure in three parts, so that a page can set them apart. `plus_minus` and `unit` may be ""."""

    value: str
    plus_minus: str
    unit: str

    @property
    def text(self) -> str:
        spread = f" ± {self.plus_minus}" if self.plus_minus else ""
        prefix, unit = (self.unit, "") if self.unit in _PREFIXED else ("", f" {self.unit}" if self.unit else "")
        return _signed(self.value, prefix) + spread + unit


_PREFIXED = frozenset(_SYMBOLS.values())


def _signed(value: str, prefix: str) -> str:
    return MINUS + prefix + value[1:] if value.startswith(MINUS) else prefix + value


def show_number(value: float, places: int = 0, *, units: Literal["si", "us"] = "si") -> str:
    """
    A number to `places` decimals (negative: to tens, hundreds ...), thousands grouped, with a true minus.

    Thousands are parted by a thin space as ISO 80000-1 has it, or by a comma in US display.
    """
    if math.isnan(value):
        return UNKNOWN
    rounded = round(value, places)
    text = f"{abs(rounded):,.{max(places, 0)}f}"
    if units == "si":
        text = text.replace(",", " ") if abs(rounded) >= 10_000 else text.replace(",", "")
    return (MINUS if rounded < 0 else "") + text


def _place_of(number: float, digits: int) -> int:
    """Decimals that leave `digits` significant digits of a positive number."""
    return digits - 1 - math.floor(math.log10(number))


def interval_places(plus_minus: float) -> int:
    """
    Decimals that an interval's half-width allows: one significant digit, two where it opens with 1.

    GUM (JCGM 100:2008) 7.2.6: at most two significant digits; the value is rounded to the same place.
    """
    place = _place_of(plus_minus, 2)
    return place if round(plus_minus * 10.0**place) < 20 else place - 1


def free_places(value: float, digits: int = _FEW_DIGITS) -> int:
    """Decimals for a value whose interval is not known."""
    if value == 0 or math.isnan(value):
        return 0
    return min(_place_of(abs(value), digits), 3)


def _write(value: float, plus_minus: float, unit: str, *, units: Literal["si", "us"]) -> Written:
    if math.isnan(value):
        return Written(UNKNOWN, "", "")
    if math.isnan(plus_minus) or plus_minus <= 0:
        return Written(show_number(value, free_places(value), units=units), "", unit)
    places = min(interval_places(plus_minus), 4)
    spread = plus_minus if plus_minus >= 10.0**-places / 2 else 10.0**-places
    return Written(show_number(value, places, units=units), show_number(spread, places, units=units), unit)


def unit_name(unit: str, display: Display) -> str:
    """How the display unit of `unit` is printed: "°F" for "degC" in US display."""
    name = shown_unit(unit, display.units)
    return _PRINTED.get(name, name)


def to_display(value: Numbers, unit: str, display: Display) -> Numbers:
    """A value, or an array of them, in the display unit (see `unit_name`) as numbers, which charts need."""
    return shown(value, unit, system=display.units)


def write_figure(figure: Figure, display: Display, *, as_percent: bool = False) -> Written:
    """A figure in the site's display units; `as_percent` writes a ratio as percent. Unknown is a dash without unit."""
    if figure.unit == display.currency or figure.unit in _SYMBOLS:
        # A house's past may be in another currency than its site file of now.
        return _write_money(figure.value, figure.plus_minus, replace(display, currency=figure.unit))
    if figure.unit == "" and not as_percent:
        return Written(show_count(figure.value), "", "")
    return _write(*_in_display(figure, display, as_percent=as_percent), units=display.units)


def _in_display(figure: Figure, display: Display, *, as_percent: bool) -> tuple[float, float, str]:
    """Value, half-width of its interval, and the unit's printed name."""
    if as_percent:
        return figure.value * 100, share_spread(figure) * 100, "%"
    value, unit = to_display(figure.value, figure.unit, display), unit_name(figure.unit, display)
    # An interval is a difference: half of what the unit's scale makes of its whole width.
    width = to_display(2 * figure.plus_minus, figure.unit, display) - to_display(0.0, figure.unit, display)
    return value, width / 2, unit


def share_spread(share: Figure) -> float:
    """How far a share may be off: what little is known of its parts, it lies between nothing and all. [-]"""
    if not 0.0 <= share.value <= 1.0:
        return share.plus_minus
    return min(share.plus_minus, max(share.value, 1.0 - share.value))


def show_beside(
    before: Figure, after: Figure, display: Display, *, as_percent: bool = False
) -> tuple[str, str, str] | None:
    """
    Two figures of one unit, and the second less the first, for a reader who adds up.

    All three are written to the finer of the two figures' places, and the change is that of what is written: the
    coarser figure alone would hide it. None where a value is not known.
    """
    one, other = (_in_display(each, display, as_percent=as_percent) for each in (before, after))
    if math.isnan(one[0] - other[0]):
        return None
    is_count = before.unit == "" and not as_percent
    places = 0 if is_count else max(_places(value, plus_minus) for value, plus_minus, _ in (one, other))
    change = round(other[0], places) - round(one[0], places)
    unit = f" {one[2]}" if one[2] else ""
    texts = []
    for value, plus_minus, _ in (one, other):
        has_interval = plus_minus > 0  # not where it is not known
        spread = max(plus_minus, 10.0 ** -_places(value, plus_minus)) if has_interval else 0.0
        shown_spread = f" ± {show_number(spread, _places(value, spread), units=display.units)}" if has_interval else ""
        texts.append(show_number(value, places, units=display.units) + shown_spread + unit)
    sign = MINUS if change < 0 else "+"
    return texts[0], texts[1], f"{sign}{show_number(abs(change), places, units=display.units)}{unit}"


def _places(value: float, plus_minus: float) -> int:
    """Decimals that a value's interval allows; where it has none, three significant digits."""
    return min(interval_places(plus_minus), 4) if plus_minus > 0 else free_places(value)


def _write_money(value: float, plus_minus: float, display: Display) -> Written:
    unit = _SYMBOLS.get(display.currency, display.currency)
    if math.isnan(value):
        return Written(UNKNOWN, "", "")
    if math.isnan(plus_minus) or plus_minus <= 0:
        return Written(show_number(value, 2, units=display.units), "", unit)
    # Money is written in whole units or in hundredths, never in tenths.
    places = 2 if interval_places(plus_minus) >= 1 else min(interval_places(plus_minus), 0)
    spread = max(plus_minus, 10.0**-places)
    return Written(
        show_number(value, places, units=display.units), show_number(spread, places, units=display.units), unit
    )


def show_figure(figure: Figure, display: Display, *, as_percent: bool = False) -> str:
    """A figure as one line of text: "1.2 ± 0.1 kWh"."""
    return write_figure(figure, display, as_percent=as_percent).text


def show_quantity(value: float, unit: str, display: Display, *, places: int | None = None) -> str:
    """
    A plain value, given in degC, K, l, l/min, W, kWh, kg ..., as the site wants it shown.

    Power from 1000 W on is written in kW. `places` overrides three significant digits.
    """
    if math.isnan(value):
        return UNKNOWN
    if unit == "W" and abs(value) >= 999.5:
        value, unit = value / 1000, "kW"
    number = to_display(value, unit, display)
    if places is None:
        places = _usual_places(unit, number)
    return f"{show_number(number, places, units=display.units)} {unit_name(unit, display)}".rstrip()


def _usual_places(unit: str, number: float) -> int:
    # A resistance thermometer on a pipe is good for a tenth of a kelvin at best, a power meter for a watt.
    return {"degC": 1, "K": 1, "W": 0, "W/m2": 0}.get(unit, free_places(number))


def show_range(low: float, high: float, unit: str, *, display: Display) -> str:
    """Two bounds with the unit once: "48.1 to 52.0 °C"; one value where both read the same."""
    first, last = (show_quantity(value, unit, display) for value in (low, high))
    if first == last:
        return first
    number, _, name = first.partition(" ")
    return f"{number} to {last}" if last.endswith(f" {name}") else f"{first} to {last}"


def show_percent(fraction: float) -> str:
    """A fraction in whole percent; below half a percent but not nothing is "under 1 %"."""
    if math.isnan(fraction):
        return UNKNOWN
    if 0 < fraction < 0.005:
        return "under 1 %"
    if 0.995 <= fraction < 1:
        return "over 99 %"
    return f"{show_number(fraction * 100)} %"


def show_money(value: float, display: Display) -> str:
    """An amount to the hundredth, in the site's currency."""
    return _write_money(value, math.nan, display).text


def show_count(value: float) -> str:
    return show_number(value, 0)


def local_date(instant: datetime, display: Display) -> date:
    """The day of an instant in the house's time zone."""
    return _local(instant, display).date()


def _local(instant: datetime, display: Display) -> datetime:
    return instant.astimezone(ZoneInfo(display.timezone))


def us_clock(hour: int, minute: str) -> str:
    """Hours from 0 to 23 as the clock of the United States has them: 3:42 pm."""
    return f"{hour % 12 or 12}:{minute} {'am' if hour < 12 else 'pm'}"


def show_clock(instant: datetime, display: Display) -> str:
    """Local time of day: 15:04, or 3:04 pm."""
    local = _local(instant, display)
    if display.units == "si":
        return f"{local:%H:%M}"
    return us_clock(local.hour, f"{local:%M}")


def show_day(day: date, display: Display, *, weekday: bool = False, year: bool = False) -> str:
    """A day: 5 January, or January 5; with the weekday and the year where asked."""
    text = f"{day:%B} {day.day}" if display.units == "us" else f"{day.day} {day:%B}"
    if year:
        text += f", {day.year}" if display.units == "us" else f" {day.year}"
    return f"{day:%A}, {text}" if weekday else text


def show_month(month: date) -> str:
    return f"{month:%B} {month.year}"


def show_instant(instant: datetime, now: datetime, display: Display, *, is_by_day: bool = False) -> str:
    """
    A local instant as one says it at `now`: "today at 15:04", "yesterday at ...", "5 January at ...".

    `is_by_day` leaves the clock time away.
    """
    day, today = _local(instant, display).date(), _local(now, display).date()
    near = {today: "today", today - timedelta(days=1): "yesterday"}
    said = near.get(day) or show_day(day, display, year=day.year != today.year)
    return said if is_by_day else f"{said} at {show_clock(instant, display)}"


def plural(count: int, word: str) -> str:
    """A count with its noun: "1 reading", "2 readings"."""
    return f"{count} {word}" + ("" if count == 1 else "s")


def show_age(seconds: float) -> str:
    """How long ago: "just now", "4 minutes ago", "3 hours ago", "2 days ago". A time ahead of now is just now."""
    if math.isnan(seconds):
        return "never"
    if seconds < 90:
        return "just now"
    if seconds < 5400:
        return f"{plural(round(seconds / 60), 'minute')} ago"
    if seconds < 36 * 3600:
        return f"{plural(round(seconds / 3600), 'hour')} ago"
    return f"{plural(round(seconds / 86400), 'day')} ago"


def show_span(seconds: float, *, is_by_day: bool = False) -> str:
    """A duration: "45 s", "20 min", "3 h 5 min", "2 days 4 h", from ten days on and `is_by_day` in whole days."""
    if math.isnan(seconds):
        return UNKNOWN
    if is_by_day or seconds >= 10 * 86400:
        return plural(max(round(seconds / 86400), 1), "day")
    if seconds < 90:
        return f"{round(seconds)} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} days {hours} h" if hours else f"{days} days"


def spoken(names: list[str]) -> str:
    """A list as one says it: "the sun", "the sun and the ground", "a, b and c"."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}" if names else ""
