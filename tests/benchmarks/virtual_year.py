"""A virtual house's year, simulated and written to Parquet, beside the minute that it may take."""

import tempfile
import time
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from ingest.virtual import SCENARIOS, run_days, simulate, write_scenario
from tests.benchmarks import Row, scale

_START = date(2026, 1, 1)
_DAYS = {"quick": 10, "usual": 60, "full": 365}
_MAY_TAKE_S = 60.0


def run() -> Sequence[Row]:
    """The two-tank house, seconds a year; the plant's compilation is not part of it."""
    simulate(SCENARIOS["two-tank"], start=_START, days=1)
    days = _DAYS[scale()]
    started = time.perf_counter()
    n_readings = sum(
        len(trace.value)
        for day in run_days(SCENARIOS["two-tank"], start=_START, days=days)
        for trace in day.traces.values()
    )
    simulated_s = (time.perf_counter() - started) * 365 / days
    started = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        write_scenario(SCENARIOS["two-tank"], Path(folder), start=_START, days=days)
    written_s = (time.perf_counter() - started) * 365 / days
    beside = f"it may take {_MAY_TAKE_S:.0f} s"
    return [
        {"what": f"a year simulated, {n_readings * 365 / days / 1e6:.1f} million readings", "value": simulated_s,
         "unit": "s", "beside": beside, "ratio": simulated_s / _MAY_TAKE_S},
        {"what": "the same, written to Parquet", "value": written_s, "unit": "s", "beside": beside,
         "ratio": written_s / _MAY_TAKE_S},
    ]  # fmt: skip
