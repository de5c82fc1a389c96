"""Stretches of the day in which a point, or all of them, said nothing."""

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from analytics.plant import CELL_S, PlantDay, SensorFault, Signal
from analytics.site import Point

__all__ = ["Silence", "first_spoken_s", "patience_s", "silences", "site_silences"]

_LEAST_S = 1800.0  # gateways restart and routers renew their lines within half an hour (common practice)
_INTERVALS = 10.0


@dataclass(frozen=True, slots=True)
class Silence:
    """
    From the last reading before to the first one after (None while silent), in seconds of the day.

    One that `is_from_before` began at an unknown time before the day's readings do.
    """

    start_s: float
    end_s: float | None
    is_from_before: bool = False


def patience_s(interval_s: float, *, least: timedelta = timedelta(seconds=_LEAST_S)) -> float:
    """How long a point of a nominal interval may be silent: ten intervals or half an hour, whichever is longer. [s]"""
    return max(least.total_seconds(), _INTERVALS * interval_s)


def silences(plant: PlantDay, point: Point, *, begin_s: float) -> list[Silence]:
    """
    A point's silences beyond its patience that touch the day, none before `begin_s`, when the site first spoke.

    Readings that were judged and left out were readings: no silence is made of them.
    """
    patience = patience_s(point.interval_s)
    if _spoke_on(plant.signals.get(point.id), begin_s, until_s=plant.until_s, patience=patience):
        return []
    return _gaps(_spoken(plant, point), begin_s, until_s=plant.until_s, patience=patience)


def site_silences(plant: PlantDay, *, begin_s: float, least: timedelta = timedelta(seconds=_LEAST_S)) -> list[Silence]:
    """Silences of all points together, beyond the patience with the quickest of them."""
    patience = patience_s(min(point.interval_s for point in plant.site.points.values()), least=least)
    # One point that never paused for so long is enough.
    if any(_spoke_on(each, begin_s, until_s=plant.until_s, patience=patience) for each in plant.signals.values()):
        return []
    for signal in plant.signals.values():
        if not _gaps(signal.time_s, begin_s, until_s=plant.until_s, patience=patience):
            return []
    return _gaps(_spoken_at_all(plant), begin_s, until_s=plant.until_s, patience=patience)


def _spoke_on(signal: Signal | None, begin_s: float, *, until_s: float, patience: float) -> bool:
    """Whether a signal's gaps may all be bridged, and the patience is longer than that: the usual case, and quick."""
    if signal is None or not len(signal.time_s) or signal.max_gap_s > patience or not signal.is_gapless:
        return False
    return bool(signal.time_s[0] - begin_s <= patience and until_s - signal.time_s[-1] <= patience)


def first_spoken_s(plant: PlantDay) -> float | None:
    """When any point first spoke within the day; None where none did. [s]"""
    firsts = []
    for signal in plant.signals.values():
        index = int(signal.time_s.searchsorted(0.0))
        if index < len(signal.time_s) and signal.time_s[index] < plant.until_s:
            firsts.append(float(signal.time_s[index]))
    return min(firsts, default=None)


def _spoken_at_all(plant: PlantDay) -> NDArray[np.float64]:
    """First and last reading of each cell in which any point spoke, on both sides of midnight too. Ascending"""
    n_cells = round(plant.day.seconds / CELL_S)
    # One cell before the day and one after it hold what lies beyond the day's edges.
    first, last = np.full(n_cells + 2, np.inf), np.full(n_cells + 2, -np.inf)
    for signal in plant.signals.values():
        cells = np.clip(signal.time_s // CELL_S, -1, n_cells).astype(np.intp) + 1
        # Times ascend: assigning forwards keeps a cell's last reading, backwards its first.
        signal_first, signal_last = np.full(n_cells + 2, np.inf), np.full(n_cells + 2, -np.inf)
        signal_last[cells] = signal.time_s
        signal_first[cells[::-1]] = signal.time_s[::-1]
        first, last = np.minimum(first, signal_first), np.maximum(last, signal_last)
    newest = np.fromiter(plant.last_s.values(), np.float64)
    # Before the day only the newest reading counts, after it only the oldest.
    spoken = np.concatenate((last[:1], np.column_stack((first, last))[1:-1].ravel(), first[-1:], newest))
    return np.unique(spoken[np.isfinite(spoken)])


def _spoken(plant: PlantDay, point: Point) -> NDArray[np.float64]:
    """Times at which a point spoke, readings left out included as far as they are known. Ascending"""
    signal = plant.signals.get(point.id)
    times = [] if signal is None else [signal.time_s]
    if point.id in plant.last_s:
        times.append(np.asarray([plant.last_s[point.id]]))
    left_out = [_left_out(fault, point.interval_s) for fault in plant.sensor_faults if fault.point == point.id]
    if any(len(span) for span in left_out):
        return np.unique(np.concatenate([*times, *left_out]))
    return np.concatenate(times) if times else np.empty(0)


def _left_out(fault: SensorFault, interval_s: float) -> NDArray[np.float64]:
    """Readings of a fault, spread over its time where they fill it; two spikes far apart do not."""
    fills = fault.n_readings * interval_s >= 0.5 * (fault.end_s - fault.start_s)
    if fault.kind == "missing" or not fills:
        return np.empty(0)
    return np.linspace(fault.start_s, fault.end_s, fault.n_readings)


def _gaps(spoken_s: NDArray[np.float64], begin_s: float, *, until_s: float, patience: float) -> list[Silence]:
    spoken_s = spoken_s[spoken_s < until_s + patience]
    if not len(spoken_s):
        return [Silence(begin_s, None, is_from_before=True)] if until_s - begin_s > patience else []
    found = [
        Silence(float(spoken_s[index]), float(spoken_s[index + 1]))
        for index in np.flatnonzero(np.diff(spoken_s) > patience)
        if spoken_s[index + 1] > 0 and spoken_s[index] < until_s
    ]
    if spoken_s[0] - begin_s > patience:
        found.insert(0, Silence(begin_s, float(spoken_s[0]), is_from_before=True))
    if until_s - spoken_s[-1] > patience:
        found.append(Silence(float(spoken_s[-1]), None))
    return found
