"""
A span of days beside the same days of the year before: what was bought, used and saved, and how sure the change is.

Only days are set side by side that both years have, so that a week without readings makes neither year look thrifty.
"""

from calendar import isleap
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import isnan

from analytics.corrected import Correction, Pair, corrected
from analytics.differences import difference
from analytics.doubt import combined
from analytics.figures import Basis, DayLedger, Figure, unavailable
from analytics.period import NO_READINGS, Period, Span, add_up

__all__ = ["Beside", "Change", "beside", "month_to", "same_days_before", "year_to"]

_LEAST_COVERED = 0.9  # of a day; below, its sums are not those of a day
_FIT_MARGIN = timedelta(days=31)  # days of the year before on either side that tell how the house was then
_OF_BOTH = "Counted are the days that both years have whole."  # the days that a sum lacks may well have readings
_LEAST_HEAT_KWH = 0.2  # below this a ratio has no meaning; common practice


@dataclass(frozen=True, slots=True)
class Change:
    """A figure of the later and of the earlier days, and later less earlier."""

    later: Figure
    earlier: Figure
    difference: Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """
    Args:
        later, earlier: The days meant.
        n_days: Days of `later` but 29 February, which no year before has.
        n_pairs: Of them, those that both years have whole.
        changes: By name: purchased, hot_water_heat, purchased_per_heat, saved_energy, saved_money, saved_co2. Empty
            where there is no pair.
        correction: What would have been bought with the use and the weather of the earlier days.
        why: Where `changes` are empty, or where the correction is None: the reason, as a sentence.
    """

    later: Span
    earlier: Span
    n_days: int
    n_pairs: int
    changes: Mapping[str, Change]
    correction: Correction | None
    why: str

    @property
    def leap_day(self) -> date | None:
        """29 February, where one of the two has it: it is never set beside another day."""
        days = (date(year, 2, 29) for year in (self.later.last.year, self.earlier.last.year) if isleap(year))
        return next((d for d in days for span in (self.later, self.earlier) if span.first <= d <= span.last), None)


def month_to(last: date) -> Span:
    """The month of a day, up to that day."""
    return Span(last.replace(day=1), last, f"{last:%Y-%m}")


def year_to(last: date) -> Span:
    """The year of a day, up to that day."""
    return Span(date(last.year, 1, 1), last, f"{last.year}")


def _year_earlier(day: date) -> date:
    """The same day a year before; of 29 February, the 28th."""
    return day.replace(year=day.year - 1, day=28 if (day.month, day.day) == (2, 29) else day.day)


def same_days_before(span: Span) -> Span:
    """The same days of the year before; to the end of February where the span ends with it."""
    last = _year_earlier(span.last)
    if (span.last + timedelta(days=1)).day == 1:  # whole months stay whole
        last = span.last.replace(day=1, year=span.last.year - 1)
        last = (last + timedelta(days=31)).replace(day=1) - timedelta(days=1)
    first = _year_earlier(span.first)
    return Span(first, last, f"{first:%Y-%m}" if len(span.name) > 4 else f"{first.year}")


def beside(span: Span, ledgers: Sequence[DayLedger], *, backups: Collection[str]) -> Beside:
    """
    A span of whole days beside the same days of the year before.

    Args:
        ledgers: Of both years, in order, with a month of days around the earlier ones where there are such.
        backups: Ids of the stages that are backup.
    """
    earlier, by_day = same_days_before(span), {ledger.day: ledger for ledger in ledgers}
    pairs, n_days = _pairs(span, by_day), len(_days_of_every_year(span))
    if not pairs:
        why = _no_pair(span, earlier, by_day)
        return Beside(later=span, earlier=earlier, n_days=n_days, n_pairs=0, changes={}, correction=None, why=why)
    sums = tuple(add_up(one, [p[i] for p in pairs], backups=backups) for i, one in ((1, span), (0, earlier)))
    learnt = [
        ledger
        for ledger in ledgers
        if earlier.first - _FIT_MARGIN <= ledger.day <= earlier.last + _FIT_MARGIN
        and ledger.day < span.first
        and _is_whole(ledger)
    ]
    found = corrected(pairs, learnt, later=sums[0].total, earlier=sums[1].total)
    return Beside(
        later=span,
        earlier=earlier,
        n_days=n_days,
        n_pairs=len(pairs),
        changes=_changes(*sums),
        correction=None if isinstance(found, str) else found,
        why=found if isinstance(found, str) else "",
    )


def _is_whole(ledger: DayLedger) -> bool:
    figures = (ledger.purchased, ledger.hot_water.heat)
    return all(not isnan(figure.value) and figure.coverage >= _LEAST_COVERED for figure in figures)


def _days_of_every_year(span: Span) -> list[date]:
    days = [span.first + timedelta(days=n) for n in range(span.n_days)]
    return [day for day in days if (day.month, day.day) != (2, 29)]


def _pairs(span: Span, by_day: Mapping[date, DayLedger]) -> list[Pair]:
    """Earlier and later ledger of each day that both years have whole."""
    found = [(by_day.get(_year_earlier(day)), by_day.get(day)) for day in _days_of_every_year(span)]
    return [
        (before, after)
        for before, after in found
        if before is not None and after is not None and _is_whole(before) and _is_whole(after)
    ]


def _no_pair(span: Span, earlier: Span, by_day: Mapping[date, DayLedger]) -> str:
    for one in (earlier, span):
        kept = [ledger for day, ledger in by_day.items() if one.first <= day <= one.last]
        if not kept:
            return f"There is no account of {one.name}."
        if not any(_is_whole(ledger) for ledger in kept):
            figure = next((f for k in kept for f in (k.purchased, k.hot_water.heat) if isnan(f.value) and f.why), None)
            return f"No day of {one.name} is wholly known. {figure.why if figure else ''}".rstrip()
    return f"No day is known in both {earlier.name} and {span.name}."


def _changes(later: Period, earlier: Period) -> dict[str, Change]:
    after, before = (_figures(period.total) for period in (later, earlier))
    return {name: Change(after[name], before[name], difference(after[name], before[name])) for name in after}


def _figures(total: DayLedger) -> dict[str, Figure]:
    found = {
        "purchased": total.purchased,
        "hot_water_heat": total.hot_water.heat,
        "purchased_per_heat": _per_heat(total.purchased, total.hot_water.heat),
        "saved_energy": total.saved.energy,
        "saved_money": total.saved.money,
        "saved_co2": total.saved.co2,
    }
    return {name: replace(figure, why=figure.why.replace(NO_READINGS, _OF_BOTH)) for name, figure in found.items()}


def _per_heat(purchased: Figure, heat: Figure) -> Figure:
    """Energy bought for a unit of heat in hot water."""
    if heat.value < _LEAST_HEAT_KWH:
        return unavailable("1", "The taps took next to nothing.")
    ratio = purchased.value / heat.value
    doubt = combined([(1 / heat.value, purchased.doubt), (-ratio / heat.value, heat.doubt)])
    basis: Basis = "estimated" if "estimated" in (purchased.basis, heat.basis) else "derived"
    coverage = min(purchased.coverage, heat.coverage)
    return Figure(ratio, "1", doubt.half_width, basis, coverage, "", doubt)
