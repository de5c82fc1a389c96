"""
A period's figure in numbers: the days' values that are added up, the days that are not known, and how doubt is carried.

What errs alike every day adds up over the days; what errs anew each day adds as squares; of what stands at the days'
ends the first start and the last end of days that follow each other are left. A span of many days is shown by calendar
months.
"""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import fsum, isnan, nan

from analytics.doubt import NO_DOUBT, Doubt, combined, over_days, runs_of
from analytics.figure_paths import figures_by_path
from analytics.figures import BEYOND_NATURE, DayLedger, Figure
from analytics.period import Period, Span
from analytics.workings.written import Number, Step, Table, Working, added, amount, kwh, multiplied, written

__all__ = ["period_working"]

_MOST_DAYS = 62  # above it months are shown
_SOURCES_A_TABLE = 4
_LEAST_PART = 1e-3  # of the variance, from which a source has a column, as in `analytics.workings.interval`
_MOST_NAMED = 10

Pair = Callable[[Mapping[str, Figure], DayLedger], tuple[Figure, Figure]]


@dataclass(frozen=True, slots=True)
class _Row:
    """A day or a month: what it adds above (and, of a ratio, below) the line, and its doubt in the figure's unit."""

    name: str
    above: float
    below: float
    doubt: Doubt
    why: str = ""


@dataclass(frozen=True, slots=True)
class _Ratio:
    """What is divided by what on each day, and what the columns are called."""

    pair: Pair
    above: str
    below: str


def period_working(found: Period, ledgers: Sequence[DayLedger], path: str, *, backups: Collection[str]) -> Working:
    """
    The working of a period's figure; without sums where it is not known.

    Args:
        found: The period as `analytics.period.add_up` gives it, of these ledgers.
        backups: Ids of the stages that are backup.
    Raises:
        KeyError: If there is no such figure.
    """
    figure, ratio = figures_by_path(found.total)[path], _ratio(path, backups)
    rows = [_added_row(ledger, path) if ratio is None else _ratio_row(ledger, ratio, path) for ledger in ledgers]
    if ratio is not None:
        rows = _with_doubts(rows, ledgers, ratio, value=figure.value)
    remarks = [*_not_known(found.span, rows), *_beyond_nature(ledgers, path)]
    known = [row for row in rows if not row.why]
    if isnan(figure.value):
        return Working(path, (), (), (), remarks)
    whole, ends = _whole("together", known), _ends_tables(known, figure)
    if found.span.n_days > _MOST_DAYS:
        known = _by_month(known)
    tables = [_values(known, whole, figure, ratio=ratio), *_doubts(known, figure), *ends]
    return Working(path, (), tables, _steps(known, whole, figure, ratio=ratio), remarks)


def _whole(name: str, days: Sequence[_Row]) -> _Row:
    return _Row(name, fsum(r.above for r in days), fsum(r.below for r in days), over_days(_by_day(days)))


def _by_day(days: Sequence[_Row]) -> list[tuple[date, Doubt]]:
    return [(date.fromisoformat(row.name), row.doubt) for row in days]


def _ratio(path: str, backups: Collection[str]) -> _Ratio | None:
    """How a ratio's days are made; None for a figure whose days are added up."""
    if path == "backup_fraction":
        return _Ratio(
            lambda _, day: (_sum(s.heat for s in day.stages if s.stage in backups), _sum(s.heat for s in day.stages)),
            "backup",
            "all stages",
        )
    if path == "delivered_backup_fraction":
        return _Ratio(
            lambda _, day: (_sum(s.delivered for s in day.stages if s.stage in backups), day.hot_water.heat),
            "backup",
            "all hot water",
        )
    if not path.endswith(".cop") and ".spf." not in path:
        return None
    heating = path.partition(".spf.")[0] if ".spf." in path else path.removesuffix(".cop")
    what = f"{heating}.{'cooling' if heating.endswith('.cooling') else 'heat'}"
    more = backups if path.endswith((".h3", ".h4")) else ()
    return _Ratio(
        lambda figures, day: _over(
            _sum([figures[what], *(s.heat for s in day.stages if s.stage in more)]), figures[path]
        ),
        "heat" if what.endswith("heat") else "cooling",
        "energy used",
    )


def _sum(figures: Iterable[Figure]) -> Figure:
    every = list(figures)
    why = next((figure.why for figure in every if isnan(figure.value)), "")
    return Figure(fsum(f.value for f in every), "kWh", why=why, doubt=combined((1.0, f.doubt) for f in every))


def _over(heat: Figure, factor: Figure) -> tuple[Figure, Figure]:
    """A heat, and the energy that makes it its factor."""
    if isnan(heat.value) or isnan(factor.value) or factor.value <= 0.0:
        return heat, Figure(nan, "kWh", why=factor.why or heat.why)
    used = heat.value / factor.value
    doubt = combined([(1.0 / factor.value, heat.doubt), (-used / factor.value, factor.doubt)])
    return heat, Figure(used, "kWh", doubt=doubt)


def _added_row(ledger: DayLedger, path: str) -> _Row:
    name, figure = ledger.day.isoformat(), figures_by_path(ledger).get(path)
    if figure is None:
        return _Row(name, nan, nan, NO_DOUBT, "It was not part of the house then.")
    return _Row(name, figure.value, nan, figure.doubt, (figure.why or "Not known.") if isnan(figure.value) else "")


def _ratio_row(ledger: DayLedger, ratio: _Ratio, path: str) -> _Row:
    name, figures = ledger.day.isoformat(), figures_by_path(ledger)
    if path not in figures:
        return _Row(name, nan, nan, NO_DOUBT, "It was not part of the house then.")
    above, below = ratio.pair(figures, ledger)
    why = next((side.why or "Not known." for side in (above, below) if isnan(side.value)), "")
    return _Row(name, above.value, below.value, NO_DOUBT, why)


def _with_doubts(rows: Sequence[_Row], ledgers: Sequence[DayLedger], ratio: _Ratio, *, value: float) -> list[_Row]:
    """The same with what each day adds to the ratio's doubt: of both sides, over the period's denominator."""
    below = fsum(row.below for row in rows if not row.why)
    found = []
    for row, ledger in zip(rows, ledgers, strict=True):
        doubt = NO_DOUBT
        if not row.why and below > 0.0:
            part, whole = ratio.pair(figures_by_path(ledger), ledger)
            doubt = combined([(1.0 / below, part.doubt), (-value / below, whole.doubt)])
        found.append(_Row(row.name, row.above, row.below, doubt, row.why))
    return found


def _by_month(rows: Sequence[_Row]) -> list[_Row]:
    months = dict.fromkeys(row.name[:7] for row in rows)
    return [_whole(month, [row for row in rows if row.name.startswith(month)]) for month in months]


def _not_known(span: Span, rows: Sequence[_Row]) -> list[str]:
    """Days of the span that are not in the sum, with the reasons."""
    there = {row.name: row.why for row in rows}
    days = [(span.first + timedelta(days=n)).isoformat() for n in range(span.n_days)]
    by_reason: dict[str, list[str]] = {}
    for day in days:
        if there.get(day, "No account of that day."):
            by_reason.setdefault(there.get(day, "No account of that day."), []).append(day)
    return [_said(span, missing, why) for why, missing in by_reason.items()]


def _beyond_nature(ledgers: Sequence[DayLedger], path: str) -> list[str]:
    """Days whose COP, or factor, no machine can have."""
    figures = [(ledger.day.isoformat(), figures_by_path(ledger).get(path)) for ledger in ledgers]
    days = [day for day, figure in figures if figure is not None and BEYOND_NATURE in figure.why]
    return [f"In it, with a steady COP that no machine can have: {_listed(days)}."] if days else []


def _said(span: Span, missing: Sequence[str], why: str) -> str:
    return f"Not in it, {len(missing)} of {span.n_days} days: {_listed(missing)}. {why} Nothing is filled in for them."


def _listed(days: Sequence[str]) -> str:
    more = f" and {len(days) - _MOST_NAMED} more" if len(days) > _MOST_NAMED else ""
    return ", ".join(days[:_MOST_NAMED]) + more


def _values(rows: Sequence[_Row], whole: _Row, figure: Figure, *, ratio: _Ratio | None) -> Table:
    rows = [*rows, whole]
    if ratio is None:
        added = [(r.name, _cell(r.above, figure.unit), _u(r.doubt.half_width)) for r in rows]
        columns = (_first(rows), figure.unit or "number", "±")
        return Table("Added up", columns, added, "The last row is the sum of the column; its ± is carried as below.")
    divided = [(r.name, written(r.above, 3), written(r.below, 3), _own(r)) for r in rows]
    headings = (_first(rows), f"{ratio.above} kWh", f"{ratio.below} kWh", "ratio")
    return Table("Added up, then divided", headings, divided, "The last row has the columns' sums, and their ratio.")


def _own(row: _Row) -> str:
    return amount(row.above / row.below, "").text if row.below > 0.0 else "—"


def _first(rows: Sequence[_Row]) -> str:
    return "Month" if rows and len(rows[0].name) == len("2026-01") else "Day"


def _cell(value: float, unit: str) -> str:
    return written(value, 0 if unit == "" else 3)


def _u(value: float) -> str:
    return amount(value, "", digits=3).text


def _named(figure: Figure) -> list[str]:
    """Sources that have a column or a table, the largest first."""
    return [source for source, part in figure.doubt.shares() if part > _LEAST_PART]


def _doubts(rows: Sequence[_Row], figure: Figure) -> list[Table]:
    """Standard uncertainties by source and day, the largest first, and how they are carried."""
    sources = [source for source in _named(figure) if source not in figure.doubt.ends]
    tables = [sources[at : at + _SOURCES_A_TABLE] for at in range(0, len(sources), _SOURCES_A_TABLE)]
    title = "Standard uncertainty by source"
    ranks = [f", {n} of {len(tables)}" if len(tables) > 1 else "" for n in range(1, len(tables) + 1)]
    return [_doubt_table(rows, figure, named, title=title + rank) for named, rank in zip(tables, ranks, strict=True)]


def _doubt_table(rows: Sequence[_Row], figure: Figure, named: Sequence[str], *, title: str) -> Table:
    cells = [(row.name, *(_cell_of(row.doubt, source) for source in named)) for row in rows]
    cells.append(("carried", *(_cell_of(figure.doubt, source) for source in named)))
    ways = [f"{source}: {'added up' if source in figure.doubt.steady else 'root of the squares'}" for source in named]
    note = f"{'; '.join(ways)}. What errs alike every day adds up, what errs anew each day adds as squares."
    return Table(title, (_first(rows), *named), cells, note)


def _ends_tables(days: Sequence[_Row], figure: Figure) -> list[Table]:
    """What is left of sources at the days' ends: a table each, a row for each run of days that follow each other."""
    sources = [source for source in _named(figure) if source in figure.doubt.ends]
    return [_ends_table(days, figure, source) for source in sources]


def _ends_table(days: Sequence[_Row], figure: Figure, source: str) -> Table:
    def u(value: float) -> str:
        return amount(value, "", digits=4).text

    cells = [
        (f"{run.first} to {run.last}", u(run.first_c), u(run.last_c), written(run.apart, 3), u(run.c))
        for run in runs_of(source, _by_day(days))
    ]
    cells.append(("carried", "", "", "", u(figure.doubt.ends[source])))
    columns = ("Days that follow each other", "first day's", "last day's", "apart", "left")
    note = (
        "left = √((first² + last²) ÷ 2 × apart); carried is the root of the squares. What is too much at one day's end "
        "is too much at the next one's start, and cancels; apart is how much further, as a variance, two ends are from "
        "each other so many days apart than from one day to the next: of stored heat 2 − 2 × 0.5 to the power of their "
        "number, of a counter's reading 1."
    )
    return Table(f"Standard uncertainty at the days' ends: {source}", columns, cells, note)


def _cell_of(doubt: Doubt, source: str) -> str:
    value = doubt.by_source.get(source)
    return "0" if value is None else amount(value, "", digits=4).text


def _steps(rows: Sequence[_Row], whole: _Row, figure: Figure, *, ratio: _Ratio | None) -> list[Step]:
    if ratio is not None:
        above, below = kwh(whole.above), kwh(whole.below)
        return [Step("Ratio of the sums", multiplied([above], [below]), amount(figure.value, "1"))]
    places = 0 if figure.unit == "" else 3
    terms = [(1.0, Number(row.above, places, figure.unit)) for row in rows]
    total = Number(figure.value, places, figure.unit)
    months = len(rows[0].name) < len("2026-01-05")
    return [Step(f"Sum of the {'months' if months else 'days'}", added(terms), total)]
