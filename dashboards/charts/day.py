"""One day of a house in aligned panels: stored water, taps, loops, flows, heat, electricity, and what ran."""

import math
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from analytics.plant import PlantDay
from analytics.units import litre_from_m3
from dashboards.charts.course import Series, course_figure, hourly_table, keys_of, known
from dashboards.charts.frame import Chart, Table
from dashboards.charts.runs import runs_chart
from dashboards.colours import OKABE_ITO, Line, line_paints, origin_paints
from dashboards.names import heat_pump_name, heater_name, loop_name, point_name, stage_name
from dashboards.numbers import Display, show_clock, show_count, show_quantity, show_range, spoken

__all__ = [
    "day_charts",
    "draws_chart",
    "electricity_chart",
    "flows_chart",
    "heat_chart",
    "loops_chart",
    "tanks_chart",
    "taps_chart",
]

LITRE_MIN_PER_M3_S = 60_000.0


def day_charts(plant: PlantDay, display: Display) -> list[Chart]:
    """Every panel that this house has something for, in the order in which one asks."""
    panels: Sequence[Callable[[PlantDay, Display], Chart | None]] = (
        heat_chart,
        tanks_chart,
        taps_chart,
        draws_chart,
        loops_chart,
        flows_chart,
        electricity_chart,
        runs_chart,
    )
    return [chart for panel in panels if (chart := panel(plant, display)) is not None]


def _series(named: Iterable[tuple[str, NDArray[np.float64]]], unit: str) -> list[Series]:
    """Those of the named courses of which anything is known, each with its own line."""
    found = [(label, values) for label, values in named if len(known(values))]
    return [
        Series(label, values, unit, line) for (label, values), line in zip(found, line_paints(len(found)), strict=True)
    ]


def _line_chart(
    plant: PlantDay, series: Sequence[Series], display: Display, *, id: str, title: str, summary: str, height: int = 210
) -> Chart | None:
    if not series:
        return None
    return Chart(
        id=id,
        title=title,
        summary=summary,
        figure=course_figure(plant, series, display, height=height),
        keys=keys_of(plant, series, display),
        table=hourly_table(plant, series, display),
    )


def _ranges(series: Sequence[Series], display: Display) -> str:
    parts = []
    for one in series:
        found = known(one.values)
        parts.append(f"{one.label} {show_range(float(np.min(found)), float(np.max(found)), one.unit, display=display)}")
    return "; ".join(parts) + "." if parts else ""


def tanks_chart(plant: PlantDay, display: Display) -> Chart | None:
    """Every tank sensor, top to bottom."""
    named = []
    for tank in plant.site.tanks.values():
        named += [(point_name(p), plant.signals[p].course) for p in tank.temperatures if p in plant.signals]
    series = _series(named, "degC")
    return _line_chart(
        plant, series, display, id="tanks", title="How warm was the stored water?", summary=_ranges(series, display)
    )


def taps_chart(plant: PlantDay, display: Display) -> Chart | None:
    """The water on its way: cold, between the tanks, hot, heated in passing, mixed."""
    if plant.hot_water is None:
        return None
    water, path = plant.hot_water, plant.site.hot_water
    named = [("Cold water", water.cold_degc)]
    named += [(point_name(p), plant.signals[p].course) for p in path.between if p in plant.signals]
    named += [
        ("Leaving the last tank", water.hot_degc),
        ("After the heater", water.heated_degc),
        ("Mixed, to the taps", water.mixed_degc),
    ]
    series = _series(named, "degC")
    return _line_chart(
        plant,
        series,
        display,
        id="taps",
        title="How hot was the water on its way to the taps?",
        summary="Between draws a pipe sensor shows the pipe cooling, not the water. " + _ranges(series, display),
    )


def loops_chart(plant: PlantDay, display: Display) -> Chart | None:
    """Entering and leaving temperature of every loop."""
    named = []
    for loop, day in plant.loops.items():
        named += [
            (f"{loop_name(loop)}, entering", day.entering_degc),
            (f"{loop_name(loop)}, leaving", day.leaving_degc),
        ]
    series = _series(named, "degC")
    return _line_chart(
        plant,
        series,
        display,
        id="loops",
        title="What entered and left each loop's component?",
        summary=_ranges(series, display),
        height=240,
    )


def flows_chart(plant: PlantDay, display: Display) -> Chart | None:
    """Flow of every loop; an assumed flow says so in its name."""
    named = [
        (loop_name(loop) + (" (assumed)" if day.flow_is_assumed else ""), day.flow_m3_s * LITRE_MIN_PER_M3_S)
        for loop, day in plant.loops.items()
    ]
    series = _series(named, "l/min")
    return _line_chart(
        plant,
        series,
        display,
        id="flows",
        title="How much flowed in the loops?",
        summary=_ranges(series, display),
        height=180,
    )


def heat_chart(plant: PlantDay, display: Display) -> Chart | None:
    """Heat rate of every stage in its origin's colour; below zero heat was taken out of the tank."""
    paints, series = origin_paints(plant.site), []
    for i, stage in enumerate(plant.site.stages.values()):
        course = plant.loops[stage.loop].heat_w if stage.loop in plant.loops else None
        if course is None and stage.heater in plant.heaters:
            course = plant.heaters[stage.heater].heat_w
        if course is not None and len(known(course)):
            dash = line_paints(i + 1)[i].dash
            series.append(Series(stage_name(stage), course / 1000, "kW", Line(paints[stage.id].colour, dash)))
    return _line_chart(
        plant,
        series,
        display,
        id="heat",
        title="Which source gave heat, and when?",
        summary=_heat_summary(series, display),
    )


def _heat_summary(series: Sequence[Series], display: Display) -> str:
    peaks = [
        f"{s.label} up to {show_quantity(float(np.max(known(s.values))), 'kW', display)}"
        for s in series
        if np.max(known(s.values)) > 0
    ]
    idle = [s.label for s in series if np.max(known(s.values)) <= 0]
    if not peaks:
        return "No source has given heat."
    return f"{spoken(peaks)}." + (f" Nothing from: {spoken(idle)}." if idle else "")


def electricity_chart(plant: PlantDay, display: Display) -> Chart | None:
    """Electric input of heaters and heat pumps, and of all pumps together."""
    named = [(heat_pump_name(plant.site, name), day.elec_w) for name, day in plant.heat_pumps.items()]
    named += [
        (heater_name(name), day.input_w)
        for name, day in plant.heaters.items()
        if plant.site.heaters[name].kind == "electric"
    ]
    named += [(f"{loop_name(name)} pump", day.pump_elec_w) for name, day in plant.loops.items()]
    series = _series([(label, course / 1000) for label, course in named], "kW")
    return _line_chart(
        plant, series, display, id="electricity", title="What drew electricity?", summary=_ranges(series, display)
    )


def draws_chart(plant: PlantDay, display: Display) -> Chart | None:
    """Every opening of the taps as a bar as wide as it lasted, with its own line in the table."""
    if plant.hot_water is None or not len(known(plant.hot_water.flow_m3_s)):
        return None
    water = plant.hot_water
    flow = Series("Water drawn", water.flow_m3_s * LITRE_MIN_PER_M3_S, "l/min", Line(OKABE_ITO["blue"], "solid"))
    figure = course_figure(plant, [flow], display, height=150)
    figure.update_traces(fill="tozeroy", line_shape="hvh")
    return Chart(
        id="draws",
        title="When was hot water drawn?",
        summary=_draws_summary(plant, display),
        figure=figure,
        keys=keys_of(plant, [flow], display),
        table=_draws_table(plant, display),
    )


def _draws_summary(plant: PlantDay, display: Display) -> str:
    draws = plant.hot_water.draws
    if not draws:
        return "No draw was seen."
    volume = show_quantity(litre_from_m3(math.fsum(d.volume_m3 for d in draws)), "l", display)
    return f"{show_count(len(draws))} {'draw' if len(draws) == 1 else 'draws'}, {volume} in all."


def _draws_table(plant: PlantDay, display: Display) -> Table:
    def clock(seconds: float) -> str:
        return show_clock(datetime.fromtimestamp(plant.day.start_ms / 1000 + seconds, UTC), display)

    rows = [
        [
            clock(d.start_s),
            clock(d.end_s),
            show_quantity(litre_from_m3(d.volume_m3), "l", display),
            show_quantity(d.cold_degc, "degC", display),
            show_quantity(d.hot_degc, "degC", display),
            show_quantity(d.heat_j / 3.6e6, "kWh", display),
        ]
        for d in plant.hot_water.draws
    ]
    return Table(["From", "To", "Water", "Cold", "Hot", "Heat"], rows)
