"""Accounts for runs of days, as the watcher does: each day's window of readings, the state carried on."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date

import numpy as np

from analytics.day import DayResult, account_day, window
from analytics.site import Site
from analytics.trace import Trace, local_day


def day_traces(traces: Mapping[str, Trace], start_ms: int, end_ms: int) -> dict[str, Trace]:
    """Each trace cut to [start_ms, end_ms)."""
    cut, bounds_ms = {}, np.array([start_ms, end_ms])
    for point, trace in traces.items():
        low, high = trace.time_ms.searchsorted(bounds_ms).tolist()
        cut[point] = Trace(trace.time_ms[low:high], trace.value[low:high])
    return cut


def account_days(site: Site, traces: Mapping[str, Trace], days: Sequence[date]) -> Iterator[DayResult]:
    """The days' results in order."""
    state = None
    for each in days:
        day = local_day(each, site.timezone)
        result = account_day(site, day_traces(traces, *window(day)), day, state=state)
        state = result.state
        yield result
