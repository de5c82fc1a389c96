"""
A pair beside a tank by the hours of rests (`analytics.beside_tank`): an offset, and what the tank moves the pair by.

Each of the tank's sensors may count by a part of its own, so that nothing is assumed of where the pipes join it. But
which water warms a pipe is no sum of what sensors read where a front passes between them: so hours tell only of a pair
that differed alike in all of them, whatever the tank did.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, isqrt, sqrt

import numpy as np
from numpy.typing import NDArray

from analytics.pair_check import Moments

__all__ = ["explained_k", "held_before_k", "offset_by_hours"]

Array = NDArray[np.float64]

_ALIKE_K = 0.015  # standard deviation of a pair's hours: what pipes and readings alone make of them
_NOISE_K = 0.005  # of half an hour's mean
_DAY_K = 0.02  # by which days differ, as a standard uncertainty; counts as one day beside what they show
_PART = 0.3  # of the tank's warmth: standard deviation of what may reach a pipe, before any hour (common practice)
_LEAST_DAYS = 3
# An offset is told within 0.1 K, and the parts that fit best take or give no more of it.
_LARGEST_U_K, _MOST_EXPLAINED_K = 0.05, 0.1


@dataclass(frozen=True, slots=True)
class _Hours:
    """Moments of rests: number, means, and products about them; the pair's difference first, then the tank's."""

    count: float
    mean: Array
    products: Array

    def fit(self, noise_k: float) -> tuple[Array, float]:
        """Offset and each sensor's part by least squares, parts held to nothing; the offset's standard uncertainty."""
        beside = np.concatenate(([1.0], self.mean[1:]))
        normal = self.count * np.outer(beside, beside)
        normal[1:, 1:] += self.products[1:, 1:]
        right = self.count * beside * self.mean[0]
        right[1:] += self.products[0, 1:]
        held = np.diag([0.0] + [_PART**-2] * (len(beside) - 1))
        covariance = np.linalg.inv(normal / noise_k**2 + held)
        return np.asarray(covariance @ right) / noise_k**2, sqrt(float(covariance[0, 0]))

    def left_k2(self, found: Array) -> float:
        """Sum of squares of what a fit leaves. [K2]"""
        way = np.concatenate(([1.0], -found[1:]))
        mean_k = float(way @ self.mean) - float(found[0])
        return max(float(way @ self.products @ way), 0.0) + self.count * mean_k**2


def offset_by_hours(days: Sequence[Moments]) -> tuple[float, float] | None:
    """Offset and its standard uncertainty; None where the hours do not surely tell. [K]"""
    told = _told(days)
    if len(told) < _LEAST_DAYS or (seen := _joined(told)).products[0, 0] > _ALIKE_K**2 * seen.count:
        return None
    found, _ = seen.fit(_NOISE_K)
    freedom = max(seen.count - len(found), 0.0) + 1.0
    noise_k = max(_NOISE_K, sqrt((seen.left_k2(found) + _DAY_K**2) / freedom))
    found, own_u_k = seen.fit(noise_k)
    # All hours of a day share what it differs from others by, beside what the tank explains.
    shared_k = np.asarray([day.mean[0] - found[0] - day.mean[1:] @ found[1:] for day in told])
    shared_u_k = sqrt((float(shared_k @ shared_k) + _DAY_K**2) / (len(told) + 1) / len(told))
    offset_k, u_k = float(found[0]), hypot(own_u_k, shared_u_k)
    is_sure = u_k <= _LARGEST_U_K and abs(offset_k - float(seen.mean[0])) <= _MOST_EXPLAINED_K
    return (offset_k, u_k) if is_sure else None


def explained_k(days: Sequence[Moments]) -> float:
    """
    How much of a pair's difference the tank may make, by how much it moves the pair; 0 where no hour tells. [K]

    Whichever of the sensors the water that warms a pipe moves with: it may be the one that hardly moves.
    """
    told = _told(days)
    if not told:
        return 0.0
    seen = _joined(told)
    moved_k2, *water_k2 = np.diag(seen.products) / seen.count
    if moved_k2 <= _ALIKE_K**2:
        return 0.0
    part = np.sqrt(moved_k2 / np.maximum(water_k2, moved_k2))
    return float(np.max(part * np.maximum(seen.mean[1:], 0.0)))


def held_before_k(before: Sequence[Moments], since: Sequence[Moments]) -> float | None:
    """
    How much the tank may make of a difference since a step, where the pair agreed beside as warm a tank before. [K]

    None where it was not seen on enough days before, or where the tank moves it before or since.
    """
    if len(_told(before)) < _LEAST_DAYS or not _told(since):
        return None
    seen, new = _joined(_told(before)), _joined(_told(since))
    if max(each.products[0, 0] / each.count for each in (seen, new)) > _ALIKE_K**2:
        return None
    was_k, is_k = (max(float(each.mean[1:].max()), 0.0) for each in (seen, new))
    return (abs(float(seen.mean[0])) + _NOISE_K) * max(is_k / was_k, 1.0) if was_k > 0 else None


def _told(days: Sequence[Moments]) -> list[_Hours]:
    """Days with moments, as far as they speak of as many sensors as the newest."""
    told = [each for each in days if each]
    return [_hours(each) for each in told if len(each) == len(told[-1])]


def _hours(moments: Moments) -> _Hours:
    n = (isqrt(9 + 8 * (len(moments) - 1)) - 3) // 2  # so many means, and half a square of products
    upper = np.zeros((n, n))
    upper[np.triu_indices(n)] = moments[1 + n :]
    return _Hours(moments[0], np.asarray(moments[1 : 1 + n]), upper + np.triu(upper, 1).T)


def _joined(days: Sequence[_Hours]) -> _Hours:
    counts = np.asarray([day.count for day in days])
    means = np.asarray([day.mean for day in days])
    mean = counts @ means / counts.sum()
    between = (means - mean).T * counts @ (means - mean)
    return _Hours(float(counts.sum()), mean, between + np.sum([day.products for day in days], axis=0))
