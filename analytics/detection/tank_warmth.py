"""
Pipes at rest that their tank keeps warm: a difference that follows the tank's warmth is no sensor's.

The pipe at a tank's upper port stays warmer than the one at its lower port, by a part of what the water there is warmer
than they are. That part is the same at all hours, so what a warm and a cooler tank show, on different days or late in
one long rest, tells it from an offset, which is the same whatever the tank is. Hours that are all alike tell neither.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import copysign, hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from analytics.detection.pair_days import PairRecord, Seen

__all__ = ["at_least_k"]

Array = NDArray[np.float64]

_PART = (
    0.3  # of the tank's warmth: standard deviation of what reaches a pipe's sensor, before any day (common practice)
)
# What one rest differs from another by, as a standard uncertainty: so much is thought before any day, and counts as one
# day does beside what the days show (common practice). Rounding leaves the least.
_DAY_K, _LEAST_DAY_K = 0.02, 0.005
# Of what the tank explains: its sensors stand beside the ports, and what they show need not be what the ports have.
_ELSEWHERE = 0.2
_EXPANDED = 2.0  # coverage factor for 95 %, GUM 6.3.3 (from memory)


@dataclass(frozen=True, slots=True)
class _Told:
    """
    What days told of a pair, moment by moment: differences, the tank's warmth at both ports (moments, 2), weights.

    Args:
        day: Which of the days each moment belongs to.
    """

    difference_k: Array
    beside_k: Array
    weight: Array
    day: NDArray[np.intp]


def at_least_k(record: PairRecord, *, limit_k: float) -> float:
    """
    What is surely left of a record's difference without its tank's warmth; no more than its own doubt leaves. [K]

    It is worked out where it may decide, beyond `limit_k`. Days before the record's own, with whatever offset they
    had, help to tell the part that follows the tank.
    """
    plain_k = abs(record.difference_k) - _EXPANDED * record.u_k
    if plain_k <= limit_k or not all(check.beside_k for _, check in record.days):
        return plain_k
    offset_k, u_k = _offset([each for each in record.seen if each[1].beside_k], len(record.days))
    # An offset against the difference's own way is none of it.
    return min(plain_k, copysign(1.0, record.difference_k) * offset_k - _EXPANDED * u_k)


def _offset(seen: Sequence[Seen], n_newest: int) -> tuple[float, float]:
    """
    Offset of the newest days and its standard uncertainty, by least squares. [K]

    Difference = offset + part of the tank's warmth at each port; each part is held to nothing as far as days allow.
    """
    told = _told(seen)
    is_newest = told.day >= len(seen) - n_newest
    offsets = np.column_stack((is_newest, ~is_newest)[: 1 + (n_newest < len(seen))]).astype(np.float64)
    design = np.column_stack((offsets, told.beside_k))
    held = np.diag([0.0] * offsets.shape[1] + [_PART**-2] * told.beside_k.shape[1])
    found, _ = _solved(design, told, held, 1.0)
    left_k = told.difference_k - design @ found
    chi = (float(told.weight @ left_k**2) + (_DAY_K / _LEAST_DAY_K) ** 2) / (max(len(left_k) - design.shape[1], 0) + 1)
    found, covariance = _solved(design, told, held, max(chi, 1.0))
    explained_k = found[-told.beside_k.shape[1] :] * told.beside_k[is_newest].mean(axis=0)
    u_k = hypot(sqrt(float(covariance[0, 0])), _ELSEWHERE * float(np.abs(explained_k).max()), _day_u_k(told, left_k))
    return float(found[0]), u_k


def _told(seen: Sequence[Seen]) -> _Told:
    """The moments of each day's rests, or its one rest where it tells no more."""
    moments = [check.hours or ((check.difference_k, *check.beside_k),) for _, check in seen]
    rows = np.asarray([moment for day in moments for moment in day])
    day = np.repeat(np.arange(len(seen)), [len(each) for each in moments])
    # What a day's one rest moved by says nothing of its other hours: their scatter shows it.
    weight = np.asarray([1.0 / ((0.0 if check.hours else check.u_k) ** 2 + _LEAST_DAY_K**2) for _, check in seen])
    return _Told(rows[:, 0], rows[:, 1:], weight[day], day)


def _day_u_k(told: _Told, left_k: Array) -> float:
    """What days differ by beside what the tank explains: all moments of one day share it."""
    counts = np.bincount(told.day)
    if len(counts) == len(left_k):
        return 0.0  # one moment a day: the scatter holds it already
    mean_k = np.bincount(told.day, left_k) / counts
    return sqrt((float(mean_k @ mean_k) + _DAY_K**2) / (len(counts) + 1) / len(counts))


def _solved(design: Array, told: _Told, held: Array, chi: float) -> tuple[Array, Array]:
    weight = told.weight / chi
    covariance = np.asarray(np.linalg.inv((design.T * weight) @ design + held), np.float64)
    return covariance @ ((design.T * weight) @ told.difference_k), covariance
