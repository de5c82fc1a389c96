"""
What proves that a hot-water meter which counts nothing is broken.

With the taps closed the pipes go slowly toward the room's temperature. A draw moves them fast and against each other:
the mains' water cools the cold pipe while the tank's warms the hot one. Where both happen again and again and the
meter counts nothing, it does not count. Limits are common practice, without source, unless a line says otherwise.
"""

from dataclasses import dataclass
from math import ceil, inf

import numpy as np
from numpy.typing import NDArray

from analytics.heard import Heard
from analytics.rounding import least_step
from analytics.site import Point

__all__ = ["DryMeter"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Span = tuple[float, float]

_DRY_S = 6 * 3600.0
_MINUTE_S = 60.0
_JUMP_MINUTES = 10
_WARMS_K = 8.0  # a pipe at rest only cools; a tank's top takes longer to warm by so much
_COOLS_K = 1.5  # beyond noise and rounding; mains as warm as the room show no draw
_AT_LOWEST_K = 0.5  # water that a circulator sends round warms the cold pipe within these minutes
_FRESH_S = 900.0  # gateways that speak on change repeat a value at least so often
_PAUSE_MINUTES = 20
_DRAWS = 4
_COUNTED_DRAWS = 6
_UNKNOWN_STEP_DRAWS = 12  # of a counter that did not step since the day's readings begin
_FINE_STEP_M3 = 2e-3
_LEAST_DRAW_M3 = 1e-3  # that warms a pipe by so much
_MISSED_S = 15.0  # reading moments may miss short draws: one more draw asked for each so many seconds between them
_LONGEST_INSTANT_S = 120.0


@dataclass(frozen=True, slots=True)
class DryMeter:
    """
    The meter of the taps' path must not show zero, or the same count, while the pipes on both sides of the tank tell
    of draws.

    Not this: closed taps, pipes that cool or are warmed from the tank at rest, draws too short for a meter that is
    read now and then, a counter of coarse steps. A meter wired wrongly never counted: no past is asked.
    """

    point: str
    cold: str
    warm: tuple[str, ...]
    meter: Point
    shortest_s: float = _DRY_S
    above: float = -inf

    def has_moved(self, _heard: Heard, _span: Span, *, days_before: bool) -> bool:
        return True

    def proved_s(self, heard: Heard, span: Span) -> float:
        is_counter = self.meter.sampling == "counter"
        if not is_counter and heard.within(self.point, span)[1][0] != 0:
            return inf
        # Most nights no pipe warms: quick to see.
        if not any(_rises(heard.within(each, span)[1]) for each in self.warm):
            return inf
        time_s = np.arange(span[0], span[1], _MINUTE_S)
        if len(time_s) <= _JUMP_MINUTES:
            return inf
        starts = _starts(self._tell_of_draws(heard, time_s))
        needed = self._needed(heard, is_counter=is_counter)
        return max(float(time_s[starts[needed - 1]]), span[0] + self.shortest_s) if len(starts) >= needed else inf

    def _needed(self, heard: Heard, *, is_counter: bool) -> int:
        """How many draws must have passed unseen."""
        if is_counter:
            value = heard.values[self.point]
            step_m3 = least_step(value[~np.isnan(value)])
            if step_m3 == inf:
                return _UNKNOWN_STEP_DRAWS
            return _COUNTED_DRAWS if step_m3 <= _FINE_STEP_M3 else max(_COUNTED_DRAWS, ceil(step_m3 / _LEAST_DRAW_M3))
        if self.meter.sampling == "mean":
            return _DRAWS
        interval_s = self.meter.interval_s
        return 10**6 if interval_s > _LONGEST_INSTANT_S else _DRAWS + ceil(interval_s / _MISSED_S)

    def _tell_of_draws(self, heard: Heard, time_s: Array) -> Flags:
        """The minutes by which both pipes had gone a draw's way within the minutes before, all three being read."""
        cold, age_s = heard.newest(self.cold, time_s), heard.age_s(self.cold, time_s)
        lowest, now = _before(cold, np.minimum), cold[_JUMP_MINUTES:]
        cools = (_before(cold, np.maximum) - now >= _COOLS_K) & (now <= lowest + _AT_LOWEST_K)
        age_s = np.maximum(age_s, heard.age_s(self.point, time_s))
        found = np.zeros(len(time_s), bool)
        for point in self.warm:
            warm, oldest_s = heard.newest(point, time_s), np.maximum(age_s, heard.age_s(point, time_s))
            warms = warm[_JUMP_MINUTES:] - _before(warm, np.minimum) >= _WARMS_K
            found[_JUMP_MINUTES:] |= warms & cools & (_before(oldest_s, np.maximum) <= _FRESH_S)
        return found


def _rises(value: Array) -> bool:
    return len(value) > 0 and float((value - np.minimum.accumulate(value)).max()) >= _WARMS_K


def _before(value: Array, extreme: np.ufunc) -> Array:
    """
    For each minute with enough before it the lowest or highest of those and itself. Shape (minutes - _JUMP_MINUTES,)

    Of twice as many minutes at each turn, the last two overlapping.
    """
    minutes = 1
    while minutes <= _JUMP_MINUTES:
        step = min(minutes, _JUMP_MINUTES + 1 - minutes)
        value = extreme(value[:-step], value[step:])
        minutes += step
    return value


def _starts(flags: Flags) -> NDArray[np.int_]:
    """Indices at which something begins that was not there for a pause before."""
    at = np.flatnonzero(flags)
    return at[np.diff(at, prepend=-_PAUSE_MINUTES) >= _PAUSE_MINUTES]
