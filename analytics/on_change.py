"""Points that speak when they change, not at even intervals: what they last said holds until they speak again."""

import numpy as np
from numpy.typing import NDArray

from analytics.site import Point

__all__ = ["LONG_INTERVALS", "held_until_change"]

Array = NDArray[np.float64]

# Common practice, all of them.
LONG_INTERVALS = 2.0
"""A gap from here on is more than a reading that came late."""
_QUIET_PART = 0.3  # of the time, in such gaps
_LEAST_CHANGES = 3
# A point that is read at even intervals, only not at those of the site file, changes at even gaps as well.
_EVEN_PART, _EVEN_WITHIN = 0.8, 0.1


def held_until_change(point: Point, time_s: Array, value: Array) -> tuple[Array, Array]:
    """
    A point's readings, instants or means, with one more an interval before each change that came after a long silence.

    Between two readings a value is taken to run straight, and between two means that lie apart likewise. A point that
    is silent because nothing changes would so climb through all of its silence toward the first new value.

    Args:
        time_s, value: In order of time, judged. Shape (n,)
    """
    gaps_s = time_s[1:] - time_s[:-1]
    is_long = gaps_s > LONG_INTERVALS * point.interval_s
    if float(gaps_s[is_long].sum()) < _QUIET_PART * float(time_s[-1] - time_s[0]):
        return time_s, value
    changes = (is_long & (value[1:] != value[:-1])).nonzero()[0]
    if _is_even(gaps_s[changes], gaps_s):
        return time_s, value
    return (
        np.insert(time_s, changes + 1, time_s[changes + 1] - point.interval_s),
        np.insert(value, changes + 1, value[changes]),
    )


def _is_even(of_changes_s: Array, gaps_s: Array) -> bool:
    """Whether changes come at even gaps, which are those of all readings; a steady climb alone is even as well."""
    if len(of_changes_s) < _LEAST_CHANGES:
        return False
    middle_s = float(np.median(of_changes_s))
    near = np.abs(gaps_s - middle_s) <= _EVEN_WITHIN * middle_s
    near_changes = np.abs(of_changes_s - middle_s) <= _EVEN_WITHIN * middle_s
    return float(np.mean(near_changes)) >= _EVEN_PART and float(gaps_s[near].sum()) >= _EVEN_PART * float(gaps_s.sum())
