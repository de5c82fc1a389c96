"""Lines over the time of a day: what the panels of a day and an alert's evidence are drawn with."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from analytics.plant import CELL_S, PlantDay
from dashboards.charts.frame import Key, Table, clock_labels, day_axis, frame, mark_instant, plain, value_axis
from dashboards.colours import GRID, Line
from dashboards.numbers import UNKNOWN, Display, show_number, show_quantity, to_display, unit_name

__all__ = [
    "CELL_H",
    "Series",
    "course_figure",
    "day_figure",
    "floor_of",
    "gaps_h",
    "hourly_table",
    "keys_of",
    "known",
    "last_known",
    "shade_gaps",
    "trace_of",
]

CELL_H = CELL_S / 3600.0
_GAP_MIN_S = 900.0  # shorter gaps are seen well enough as a broken line


@dataclass(frozen=True, slots=True)
class Series:
    """One line: its name, its course in `unit` (degC, l/min, W ...; shape (cells,)), and how it is drawn."""

    label: str
    values: NDArray[np.float64]
    unit: str
    line: Line


def known(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """The values that are known."""
    return values[np.isfinite(values)]


def last_known(values: NDArray[np.float64]) -> float:
    """The last value that is known, NaN where none is."""
    found = known(values)
    return float(found[-1]) if len(found) else math.nan


def gaps_h(courses: Sequence[NDArray[np.float64]], until_s: float) -> list[tuple[float, float]]:
    """Stretches of the time so far in which none of the courses is known, from a quarter of an hour on. [h]"""
    cells = int(until_s / CELL_S)
    dark = np.all([~np.isfinite(c[:cells]) for c in courses], axis=0)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], dark, [False])).astype(np.int8)))
    starts, ends = edges[::2], edges[1::2]
    long = (ends - starts) * CELL_S >= _GAP_MIN_S
    return [(s * CELL_H, e * CELL_H) for s, e in zip(starts[long].tolist(), ends[long].tolist(), strict=True)]


def shade_gaps(figure: go.Figure, gaps: Sequence[tuple[float, float]]) -> None:
    """A gap looks like a gap: grey, with the words in it where they have room."""
    for start, end in gaps:
        figure.add_vrect(x0=start, x1=end, fillcolor=GRID, opacity=0.6, line_width=0, layer="below")
        if end - start >= 2.0:
            figure.add_annotation(x=(start + end) / 2, y=0.5, yref="paper", text="no data", showarrow=False)


def day_figure(plant: PlantDay, display: Display, *, height: int, unit: str) -> go.Figure:
    """An empty panel over the plant's day, with a line at the end of what has been read of a day in progress."""
    axis, day = value_axis(), day_axis([plant.day], display)
    figure = go.Figure(layout=frame(height, unit=unit_name(unit, display), xaxis=day, yaxis=axis))
    if plant.until_s < plant.day.seconds:
        mark_instant(figure, plant.until_s / 3600, "now")
    return figure


def course_figure(plant: PlantDay, series: Sequence[Series], display: Display, *, height: int = 210) -> go.Figure:
    """One panel with a line for each series; all must share one unit."""
    unit = series[0].unit
    figure = day_figure(plant, display, height=height, unit=unit)
    figure.update_yaxes(**floor_of(series))
    shade_gaps(figure, gaps_h([s.values for s in series], plant.until_s))
    for one in series:
        figure.add_trace(trace_of(one, display))
    return figure


def floor_of(series: Sequence[Series]) -> dict[str, object]:
    """Options of the upright axis by which lines of nothing but zeros lie on the floor of their panel."""
    is_flat = series[0].unit != "degC" and not any(known(one.values).any() for one in series)
    return {"range": [0, 1]} if is_flat else {}


def trace_of(series: Series, display: Display, *, start_h: float = 0.0) -> go.Scatter:
    """The line of one series, its first cell beginning at `start_h` of the time axis."""
    unit, places = unit_name(series.unit, display), 3 if series.unit in ("kW", "1") else 2
    return go.Scatter(
        x0=round(start_h + CELL_H / 2, 6),
        dx=CELL_H,
        y=plain(to_display(series.values, series.unit, display), places),
        mode="lines",
        name=series.label,
        line={"color": series.line.colour, "dash": series.line.dash, "width": 1.8},
        connectgaps=False,
        hovertemplate=f"%{{y:.{places - 1}f}} {unit}",
    )


def keys_of(plant: PlantDay, series: Sequence[Series], display: Display) -> list[Key]:
    """The key; on a day in progress with each line's last value, which is the present one."""
    if plant.until_s >= plant.day.seconds:
        return [Key(s.label, s.line) for s in series]
    return [Key(s.label, s.line, show_quantity(last_known(s.values), s.unit, display)) for s in series]


def hourly_table(plant: PlantDay, series: Sequence[Series], display: Display) -> Table:
    """Hourly means of the series, an hour without any known minute being a dash."""
    labels = clock_labels([plant.day], display)
    per_hour = round(3600 / CELL_S)
    header = ["Hour from", *(f"{s.label}, {unit_name(s.unit, display)}" for s in series)]
    rows = []
    for start in range(0, int(plant.until_s / CELL_S), per_hour):
        cells = [_hour_mean(s, slice(start, start + per_hour), display) for s in series]
        rows.append([labels[start], *cells])
    return Table(header, rows)


def _hour_mean(series: Series, hour: slice, display: Display) -> str:
    found = known(series.values[hour])
    if not len(found):
        return UNKNOWN
    return show_number(to_display(float(found.mean()), series.unit, display), 1, units=display.units)
