"""A month and a year to date beside the same days of the year before, in words that a homeowner understands."""

import math
from datetime import date, timedelta

from analytics.corrected import HEAT, OUTDOOR, SUN, Correction
from analytics.figures import Figure
from analytics.year_before import Beside, Change
from dashboards.numbers import Display, show_day, show_month, spoken, write_figure

__all__ = ["beside_sentences"]


def beside_sentences(found: Beside, display: Display, *, in_progress: bool = False) -> list[str]:
    """
    What was bought beside the year before, how much hot water was used, and what use and weather explain.

    Args:
        in_progress: Whether the later days end with the last whole day, and more are to come.
    """
    if not found.changes:
        return [f"There is nothing to set beside it: {_opened_small(_with_months_named(found))}"]
    bought, heat = found.changes["purchased"], found.changes["hot_water_heat"]
    month = _is_month(found)
    told = [_opening(found, bought, display, in_progress=in_progress)]
    if found.n_pairs < found.n_days:
        days = f"{found.n_pairs} of {found.n_days} days"
        told.append(
            f"Only the {days} that are wholly known in both years are counted."
            if month
            else f"Counted are the {days} known in both years."
        )
    if found.leap_day is not None:
        why = ", since the other year has no such day" if month else ""
        told.append(f"{show_day(found.leap_day, display, year=True)} is left out{why}.")
    took = "The hot water itself took" if month else "The hot water took"
    told.append(f"{took} {_number(heat.later, display)} of heat, against {_number(heat.earlier, display)}.")
    if found.correction is None:
        return [*told, f"What use and weather had to do with it cannot be told: {_opened_small(found.why)}"]
    corrected = _corrected if month else _corrected_briefly
    return [*told, *corrected(found.correction, display)]


def _is_month(found: Beside) -> bool:
    """A year to date stands below its month, which has explained the words: it is told in brief, for a phone."""
    return found.later.first.month == found.later.last.month


def _with_months_named(found: Beside) -> str:
    why = found.why
    for span in (found.later, found.earlier):
        if span.first.month == span.last.month:
            why = why.replace(span.name, show_month(span.first))
    return why


def _opened_small(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]


def _opening(found: Beside, bought: Change, display: Display, *, in_progress: bool) -> str:
    later, earlier = _number(bought.later, display), _number(bought.earlier, display)
    if not _is_month(found):
        when, then = _year_words(found, display, in_progress=in_progress)
        return f"{when} bought {later}; {then} {earlier}."
    span, before = found.later, found.earlier
    if _ends_month(span.last):
        when, then = f"In {show_month(span.first)} you", f"in {show_month(before.first)},"
    elif in_progress:
        when, then = f"This month, up to {show_day(span.last, display)}, you have", "on the same days last year,"
    else:
        days = f"From {show_day(span.first, display)} to {show_day(span.last, display, year=True)}"
        when, then = f"{days} you", f"on the same days of {before.first.year},"
    return f"{when} bought {later} of energy for hot water; {then} {earlier}."


def _year_words(found: Beside, display: Display, *, in_progress: bool) -> tuple[str, str]:
    first, last, before = found.later.first, found.later.last, found.earlier.first.year
    if in_progress:
        return f"Since {show_day(first, display)} you have", f"on the same days of {before},"
    if _ends_month(last) and last.month == 12:
        return f"In {first.year} you", f"in {before},"
    if _ends_month(last):
        return f"From {first:%B} to {show_month(last)} you", "a year before,"
    return f"From {show_day(first, display)} to {show_day(last, display, year=True)} you", "a year before,"


def _ends_month(day: date) -> bool:
    return (day + timedelta(days=1)).day == 1


def _number(figure: Figure, display: Display) -> str:
    written = write_figure(figure, display)
    return f"{written.value} {written.unit}".strip()


def _corrected(correction: Correction, display: Display) -> list[str]:
    conditions = ["last year's use of hot water"] if HEAT in correction.inputs else []
    conditions += ["last year's weather"] if {SUN, OUTDOOR} & set(correction.inputs) else []
    given = f"With {spoken(conditions)}"
    low, high = _bounds(correction.purchased)
    if correction.purchased.value <= 0:
        told = [f"{given} it would have been next to nothing this year, at most {_number(high, display)}."]
    else:
        bounds = f"most likely between {write_figure(low, display).value} and {_number(high, display)}"
        told = [f"{given} it would have been about {_number(correction.purchased, display)} this year, {bounds}."]
    told.append(_verdict(correction.change, display))
    return [*told, correction.left_out] if correction.left_out else told


def _corrected_briefly(correction: Correction, display: Display) -> list[str]:
    conditions = ["use"] if HEAT in correction.inputs else []
    conditions += ["weather"] if {SUN, OUTDOOR} & set(correction.inputs) else []
    given = f"With last year's {spoken(conditions)}"
    low, high = _bounds(correction.purchased)
    if correction.purchased.value <= 0:
        told = [f"{given}: next to nothing, at most {_number(high, display)}."]
    else:
        bounds = f"{write_figure(low, display).value} to {write_figure(high, display).value}"
        told = [f"{given}: about {_number(correction.purchased, display)} ({bounds})."]
    told.append(_brief_verdict(correction.change, display))
    return [*told, correction.left_out] if correction.left_out else told


def _bounds(figure: Figure) -> tuple[Figure, Figure]:
    low, high = (
        Figure(max(figure.value + sign * figure.plus_minus, 0.0), "kWh", figure.plus_minus) for sign in (-1, 1)
    )
    return low, high


def _brief_verdict(change: Figure, display: Display) -> str:
    if math.isnan(change.plus_minus) or abs(change.value) <= change.plus_minus:
        return "What remains can be chance."
    much = _number(Figure(abs(change.value), "kWh", change.plus_minus), display)
    return f"So the house itself needed about {much} {'less' if change.value < 0 else 'more'}."


def _verdict(change: Figure, display: Display) -> str:
    if math.isnan(change.plus_minus) or abs(change.value) <= change.plus_minus:
        return "What then remains of the difference is no more than chance can make."
    much = _number(Figure(abs(change.value), "kWh", change.plus_minus), display)
    if change.value < 0:
        return f"So the house itself needed about {much} less than last year."
    return f"So the house itself needed about {much} more than last year; your installer may know why."
