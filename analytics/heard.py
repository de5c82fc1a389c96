"""What is believed of a day's readings while its sensors are judged."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from math import inf, nan

import numpy as np
from numpy.typing import NDArray

from analytics.compiled import compiled

__all__ = ["Heard"]

Array = NDArray[np.float64]
Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Heard:
    """
    Readings that are believed so far, in SI.

    Args:
        times_s, values: Per point seconds from the day's start and values, NaN where not believed. Shape (n,) each
        doubted: Points of which some readings are not believed.
    """

    times_s: Mapping[str, Array]
    values: Mapping[str, Array]
    doubted: Collection[str]

    def within(self, point: str | None, span: Span) -> tuple[Array, Array]:
        """A point's readings of a span, the unbelieved ones left out; none where it said nothing."""
        if point is None or point not in self.values:
            return np.empty(0), np.empty(0)
        first, last = self.times_s[point].searchsorted((span[0], span[1] + 1e-9))
        value = self.values[point][first:last]
        time_s = self.times_s[point][first:last]
        if point in self.doubted:
            known = ~np.isnan(value)
            return time_s[known], value[known]
        return time_s, value

    def swing(self, point: str, span: Span) -> float:
        """How far a point's readings went within a span."""
        value = self.within(point, span)[1]
        return float(value.max() - value.min()) if len(value) else 0.0

    def newest(self, point: str, time_s: Array) -> Array:
        """The newest reading of a point at some times; NaN before the first one, and where it is not believed."""
        return self.fresh(point, time_s, within_s=inf)

    def fresh(self, point: str, time_s: Array, *, within_s: float) -> Array:
        """The newest reading of a point at some times, where it is no older than `within_s`; NaN elsewhere."""
        if point not in self.values:
            return np.full(len(time_s), nan)
        return _newest(self.times_s[point], self.values[point], time_s, within_s)

    def age_s(self, point: str, time_s: Array) -> Array:
        """How old the newest reading of a point is at some times; infinite before the first one."""
        if point not in self.values:
            return np.full(len(time_s), inf)
        return _age_s(self.times_s[point], time_s)


@compiled
def _newest(at_s: Array, value: Array, time_s: Array, within_s: float) -> Array:
    """The newest of some readings at times, which mostly come in order, where it is no older than `within_s`."""
    found, place = np.full(len(time_s), np.nan), 0
    for n in range(len(time_s)):
        place = _read_until(at_s, time_s[n], place)
        if place > 0 and time_s[n] - at_s[place - 1] <= within_s:
            found[n] = value[place - 1]
    return found


@compiled
def _age_s(at_s: Array, time_s: Array) -> Array:
    """How old the newest of some readings is at times, which mostly come in order."""
    found, place = np.full(len(time_s), np.inf), 0
    for n in range(len(time_s)):
        place = _read_until(at_s, time_s[n], place)
        if place > 0:
            found[n] = time_s[n] - at_s[place - 1]
    return found


@compiled
def _read_until(at_s: Array, now_s: float, place: int) -> int:
    """How many readings there are up to an instant, looked for from a place on."""
    while place > 0 and at_s[place - 1] > now_s:
        place -= 1
    while place < len(at_s) and at_s[place] <= now_s:
        place += 1
    return place
