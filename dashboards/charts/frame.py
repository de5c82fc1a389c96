"""
What all charts share: the frame, the axes, the key and the table twin.

A chart's title is the question that it answers and its summary the answer, so a reader who sees no picture misses
nothing. The time axis of a day counts hours from the day's first instant and is labelled with local time, so that
days of 23 and 25 hours are drawn as long as they were.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import plotly.graph_objects as go
from numpy.typing import ArrayLike

from analytics.plant import CELL_S
from analytics.trace import LocalDay
from dashboards.colours import GRID, INK, PAPER, QUIET, Line, Paint
from dashboards.numbers import Display, show_clock, show_day

__all__ = [
    "FONT",
    "Chart",
    "Key",
    "Table",
    "chart_json",
    "clock_labels",
    "day_axis",
    "days_axis",
    "frame",
    "mark_instant",
    "plain",
    "script_json",
    "unit_note",
    "value_axis",
]

FONT = "Charter, 'Iowan Old Style', 'Palatino Linotype', 'Liberation Serif', Georgia, serif"


@dataclass(frozen=True, slots=True)
class Key:
    """One entry of a chart's key: how it is painted, what it is, and its figure as text."""

    label: str
    paint: Line | Paint
    value: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """The chart's numbers as text: the twin for those who do not see it, and for those who do not trust it."""

    header: Sequence[str]
    rows: Sequence[Sequence[str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A figure with the words it needs. `id` is unique on a page."""

    id: str
    title: str
    summary: str
    figure: go.Figure
    keys: Sequence[Key] = field(default=())
    table: Table = field(default=Table((), ()))


def frame(height: int, *, unit: str = "", **layout: object) -> go.Layout:
    """
    A layout for one panel, `height` px tall, in the pages' own look. The width follows the page.

    The unit of the upright axis stands at its head.
    """
    base: dict[str, object] = {
        "height": height,
        "autosize": True,
        "margin": {"l": 48, "r": 10, "t": 22 if unit else 8, "b": 30},
        "paper_bgcolor": PAPER,
        "plot_bgcolor": PAPER,
        "font": {"family": FONT, "size": 13, "color": INK},
        "showlegend": False,
        "hovermode": "x unified",
        "hoverlabel": {"bgcolor": PAPER, "bordercolor": QUIET, "font": {"family": FONT, "size": 13, "color": INK}},
        "dragmode": False,
        "template": None,
    }
    if unit:
        base["annotations"] = [unit_note(unit)]
    return go.Layout(**(base | layout))


def unit_note(text: str, *, y: float = 1.0) -> dict[str, object]:
    """What an upright axis counts, at its head: `y` is that head's height, as a part of the panel's."""
    return _UNIT_NOTE | {"text": text, "y": y}


_UNIT_NOTE: dict[str, object] = {
    "xref": "paper",
    "yref": "paper",
    "x": 0,
    "xanchor": "left",
    "yanchor": "bottom",
    "xshift": -44,
    "yshift": 3,
    "showarrow": False,
    "font": {"size": 12, "color": QUIET},
}


def _axis(**options: object) -> dict[str, object]:
    base: dict[str, object] = {
        "gridcolor": GRID,
        "linecolor": QUIET,
        "tickcolor": QUIET,
        "zerolinecolor": QUIET,
        "tickfont": {"size": 12, "color": QUIET},
        "ticks": "outside",
        "ticklen": 4,
        "automargin": False,
    }
    return base | options


def value_axis(**options: object) -> dict[str, object]:
    """The upright axis."""
    given: dict[str, object] = {"fixedrange": True, "nticks": 5}
    return _axis(**(given | options))


def _local(day: LocalDay, seconds: float) -> datetime:
    instant = datetime.fromtimestamp(day.start_ms / 1000 + seconds, UTC)
    return instant.astimezone(ZoneInfo(day.timezone))


def day_axis(days: Sequence[LocalDay], display: Display, *, every_h: int = 3) -> dict[str, object]:
    """The time axis over one local day or several in a row, in hours from the first one's start."""
    hours = (days[-1].end_ms - days[0].start_ms) / 3.6e6
    ticks, texts = [], []
    for quarter in range(int(hours * 4) + 1):
        local = _local(days[0], quarter * 900.0)
        if local.minute == 0 and local.hour % every_h == 0 and (not texts or texts[-1] != _hour(local, display)):
            ticks.append(quarter / 4)
            texts.append(_hour(local, display))
    # Under the pointer the page's script tells the local time; the axis itself only counts hours.
    title = {"text": " "}
    return _axis(
        range=[0, hours],
        tickvals=ticks,
        ticktext=texts,
        showgrid=False,
        minallowed=0,
        maxallowed=hours,
        unifiedhovertitle=title,
    )


def _hour(local: datetime, display: Display) -> str:
    if display.units == "si":
        return f"{local:%H:%M}"
    return {0: "12 am", 12: "noon"}.get(local.hour, f"{local.hour % 12} {'am' if local.hour < 12 else 'pm'}")


def clock_labels(days: Sequence[LocalDay], display: Display) -> list[str]:
    """
    Local time of each cell of the days, for the reader's pointer; the page's script puts them to the traces.

    Of several days, each label opens with its day.
    """
    labels = []
    for day in days:
        opening = f"{show_day(day.date, display)}, " if len(days) > 1 else ""
        cells = range(round(day.seconds / CELL_S))
        labels += [opening + show_clock(_local(day, i * CELL_S), display) for i in cells]
    return labels


def days_axis(first: date, last: date, display: Display) -> dict[str, object]:
    """The axis of whole days, a bar's width beyond either end."""
    half = timedelta(hours=12)
    start, end = (datetime(d.year, d.month, d.day) for d in (first, last))
    return _axis(
        type="date",
        range=[(start - half).isoformat(), (end + half).isoformat()],
        tickformat="%b %-d" if display.units == "us" else "%-d %b",
        hoverformat="%A, %B %-d" if display.units == "us" else "%A %-d %B",
        showgrid=False,
        nticks=7,
        fixedrange=True,
    )


def mark_instant(figure: go.Figure, at_h: float, label: str) -> None:
    """A dotted upright line with a word beside it, at `at_h` hours of the day axis."""
    figure.add_vline(
        x=at_h,
        line={"color": INK, "width": 1, "dash": "dot"},
        annotation={"text": label, "font": {"size": 12, "color": INK}, "bgcolor": PAPER, "yanchor": "top"},
    )


def plain(values: ArrayLike, places: int = 2) -> list[float | None]:
    """Numbers for a figure's JSON: rounded, with None where nothing is known, so that a gap looks like a gap."""
    return [None if math.isnan(v) else round(v, places) for v in np.asarray(values, float).tolist()]


def chart_json(chart: Chart) -> str:
    """The figure as JSON that may stand inside a script element: no "<" can end it early."""
    return script_json(chart.figure.to_json(engine="json"))


def script_json(text: str) -> str:
    """JSON with the characters escaped by which a script element could end."""
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
