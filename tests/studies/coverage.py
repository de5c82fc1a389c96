"""
How often the truth lies within a figure's interval, over many virtual houses with ordinary sensors.

Every house of a kind (`tests.studies.houses`) lives through some days of its own season, seen by several sets of
instruments (`tests.studies.instruments`): sensors with errors of their own inside their stated limits, and a site file
whose unmeasured numbers (a tank's UA, a pump's power, where its sensors stand) are off as such numbers are. Each day's
figures are held against the plant's truth. An interval of 95 % that holds has the truth inside it on 93 to 98 % of the
days, and no interval is worth much that is far wider than the errors.

A truth of nothing (a heater that never ran, a compressor that stood) is easily told, and so is a count of starts: such
figures are counted apart.
"""

import os
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import date, timedelta
from math import nan, sqrt
from typing import Any

import numpy as np

from analytics.figures import DayLedger, day_to_json
from analytics.period import Span, add_up
from analytics.site import Site
from ingest.virtual import truth_to_json
from tests.accounts import account_days
from tests.studies.houses import HOUSES, PARCEL_HOUSES, house_of, plant_of
from tests.studies.instruments import Instruments, at_random, by_plan, lived

__all__ = ["Held", "Row", "held", "held_together", "rows", "table", "table_of_parcels", "table_together"]

DAYS_A_HOUSE = 3
FORTNIGHT = 14
SETS_A_HOUSE = 4
_HOLDS = (0.93, 0.98)
_ENOUGH = 20
_COUNTS = "starts"
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
    house: int = 0

    @property
    def error(self) -> float:
        return abs(self.value - self.truth)

    @property
    def is_inside(self) -> bool:
        # To the last digit: a figure that is exactly right, such as no heat at night, needs no interval.
        return self.error <= self.plus_minus + 1e-9 * max(1.0, abs(self.truth))


def held(
    layout: str, *, seed: int, days: int = DAYS_A_HOUSE, instruments: Sequence[Instruments] | None = None
) -> list[Held]:
    """Every figure of some days of one house that has a truth, by each set of instruments."""
    lives, truths = _lived(layout, seed=seed, days=days, instruments=instruments)
    return [
        Held(layout, name, figure["value"], figure["plus_minus"], truth, figure["basis"], seed)
        for _, ledgers in lives
        for ledger, true in zip(ledgers, truths, strict=True)
        for name, figure, truth in _pairs(day_to_json(ledger), true)
        if figure["value"] is not None
    ]


def held_together(
    layout: str, *, seed: int, days: int = FORTNIGHT, instruments: Sequence[Instruments] | None = None
) -> list[Held]:
    """Every sum over some days of one house, after the account's first one; ratios are left out."""
    lives, truths = _lived(layout, seed=seed, days=days + 1, instruments=instruments)
    return [one for life in lives for one in _together(layout, seed, life, truths)]


def _together(layout: str, seed: int, life: "_Life", truths: Sequence[Mapping[str, Any]]) -> Iterator[Held]:
    site, ledgers = life
    span = Span(ledgers[1].day, ledgers[-1].day, "together")
    backups = [stage.id for stage in site.stages.values() if stage.backup]
    together = day_to_json(add_up(span, ledgers[1:], backups=backups).total)
    sums: dict[str, float] = defaultdict(float)
    for ledger, true in zip(ledgers[1:], truths[1:], strict=True):
        for name, _, truth in _pairs(day_to_json(ledger), true):
            sums[name] += truth
    for name, figure, _ in _pairs(together, truths[-1]):
        if figure["value"] is not None and figure["unit"] != "1":
            yield Held(layout, name, figure["value"], figure["plus_minus"], sums[name], figure["basis"], seed)


_Life = tuple[Site, list[DayLedger]]


def _lived(
    layout: str, *, seed: int, days: int, instruments: Sequence[Instruments] | None
) -> tuple[list[_Life], list[Mapping[str, Any]]]:
    """A house as its site file states it and its ledgers, by each set of instruments, and the truth."""
    start = date(2025, 1, 3) + timedelta(days=(seed * 37) % 355)
    sets = instruments or [at_random(seed)]
    house, plant = house_of(layout, seed), plant_of(layout)
    seen, truths = lived(house, start=start, days=days, seed=seed, instruments=sets, plant=plant)
    each = [start + timedelta(days=n) for n in range(days)]
    lives = [(one.site, [result.ledger for result in account_days(one.site, one.traces, each)]) for one in seen]
    return lives, [_as_the_ledger_says(truth_to_json(day)) for day in truths]


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
        n: Times that there was something.
        may_be: What `inside` may be of all such houses, by 95 %.
        none_n: Times that there was nothing, and something was said.
        none_inside: Of these; NaN where there is no such day.
    """

    layout: str
    name: str
    n: int
    inside: float
    may_be: tuple[float, float]
    median_plus_minus: float
    median_error: float
    none_n: int
    none_inside: float

    @property
    def is_count(self) -> bool:
        return self.name.rpartition(" [")[0].endswith(_COUNTS)

    @property
    def is_below(self) -> bool:
        """Whether it holds less often than it should, beyond what may be by chance."""
        return self.may_be[1] < _HOLDS[0]

    @property
    def is_above(self) -> bool:
        """Whether it holds more often than it should, beyond what may be by chance."""
        return self.may_be[0] > _HOLDS[1]


def rows(found: Sequence[Held]) -> list[Row]:
    """One row a figure that ever was more than nothing."""
    by_name: dict[tuple[str, str], list[Held]] = defaultdict(list)
    for one in found:
        by_name[one.layout, one.name].append(one)
    groups = [group for group in by_name.values() if any(one.truth != 0.0 for one in group)]
    usual = _usual_effect([[one for one in group if one.truth != 0.0] for group in groups])
    return [_row(group, usual) for group in groups]


def _row(group: Sequence[Held], usual_effect: float) -> Row:
    some = [one for one in group if one.truth != 0.0]
    none = [one for one in group if one.truth == 0.0 and one.value != 0.0]
    return Row(
        group[0].layout,
        group[0].name,
        len(some),
        _inside(some),
        _may_be(some, usual_effect),
        float(np.median([one.plus_minus for one in some])),
        float(np.median([one.error for one in some])),
        len(none),
        _inside(none),
    )


def _inside(group: Sequence[Held]) -> float:
    return float(np.mean([one.is_inside for one in group])) if group else nan


def _may_be(group: Sequence[Held], usual_effect: float) -> tuple[float, float]:
    """
    Wilson's interval of as many times as would be worth as much if all were independent.

    Args:
        usual_effect: How many times of this study are worth one that is independent; for a figure that is always
            inside, or never, of which nothing can be seen.
    """
    mean, z = _inside(group), 1.96
    n = len(group) / (_effect(group) if 0.0 < mean < 1.0 else usual_effect)
    middle, half = mean + z**2 / (2 * n), z * sqrt(mean * (1 - mean) / n + (z / (2 * n)) ** 2)
    return (middle - half) / (1 + z**2 / n), (middle + half) / (1 + z**2 / n)


def _effect(group: Sequence[Held]) -> float:
    """
    By how much more the houses' sums vary than those of independent times, and no less than one: the design effect.

    The days of one house are not independent; the plan of their instruments leaves rather less.
    """
    mean, by_house = _inside(group), defaultdict[int, float](float)
    for one in group:
        by_house[one.house] += one.is_inside - mean
    return max(sum(off**2 for off in by_house.values()) / (len(group) * mean * (1 - mean)), 1.0)


def _usual_effect(groups: Iterable[Sequence[Held]]) -> float:
    effects = [_effect(group) for group in groups if len(group) >= _ENOUGH and 0.0 < _inside(group) < 1.0]
    return float(np.median(effects)) if effects else 1.0


Task = tuple[str, int, int]
"""A kind, a house, and how many houses there are."""


def _sets(task: Task) -> list[Instruments]:
    kind, seed, houses = task
    first = (seed - 1) * SETS_A_HOUSE
    return [by_plan(kind, first + k, of=houses * SETS_A_HOUSE) for k in range(SETS_A_HOUSE)]


def _house(task: Task) -> list[Held]:
    return held(task[0], seed=task[1], instruments=_sets(task))


def _house_together(task: Task) -> list[Held]:
    return held_together(task[0], seed=task[1], instruments=_sets(task))


def study(house: Callable[[Task], list[Held]], houses: int, kinds: Iterable[str] = HOUSES) -> list[Held]:
    """All kinds, so many houses of each, on all processors."""
    tasks = [(layout, seed, houses) for layout in kinds for seed in range(1, houses + 1)]
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        return [one for part in pool.map(house, tasks, chunksize=5) for one in part]


_PLAN = (
    "Each house is seen by {sets} sets of instruments. The error of calibration of each sensor, its place in its tank "
    "and the number of the site file that nobody measured are spread evenly within their limits by a Latin hypercube "
    "over all {all} sets of a kind: each {all}th part of the limits is used once, in an order of its own."
)


def table(houses: int = 100) -> str:
    """A Markdown table of the study of days."""
    return _table(study(_house, houses), f"{DAYS_A_HOUSE} days each", houses)


def table_of_parcels(houses: int = 25) -> str:
    """The same of the houses in parcels."""
    return _table(study(_house, houses, PARCEL_HOUSES), f"{DAYS_A_HOUSE} days each", houses)


def table_together(houses: int = 40) -> str:
    """The same of sums over a fortnight."""
    days = f"{FORTNIGHT} days added up, after the account's first"
    return _table(study(_house_together, houses), days, houses)


def _table(found: Sequence[Held], days: str, houses: int) -> str:
    head = f"{houses} houses of each kind, {days}; {len(found)} figures."
    plan = _PLAN.format(sets=SETS_A_HOUSE, all=houses * SETS_A_HOUSE)
    return "\n".join([head, plan, "", *_in_all(found), "", *_lines(found)])


def _lines(found: Sequence[Held]) -> list[str]:
    lines = [
        "| layout | figure | times | inside | may be | median ± | median error | times nothing | inside |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in rows(found):
        none = f"{row.none_inside:.1%}" if row.none_n else ""
        lines.append(
            f"| {row.layout} | {row.name} | {row.n} | {_marked(row)} | {row.may_be[0]:.1%} to {row.may_be[1]:.1%} | "
            f"{row.median_plus_minus:.3g} | {row.median_error:.3g} | {row.none_n} | {none} |"
        )
    return lines


def _marked(row: Row) -> str:
    """In bold where it is outside by more than may be chance; a count holds as often as it can."""
    is_marked = row.n >= _ENOUGH and not row.is_count and (row.is_below or row.is_above)
    return f"**{row.inside:.1%}**" if is_marked else f"{row.inside:.1%}"


def _in_all(found: Sequence[Held]) -> list[str]:
    """What the table comes to."""
    some, none = ([one for one in found if (one.truth != 0.0) is is_some] for is_some in (True, False))
    said = [one for one in none if one.value != 0.0]
    known = [row for row in rows(found) if row.n >= _ENOUGH and not row.is_count]
    counts = [row for row in rows(found) if row.n >= _ENOUGH and row.is_count]
    low, high = _HOLDS
    below, above = [row for row in known if row.inside < low], [row for row in known if row.inside > high]
    surely = sum(row.is_below for row in below), sum(row.is_above for row in above)
    return [
        f"- Where the truth is more than nothing: {_inside(some):.1%} inside, of {len(some)}.",
        f"- Where it is nothing: {_inside(none):.1%} of {len(none)}; where something was said nevertheless, "
        f"{_inside(said):.1%} of {len(said)}.",
        f"- Of {len(known)} figures that were something {_ENOUGH} times and more, "
        f"{len(known) - len(below) - len(above)} hold {low:.0%} to {high:.0%} of the times, {len(above)} more "
        f"({surely[1]} beyond what may be by chance), {len(below)} fewer ({surely[0]} beyond that); those beyond it "
        "are in bold.",
        f"- Counts are either right or wrong: {len(counts)} figures, right {_least(counts)} of the times and more.",
    ]


def _least(rows: Sequence[Row]) -> str:
    return f"{min((row.inside for row in rows), default=nan):.1%}"
