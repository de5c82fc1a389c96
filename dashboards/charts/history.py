"""Day by day: hot water by origin, share of backup, and the heat pumps' COP, from the ledgers alone."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import plotly.graph_objects as go

from analytics.figures import DayLedger, Figure
from analytics.site import Site
from dashboards.charts.frame import Chart, Key, Table, days_axis, frame, plain, value_axis
from dashboards.colours import CARRIED_OVER, GRID, INK, OKABE_ITO, Line, Paint, origin_paints
from dashboards.names import heat_pump_name, origin_name
from dashboards.numbers import (
    UNKNOWN,
    Display,
    plural,
    share_spread,
    show_day,
    show_figure,
    show_percent,
    show_quantity,
)

__all__ = ["Span", "backup_chart", "cop_chart", "day_figure", "delivered_by_origin", "delivered_chart", "origin_bar"]


@dataclass(frozen=True, slots=True)
class Span:
    """The days that a history chart covers, ends included; those after `today` are not missing, only not yet here."""

    first: date
    last: date
    today: date

    def days(self) -> list[date]:
        return [self.first + timedelta(days=i) for i in range((self.last - self.first).days + 1)]

    def within(self, ledgers: Sequence[DayLedger]) -> list[DayLedger]:
        return [ledger for ledger in ledgers if self.first <= ledger.day <= self.last]


def delivered_by_origin(ledger: DayLedger) -> dict[str, Figure]:
    """Hot-water heat by origin, in stage order, what was in store at the start last."""
    parts = {line.stage: line.delivered for line in ledger.stages}
    parts[CARRIED_OVER] = ledger.hot_water.carried_over
    return parts


def origin_bar(name: str, paint: Paint, **options: object) -> go.Bar:
    """Bars of one origin: its colour, its pattern in ink, and an ink outline that carries the contrast."""
    return go.Bar(
        name=name,
        marker={
            "color": paint.colour,
            "line": {"color": INK, "width": 0.7},
            "pattern": {"shape": paint.pattern, "fgcolor": INK, "fgopacity": 0.55, "size": 6, "solidity": 0.25},
        },
        **options,
    )


def day_figure(span: Span, ledgers: Sequence[DayLedger], display: Display, *, height: int, unit: str) -> go.Figure:
    axes = {"xaxis": days_axis(span.first, span.last, display), "yaxis": value_axis(rangemode="tozero")}
    figure = go.Figure(layout=frame(height, unit=unit, bargap=0.25, **axes))
    for start, end in _missing(span, {ledger.day for ledger in ledgers}):
        _shade_days(figure, start, end)
    return figure


def _missing(span: Span, known_days: set[date]) -> list[tuple[date, date]]:
    """Runs of days without a ledger, ends included."""
    runs: list[tuple[date, date]] = []
    for day in span.days():
        if day in known_days or day > span.today:
            continue
        if runs and runs[-1][1] == day - timedelta(days=1):
            runs[-1] = (runs[-1][0], day)
        else:
            runs.append((day, day))
    return runs


def _shade_days(figure: go.Figure, first: date, last: date) -> None:
    start, end = (datetime(d.year, d.month, d.day) for d in (first, last))
    half = timedelta(hours=12)
    figure.add_vrect(
        x0=(start - half).isoformat(),
        x1=(end + half).isoformat(),
        fillcolor=GRID,
        opacity=0.6,
        line_width=0,
        layer="below",
    )
    if (last - first).days >= 3:
        middle = start + (end - start) / 2
        figure.add_annotation(x=middle.isoformat(), y=0.5, yref="paper", text="no data", showarrow=False)


def delivered_chart(site: Site, ledgers: Sequence[DayLedger], span: Span, *, display: Display) -> Chart | None:
    """Hot-water heat of each day, stacked by where it first came from."""
    shown = [ledger for ledger in span.within(ledgers) if math.isfinite(ledger.hot_water.heat.value)]
    if not shown:
        return None
    paints = origin_paints(site)
    figure = day_figure(span, shown, display, height=240, unit="kWh")
    figure.update_layout(barmode="stack")
    origins = [origin for origin in paints if _total(shown, origin) != 0]
    for origin in origins:
        figure.add_trace(_delivered_bars(origin_name(site, origin), origin, paint=paints[origin], ledgers=shown))
    return Chart(
        id="delivered",
        title="Where did the hot water's heat come from?",
        summary=_delivered_summary(site, shown, origins, display=display),
        figure=figure,
        keys=[Key(origin_name(site, o), paints[o], show_quantity(_total(shown, o), "kWh", display)) for o in origins],
        table=_delivered_table(site, shown, origins, display=display),
    )


def _delivered_bars(name: str, origin: str, *, paint: Paint, ledgers: Sequence[DayLedger]) -> go.Bar:
    values = [delivered_by_origin(ledger).get(origin) for ledger in ledgers]
    return origin_bar(
        name,
        paint,
        x=[ledger.day.isoformat() for ledger in ledgers],
        y=plain([math.nan if f is None else f.value for f in values]),
        hovertemplate="%{y:.1f} kWh",
    )


def _total(ledgers: Sequence[DayLedger], origin: str) -> float:
    """Heat of one origin over the days on which it is known. [kWh]"""
    parts = (delivered_by_origin(ledger).get(origin) for ledger in ledgers)
    return math.fsum(f.value for f in parts if f is not None and math.isfinite(f.value))


def _delivered_summary(site: Site, ledgers: Sequence[DayLedger], origins: Sequence[str], *, display: Display) -> str:
    total = math.fsum(_total(ledgers, origin) for origin in origins)
    if total <= 0:
        return "No heat left the taps on these days."
    parts = [f"{origin_name(site, o)} {show_percent(_total(ledgers, o) / total)}" for o in origins]
    return f"Of {show_quantity(total, 'kWh', display)} over {plural(len(ledgers), 'day')}: {', '.join(parts)}."


def _delivered_table(site: Site, ledgers: Sequence[DayLedger], origins: Sequence[str], *, display: Display) -> Table:
    rows = []
    for ledger in reversed(ledgers):
        parts = delivered_by_origin(ledger)
        cells = [show_figure(parts[o], display) if o in parts else UNKNOWN for o in origins]
        rows.append([show_day(ledger.day, display), *cells, show_figure(ledger.hot_water.heat, display)])
    return Table(["Day", *(origin_name(site, o) for o in origins), "Hot-water heat"], rows)


_Pick = Callable[[DayLedger], Figure | None]


def _points(
    name: str, ledgers: Sequence[DayLedger], pick: _Pick, *, line: Line, as_percent: bool = False
) -> go.Scatter:
    """One figure day by day, with its 95 % interval as a whisker; a day without it or its account breaks the line."""
    of_day = {ledger.day: pick(ledger) for ledger in ledgers}
    days = Span(min(of_day), max(of_day), max(of_day)).days()
    figures = [of_day.get(day) for day in days]
    scale = 100.0 if as_percent else 1.0
    values = [math.nan if f is None else f.value * scale for f in figures]
    halves = [0.0 if f is None else share_spread(f) if as_percent else f.plus_minus for f in figures]
    spreads = [0.0 if math.isnan(half) else half * scale for half in halves]
    return go.Scatter(
        name=name,
        x=[day.isoformat() for day in days],
        y=plain(values),
        error_y={"type": "data", "array": plain(spreads), "color": line.colour, "thickness": 1, "width": 2},
        mode="lines+markers",
        line={"color": line.colour, "dash": line.dash, "width": 1.5},
        marker={"size": 5, "color": line.colour},
        connectgaps=False,
        hovertemplate="%{y:.1f}",
    )


def _known(ledgers: Sequence[DayLedger], pick: _Pick) -> list[tuple[DayLedger, Figure]]:
    found = ((ledger, pick(ledger)) for ledger in ledgers)
    return [(ledger, f) for ledger, f in found if f is not None and math.isfinite(f.value)]


def backup_chart(ledgers: Sequence[DayLedger], span: Span, display: Display) -> Chart | None:
    """Backup's part of all heat that the stages put in, day by day, in percent."""

    def pick(ledger: DayLedger) -> Figure:
        return ledger.backup_fraction

    shown = span.within(ledgers)
    found = _known(shown, pick)
    if not found:
        return None
    figure = day_figure(span, shown, display, height=190, unit="%")
    figure.add_trace(_points("Backup", shown, pick, line=Line(OKABE_ITO["vermillion"], "solid"), as_percent=True))
    (highest, top), (latest, share) = max(found, key=lambda pair: pair[1].value), found[-1]
    told = f"Most on {show_day(highest.day, display)}: {show_figure(top, display, as_percent=True)} of all heat put in"
    if latest is not highest:
        told += f"; on {show_day(latest.day, display)}: {show_figure(share, display, as_percent=True)}"
    return Chart(
        id="backup",
        title="How much did the backup have to add?",
        summary=f"{told}.",
        figure=figure,
        table=Table(
            ["Day", "Backup share"],
            [[show_day(d.day, display), show_figure(f, display, as_percent=True)] for d, f in reversed(found)],
        ),
    )


def cop_chart(site: Site, ledgers: Sequence[DayLedger], span: Span, *, display: Display) -> Chart | None:
    """COP of every heat pump, in heating and in cooling."""
    shown = span.within(ledgers)
    lines = [(label, pick) for label, pick in _cop_lines(site) if _known(shown, pick)]
    if not lines:
        return None
    figure, keys, table_rows, told = day_figure(span, shown, display, height=190, unit="kWh per kWh"), [], [], []
    for (label, pick), line in zip(lines, _COP_LINES, strict=False):
        figure.add_trace(_points(label, shown, pick, line=line))
        last, value = _known(shown, pick)[-1]
        keys.append(Key(label, line, show_figure(value, display)))
        told.append(f"{label} on {show_day(last.day, display)}: {show_figure(value, display)}")
    for ledger in reversed(shown):
        cells = [show_figure(f, display) if (f := pick(ledger)) is not None else UNKNOWN for _, pick in lines]
        table_rows.append([show_day(ledger.day, display), *cells])
    return Chart(
        id="cop",
        title="How much heat did each kWh of electricity bring?",
        summary="; ".join(told) + ".",
        figure=figure,
        keys=keys,
        table=Table(["Day", *(label for label, _ in lines)], table_rows),
    )


_COP_LINES = (
    Line(OKABE_ITO["bluish green"], "solid"),
    Line(OKABE_ITO["blue"], "dash"),
    Line(OKABE_ITO["reddish purple"], "dot"),
    Line(OKABE_ITO["black"], "dashdot"),
)


def _cop_lines(site: Site) -> list[tuple[str, _Pick]]:
    def picker(heat_pump: str, field: str) -> _Pick:
        def pick(ledger: DayLedger) -> Figure | None:
            return next((getattr(h, field) for h in ledger.heat_pumps if h.heat_pump == heat_pump), None)

        return pick

    return [
        (f"{heat_pump_name(site, name)}, {word}", picker(name, field))
        for name in site.heat_pumps
        for word, field in (("heating", "heating_cop"), ("cooling", "cooling_cop"))
    ]
