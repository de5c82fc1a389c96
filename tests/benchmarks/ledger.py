"""The ledger of a site's day and year on one core, beside a plain pandas resample of the same readings."""

import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd

from analytics.day import account_day, window
from analytics.site import Site
from analytics.trace import Trace, local_day
from ingest.virtual import SCENARIOS, simulate
from tests.accounts import account_days, day_traces
from tests.benchmarks import Row, scale
from tests.benchmarks._minutes import months_of_minutes

_SCENARIO = SCENARIOS["two-tank"]
_START = date(2026, 1, 1)
_DAYS = 365
_YEARS = {"quick": 3, "usual": 5, "full": 7}  # of which the fastest counts


def run() -> Sequence[Row]:
    """A day of 26 points read once a minute, and a year of them."""
    site, traces = _once_a_minute()
    days = [_START + timedelta(days=n) for n in range(_DAYS)]
    day = local_day(days[1], site.timezone)
    cut = day_traces(traces, *window(day))
    day_s = _best(lambda: account_day(site, cut, day))
    pandas_day_s = _best(lambda: _resampled(cut))
    year_s, pandas_year_s = (
        _best(work, repeats=_YEARS[scale()])
        for work in (lambda: deque(account_days(site, traces, days), maxlen=0), lambda: _resampled(traces))
    )
    beside = "pandas resample to minutes"
    return [
        {"what": f"ledger of a site-day, {_readings(cut)} readings", "value": day_s * 1e3, "unit": "ms",
         "beside": f"{beside}: {pandas_day_s * 1e3:.1f} ms", "ratio": day_s / pandas_day_s},
        {"what": "ledger of a site-year", "value": year_s, "unit": "s",
         "beside": f"{beside}: {pandas_year_s:.2f} s", "ratio": year_s / pandas_year_s},
    ]  # fmt: skip


def _once_a_minute() -> tuple[Site, Mapping[str, Trace]]:
    site = simulate(_SCENARIO, start=_START, days=1, seed=3).site
    months = list(months_of_minutes(_SCENARIO, _START, _DAYS))
    traces = {
        point: Trace(
            np.concatenate([month[point].time_ms for month in months]),
            np.concatenate([month[point].value for month in months]),
        )
        for point in months[0]
    }
    points = {name: replace(point, interval_s=60.0) for name, point in site.points.items()}
    return replace(site, points=points), traces


def _resampled(traces: Mapping[str, Trace]) -> pd.DataFrame:
    """What anybody would do first: each point's mean a minute, gaps filled over five."""
    columns = {
        point: pd.Series(trace.value, index=pd.to_datetime(trace.time_ms, unit="ms", utc=True)).resample("1min").mean()
        for point, trace in traces.items()
    }
    return pd.DataFrame(columns).interpolate(limit=5)


def _readings(traces: Mapping[str, Trace]) -> int:
    return sum(len(trace.value) for trace in traces.values())


def _best(work: Callable[[], object], *, repeats: int = 7) -> float:
    """Seconds of one core, of the fastest of some runs; what others on the machine do does not count."""
    times = []
    for _ in range(repeats):
        started = time.process_time()
        work()
        times.append(time.process_time() - started)
    return min(times)
