"""A virtual house as a gateway tells of it that speaks once a minute."""

from collections.abc import Iterator, Mapping
from datetime import date, timedelta

from analytics.trace import Trace
from ingest.virtual import Scenario, simulate

__all__ = ["months_of_minutes"]

_DAYS_A_RUN = 30  # so that the ten-second readings of a year need not be held at once


def months_of_minutes(scenario: Scenario, start: date, days: int) -> Iterator[Mapping[str, Trace]]:
    """Readings of so many days, by point, a month of them at a time; each month's household is another one."""
    for first in range(0, days, _DAYS_A_RUN):
        n_days = min(_DAYS_A_RUN, days - first)
        made = simulate(scenario, start=start + timedelta(days=first), days=n_days, seed=3 + first)
        every = {point: max(round(60 / made.site.points[point].interval_s), 1) for point in made.traces}
        yield {p: Trace(t.time_ms[:: every[p]], t.value[:: every[p]]) for p, t in made.traces.items()}
