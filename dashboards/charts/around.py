"""Before and after an alert, from the ledgers: did the repair work?"""

import math
from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from analytics.figures import DayLedger, Figure
from analytics.site import Site
from dashboards.charts.frame import Chart, Table, plain
from dashboards.charts.history import Span, day_figure, origin_bar
from dashboards.colours import SHADE, origin_paints
from dashboards.contexts import AlertContext
from dashboards.names import origin_name
from dashboards.numbers import Display, show_day, show_figure, show_quantity

__all__ = ["around_chart"]


def around_chart(context: AlertContext, display: Display) -> Chart | None:
    """
    The stage's daily heat, or the energy bought where the alert is not about a stage, around the alert.

    None where no day knows it, and for a house that fell silent: of that time no energy is known.
    """
    if context.alert.kind == "site-silent":
        return None
    ledgers = sorted(context.ledgers, key=lambda ledger: ledger.day)
    stage = _stage_of(context.site, context.alert.component)
    pick, title = _picked(context.site, stage)
    figures = [pick(ledger) for ledger in ledgers]
    if not any(math.isfinite(f.value) for f in figures):
        return None
    figure = day_figure(
        Span(ledgers[0].day, ledgers[-1].day, ledgers[-1].day), ledgers, display, height=190, unit="kWh"
    )
    first, last = _alert_days(context, display)
    half = timedelta(hours=12)
    shade = {"fillcolor": SHADE, "opacity": 0.8, "line_width": 0, "layer": "below"}
    figure.add_vrect(x0=(_noon(first) - half).isoformat(), x1=(_noon(last) + half).isoformat(), **shade)
    paint = origin_paints(context.site)[stage or "carried-over"]
    days, values = [ledger.day.isoformat() for ledger in ledgers], plain([f.value for f in figures])
    figure.add_trace(origin_bar(title, paint, x=days, y=values, hovertemplate="%{y:.1f} kWh"))
    rows = [[show_day(d.day, display), show_figure(f, display)] for d, f in zip(ledgers, figures, strict=True)]
    return Chart(
        id="around",
        title=title,
        summary=_summary(ledgers, figures, days=(first, last), display=display),
        figure=figure,
        table=Table(["Day", "Energy"], rows[::-1]),
    )


def _noon(day: date) -> datetime:
    # Bars stand at the midnight that opens their day on Plotly's date axis.
    return datetime(day.year, day.month, day.day)


def _stage_of(site: Site, component: str) -> str | None:
    found = (s.id for s in site.stages.values() if component in (s.id, s.loop, s.heater))
    return next(found, None)


def _picked(site: Site, stage: str | None) -> tuple[Callable[[DayLedger], Figure], str]:
    if stage is None:
        return (lambda ledger: ledger.purchased), "How much energy was bought, before and after?"

    def heat(ledger: DayLedger) -> Figure:
        missing = Figure(math.nan, "kWh", basis="unavailable", why="the day's account does not know this source")
        return next((line.heat for line in ledger.stages if line.stage == stage), missing)

    return heat, f"How much heat did {origin_name(site, stage)} give, before and after?"


def _alert_days(context: AlertContext, display: Display) -> tuple[date, date]:
    zone = ZoneInfo(display.timezone)
    end = context.alert.ended or context.now
    return context.alert.began.astimezone(zone).date(), end.astimezone(zone).date()


def _summary(
    ledgers: Sequence[DayLedger], figures: Sequence[Figure], *, days: tuple[date, date], display: Display
) -> str:
    pairs = [(ledger.day, f.value) for ledger, f in zip(ledgers, figures, strict=True) if math.isfinite(f.value)]
    parts = {
        "before": [value for day, value in pairs if day < days[0]],
        "while it lasted": [value for day, value in pairs if days[0] <= day <= days[1]],
        "after": [value for day, value in pairs if day > days[1]],
    }
    told = [
        f"{show_quantity(math.fsum(values) / len(values), 'kWh', display)} a day {when}"
        for when, values in parts.items()
        if values
    ]
    return f"On average {', '.join(told)}."
