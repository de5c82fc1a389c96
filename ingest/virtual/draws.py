"""What the taps ask for: the EU tapping cycles, and a seeded household of our own invention."""

import csv
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from ingest.virtual.taps import BY_ENERGY, BY_VOLUME

__all__ = ["Household", "Tapping", "draws_of_day", "tapping_cycle"]


@dataclass(frozen=True, kw_only=True)
class Household:
    """`cycle` (S, M, L, XL) replaces the people by a published tapping cycle, the same every day."""

    people: int = 3
    cycle: str = ""
    away_share: float = 0.02  # of days on which nobody is home


@dataclass(frozen=True)
class Tapping:
    """One line of a tapping cycle."""

    start_s: float
    energy_j: float
    flow_l_min: float


# Invented habits: name, times a day per person, litres a minute at the tap, minutes, use temperature, hours of the day.
_HABITS = (
    ("basin", 7.0, 3.0, 0.4, 38.0, (6.5, 8.0, 12.0, 17.0, 19.0, 22.0)),
    ("kitchen", 1.4, 5.0, 0.9, 48.0, (7.5, 12.8, 18.5, 19.3)),
    ("shower", 0.85, 8.5, 5.5, 39.0, (6.7, 7.2, 18.0, 21.5)),
    ("bath", 0.05, 11.0, 9.0, 40.0, (18.5, 20.0)),
)


@lru_cache
def tapping_cycle(name: str) -> tuple[Tapping, ...]:
    """
    A tapping cycle of Regulation (EU) 812/2013, Annex VII (also EN 16147).

    Raises:
        ValueError: If the cycle is not one of S, M, L, XL.
    """
    text = files("ingest.virtual").joinpath("tapping_profiles.csv").read_text(encoding="utf-8")
    lines = csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))
    cycle = tuple(_tapping(line) for line in lines if line["profile"] == name)
    if not cycle:
        raise ValueError(f"tapping cycle {name!r} is not one of S, M, L, XL")
    return cycle


def _tapping(line: dict[str, str]) -> Tapping:
    hours, minutes = line["time"].split(":")
    return Tapping(int(hours) * 3600.0 + int(minutes) * 60.0, float(line["Q_tap_kWh"]) * 3.6e6, float(line["f_l_min"]))


def draws_of_day(household: Household, day: date, *, seed: int, seconds: float) -> NDArray[np.float64]:
    """
    The day's draws in order of time.

    Args:
        day: Local day; the same day and seed give the same draws whenever the simulation began.
        seconds: Length of the day (23, 24 or 25 h).
    Returns:
        Rows of (start s, kind, J or kg wanted, kg/s at the tap, use temperature). (draws, 5)
    """
    if household.cycle:
        rows = [(t.start_s, BY_ENERGY, t.energy_j, t.flow_l_min / 60.0, 40.0) for t in tapping_cycle(household.cycle)]
    else:
        rows = _of_people(household, day, np.random.default_rng([seed, day.toordinal(), 7]))
    table = np.array(sorted(row for row in rows if row[0] < seconds - 60.0), dtype=float)
    return table.reshape(-1, 5)


def _of_people(household: Household, day: date, rng: np.random.Generator) -> list[tuple[float, ...]]:
    if rng.random() < household.away_share:
        return []
    late_h = 1.0 if day.weekday() >= 5 else 0.0
    rows = []
    for _, per_person, flow_l_min, minutes, use_degc, hours in _HABITS:
        for _ in range(rng.poisson(per_person * household.people)):
            hour = rng.choice(hours) + late_h * 0.7 + rng.normal(0.0, 0.5)
            flow = flow_l_min * rng.uniform(0.8, 1.15)
            length = minutes * rng.uniform(0.5, 1.5)
            rows.append((float(np.clip(hour, 0.2, 23.5)) * 3600.0, BY_VOLUME, flow * length, flow / 60.0, use_degc))
    return rows
