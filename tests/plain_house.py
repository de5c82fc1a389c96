"""A small invented house and its readings, made with a few lines of arithmetic: for tests of what carries readings."""

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analytics.trace import local_day
from ingest.store import Batch

__all__ = ["INTERVAL_MS", "POINTS", "SITE", "batch_of", "days_of", "first_ms", "readings", "site_text", "wide_csv"]

SITE = "mill-lane-1"
TIMEZONE = "Europe/Berlin"
INTERVAL_MS = 300_000
POINTS = ("tank.top", "tank.bottom", "cold", "hot", "draw", "element")


def site_text(name: str = "Mill Lane 1", *, ua_w_per_k: float = 2.0, site: str = SITE) -> str:
    """The house's site file: one tank with an electric element, a metered tap. The scenario is invented."""
    points = "".join(
        f'[points."{point}"]\nquantity = "{quantity}"\nunit = "{unit}"\nsampling = "{sampling}"\ninterval_s = 300\n'
        for point, quantity, unit, sampling in (
            ("tank.top", "temperature", "degC", "instant"),
            ("tank.bottom", "temperature", "degC", "instant"),
            ("cold", "temperature", "degC", "instant"),
            ("hot", "temperature", "degC", "instant"),
            ("draw", "flow", "l/min", "mean"),
            ("element", "power", "W", "mean"),
        )
    )
    return f"""schema = 1
[site]
id = "{site}"
name = "{name}"
timezone = "{TIMEZONE}"
latitude = 52.5
longitude = 13.4
{points}
[[tank]]
id = "store"
volume_l = 300
temperatures = ["tank.top", "tank.bottom"]
ua_w_per_k = {ua_w_per_k}
[[heater]]
id = "rod"
kind = "electric"
power = "element"
rated_w = 3000
[hot_water]
tanks = ["store"]
cold = "cold"
hot = "hot"
flow = "draw"
[[stage]]
id = "backup"
name = "Electric element"
tank = "store"
heater = "rod"
backup = true
[prices]
currency = "EUR"
electricity_per_kwh = 0.30
"""


def first_ms(day: str) -> int:
    """The first instant of a local day of the house."""
    return local_day(date.fromisoformat(day), TIMEZONE).start_ms


def days_of(first: str, count: int) -> Sequence[str]:
    return [(date.fromisoformat(first) + timedelta(days=i)).isoformat() for i in range(count)]


def readings(start_ms: int, end_ms: int, *, warmer_k: float = 0.0, site: str = SITE) -> Batch:
    """Every point of the house each five minutes of [start_ms, end_ms): heated at noon, drawn from in the evening."""
    time_ms = np.arange(start_ms + INTERVAL_MS, end_ms + 1, INTERVAL_MS, dtype=np.int64)
    hour = (time_ms / 3.6e6 + 1) % 24
    wave = np.sin(2 * np.pi * (hour - 9) / 24) + 0.1 * np.sin(time_ms / 1.7e6)
    columns = {
        "tank.top": 56 + 3 * wave + warmer_k,
        "tank.bottom": 48 + 4 * wave + warmer_k,
        "cold": 10 + 0.3 * wave,
        "hot": 55 + 3 * wave,
        "draw": np.where((hour >= 19) & (hour < 19.5), 4.0, 0.0),
        "element": np.where((hour >= 12) & (hour < 14.5), 2950.0 + 10 * wave, 0.0),
    }
    return batch_of(time_ms, columns, site=site)


def batch_of(time_ms: NDArray[np.int64], columns: dict[str, NDArray[np.float64]], *, site: str = SITE) -> Batch:
    """Columns of points at common times as a batch."""
    n_times = len(time_ms)
    return Batch(
        names=[(site, point) for point in columns],
        series=np.repeat(np.arange(len(columns), dtype=np.int32), n_times),
        time_ms=np.tile(time_ms, len(columns)),
        value=np.concatenate([np.asarray(values, np.float64) for values in columns.values()]),
    )


def wide_csv(path: Path, start_ms: int, end_ms: int) -> Path:
    """The house's readings as a wide CSV file."""
    batch = readings(start_ms, end_ms)
    times = np.unique(batch.time_ms)
    columns = batch.value.reshape(len(POINTS), len(times))
    lines = [",".join(("time", *POINTS))]
    for i, time in enumerate(times.astype("datetime64[ms]")):
        lines.append(",".join((f"{time}Z", *(repr(float(column[i])) for column in columns))))
    path.write_text("\n".join(lines) + "\n")
    return path
