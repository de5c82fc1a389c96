"""What is believed of a day's readings while its sensors are judged."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from math import inf, nan

import numpy as np
from numpy.typing import NDArray

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
        if point not in self.values:
            return np.full(len(time_s), nan)
        last = self.times_s[point].searchsorted(time_s, side="right") - 1
        return np.where(last >= 0, self.values[point][np.maximum(last, 0)], nan)

    def fresh(self, point: str, time_s: Array, *, within_s: float) -> Array:
        """The newest reading of a point at some times, where it is no older than `within_s`; NaN elsewhere."""
        if point not in self.values:
            return np.full(len(time_s), nan)
        last = self.times_s[point].searchsorted(time_s, side="right") - 1
        place = np.maximum(last, 0)
        is_fresh = (last >= 0) & (time_s - self.times_s[point][place] <= within_s)
        return np.where(is_fresh, self.values[point][place], nan)

    def age_s(self, point: str, time_s: Array) -> Array:
        """How old the newest reading of a point is at some times; infinite before the first one."""
        if point not in self.values:
            return np.full(len(time_s), inf)
        last = self.times_s[point].searchsorted(time_s, side="right") - 1
        return np.where(last >= 0, time_s - self.times_s[point][np.maximum(last, 0)], inf)
