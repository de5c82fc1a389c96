"""
An alert's evidence drawn: the courses that it was judged by, around the time, with limits marked and the time shaded.

Which courses belong to an alert follows from the component that it names; which limits are drawn, from its evidence:
every value whose name tells of a limit and ends in the panel's unit.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from analytics.plant import CELL_S, PlantDay
from analytics.site import Site
from dashboards.charts.course import CELL_H, Series, floor_of, known, trace_of
from dashboards.charts.day import LITRE_MIN_PER_M3_S
from dashboards.charts.frame import Chart, Key, Table, clock_labels, day_axis, frame, value_axis
from dashboards.colours import INK, SHADE, line_paints
from dashboards.contexts import AlertContext, AlertView
from dashboards.evidence_words import evidence_name
from dashboards.names import heat_pump_name, heater_name, loop_name, point_name
from dashboards.numbers import UNKNOWN, Display, show_clock, show_number, show_range, show_span, to_display, unit_name

__all__ = ["evidence_charts", "evidence_clock", "limits_of"]

_BEFORE, _AFTER = timedelta(hours=4), timedelta(hours=3)
_LEAST_KNOWN = 0.05  # of the time that it held; the last reading before a silence is not told as what went on

_Course = tuple[str, str, Callable[[PlantDay], NDArray[np.float64] | None]]
"""A line's name, its unit, and where it is found in a plant's day."""

_SUFFIXES = {
    "degC": ("degc",),
    "l/min": ("l_min", "l_per_min"),
    "W": ("w",),
    "W/m2": ("w_m2",),
    "1": (),
}


_LIMIT_WORDS = ("limit", "still", "damage")


def limits_of(evidence: Mapping[str, Any], unit: str) -> dict[str, float]:
    """The limits that an alert was judged by and that can be drawn in a panel of `unit` (degC, l/min, W ...)."""
    return {
        name: float(value)
        for name, value in evidence.items()
        if any(word in name.lower() for word in _LIMIT_WORDS)
        and isinstance(value, int | float)
        and math.isfinite(value)
        and any(name.lower().endswith(f"_{suffix}") for suffix in _SUFFIXES.get(unit, ()))
    }


@dataclass(frozen=True, slots=True)
class _Window:
    """A run of consecutive days and the part of it that is drawn, in hours from the first one's start."""

    plants: Sequence[PlantDay]
    start_h: float
    end_h: float

    def hours(self, instant: datetime) -> float:
        return (instant.timestamp() * 1000 - self.plants[0].day.start_ms) / 3.6e6


def evidence_charts(context: AlertContext, display: Display) -> list[Chart]:
    """The panels of an alert, in the order in which one looks at them; none where no readings are left."""
    window = _window(context)
    if window is None:
        return []
    charts = []
    for title, courses in _panels(context.site, context.alert):
        series = _joined(window, courses)
        if series:
            charts.append(_chart(context, window, series, title=title, number=len(charts) + 1, display=display))
    return charts


def evidence_clock(context: AlertContext, display: Display) -> list[str]:
    """Local time of each cell that the panels draw."""
    window = _window(context)
    return [] if window is None else clock_labels([plant.day for plant in window.plants], display)


def _window(context: AlertContext) -> _Window | None:
    """The consecutive days around the beginning, cut to some hours before and after."""
    plants = sorted(context.plants, key=lambda p: p.day.start_ms)
    began_ms = context.alert.began.timestamp() * 1000
    at = next((i for i, p in enumerate(plants) if p.day.start_ms <= began_ms < p.day.end_ms), None)
    if at is None:
        at = len(plants) - 1
    if at < 0:
        return None
    run = [plants[at]]
    for plant in reversed(plants[:at]):
        run = [plant, *run] if plant.day.end_ms == run[0].day.start_ms else run
    for plant in plants[at + 1 :]:
        run = [*run, plant] if plant.day.start_ms == run[-1].day.end_ms else run
    whole = _Window(run, 0.0, (run[-1].day.end_ms - run[0].day.start_ms) / 3.6e6)
    end = context.alert.ended or context.now
    start_h = max(whole.hours(context.alert.began - _BEFORE), 0.0)
    end_h = min(whole.hours(end + _AFTER), whole.end_h)
    return _Window(run, start_h, end_h) if end_h > start_h + 1 else whole


def _joined(window: _Window, courses: Sequence[_Course]) -> list[Series]:
    """Each course over the days of the window, one after the other; only those of which anything is known."""
    found = []
    for label, unit, pick in courses:
        parts = [_or_unknown(pick(plant), plant) for plant in window.plants]
        values = _cut(np.concatenate(parts), window)
        if len(known(values)):
            found.append((label, unit, values))
    lines = line_paints(len(found))
    return [Series(label, values, unit, line) for (label, unit, values), line in zip(found, lines, strict=True)]


def _cut(values: NDArray[np.float64], window: _Window) -> NDArray[np.float64]:
    """The course with what lies outside the window set to unknown, so that the axis fits what is seen."""
    cell_h = (np.arange(len(values)) + 0.5) * CELL_H
    return np.where((cell_h >= window.start_h) & (cell_h <= window.end_h), values, np.nan)


def _or_unknown(course: NDArray[np.float64] | None, plant: PlantDay) -> NDArray[np.float64]:
    return np.full(round(plant.day.seconds / CELL_S), np.nan) if course is None else course


def _chart(
    context: AlertContext, window: _Window, series: Sequence[Series], *, title: str, number: int, display: Display
) -> Chart:
    unit, limits = series[0].unit, limits_of(context.alert.evidence, series[0].unit)
    every = 3 if window.end_h - window.start_h <= 26 else 6
    axis = day_axis([p.day for p in window.plants], display, every_h=every) | {"range": [window.start_h, window.end_h]}
    figure = go.Figure(layout=frame(230, unit=unit_name(unit, display), xaxis=axis, yaxis=_upright(unit, series)))
    _shade_alert(figure, context.alert, window)
    for one in series:
        figure.add_trace(trace_of(one, display))
    for name, limit in limits.items():
        # Of two limits the lower one has its label below, for they may lie close together.
        side = "top" if len(limits) > 1 and limit == min(limits.values()) else "bottom"
        _mark_limit(figure, to_display(limit, unit, display), label=evidence_name(name).lower(), side=side)
    return Chart(
        id=f"evidence-{number}",
        title=title,
        summary=_summary(context, window, series, display=display),
        figure=figure,
        keys=[Key(s.label, s.line) for s in series],
        table=_table(window, series, display),
    )


def _upright(unit: str, series: Sequence[Series]) -> dict[str, object]:
    """The upright axis; a state has two ticks, off and on; a line of zeros lies on the floor."""
    on_off = {"tickvals": [0, 1], "ticktext": ["off", "on"], "range": [-0.1, 1.1]}
    if unit == "1":
        return value_axis(**on_off)
    return value_axis(**floor_of(series))


def _shade_alert(figure: go.Figure, alert: AlertView, window: _Window) -> None:
    start = max(window.hours(alert.began), window.start_h)
    end = window.end_h if alert.ended is None else min(window.hours(alert.ended), window.end_h)
    figure.add_vrect(x0=start, x1=end, fillcolor=SHADE, opacity=0.8, line_width=0, layer="below")
    figure.add_vline(x=start, line={"color": INK, "width": 1, "dash": "dot"})


def _mark_limit(figure: go.Figure, limit: float, *, label: str, side: str) -> None:
    figure.add_hline(
        y=limit,
        line={"color": INK, "width": 1.2, "dash": "dash"},
        annotation={"text": label, "font": {"size": 12, "color": INK}, "xanchor": "right", "yanchor": side},
    )


def _summary(context: AlertContext, window: _Window, series: Sequence[Series], *, display: Display) -> str:
    """What each course did while the condition held, as far as the panel reaches."""
    alert = context.alert
    began_h, until_h = window.hours(alert.began), window.hours(alert.ended or context.now)
    start = max(int(began_h / CELL_H), 0)
    end = max(int(min(until_h, window.end_h) / CELL_H), start + 1)
    parts = []
    for one in series:
        found = known(one.values[start:end])
        if len(found) > _LEAST_KNOWN * (end - start):
            told = (
                _on_for(found)
                if one.unit == "1"
                else show_range(float(np.min(found)), float(np.max(found)), one.unit, display=display)
            )
            parts.append(f"{one.label} {told}")
    shown = show_span((window.end_h - began_h) * 3600)
    when = "While it lasted" if until_h <= window.end_h + CELL_H else f"In its first {shown}"
    return f"{when}: {'; '.join(parts)}." if parts else f"{when}, none of these was known."


def _on_for(states: NDArray[np.float64]) -> str:
    return f"on for {show_span(float(states.sum()) * CELL_S)} of {show_span(len(states) * CELL_S)}"


def _table(window: _Window, series: Sequence[Series], display: Display) -> Table:
    """Half-hourly means over what is drawn."""
    header = ["From", *(f"{s.label}, {unit_name(s.unit, display)}".rstrip(", ") for s in series)]
    step, rows = round(1800 / CELL_S), []
    for first in range(int(window.start_h / CELL_H) // step * step, int(window.end_h / CELL_H), step):
        instant = datetime.fromtimestamp(window.plants[0].day.start_ms / 1000 + first * CELL_S, UTC)
        rows.append([show_clock(instant, display), *(_mean(s, slice(first, first + step), display) for s in series)])
    return Table(header, rows)


def _mean(series: Series, cells: slice, display: Display) -> str:
    found = known(series.values[cells])
    if not len(found):
        return UNKNOWN
    return show_number(to_display(float(found.mean()), series.unit, display), 1, units=display.units)


def _panels(site: Site, alert: AlertView) -> list[tuple[str, Sequence[_Course]]]:
    """Titles and courses of what the alert speaks of."""
    component = alert.component
    if component in site.stages:
        stage = site.stages[component]
        component = stage.loop or stage.heater or component
    if component in site.loops:
        return _loop_panels(site, component)
    if component in site.heaters:
        return _heater_panels(site, component)
    if component in site.heat_pumps:
        return _heat_pump_panels(site, component)
    if component in site.tanks:
        return [("How warm was this tank?", _tank_courses(site, component))]
    if component in site.points:
        return [_point_panel(site, component)]
    return _water_panels()


def _loop_panels(site: Site, loop: str) -> list[tuple[str, Sequence[_Course]]]:
    def of(field: str, scale: float = 1.0) -> Callable[[PlantDay], NDArray[np.float64] | None]:
        return lambda plant: getattr(plant.loops[loop], field) * scale if loop in plant.loops else None

    name = loop_name(loop)
    temperatures = [("Entering", "degC", of("entering_degc")), ("Leaving", "degC", of("leaving_degc"))]
    tanks = [s.tank for s in site.stages.values() if s.loop == loop and s.tank]
    temperatures += [course for tank in tanks for course in _tank_courses(site, tank)]
    sun = [c.irradiance for c in site.collectors.values() if c.loop == loop and c.irradiance]
    panels: list[tuple[str, Sequence[_Course]]] = [
        (f"Did anything flow in the {name.lower()}?", [("Flow", "l/min", of("flow_m3_s", LITRE_MIN_PER_M3_S))]),
        ("Was the pump running?", [("Pump", "1", of("pump_on"))]),
        (f"How warm was the {name.lower()}, and the tank?", temperatures),
        ("How much heat did it bring?", [("Heat", "W", of("heat_w"))]),
    ]
    return panels + [("How strong was the sun?", [_signal(p, "W/m2")]) for p in sun]


def _signal(point: str, unit: str, scale: float = 1.0) -> _Course:
    def pick(plant: PlantDay) -> NDArray[np.float64] | None:
        return plant.signals[point].course * scale if point in plant.signals else None

    return (point_name(point), unit, pick)


def _heater_panels(site: Site, heater: str) -> list[tuple[str, Sequence[_Course]]]:
    def power(plant: PlantDay) -> NDArray[np.float64] | None:
        return plant.heaters[heater].input_w if heater in plant.heaters else None

    tanks = [s.tank for s in site.stages.values() if s.heater == heater and s.tank]
    around = [("How warm was the tank around it?", _tank_courses(site, tank)) for tank in tanks]
    name = heater_name(heater)
    return [(f"When did the {name.lower()} run?", [(name, "W", power)]), *around, *_water_panels()]


def _heat_pump_panels(site: Site, name: str) -> list[tuple[str, Sequence[_Course]]]:
    def power(plant: PlantDay) -> NDArray[np.float64] | None:
        return plant.heat_pumps[name].elec_w if name in plant.heat_pumps else None

    source = _loop_panels(site, site.heat_pumps[name].source_loop)
    return [("How did the compressor run?", [(heat_pump_name(site, name), "W", power)]), source[2], source[0]]


def _tank_courses(site: Site, tank: str) -> list[_Course]:
    return [_signal(point, "degC") for point in site.tanks[tank].temperatures]


_POINT_UNITS = {
    "temperature": ("degC", 1.0),
    "flow": ("l/min", LITRE_MIN_PER_M3_S),
    "volume": ("l/min", LITRE_MIN_PER_M3_S),
    "power": ("W", 1.0),
    "energy": ("W", 1.0),
    "irradiance": ("W/m2", 1.0),
}


def _point_panel(site: Site, point: str) -> tuple[str, Sequence[_Course]]:
    unit, scale = _POINT_UNITS.get(site.points[point].quantity, ("1", 1.0))
    return (f"What did {point} say?", [_signal(point, unit, scale)])


def _water_panels() -> list[tuple[str, Sequence[_Course]]]:
    def of(field: str, scale: float = 1.0) -> Callable[[PlantDay], NDArray[np.float64] | None]:
        return lambda plant: None if plant.hot_water is None else getattr(plant.hot_water, field) * scale

    temperatures: Sequence[_Course] = [
        ("Leaving the last tank", "degC", of("hot_degc")),
        ("Mixed, to the taps", "degC", of("mixed_degc")),
    ]
    return [
        ("How hot was the water to the taps?", temperatures),
        ("When was water drawn?", [("Water drawn", "l/min", of("flow_m3_s", LITRE_MIN_PER_M3_S))]),
    ]
