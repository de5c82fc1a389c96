"""
The sentences that the pages open with. They are true also where data are missing, where nothing was drawn, and where
nothing was saved; read aloud they sound like a person.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

from analytics.doubt import independent
from analytics.figures import DayLedger, Figure
from analytics.site import Site
from dashboards.assumptions import baseline_name
from dashboards.charts.history import delivered_by_origin
from dashboards.colours import CARRIED_OVER
from dashboards.contexts import AlertView, FleetSite, HomeContext, SiteContext
from dashboards.names import origin_name, with_names
from dashboards.numbers import (
    UNKNOWN,
    Display,
    local_date,
    plural,
    show_age,
    show_day,
    show_instant,
    show_money,
    show_percent,
    show_quantity,
    spoken,
)
from dashboards.rewording import in_readers_units, with_years

__all__ = [
    "SILENT_S",
    "MonthSums",
    "alerts_by_urgency",
    "costs_a_day",
    "day_sentence",
    "day_title",
    "fleet_sentence",
    "in_readers_words",
    "missing_sentence",
    "month_money",
    "month_sentence",
    "month_sums",
    "reading_age_s",
    "site_sentence",
    "sum_of",
    "unpriced_sentence",
    "working_sentence",
]

SILENT_S = 3600.0  # after an hour without a reading the pages stop speaking of "now"

_WELL_COVERED = 0.9  # as the expectations have it for a good day

_URGENCY = {"urgent": 0, "soon": 1, "watch": 2}


def alerts_by_urgency(alerts: Sequence[AlertView]) -> list[AlertView]:
    """Those that last, worst first: by severity, those that nobody took on first, by cost a day, the older first."""

    def rank(alert: AlertView) -> tuple[int, bool, float, datetime]:
        cost = 0.0 if math.isnan(alert.cost_per_day) else alert.cost_per_day
        return (_URGENCY[alert.severity], alert.state == "acknowledged", -cost, alert.began)

    return sorted((a for a in alerts if a.state != "resolved"), key=rank)


def in_readers_words(alert: AlertView, now: datetime, display: Display) -> AlertView:
    """The alert with its sentences in the units of the reader; of one that is over it says so first."""
    return replace(
        alert,
        summary=_summary(alert, now, display),
        likely_causes=[_opened(in_readers_units(cause, display)) for cause in alert.likely_causes],
        checks=[_opened(in_readers_units(check, display)) for check in alert.checks],
    )


def _summary(alert: AlertView, now: datetime, display: Display) -> str:
    began, today = local_date(alert.began, display), local_date(now, display)
    said = in_readers_units(with_years(alert.summary, began, today), display)
    if alert.ended is None:
        return said
    return f"Over since {show_instant(alert.ended, now, display, is_by_day=alert.is_by_day)}. While it lasted: {said}"


def _opened(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


def costs_a_day(costs: Sequence[float], display: Display) -> str:
    """What the known costs come to; nothing is said where none is known."""
    found = [cost for cost in costs if math.isfinite(cost) and cost > 0]
    return f"about {show_money(math.fsum(found), display)} a day" if found else ""


def reading_age_s(newest: datetime | None, now: datetime) -> float:
    """Seconds since the newest reading; NaN where there never was one."""
    return math.nan if newest is None else max((now - newest).total_seconds(), 0.0)


def fleet_sentence(sites: Sequence[FleetSite], now: datetime) -> str:
    """How many houses need attention, and whether readings still arrive."""
    if not sites:
        return "No house has been added yet."
    calling = [line for line in sites if alerts_by_urgency(line.alerts)]
    urgent = [line for line in calling if alerts_by_urgency(line.alerts)[0].severity == "urgent"]
    total = {1: "The one house", 2: "Both houses"}.get(len(sites), f"All {len(sites)} houses")
    if not calling:
        return f"{total} {'is' if len(sites) == 1 else 'are'} quiet: no alert is open."
    needs = f"{len(calling)} of {len(sites)} houses {'needs' if len(calling) == 1 else 'need'} attention"
    if len(urgent) == len(calling):
        return f"{needs}, urgently."
    return f"{needs}, {len(urgent)} of them urgently." if urgent else f"{needs}, none of them urgently."


def site_sentence(context: SiteContext, newest: datetime | None) -> str:
    """The worst alert that lasts, or silence, or that nothing is wrong that the watch could see."""
    alerts = alerts_by_urgency(context.alerts)
    if alerts:
        rest = len(alerts) - 1
        more = f" And {rest} more {'alert is' if rest == 1 else 'alerts are'} open." if rest else ""
        return alerts[0].summary + more
    age = reading_age_s(newest, context.now)
    if math.isnan(age):
        return "No reading has arrived from this house yet."
    if age > SILENT_S:
        return f"The last reading arrived {show_age(age)}; what happens now is not known."
    return "No alert is open."


def day_sentence(ledger: DayLedger | None, *, site: Site, display: Display, is_today: bool) -> str:
    """What the taps took on a day, and where most of it came from."""
    if ledger is None:
        return "No account of this day has been made."
    heat = ledger.hot_water.heat
    if math.isnan(heat.value):
        return f"How much hot water was used is not known: {_because(heat)}"
    opening = "So far today the taps have taken" if is_today else "The taps took"
    partly = _partly(heat, is_today=is_today)
    if heat.value <= 0:
        if partly:
            return f"No use of hot water was seen.{partly}"
        return "No hot water has been used so far today." if is_today else "No hot water was used."
    water = ledger.hot_water.volume
    volume = "" if math.isnan(water.value) else f" in {show_quantity(water.value, 'l', display)} of water"
    taken = f"{show_quantity(heat.value, 'kWh', display)} of heat{volume}"
    if partly:
        return f"The readings that came tell of {taken} at the taps.{_mostly(ledger, site)}{partly}"
    return f"{opening} {taken}.{_mostly(ledger, site)}"


def _partly(heat: Figure, *, is_today: bool) -> str:
    """That readings tell of a part of the day only, where they do."""
    if heat.coverage >= _WELL_COVERED:
        return ""
    return f" Readings cover {show_percent(heat.coverage)} of the day{' so far' if is_today else ''}."


def _because(figure: Figure) -> str:
    return figure.why or "no readings that could be used."


def _mostly(ledger: DayLedger, site: Site) -> str:
    parts = {o: f.value for o, f in delivered_by_origin(ledger).items() if math.isfinite(f.value)}
    total = math.fsum(parts.values())
    if total <= 0:
        return ""
    most = max(parts, key=lambda origin: parts[origin])
    name = "what was already in store" if most == CARRIED_OVER else _plainly(origin_name(site, most))
    share = show_percent(parts[most] / total)
    return f" {share[:1].upper()}{share[1:]} of it came from {name}."


@dataclass(frozen=True, slots=True)
class MonthSums:
    """
    A month's figures as sums over the days that have them.

    Args:
        heat: Hot-water heat. [kWh]
        origins: The same by origin.
        money, energy: Saved.
        known_days, past_days: Days that went into the account, and days of the month that have begun.
        unpriced_days: Days of known hot water of which it is not known what was bought for it.
    """

    heat: Figure
    origins: dict[str, Figure]
    money: Figure
    energy: Figure
    co2: Figure
    known_days: int
    past_days: int
    unpriced_days: int = 0

    @property
    def missing_days(self) -> int:
        return self.past_days - self.known_days


def sum_of(figures: Sequence[Figure], unit: str) -> Figure:
    """
    The sum over the days on which the figure is known.

    A sensor that reads high today reads high tomorrow, so such errors add up; what errs anew each day does so as
    chance. Of figures that do not say where their intervals come from, the intervals add up.
    """
    found = [f for f in figures if math.isfinite(f.value)]
    if not found:
        return Figure(math.nan, unit, math.nan, "unavailable", 0.0, figures[0].why if figures else "")
    if len(units := {f.unit for f in found}) > 1:
        why = f"the days are in {' and '.join(sorted(units))}, which do not add up."
        return Figure(math.nan, unit, math.nan, "unavailable", 0.0, why)
    doubt = independent(f.doubt for f in found)
    tells = all(f.doubt.u > 0 or f.plus_minus == 0 for f in found)
    spread = doubt.half_width if tells else math.fsum(f.plus_minus for f in found)
    worst = max(found, key=lambda f: ("measured", "derived", "estimated", "unavailable").index(f.basis))
    covered = math.fsum(f.coverage for f in found) / len(figures)
    return Figure(math.fsum(f.value for f in found), found[0].unit, spread, worst.basis, covered, worst.why, doubt)


def month_sums(context: HomeContext, past_days: int) -> MonthSums:
    """The month's account from its days."""
    days, currency = context.ledgers, context.site.prices.currency
    origins = [*context.site.stages, CARRIED_OVER]
    by_day = [delivered_by_origin(day) for day in days]
    return MonthSums(
        heat=sum_of([d.hot_water.heat for d in days], "kWh"),
        origins={o: sum_of([parts[o] for parts in by_day if o in parts], "kWh") for o in origins},
        money=sum_of([d.saved.money for d in days], currency),
        energy=sum_of([d.saved.energy for d in days], "kWh"),
        co2=sum_of([d.saved.co2 for d in days], "kg"),
        known_days=sum(1 for d in days if math.isfinite(d.hot_water.heat.value)),
        past_days=past_days,
        unpriced_days=sum(
            1 for d in days if math.isfinite(d.hot_water.heat.value) and not math.isfinite(d.saved.money.value)
        ),
    )


def working_sentence(context: HomeContext) -> str:
    """Is it working? Only what is known; no readings are never taken for health."""
    alerts = alerts_by_urgency(context.alerts)
    age = reading_age_s(context.newest_reading, context.now)
    if math.isnan(age):
        return "Your system has not sent any readings yet."
    if age > 24 * SILENT_S:
        return f"Your system last sent a reading {show_age(age)}, so we cannot tell whether it is working."
    if not alerts:
        return "Nothing we can see needs your attention."
    if alerts[0].severity == "watch":
        return f"There is one thing to keep an eye on. {with_names(alerts[0].summary, context.site)}"
    return f"Something needs attention. {with_names(alerts[0].summary, context.site)}"


def month_sentence(sums: MonthSums, *, site: Site, month: date, in_progress: bool) -> str:
    """Where the month's hot water came from, as one would say it."""
    name = f"{month:%B}"
    so_far = f"So far in {name}" if in_progress else f"In {name}"
    if sums.known_days == 0:
        return f"{so_far}, there is no account of your hot water: {_because(sums.heat)}"
    if sums.heat.value <= 0:
        return f"{so_far}, no hot water was used."
    free = [o for o, stage in site.stages.items() if not stage.backup and _positive(sums.origins[o])]
    share = math.fsum(sums.origins[o].value for o in free) / sums.heat.value
    if not free:
        return f"{so_far}, all of your hot water was heated by the backup."
    names = spoken([_plainly(origin_name(site, o)) for o in free])
    return f"{so_far}, {_in_words(share)} your hot water's heat came from {names}."


def _positive(figure: Figure) -> bool:
    return math.isfinite(figure.value) and figure.value > 0


_PLAIN = {"solar": "the sun", "sun": "the sun", "ground source": "the ground", "ground": "the ground"}


def _plainly(name: str) -> str:
    return _PLAIN.get(name.lower(), f"the {name[:1].lower()}{name[1:]}")


_SHARES = (
    (0.97, "practically all of"),
    (0.85, "most of"),
    (0.775, "about four fifths of"),
    (0.71, "about three quarters of"),
    (0.62, "about two thirds of"),
    (0.55, "more than half of"),
    (0.45, "about half of"),
    (0.38, "less than half of"),
    (0.29, "about a third of"),
    (0.20, "about a quarter of"),
    (0.05, "a small part of"),
    (0.0, "hardly any of"),
)


def _in_words(share: float) -> str:
    return next(words for least, words in _SHARES if share >= least)


def month_money(sums: MonthSums, *, site: Site, display: Display, in_progress: bool) -> tuple[str, str]:
    """The one figure of money, and the sentence under it that says what it is."""
    money = sums.money
    instead = baseline_name(site)
    if sums.known_days == 0:
        return UNKNOWN, "What you saved cannot be told."
    if math.isnan(money.value):
        return UNKNOWN, f"What you saved cannot be told: {_because(money)}"
    spread = 0.0 if math.isnan(money.plus_minus) else money.plus_minus
    low, high = money.value - spread, money.value + spread
    has = "has " if in_progress else ""
    if low < 0 < high:
        bounds = f"somewhere between {show_money(-low, display)} more and {show_money(high, display)} less"
        return show_money(money.value, display), f"Too close to call: it {has}cost {bounds} than {instead} would have."
    less = f"{show_money(min(abs(low), abs(high)), display)} and {show_money(max(abs(low), abs(high)), display)}"
    word = "less" if money.value >= 0 else "more"
    figure = show_money(abs(money.value), display)
    verdict = "saved" if money.value >= 0 else "spent on top"
    between = f", most likely between {less}" if spread else ""
    return f"{figure} {verdict}", f"Your hot water {has}cost that much {word} than with {instead}{between}."


def missing_sentence(missing_days: int) -> str:
    """What the account leaves out, where it leaves out anything."""
    if missing_days <= 0:
        return ""
    days = (
        "1 day has no usable readings and counts"
        if missing_days == 1
        else f"{missing_days} days have no usable readings and count"
    )
    return f"{days} for nothing here, so the true sums differ."


def unpriced_sentence(sums: MonthSums) -> str:
    """Days whose hot water is known and not what it cost, where others are known."""
    if not sums.unpriced_days or math.isnan(sums.money.value):
        return ""
    return f"The money leaves out {plural(sums.unpriced_days, 'day')} on which what was bought is not known."


def day_title(day: date, *, today: date, display: Display) -> str:
    """Today, Yesterday, or the day with its weekday."""
    if day == today:
        return "Today"
    if (today - day).days == 1:
        return "Yesterday"
    return show_day(day, display, weekday=True, year=day.year != today.year)
