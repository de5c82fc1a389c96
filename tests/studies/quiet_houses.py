"""
Sixty days of each layout in each season, with sensors that err within their limits: which alerts does health raise, and
how soon is a heat pump's or a ground loop's fault told? Run with `python -m tests.studies.quiet_houses`.
"""

import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import date, timedelta

from analytics.detection import DETECTORS, Alert, advance, assess_day
from analytics.figures import DayLedger
from analytics.trace import local_day
from ingest.virtual import SCENARIOS, Fault, simulate
from ingest.virtual.scenario import site_of
from tests.accounts import account_days

__all__ = ["Life", "alerts_of", "lines"]

_SEASONS = (date(2025, 12, 20), date(2026, 3, 1), date(2026, 6, 10), date(2026, 9, 20))
_FAULTS = ("heat-pump-low-charge", "ground-loop-weak")
_FAULT_DAY = 25


@dataclass(frozen=True, slots=True)
class Life:
    """A virtual house over some days; `fault` breaks it on the 25th."""

    layout: str
    start: date
    seed: int
    days: int = 60
    fault: str = ""

    @property
    def fault_ms(self) -> int:
        return local_day(self.start + timedelta(days=_FAULT_DAY), site_of(SCENARIOS[self.layout]).timezone).start_ms


def alerts_of(life: Life) -> list[Alert]:
    """What a watcher would have kept at the end."""
    faults = [Fault(name=life.fault, start_ms=life.fault_ms)] if life.fault else []
    run = simulate(SCENARIOS[life.layout], start=life.start, days=life.days, seed=life.seed, faults=faults)
    days = [life.start + timedelta(days=n) for n in range(life.days)]
    alerts: list[Alert] = []
    history: list[DayLedger] = []
    for result in account_days(run.site, run.traces, days):
        assessed = assess_day(result.plant, history[-60:], detectors=DETECTORS)
        alerts, _ = advance(alerts, assessed, now_ms=result.plant.day.end_ms)
        history.append(result.ledger)
    return alerts


def lines(lives: Sequence[Life]) -> Iterator[str]:
    """A line for each life: its alerts, and for those of a fault how many days after it they came."""
    with ProcessPoolExecutor(os.cpu_count()) as workers:
        for life, alerts in zip(lives, workers.map(alerts_of, lives), strict=True):
            after = [f"{a.kind} {(a.detected_ms - life.fault_ms) / 86_400_000:+.1f} d" for a in alerts]
            told = ", ".join(after if life.fault else [f"{a.kind}: {a.summary}" for a in alerts])
            yield f"{life.layout:16} {life.start} {life.fault or 'healthy':22} {told or 'quiet'}"


def _lives(seeds: Sequence[int]) -> list[Life]:
    healthy = [Life(layout, start, seed) for seed in seeds for start in _SEASONS for layout in SCENARIOS]
    with_pump = [layout for layout, scenario in SCENARIOS.items() if site_of(scenario).heat_pumps]
    broken = [Life(layout, _SEASONS[0], seeds[0], 45, fault) for layout in with_pump for fault in _FAULTS]
    return [*healthy, *broken]


if __name__ == "__main__":
    for line in lines(_lives((11, 12))):
        print(line, flush=True)
