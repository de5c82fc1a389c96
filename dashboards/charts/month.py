"""The homeowner's month: one bar for where the heat came from, and a small bar for each day."""

import math
from collections.abc import Mapping, Sequence

import plotly.graph_objects as go

from analytics.figures import DayLedger, Figure
from analytics.site import Site
from dashboards.charts.frame import Chart, Key, Table, frame, value_axis
from dashboards.charts.history import Span, delivered_chart, origin_bar
from dashboards.colours import origin_paints
from dashboards.names import origin_name
from dashboards.numbers import Display, show_figure, show_percent, show_quantity

__all__ = ["month_bar", "month_by_day"]

_LEAST_KWH = 0.05  # less of a month's heat is not worth a key


def month_bar(site: Site, origins: Mapping[str, Figure], display: Display) -> Chart | None:
    """One lying bar, as long as the month's hot-water heat, parted by origin."""
    found = {o: f for o, f in origins.items() if math.isfinite(f.value) and f.value >= _LEAST_KWH}
    total = math.fsum(f.value for f in found.values())
    if not found:
        return None
    paints = origin_paints(site)
    figure = go.Figure(
        layout=frame(84, barmode="stack", hovermode="closest", margin={"l": 4, "r": 10, "t": 4, "b": 30})
    )
    for origin, heat in found.items():
        name = origin_name(site, origin)
        figure.add_trace(
            origin_bar(
                name, paints[origin], orientation="h", y=[""], x=[round(heat.value, 2)], hovertemplate="%{x:.1f} kWh"
            )
        )
    # A hair more than the bar, so that its last edge is drawn.
    axis = value_axis(range=[0, 1.004 * total], showgrid=False, ticksuffix=" kWh", showticksuffix="last")
    figure.update_xaxes(axis)
    figure.update_yaxes(visible=False, fixedrange=True)
    parts = {o: f"{show_quantity(f.value, 'kWh', display)}, {show_percent(f.value / total)}" for o, f in found.items()}
    return Chart(
        id="month",
        title="Where did your hot water's heat come from?",
        summary=f"{show_quantity(total, 'kWh', display)} of heat in hot water in all.",
        figure=figure,
        keys=[Key(origin_name(site, o), paints[o], text) for o, text in parts.items()],
        table=Table(
            ["Source", "Heat at the taps", "Share"],
            [[origin_name(site, o), show_figure(f, display), show_percent(f.value / total)] for o, f in found.items()],
        ),
    )


def month_by_day(site: Site, ledgers: Sequence[DayLedger], span: Span, *, display: Display) -> Chart | None:
    """The same by day, small."""
    chart = delivered_chart(site, ledgers, span, display=display)
    if chart is None:
        return None
    chart.figure.update_layout(height=170)
    return Chart(
        id="by-day", title="And day by day?", summary=chart.summary, figure=chart.figure, keys=(), table=chart.table
    )
