"""The words for what moved in the past: figures by name, causes, and one sentence a figure."""

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime

from analytics.figures import Figure
from analytics.site import Site
from dashboards.contexts import MovedFigure, PastCause, PastChange
from dashboards.figure_names import figure_name
from dashboards.numbers import (
    UNKNOWN,
    Display,
    local_date,
    show_beside,
    show_day,
    show_figure,
    show_money,
    show_number,
    spoken,
)

__all__ = [
    "cause_because",
    "cause_words",
    "days_words",
    "moved_sentence",
    "moved_together",
    "past_sentence",
    "reads_alike",
    "show_moved",
    "show_movement",
    "since_words",
]

_FEW_CHANGES = 3


def show_moved(figure: Figure, path: str, display: Display) -> str:
    """A figure as it is set beside another one; money to the hundredth, as it is told to the homeowner."""
    if _is_money(figure.unit) and figure.value == figure.value:
        display = replace(display, currency=figure.unit)  # what was sent in another currency stays in it
        spread = "" if figure.plus_minus != figure.plus_minus else f" ± {show_number(figure.plus_minus, 2)}"
        return show_money(figure.value, display) + spread
    return show_figure(figure, display, as_percent=path.endswith("backup_fraction"))


def show_movement(before: Figure, after: Figure, path: str, display: Display) -> tuple[str, str, str]:
    """A figure before and after, and by how much it moved, so that a reader can add up; a dash where not known."""
    if before.unit == after.unit and not _is_money(after.unit):
        told = show_beside(before, after, display, as_percent=path.endswith("backup_fraction"))
        if told is not None:
            return told
    texts = show_moved(before, path, display), show_moved(after, path, display)
    change = round(after.value, 2) - round(before.value, 2) if before.unit == after.unit else math.nan
    if change != change:
        return *texts, UNKNOWN
    return *texts, f"{'−' if change < 0 else '+'}{show_money(abs(change), replace(display, currency=after.unit))}"


def _is_money(unit: str) -> bool:
    return len(unit) == 3 and unit.isupper()


def _told(figure: Figure, path: str, display: Display) -> str:
    """A figure within a sentence."""
    return show_moved(figure, path, display) if figure.value == figure.value else "not known"


def reads_alike(before: Figure, after: Figure, path: str, display: Display) -> bool:
    """Whether a sentence would say the same of both."""
    return before.basis == after.basis and _told(before, path, display) == _told(after, path, display)


def _beside(moved: MovedFigure, display: Display) -> str:
    """Before and after within a sentence."""
    before, after, _ = show_movement(moved.before, moved.after, moved.path, display)
    return " to ".join("not known" if text == UNKNOWN else text for text in (before, after))


def cause_words(cause: PastCause, display: Display) -> str:
    """Why past days were computed again, as a sentence."""
    if cause.kind == "version":
        return f"A new site file holds {since_words(cause.since, display)}{_of_changes(cause)}."
    if cause.kind == "readings":
        return "Readings came late."
    return "The program was renewed, and computes some figures otherwise."


def cause_because(cause: PastCause, display: Display) -> str:
    """The same after "because"."""
    if cause.kind == "version":
        return f"a new site file holds {since_words(cause.since, display)}{_of_changes(cause)}"
    return "readings came late" if cause.kind == "readings" else "the program was renewed"


def since_words(since: date | None, display: Display) -> str:
    """From when a version holds."""
    return "from the start" if since is None else f"from {show_day(since, display, year=True)} on"


def _of_changes(cause: PastCause) -> str:
    if not cause.changes:
        return ""
    shown = "; ".join(cause.changes[:_FEW_CHANGES])
    more = len(cause.changes) - _FEW_CHANGES
    return f" ({shown}; and {more} more)" if more > 0 else f" ({shown})"


def days_words(days: Sequence[date], display: Display) -> str:
    """Days as one says them: "on 5 January 2026"; "on 12 days from 1 to 12 January 2026"."""
    first, last = days[0], days[-1]
    if first == last:
        return f"on {show_day(first, display, year=True)}"
    opening = show_day(first, display, year=first.year != last.year)
    return f"on {len(days)} days from {opening} to {show_day(last, display, year=True)}"


def past_sentence(change: PastChange, site: Site, display: Display) -> str:
    """What a cause moved, the figures that add up first."""
    moved = [
        f"{figure_name(site, one.path).lower()} from {_beside(one, display)}"
        for one in change.sums
        if one.path in ("saved.energy", "hot_water.heat")
    ]
    figures = f": {spoken(moved)}" if moved else ""
    on_days = days_words(change.days, display)
    return f"{cause_words(change.cause, display)} Figures moved {on_days}{figures}."


def moved_sentence(moved: MovedFigure, site: Site, display: Display, *, sent: datetime) -> str:
    """What a figure was when a statement was sent, what it is now, and why."""
    was, now = (_told(one, moved.path, display) for one in (moved.before, moved.after))
    again = f"{_again(moved, display)}, " if moved.computed is not None else ""
    sent_on = show_day(local_date(sent, display), display, year=True)
    because = _because(moved, display)
    return f"{figure_name(site, moved.path)} was {was} when this was sent on {sent_on}; {again}it is {now}{because}."


def moved_together(moved: Sequence[MovedFigure], site: Site, display: Display, *, sent: datetime) -> list[str]:
    """The same of several figures, the first sentence for all of them; what moved all of them alike is told once."""
    if len(moved) < 2 or any((one.computed, one.causes) != (moved[0].computed, moved[0].causes) for one in moved):
        sentences = [moved_sentence(one, site, display, sent=sent) for one in moved]
        return ["Since then the past has been computed again.", *sentences] if moved else []
    again = _again(moved[0], display) if moved[0].computed is not None else "computed again"
    opening = f"Since then the past has been {again}{_because(moved[0], display)}."
    told = (
        f"{figure_name(site, one.path)} was {_told(one.before, one.path, display)} when this was sent; "
        f"it is {_told(one.after, one.path, display)}."
        for one in moved
    )
    return [opening, *told]


def _again(moved: MovedFigure, display: Display) -> str:
    assert moved.computed is not None
    return f"computed again on {show_day(local_date(moved.computed, display), display, year=True)}"


def _because(moved: MovedFigure, display: Display) -> str:
    reasons = " and because ".join(cause_because(cause, display) for cause in moved.causes)
    return f", because {reasons}" if reasons else ""
