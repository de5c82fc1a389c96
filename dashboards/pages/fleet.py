"""The fleet: who needs me today, and why?"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from analytics.figures import Figure
from analytics.site import Site
from dashboards.contexts import AlertView, FleetContext, FleetSite
from dashboards.links import FLEET, FLEET_JSON, alert_link, fleet_link, site_link
from dashboards.numbers import UNKNOWN, Display, display_of, show_age, show_figure, show_span
from dashboards.words import SILENT_S, alerts_by_urgency, costs_a_day, fleet_sentence, in_readers_words, reading_age_s

__all__ = ["Calling", "FleetPage", "Quiet", "fleet_page"]


@dataclass(frozen=True, slots=True)
class Calling:
    """A house that needs attention: its worst alert, and what all of its alerts cost."""

    name: str
    link: str
    alert: AlertView
    alert_link: str
    lasting: str
    cost: str
    others: int
    age: str
    is_silent: bool


@dataclass(frozen=True, slots=True)
class Quiet:
    """A house without an open alert, with the figures of its last whole day."""

    name: str
    link: str
    heat: str
    backup: str
    saved: str
    age: str
    is_silent: bool


@dataclass(frozen=True, slots=True)
class FleetPage:
    headline: str
    life: str
    calling: Sequence[Calling]
    quiet: Sequence[Quiet]
    query: str
    show: str
    filters: Sequence[tuple[str, str, bool]]
    has_sites: bool
    is_found: bool
    action: str = FLEET
    json_link: str = FLEET_JSON


def fleet_page(context: FleetContext) -> FleetPage:
    """Sort the houses, worst first and the quiet ones by name, and keep those that were asked for."""
    wanted = [line for line in context.sites if context.query.casefold() in line.site.name.casefold()]
    calling = sorted((line for line in wanted if alerts_by_urgency(line.alerts)), key=_rank)
    quiet = sorted((line for line in wanted if not alerts_by_urgency(line.alerts)), key=lambda line: line.site.name)
    return FleetPage(
        headline=fleet_sentence(context.sites, context.now),
        life=_life(context.sites, context.now),
        calling=[_calling(line, context.now) for line in calling] if context.show != "quiet" else [],
        quiet=[_quiet(line, context.now) for line in quiet] if context.show != "attention" else [],
        query=context.query,
        show=context.show,
        filters=_filters(context),
        has_sites=bool(context.sites),
        is_found=bool(wanted),
    )


_RANK = {"urgent": 0, "soon": 1, "watch": 2}


def _rank(line: FleetSite) -> tuple[int, bool, float, datetime]:
    """By the worst severity, what nobody took on first, by what the house's alerts cost together, the older first."""
    alerts = alerts_by_urgency(line.alerts)
    cost = math.fsum(a.cost_per_day for a in alerts if math.isfinite(a.cost_per_day))
    worth_kwh = cost / _kwh_price(line.site)
    return (_RANK[alerts[0].severity], alerts[0].state == "acknowledged", -worth_kwh, alerts[0].began)


def _kwh_price(site: Site) -> float:
    """What makes costs in different currencies comparable: they rank by the electricity that they would buy."""
    price = site.prices.electricity_per_kwh
    bands = price if isinstance(price, Sequence) else ()
    mean = math.fsum(band.per_kwh for band in bands) / len(bands) if bands else price
    return mean if isinstance(mean, int | float) and mean > 0 else 1.0


def _life(sites: Sequence[FleetSite], now: datetime) -> str:
    """One sentence by which one sees that readings arrive."""
    ages = [reading_age_s(line.newest_reading, now) for line in sites]
    known = [age for age in ages if not math.isnan(age)]
    if not sites:
        return ""
    if not known:
        return "No reading has arrived yet."
    fresh = sum(1 for age in known if age <= SILENT_S)
    youngest = min(known)
    when = f"{round(youngest)} s ago" if youngest < 90 else show_age(youngest)
    return f"The newest reading arrived {when}; {fresh} of {len(sites)} houses reported within the last hour."


def _calling(line: FleetSite, now: datetime) -> Calling:
    display, alerts = display_of(line.site), alerts_by_urgency(line.alerts)
    worst, age = in_readers_words(alerts[0], now, display), reading_age_s(line.newest_reading, now)
    return Calling(
        name=line.site.name,
        link=site_link(line.site.id),
        alert=worst,
        alert_link=alert_link(worst.id),
        lasting=show_span((now - worst.began).total_seconds(), is_by_day=worst.is_by_day),
        cost=costs_a_day([a.cost_per_day for a in alerts], display),
        others=len(alerts) - 1,
        age=show_age(age),
        is_silent=not age <= SILENT_S,
    )


def _quiet(line: FleetSite, now: datetime) -> Quiet:
    display, age = display_of(line.site), reading_age_s(line.newest_reading, now)
    day = line.last_day
    return Quiet(
        name=line.site.name,
        link=site_link(line.site.id),
        heat=_shown(day.hot_water.heat if day else None, display),
        backup=_shown(day.backup_fraction if day else None, display, as_percent=True),
        saved=_shown(day.saved.money if day else None, display),
        age=show_age(age),
        is_silent=not age <= SILENT_S,
    )


def _shown(figure: Figure | None, display: Display, *, as_percent: bool = False) -> str:
    return UNKNOWN if figure is None else show_figure(figure, display, as_percent=as_percent)


def _filters(context: FleetContext) -> list[tuple[str, str, bool]]:
    """The three views as (words, address, whether it is the present one)."""
    words = (("all", "All houses"), ("attention", "Needing attention"), ("quiet", "Quiet"))
    return [(text, fleet_link(query=context.query, show=show), show == context.show) for show, text in words]
