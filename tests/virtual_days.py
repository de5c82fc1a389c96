"""Virtual houses' days as the watcher computes and keeps them, without a store."""

from collections.abc import Callable, Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path

import msgspec

import ingest.virtual
from analytics.trace import Trace
from api.days import DayJob, DayOutcome, DayTask, compute_days, day_window
from ingest.virtual import SCENARIOS, Fault, simulate

__all__ = ["layout_text", "virtual_days"]

Traces = Mapping[str, Trace]


def layout_text(scenario: str) -> str:
    """The site file of a layout."""
    return (Path(ingest.virtual.__file__).parent / "sites" / f"{scenario}.toml").read_text()


def virtual_days(
    scenario: str,
    start: date,
    *,
    days: int,
    faults: Sequence[Fault] = (),
    jobs: Sequence[int] = (),
    altered: Callable[[Traces], Traces] = lambda traces: traces,
) -> list[DayOutcome]:
    """What the watcher makes of a virtual house and its readings, altered or not, in jobs that begin at these days."""
    text = layout_text(scenario)
    run = simulate(SCENARIOS[scenario], start=start, days=days, seed=8, perfect=False, faults=faults)
    names = [(start + timedelta(days=n)).isoformat() for n in range(days)]
    readings = altered(run.traces)
    found: list[DayOutcome] = []
    for first, last in zip([0, *jobs], [*jobs, days], strict=True):
        spans = [day_window(day, run.site.timezone) for day in names[first:last]]
        traces = {point: _cut(trace, spans[0][1], spans[-1][2]) for point, trace in readings.items()}
        before = found[-1] if found else None
        job = DayJob(
            site=run.site.id,
            tasks=[DayTask(day, text, "", None) for day in names[first:last]],
            traces=traces,
            state=before.state if before else None,
            alerts=before.alerts if before else [],
            history=[msgspec.json.encode(each.ledger).decode() for each in found if each.ledger],
            silent_days=before.silent_days if before else 0,
        )
        found += compute_days(job)
    return found


def _cut(trace: Trace, start_ms: int, end_ms: int) -> Trace:
    inside = (trace.time_ms >= start_ms) & (trace.time_ms < end_ms)
    return Trace(trace.time_ms[inside], trace.value[inside])
