"""
Pipes at rest that their tank keeps warm: a difference that follows the tank's warmth is no sensor's.

The pipe at a tank's upper port stays warmer than the one at its lower port, by a part of what the water there is warmer
than they are. That part is the same on every day, so what days with a warm and with a cool tank show tells it from an
offset, which is the same whatever the tank is. Days that are all alike tell neither; the hours of their rests may
(`tank_hours`).
"""

from collections.abc import Sequence
from math import copysign, sqrt

import numpy as np
from numpy.typing import NDArray

from analytics.detection.pair_days import PairRecord, Seen
from analytics.detection.tank_hours import explained_k, held_before_k, offset_by_hours

__all__ = ["at_least_k"]

Array = NDArray[np.float64]

_PART = (
    0.3  # of the tank's warmth: standard deviation of what reaches a pipe's sensor, before any day (common practice)
)
# What one rest differs from another by, as a standard uncertainty: so much is thought before any day, and counts as one
# day does beside what the days show (common practice). Rounding leaves the least.
_DAY_K, _LEAST_DAY_K = 0.02, 0.005
_EXPANDED = 2.0  # coverage factor for 95 %, GUM 6.3.3 (from memory)
_ONE_SIDED = 1.645  # of what is asked to be no less, for 95 %: the normal distribution


def at_least_k(record: PairRecord, *, limit_k: float) -> float:
    """
    What is surely left of a record's difference without its tank's warmth; no more than its own doubt leaves. [K]

    It is worked out where it may decide, beyond `limit_k`. Days before the record's own, with whatever offset they
    had, help to tell the part that follows the tank.
    """
    plain_k = abs(record.difference_k) - _EXPANDED * record.u_k
    if plain_k <= limit_k or not all(check.beside_k for _, check in record.days):
        return plain_k
    # The day on which an offset came holds hours of both.
    before = [check.moments for _, check in record.seen[: -len(record.days) - 1]]
    hours = [check.moments for _, check in record.days[len(record.days) < len(record.seen) :]]
    told = [_by_days(record) - explained_k(hours)]
    if (by_hours := offset_by_hours(hours)) is not None:
        told.append(copysign(1.0, record.difference_k) * by_hours[0] - _ONE_SIDED * by_hours[1])
    if (held_k := held_before_k(before, hours)) is not None:
        told.append(plain_k - held_k)
    return min(plain_k, max(told))


def _by_days(record: PairRecord) -> float:
    """What is left of the difference by what days with a warm and with a cool tank show. [K]"""
    offset_k, u_k = _offset([each for each in record.seen if each[1].beside_k], len(record.days))
    # An offset against the difference's own way is none of it; nor is one of which the tank would hide a part.
    own_k, shown_k = copysign(1.0, record.difference_k) * offset_k, abs(record.difference_k)
    return min(own_k, 2.0 * shown_k - own_k) - _ONE_SIDED * u_k


def _offset(seen: Sequence[Seen], n_newest: int) -> tuple[float, float]:
    """
    Offset of the newest days and its standard uncertainty, by least squares. [K]

    Difference = offset + part of the tank's warmth at each port; each part is held to nothing as far as days allow.
    """
    difference_k = np.asarray([check.difference_k for _, check in seen])
    beside_k = np.asarray([check.beside_k for _, check in seen])
    is_newest = np.arange(len(seen)) >= len(seen) - n_newest
    offsets = np.column_stack((is_newest, ~is_newest)[: 1 + (n_newest < len(seen))]).astype(np.float64)
    design = np.column_stack((offsets, beside_k))
    held = np.diag([0.0] * offsets.shape[1] + [_PART**-2] * beside_k.shape[1])
    weight = np.asarray([1.0 / (check.u_k**2 + _LEAST_DAY_K**2) for _, check in seen])
    found, _ = _solved(design, difference_k, weight, held)
    left_k = difference_k - design @ found
    chi = (float(weight @ left_k**2) + (_DAY_K / _LEAST_DAY_K) ** 2) / (max(len(seen) - design.shape[1], 0) + 1)
    found, covariance = _solved(design, difference_k, weight / max(chi, 1.0), held)
    return float(found[0]), sqrt(float(covariance[0, 0]))


def _solved(design: Array, difference_k: Array, weight: Array, held: Array) -> tuple[Array, Array]:
    covariance = np.asarray(np.linalg.inv((design.T * weight) @ design + held), np.float64)
    return covariance @ ((design.T * weight) @ difference_k), covariance
