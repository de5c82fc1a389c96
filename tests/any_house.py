"""Houses as nobody would draw them: site files with parts left out at random, and readings that fit nothing."""

import random
import re
from collections.abc import Mapping
from datetime import date

import numpy as np
from numpy.typing import NDArray

from analytics.day import window
from analytics.site import Point, Site
from analytics.site_file import SiteFileError, parse_site
from analytics.trace import LocalDay, Trace
from ingest.virtual import SCENARIOS

__all__ = ["FIRST_DAYS", "any_site", "any_traces"]

FIRST_DAYS = [date(2025, 1, 10), date(2025, 3, 8), date(2025, 3, 29), date(2025, 7, 7), date(2025, 10, 25)]
"""Among them some just before a change of the clock."""

_LINE_LOST, _TABLE_LOST, _CHANGED = 0.05, 0.06, 0.3
_TRIES = 400
_TYPICAL = {"temperature": (-20.0, 95.0), "flow": (0.0, 20.0), "power": (0.0, 4000.0), "irradiance": (0.0, 1000.0)}

Array = NDArray[np.float64]


def any_site(seed: int) -> Site:
    """A site file of the examples with lines and tables left out, as soon as one is let in."""
    rng = random.Random(seed)
    for _ in range(_TRIES):
        text = _mutilated(rng.choice(list(SCENARIOS.values())).site_toml, rng)
        try:
            return parse_site(text, file="any.toml")
        except SiteFileError:
            continue
    raise RuntimeError(f"seed {seed}: none of {_TRIES} site files was let in")


def _mutilated(text: str, rng: random.Random) -> str:
    tables = re.split(r"(?m)^(?=\[)", text)
    kept = (t for t in tables if not (t.startswith(("[[", "[prices", "[baseline")) and rng.random() < _TABLE_LOST))
    return "".join("\n".join(_lines(table, rng)) for table in kept)


def _lines(table: str, rng: random.Random) -> list[str]:
    lines = []
    for line in table.split("\n"):
        is_needed = table.startswith("[site]") or "=" not in line or line.startswith("schema")
        if not is_needed and rng.random() < _LINE_LOST:
            continue
        if line.startswith("sampling") and rng.random() < _CHANGED:
            line = f'sampling = "{rng.choice(["instant", "mean"])}"'
        if line.startswith("interval_s") and rng.random() < _CHANGED:
            line = f"interval_s = {rng.choice([1, 10, 60, 300, 900, 3600])}"
        lines.append(line)
    return lines


def any_traces(site: Site, day: LocalDay, *, seed: int) -> Mapping[str, Trace]:
    """Readings of most points: thinned, with a hole, few or none; level, wandering, switching, wild or far out."""
    rng = np.random.default_rng((seed, day.start_ms // 1000))
    return {p: Trace(t, _values(point, len(t), rng)) for p, point in site.points.items()
            for t in [_times(point, day, rng)] if rng.random() > 0.1}  # fmt: skip


def _times(point: Point, day: LocalDay, rng: np.random.Generator) -> NDArray[np.int64]:
    start_ms, end_ms = window(day)
    step_ms = int(point.interval_s * 1000)
    times = np.arange(start_ms, end_ms, step_ms, dtype=np.int64)
    low, high = sorted(rng.integers(0, len(times), 2).tolist())
    match rng.integers(0, 8):
        case 0:
            times = times + rng.integers(0, max(step_ms - 1, 1), len(times))
        case 1:
            times = times[rng.random(len(times)) > 0.7]
        case 2:
            times = np.concatenate((times[:low], times[high:]))
        case 3:
            times = times[: rng.integers(0, 4)]
    return np.unique(times)


def _values(point: Point, n: int, rng: np.random.Generator) -> Array:
    if point.sampling == "counter" or point.quantity in ("energy", "volume"):
        count = np.cumsum(rng.random(n) * rng.choice([0.0, 1e-3, 1.0, 50.0]))
        return np.asarray(count % rng.choice([1000.0, 65536.0]) if rng.random() < 0.3 else count)
    level = float(rng.uniform(*_TYPICAL.get(point.quantity, (0.0, 1.0))))
    steps = np.arange(n)
    value = (
        np.full(n, level),
        level + np.cumsum(rng.normal(0.0, 0.02 * abs(level) + 0.01, n)),
        np.where((steps // rng.integers(1, 200)) % 2 == 1, level, 0.0),
        rng.uniform(0.0, abs(level) + 1.0, n),
        level * (1.0 + np.sin(steps / max(n, 1) * 20.0)),
    )[rng.integers(0, 5)]
    if point.quantity == "status":
        return np.asarray(value > np.median(value), dtype=float) if n else value
    if n and rng.random() < 0.1:
        value[rng.integers(0, n)] = rng.choice([-127.0, 850.0, 1e6, -1e6])
    return np.asarray(value)
