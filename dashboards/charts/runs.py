"""What ran, and when: pumps, heaters and heat pumps as strips over the day."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from analytics.plant import CELL_S, PlantDay
from dashboards.charts.course import CELL_H, day_figure, known
from dashboards.charts.frame import Chart, Table
from dashboards.colours import INK, OKABE_ITO, QUIET
from dashboards.names import heat_pump_name, heater_name, loop_name
from dashboards.numbers import UNKNOWN, Display, show_count, show_span, spoken

__all__ = ["Strip", "runs_chart", "strips_of"]

_ON_W = 20.0  # a heater's control draws less, an element a hundred times more: common practice
_IS_ON = 0.5  # more than half of the minute


@dataclass(frozen=True, slots=True)
class Strip:
    """One machine's runs as [start, end) cells, and for how much of the day it is known whether it ran."""

    label: str
    runs: Sequence[tuple[int, int]]
    known_cells: int

    @property
    def run_s(self) -> float:
        return sum(end - start for start, end in self.runs) * CELL_S


def _strip(label: str, on: NDArray[np.float64]) -> Strip:
    is_on = np.concatenate(([False], np.nan_to_num(on) > _IS_ON, [False]))
    edges = np.flatnonzero(np.diff(is_on.astype(np.int8))).tolist()
    return Strip(label, list(zip(edges[::2], edges[1::2], strict=True)), len(known(on)))


def _on_courses(plant: PlantDay) -> Iterable[tuple[str, NDArray[np.float64]]]:
    for name, loop in plant.loops.items():
        yield f"{loop_name(name)} pump", loop.pump_on
    for name, heat_pump in plant.heat_pumps.items():
        yield heat_pump_name(plant.site, name), heat_pump.is_on
    for name, heater in plant.heaters.items():
        yield heater_name(name), np.where(np.isnan(heater.input_w), np.nan, heater.input_w > _ON_W)


def strips_of(plant: PlantDay) -> list[Strip]:
    """Every pump, heat pump and heater of which it is known for any minute whether it ran."""
    return [strip for label, on in _on_courses(plant) if (strip := _strip(label, on)).known_cells]


def runs_chart(plant: PlantDay, display: Display) -> Chart | None:
    """A strip for each machine; a table of its run time and starts."""
    strips = strips_of(plant)
    if not strips:
        return None
    figure = day_figure(plant, display, height=48 + 34 * len(strips), unit="")
    # Grouped bars would step aside for one another, each in a row of its own as they are.
    figure.update_layout(hovermode="closest", barmode="overlay")
    figure.update_yaxes(range=[len(strips) - 0.6, -0.8], showgrid=False, zeroline=False, showticklabels=False, ticks="")
    for row, strip in enumerate(strips):
        figure.add_trace(_bars(strip, row))
        figure.add_annotation(_row_name(strip, row))
    return Chart(id="runs", title="What ran, and when?", summary=_summary(strips), figure=figure, table=_table(strips))


def _row_name(strip: Strip, row: int) -> dict[str, object]:
    font = {"size": 12, "color": INK}
    place = {"x": 0, "y": row - 0.2, "xanchor": "left", "yanchor": "bottom", "showarrow": False}
    return place | {"text": strip.label, "font": font}


def _bars(strip: Strip, row: int) -> go.Bar:
    return go.Bar(
        orientation="h",
        y=[row] * len(strip.runs),
        width=0.36,
        base=[round(start * CELL_H, 4) for start, _ in strip.runs],
        x=[round((end - start) * CELL_H, 4) for start, end in strip.runs],
        name=strip.label,
        marker={"color": OKABE_ITO["blue"], "line": {"color": QUIET, "width": 0}},
        text=[show_span((end - start) * CELL_S) for start, end in strip.runs],
        textposition="none",
        hovertemplate="%{text}",
    )


def _summary(strips: Sequence[Strip]) -> str:
    ran = [f"{s.label} {show_span(s.run_s)}" for s in strips if s.runs]
    still = [s.label for s in strips if not s.runs]
    told = f"{spoken(ran)}." if ran else "Nothing ran."
    return told + (f" Did not run: {spoken(still)}." if ran and still else "")


def _table(strips: Sequence[Strip]) -> Table:
    rows = [
        [
            s.label,
            show_span(s.run_s),
            show_count(len(s.runs)),
            show_span(s.known_cells * CELL_S) if s.known_cells else UNKNOWN,
        ]
        for s in strips
    ]
    return Table(["Machine", "Ran for", "Starts", "Known for"], rows)
