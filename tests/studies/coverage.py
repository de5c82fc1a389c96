"""
How often the truth lies within a figure's interval, over many virtual houses with ordinary sensors.

Every house of a kind (`tests.studies.houses`) has sensors with errors of their own, drawn inside their stated limits,
and a site file whose unmeasured numbers (a tank's UA, a pump's power, where its sensors stand) are off as such numbers
are, and lives through some days of its own season; each day's figures are held against the plant's truth. An interval
of 95 % that holds has the truth inside it on 93 to 98 % of the days, and no interval is worth much that is far wider
than the errors.

A truth of nothing (a heater that never ran, a compressor that stood) is easily told: such figures are counted apart.
"""

import os
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import date, timedelta
from math import nan
from typing import Any

import numpy as np

from analytics.figures import DayLedger, day_to_json
from analytics.period import Span, add_up
from analytics.site import Site
from ingest.virtual import simulate, truth_to_json
from ingest.virtual.scenario import site_of
from tests.accounts import account_days
from tests.studies.houses import HOUSES, house_of
from tests.studies.stated import beside_their_middles, off_by_as_much_as_allowed

__all__ = ["Held", "Row", "held", "held_together", "rows", "table", "table_together"]

DAYS_A_HOUSE = 3
FORTNIGHT = 14
_HOLDS = (0.93, 0.98)
_ENOUGH = 20
_LISTS = {"stages": "stage", "heat_pumps": "heat_pump", "tanks": "tank"}


@dataclass(frozen=True, slots=True)
class Held:
    """One figure of one day beside its truth. The name tells the figure; a list's member is named in brackets."""

    layout: str
    name: str
    value: float
    plus_minus: float
    truth: float
    basis: str

    @property
    def error(self) -> float:
        return abs(self.value - self.truth)

    @property
    def is_inside(self) -> bool:
        # To the last digit: a figure that is exactly right, such as no heat at night, needs no interval.
        return self.error <= self.plus_minus + 1e-9 * max(1.0, abs(self.truth))


def held(layout: str, *, seed: int, days: int = DAYS_A_HOUSE) -> list[Held]:
    """Every figure of some days of one house that has a truth."""
    _, ledgers, truths = _lived(layout, seed=seed, days=days)
    return [
        Held(layout, name, figure["value"], figure["plus_minus"], truth, figure["basis"])
        for ledger, true in zip(ledgers, truths, strict=True)
        for name, figure, truth in _pairs(day_to_json(ledger), true)
        if figure["value"] is not None
    ]


def held_together(layout: str, *, seed: int, days: int = FORTNIGHT) -> list[Held]:
    """Every sum over some days of one house, after the account's first one; ratios are left out."""
    site, ledgers, truths = _lived(layout, seed=seed, days=days + 1)
    span = Span(ledgers[1].day, ledgers[-1].day, "together")
    backups = [stage.id for stage in site.stages.values() if stage.backup]
    together = day_to_json(add_up(span, ledgers[1:], backups=backups).total)
    sums: dict[str, float] = defaultdict(float)
    for ledger, true in zip(ledgers[1:], truths[1:], strict=True):
        for name, _, truth in _pairs(day_to_json(ledger), true):
            sums[name] += truth
    return [
        Held(layout, name, figure["value"], figure["plus_minus"], sums[name], figure["basis"])
        for name, figure, _ in _pairs(together, truths[-1])
        if figure["value"] is not None and figure["unit"] != "1"
    ]


def _lived(layout: str, *, seed: int, days: int) -> tuple[Site, list[DayLedger], list[Mapping[str, Any]]]:
    """A house as its site file states it, its ledgers, and the truth."""
    start = date(2025, 1, 3) + timedelta(days=(seed * 37) % 355)
    house = house_of(layout, seed)
    depths = beside_their_middles(site_of(house), seed=seed)
    run = simulate(house, start=start, days=days, seed=seed, depths=depths)
    site = off_by_as_much_as_allowed(run.site, seed=seed)
    results = account_days(site, run.traces, [start + timedelta(days=n) for n in range(days)])
    return site, [each.ledger for each in results], [_as_the_ledger_says(truth_to_json(day)) for day in run.truth]


def _as_the_ledger_says(truth: Mapping[str, Any]) -> Mapping[str, Any]:
    """What the room gave counts as carried over, and both together are not less than nothing."""
    water = truth["hot_water"]
    together = max(water["carried_over"] + water["from_room"], 0.0)
    return {**truth, "hot_water": {**water, "carried_over": together}}


def _pairs(ledger: Mapping[str, Any], truth: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any], float]]:
    """Figures with their truths, where there is one."""
    for key, figure in ledger.items():
        true = truth.get(key)
        if true is None:
            continue
        if isinstance(figure, list) and key in _LISTS:
            for line, true_line in zip(figure, true, strict=True):
                for name, one, number in _pairs(line, true_line):
                    yield f"{key} {name} [{line[_LISTS[key]]}]", one, number
        elif isinstance(true, Mapping):
            yield from ((f"{key} {name}", one, number) for name, one, number in _pairs(figure, true))
        elif isinstance(true, float | int) and isinstance(figure, Mapping):
            yield key, figure, float(true)


@dataclass(frozen=True, slots=True)
class Row:
    """
    A figure over all its days: how often inside, and the medians of interval and error.

    Args:
        n: Days on which there was something.
        none_inside: Of the days on which there was nothing, and something was said; NaN where there is no such day.
    """

    layout: str
    name: str
    n: int
    inside: float
    median_plus_minus: float
    median_error: float
    none_n: int
    none_inside: float


def rows(found: Sequence[Held]) -> list[Row]:
    """One row a figure that ever was more than nothing."""
    by_name: dict[tuple[str, str], list[Held]] = defaultdict(list)
    for one in found:
        by_name[one.layout, one.name].append(one)
    return [_row(group) for group in by_name.values() if any(one.truth != 0.0 for one in group)]


def _row(group: Sequence[Held]) -> Row:
    some = [one for one in group if one.truth != 0.0]
    none = [one for one in group if one.truth == 0.0 and one.value != 0.0]
    return Row(
        group[0].layout,
        group[0].name,
        len(some),
        _inside(some),
        float(np.median([one.plus_minus for one in some])),
        float(np.median([one.error for one in some])),
        len(none),
        _inside(none),
    )


def _inside(group: Sequence[Held]) -> float:
    return float(np.mean([one.is_inside for one in group])) if group else nan


def _house(task: tuple[str, int]) -> list[Held]:
    return held(task[0], seed=task[1])


def _house_together(task: tuple[str, int]) -> list[Held]:
    return held_together(task[0], seed=task[1])


def study(house: Callable[[tuple[str, int]], list[Held]], houses: int) -> list[Held]:
    """All kinds, so many houses of each, on all processors."""
    tasks = [(layout, seed) for layout in HOUSES for seed in range(1, houses + 1)]
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        return [one for part in pool.map(house, tasks, chunksize=5) for one in part]


def table(houses: int = 200) -> str:
    """A Markdown table of the study of days."""
    found = study(_house, houses)
    head = f"{houses} houses of each kind, {DAYS_A_HOUSE} days each; {len(found)} figures."
    return "\n".join([head, "", *_in_all(found), "", *_lines(found)])


def table_together(houses: int = 40) -> str:
    """The same of sums over a fortnight."""
    found = study(_house_together, houses)
    head = f"{houses} houses of each kind, {FORTNIGHT} days added up, after the account's first; {len(found)} figures."
    return "\n".join([head, "", *_in_all(found), "", *_lines(found)])


def _lines(found: Sequence[Held]) -> list[str]:
    lines = [
        "| layout | figure | times | inside | median ± | median error | times nothing | inside |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in rows(found):
        none = f"{row.none_inside:.1%}" if row.none_n else ""
        lines.append(
            f"| {row.layout} | {row.name} | {row.n} | {row.inside:.1%} | {row.median_plus_minus:.3g} | "
            f"{row.median_error:.3g} | {row.none_n} | {none} |"
        )
    return lines


def _in_all(found: Sequence[Held]) -> list[str]:
    """What the table comes to."""
    some, none = ([one for one in found if (one.truth != 0.0) is is_some] for is_some in (True, False))
    said = [one for one in none if one.value != 0.0]
    known = [row for row in rows(found) if row.n >= _ENOUGH]
    low, high = _HOLDS
    below, above = (sum(is_off(row.inside) for row in known) for is_off in (lambda x: x < low, lambda x: x > high))
    return [
        f"- Where the truth is more than nothing: {_inside(some):.1%} inside, of {len(some)}.",
        f"- Where it is nothing: {_inside(none):.1%} of {len(none)}; where something was said nevertheless, "
        f"{_inside(said):.1%} of {len(said)}.",
        f"- Of {len(known)} figures that were something {_ENOUGH} times and more, "
        f"{len(known) - below - above} hold {low:.0%} to {high:.0%} of the times, {above} more, {below} fewer.",
    ]
