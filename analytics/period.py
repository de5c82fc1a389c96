"""
Weeks, months, seasons, years: days added up.

A period's figures are sums of its days' or ratios of such sums, never means of daily ratios. Their doubts add by
source: what errs alike every day adds up, what errs anew each day adds as squares, what stands at the days' ends
cancels between days that follow each other. Days that could not be metered are told, not filled in.
"""

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import fsum, isnan
from typing import Literal, TypeVar

from analytics.doubt import combined, over_days
from analytics.figures import (
    ALL_OF_IT,
    ANY_SHARE,
    BEYOND_NATURE,
    COVERED,
    PLAIN_COVERAGE,
    Basis,
    DayLedger,
    Electricity,
    Figure,
    HeatPumpLine,
    HotWaterLine,
    Saved,
    StageLine,
    TankLine,
    unavailable,
)

__all__ = [
    "NO_READINGS",
    "By",
    "Period",
    "Span",
    "add_up",
    "calendar_days",
    "calendar_span",
    "spans",
]

By = Literal["week", "month", "season", "year", "all"]

_Line = TypeVar("_Line", StageLine, TankLine)
_Pair = tuple[date, Figure, Figure]

NO_READINGS = "No readings."
_NOT_YET, _NO_LONGER = "The house did not have it yet.", "The house no longer had it."
_NOT_THEN = "The house did not have it on all of them."
_RANK: Sequence[Basis] = ("measured", "derived", "estimated", "unavailable")
_NO_FACTOR = "On no day could it be metered while the compressor heated."
_LEAST_HEAT_KWH = 0.2  # below this a fraction has no meaning; common practice


@dataclass(frozen=True, slots=True)
class Span:
    """Calendar days first..last, both included, with a name for people."""

    first: date
    last: date
    name: str

    @property
    def n_days(self) -> int:
        return (self.last - self.first).days + 1


@dataclass(frozen=True, slots=True)
class Period:
    """
    Args:
        span: The days that it is meant to cover.
        n_known: Days of it that have a ledger.
        total: The days' figures added up; its `day` is the span's first.
    """

    span: Span
    n_known: int
    total: DayLedger


def spans(by: By, first: date, last: date) -> list[Span]:
    """
    The weeks (from Monday), months, seasons (December to February ...) or years that touch first..last, cut to it.

    "all" is the whole as one.
    """
    found: list[Span] = []
    day = first
    while day <= last:
        end = last if by == "all" else min(_end_of(by, day), last)
        found.append(Span(day, end, _name(by, day, end)))
        day = end + timedelta(days=1)
    return found


def calendar_days(by: By, day: date) -> int:
    """How many days the whole week, month, season or year has that `day` lies in."""
    first, last = calendar_span(by, day)
    return (last - first).days + 1


def calendar_span(by: By, day: date) -> tuple[date, date]:
    """First and last day of the whole week, month, season or year that `day` lies in."""
    starts = {
        "week": day - timedelta(days=day.weekday()),
        "month": day.replace(day=1),
        "season": _month_before(day, day.month % 3),
        "year": date(day.year, 1, 1),
    }
    return starts[by], _end_of(by, day)


def _month_before(day: date, months: int) -> date:
    index = day.year * 12 + day.month - 1 - months
    return date(index // 12, index % 12 + 1, 1)


def _end_of(by: By, day: date) -> date:
    if by == "week":
        return day + timedelta(days=6 - day.weekday())
    if by == "year":
        return date(day.year, 12, 31)
    months = 1 if by == "month" else 3 - day.month % 3
    index = day.year * 12 + day.month - 1 + months
    return date(index // 12, index % 12 + 1, 1) - timedelta(days=1)


def _name(by: By, first: date, last: date) -> str:
    match by:
        case "week":
            year, week, _ = first.isocalendar()
            return f"{year}-W{week:02d}"
        case "month":
            return f"{first:%Y-%m}"
        case "season":
            return f"{first:%Y-%m} to {last:%Y-%m}"
        case "year":
            return f"{first.year}"
        case _:
            return f"{first}" if first == last else f"{first} to {last}"


def add_up(span: Span, ledgers: Sequence[DayLedger], *, backups: Collection[str]) -> Period:
    """
    One period from its days' ledgers.

    Args:
        ledgers: Those of the span's days that there are, at least one, in order.
        backups: Ids of the stages that are backup.
    Raises:
        ValueError: If there is no ledger.
    """
    if not ledgers:
        raise ValueError(f"no day of {span.name} has a ledger")
    n_days = span.n_days

    def added(pick: Callable[[DayLedger], Figure]) -> Figure:
        return _added([(ledger.day, pick(ledger)) for ledger in ledgers], n_days)

    total = DayLedger(
        site=ledgers[0].site,
        day=span.first,
        coverage=fsum(ledger.coverage for ledger in ledgers) / n_days,
        stages=_stages(ledgers, n_days),
        hot_water=HotWaterLine(
            added(lambda d: d.hot_water.volume),
            added(lambda d: d.hot_water.heat),
            added(lambda d: d.hot_water.carried_over),
        ),
        backup_fraction=_backup_fraction(ledgers, backups, n_days),
        delivered_backup_fraction=_delivered_backup_fraction(ledgers, backups, n_days),
        heat_pumps=_heat_pumps(ledgers, backups, n_days),
        tanks=_tanks(ledgers, n_days),
        electricity=Electricity(
            added(lambda d: d.electricity.heaters),
            added(lambda d: d.electricity.heat_pumps),
            added(lambda d: d.electricity.pumps),
        ),
        purchased=added(lambda d: d.purchased),
        saved=Saved(added(lambda d: d.saved.energy), added(lambda d: d.saved.money), added(lambda d: d.saved.co2)),
    )
    return Period(span, len(ledgers), total)


def _added(by_day: Sequence[tuple[date, Figure]], n_days: int) -> Figure:
    """The sum of the days' figures; which days it lacks is said."""
    figures = [figure for _, figure in by_day]
    known = [figure for figure in figures if not isnan(figure.value)]
    if not known:
        told = next((each for each in figures if each.why not in (_NOT_YET, _NO_LONGER, _NOT_THEN)), None)
        return unavailable(told.unit, told.why) if told else unavailable("", "No day has it.")
    if len(units := {figure.unit for figure in known}) > 1:
        return unavailable(known[-1].unit, f"The days are in {' and '.join(sorted(units))}, which do not add up.")
    doubt = over_days([(day, figure.doubt) for day, figure in by_day if not isnan(figure.value)])
    basis: Basis = max((figure.basis for figure in known), key=_RANK.index)
    coverage = fsum(figure.coverage for figure in known) / n_days
    value = fsum(figure.value for figure in known)
    return Figure(
        value, known[0].unit, doubt.half_width, basis, coverage, _why(figures, basis, n_days, coverage), doubt
    )


def _why(figures: Sequence[Figure], basis: Basis, n_days: int, coverage: float) -> str:
    lacking = n_days - sum(not isnan(figure.value) for figure in figures)
    reason = next((f.why for f in figures if isnan(f.value) and f.why), "" if len(figures) == n_days else NO_READINGS)
    if lacking:
        return f"Without {lacking} of {n_days} days. {reason}".rstrip()
    # A day's coverage is not that of the sum.
    whys = (f.why for f in figures if f.basis == basis and f.why and basis != "measured")
    why = next((each for each in whys if not each.startswith(COVERED)), "")
    if coverage < PLAIN_COVERAGE:
        return f"{why} {COVERED} {coverage:.0%} of the time.".lstrip()
    return why


def _ratio(pairs: Iterable[_Pair], least: float, *, none: str, n_days: int) -> Figure:
    """Sum of the first over sum of the second, over days on which both are known; the second must exceed `least`."""
    both = [pair for pair in pairs if not isnan(pair[1].value) and not isnan(pair[2].value)]
    below = fsum(whole.value for _, _, whole in both)
    if below <= least:
        return unavailable("1", none)
    ratio = fsum(part.value for _, part, _ in both) / below
    doubt = over_days(
        [(day, combined([(1 / below, part.doubt), (-ratio / below, whole.doubt)])) for day, part, whole in both]
    )
    basis: Basis = "estimated" if any("estimated" in (p.basis, w.basis) for _, p, w in both) else "derived"
    coverage = fsum(min(part.coverage, whole.coverage) for _, part, whole in both) / n_days
    why = f"Without {n_days - len(both)} of {n_days} days." if len(both) < n_days else ""
    return Figure(ratio, "1", doubt.half_width, basis, coverage, why, doubt)


def _share(figure: Figure) -> Figure:
    return unavailable("1", ANY_SHARE) if figure.plus_minus >= ALL_OF_IT else figure


def _day_sum(figures: Sequence[Figure]) -> Figure:
    """Sum of figures of one day, which share what they are metered with."""
    doubt = combined((1.0, figure.doubt) for figure in figures)
    worst: Basis = max((figure.basis for figure in figures), key=_RANK.index, default="measured")
    coverage = min((figure.coverage for figure in figures), default=1.0)
    return Figure(fsum(figure.value for figure in figures), "kWh", doubt.half_width, worst, coverage, "", doubt)


def _backup_fraction(ledgers: Sequence[DayLedger], backups: Collection[str], n_days: int) -> Figure:
    pairs = [
        (
            ledger.day,
            _day_sum([line.heat for line in ledger.stages if line.stage in backups]),
            _day_sum([line.heat for line in ledger.stages]),
        )
        for ledger in ledgers
        if ledger.stages
    ]
    return _share(_ratio(pairs, _LEAST_HEAT_KWH, none="All stages together gave next to nothing.", n_days=n_days))


def _delivered_backup_fraction(ledgers: Sequence[DayLedger], backups: Collection[str], n_days: int) -> Figure:
    pairs = [
        (
            ledger.day,
            _day_sum([line.delivered for line in ledger.stages if line.stage in backups]),
            ledger.hot_water.heat,
        )
        for ledger in ledgers
        if ledger.stages
    ]
    return _share(_ratio(pairs, _LEAST_HEAT_KWH, none="The taps took next to nothing.", n_days=n_days))


def _ids(found: Iterable[Sequence[str]]) -> list[str]:
    """Every id in the order in which it first came."""
    return list(dict.fromkeys(one for ids in found for one in ids))


def _stages(ledgers: Sequence[DayLedger], n_days: int) -> list[StageLine]:
    lines = [(ledger.day, ledger.stages) for ledger in ledgers]
    return _lines(StageLine, lines, of="stage", sums=("heat", "reverse", "delivered"), n_days=n_days)


def _tanks(ledgers: Sequence[DayLedger], n_days: int) -> list[TankLine]:
    lines = [(ledger.day, ledger.tanks) for ledger in ledgers]
    return _lines(TankLine, lines, of="tank", sums=("stored_change", "loss", "residual"), n_days=n_days)


def _lines(
    kind: Callable[..., _Line],
    lines: Sequence[tuple[date, Sequence[_Line]]],
    *,
    of: str,
    sums: Sequence[str],
    n_days: int,
) -> list[_Line]:
    """The days' lines added up: one for each name that they carry in their field `of`."""
    by_name: dict[str, list[tuple[date, _Line]]] = {}
    for day, of_day in lines:
        for line in of_day:
            by_name.setdefault(getattr(line, of), []).append((day, line))
    days = [day for day, _ in lines]
    return [
        kind(
            name,
            *(_added(_on_all([(day, getattr(line, field)) for day, line in mine], days), n_days) for field in sums),
        )
        for name, mine in by_name.items()
    ]


def _on_all(of_part: Sequence[tuple[date, Figure]], days: Sequence[date]) -> list[tuple[date, Figure]]:
    """A part's figures of those days on which the house had it, and that it had none on the others."""
    known, first, last, unit = dict(of_part), of_part[0][0], of_part[-1][0], of_part[0][1].unit

    def lacking(day: date) -> Figure:
        return unavailable(unit, _NOT_YET if day < first else _NO_LONGER if day > last else _NOT_THEN)

    return [(day, known[day] if day in known else lacking(day)) for day in days]


def _heat_pumps(ledgers: Sequence[DayLedger], backups: Collection[str], n_days: int) -> list[HeatPumpLine]:
    lines = []
    for pump in _ids([line.heat_pump for line in ledger.heat_pumps] for ledger in ledgers):
        mine = [(ledger.day, line) for ledger in ledgers for line in ledger.heat_pumps if line.heat_pump == pump]
        days = [ledger.day for ledger in ledgers]
        line = replace(_heat_pump(pump, mine, days=days, n_days=n_days), spf=_factors(pump, ledgers, backups))
        lines.append(_told_of_nature(line, [(day, each.heating_cop) for day, each in mine]))
    return lines


def _told_of_nature(total: HeatPumpLine, cops: Sequence[tuple[date, Figure]]) -> HeatPumpLine:
    """The same, its COP in heating and its factors with the word of days whose COP no machine can have."""
    beyond = [(day, cop.why) for day, cop in cops if BEYOND_NATURE in cop.why and not isnan(cop.value)]
    if not beyond:
        return total
    known, (last, why) = sum(not isnan(cop.value) for _, cop in cops), beyond[-1]
    said = why[why.index(BEYOND_NATURE) :]
    if len(cops) > 1:
        said = f"On {len(beyond)} of {known} days the COP is more than a machine can have; on the last, {last}: {said}"

    def told(figure: Figure) -> Figure:
        return figure if isnan(figure.value) else replace(figure, why=f"{figure.why} {said}".strip())

    factors = {boundary: told(factor) for boundary, factor in total.spf.items()}
    return replace(total, heating_cop=told(total.heating_cop), spf=factors)


def _factors(pump: str, ledgers: Sequence[DayLedger], backups: Collection[str]) -> dict[str, Figure]:
    """Performance factors over the days on which the heat pump heated: sums of heat over sums of energy."""
    found: dict[str, list[_Pair]] = {}
    for ledger in ledgers:
        line = next((each for each in ledger.heat_pumps if each.heat_pump == pump), None)
        backup = [stage.heat for stage in ledger.stages if stage.stage in backups]
        for boundary, factor in line.spf.items() if line is not None else ():
            assert line is not None
            with_backup = boundary in ("h3", "h4")
            heat = _day_sum([line.heating_heat, *(backup if with_backup else ())])
            found.setdefault(boundary, []).append((ledger.day, heat, _used(heat, factor)))
    return {boundary: _cop(pairs, _NO_FACTOR) for boundary, pairs in found.items()}


def _heat_pump(
    pump: str, mine: Sequence[tuple[date, HeatPumpLine]], *, days: Sequence[date], n_days: int
) -> HeatPumpLine:
    def added(name: str) -> Figure:
        return _added(_on_all([(day, getattr(line, name)) for day, line in mine], days), n_days)

    heating = [(day, line.heating_heat, _used(line.heating_heat, line.heating_cop)) for day, line in mine]
    cooling = [(day, line.cooling, _used(line.cooling, line.cooling_cop)) for day, line in mine]
    none = "The compressor did not run in this mode."
    return HeatPumpLine(
        heat_pump=pump,
        heating_heat=added("heating_heat"),
        heating_electricity=added("heating_electricity"),
        heating_cop=_cop(heating, none),
        heating_run_hours=added("heating_run_hours"),
        heating_starts=added("heating_starts"),
        cooling=added("cooling"),
        cooling_electricity=added("cooling_electricity"),
        cooling_cop=_cop(cooling, none),
        cooling_run_hours=added("cooling_run_hours"),
        cooling_starts=added("cooling_starts"),
        source_heat=added("source_heat"),
    )


def _used(heat: Figure, cop: Figure) -> Figure:
    """The electricity of the time in which the heat was heard, with the doubt that makes heat over it the COP's."""
    if isnan(heat.value) or isnan(cop.value) or cop.value <= 0:
        return unavailable("kWh", cop.why)
    used = heat.value / cop.value
    doubt = combined([(1 / cop.value, heat.doubt), (-used / cop.value, cop.doubt)])
    return Figure(used, "kWh", doubt.half_width, cop.basis, cop.coverage, "", doubt)


def _cop(pairs: Sequence[_Pair], none: str) -> Figure:
    # Days on which the compressor rested are no gap in a COP.
    n_run = sum(not isnan(used.value) for _, _, used in pairs)
    return _ratio(pairs, 0.0, none=none, n_days=n_run) if n_run else unavailable("1", none)
