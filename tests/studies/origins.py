"""
How well heat is followed by origin: each origin's share of a day's hot water beside the node-by-node truth.

Houses, seasons and sensor errors of seeds that nothing was tuned on. The first day of an account is left out, since
nobody knows what a tank held before it began.
"""

import os
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from analytics.site import Site
from analytics.trace import Trace
from ingest.virtual import SCENARIOS, simulate, truth_to_json
from ingest.virtual.truth import DayTruth
from tests.accounts import account_days
from tests.parcels.house import ParcelHouse
from tests.studies.houses import PARCEL_HOUSES
from tests.studies.instruments import at_random, lived

__all__ = ["Shares", "shares", "study", "table"]

SEASONS = (date(2025, 1, 13), date(2025, 4, 14), date(2025, 7, 14), date(2025, 10, 13))
DAYS = 8
_LEAST_KWH = 0.5  # below it a share says nothing


@dataclass(frozen=True, slots=True)
class Shares:
    """One origin of one day, or of a week: its share by the ledger and in truth."""

    layout: str
    start: date
    origin: str
    is_week: bool
    found: float
    truth: float

    @property
    def error(self) -> float:
        return abs(self.found - self.truth)


def shares(layout: str, start: date, *, seed: int) -> list[Shares]:
    """Every stage's share on each of seven days after the first, and over them."""
    site, traces, truths = _lived(layout, start, seed=seed)
    days = [start + timedelta(days=n) for n in range(DAYS)]
    found: list[Shares] = []
    sums: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
    total = true_total = 0.0
    for result, day in list(zip(account_days(site, traces, days), truths, strict=True))[1:]:
        truth, ledger = truth_to_json(day), result.ledger
        heat, true_heat = ledger.hot_water.heat.value, truth["hot_water"]["heat"]
        if not heat >= _LEAST_KWH:
            continue
        total, true_total = total + heat, true_total + true_heat
        for line, true_line in zip(ledger.stages, truth["stages"], strict=True):
            pair = (line.delivered.value, true_line["delivered"])
            found.append(Shares(layout, start, line.stage, False, pair[0] / heat, pair[1] / true_heat))
            sums[line.stage][0] += pair[0]
            sums[line.stage][1] += pair[1]
    if total > 0:
        found += [Shares(layout, start, o, True, a / total, b / true_total) for o, (a, b) in sums.items()]
    return found


def _lived(layout: str, start: date, *, seed: int) -> tuple[Site, Mapping[str, Trace], Sequence[DayTruth]]:
    if layout in PARCEL_HOUSES:
        house, sets = PARCEL_HOUSES[layout], [at_random(seed)]
        (seen,), truths = lived(house, start=start, days=DAYS, seed=seed, instruments=sets, plant=ParcelHouse)
        return seen.site, seen.traces, truths
    run = simulate(SCENARIOS[layout], start=start, days=DAYS, seed=seed)
    return run.site, run.traces, run.truth


def _task(task: tuple[str, date, int]) -> list[Shares]:
    return shares(task[0], task[1], seed=task[2])


def study(seeds: Sequence[int], layouts: Iterable[str] = SCENARIOS) -> list[Shares]:
    """All layouts in all seasons, with each seed, on all processors."""
    tasks = [(layout, start, seed) for layout in layouts for start in SEASONS for seed in seeds]
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        return [one for part in pool.map(_task, tasks, chunksize=4) for one in part]


def table(seeds: Sequence[int] = range(931, 939), layouts: Iterable[str] = SCENARIOS) -> str:
    """A Markdown table of the study."""
    found = study(seeds, layouts)
    lines = [
        f"{len(seeds)} houses of each layout in each of four seasons, a week each. Errors of an origin's share of the "
        "hot water, as a part of it.",
        "",
        "| layout | shares | days: 95 % within | worst day | above 0.05 | worst week | above 0.02 |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for layout in layouts:
        day = np.array([one.error for one in found if one.layout == layout and not one.is_week])
        week = np.array([one.error for one in found if one.layout == layout and one.is_week])
        lines.append(
            f"| {layout} | {len(day)} | {np.quantile(day, 0.95):.3f} | {day.max():.3f} | {np.mean(day > 0.05):.1%} | "
            f"{week.max():.3f} | {np.mean(week > 0.02):.1%} |"
        )
    return "\n".join(lines)
