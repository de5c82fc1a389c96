"""
A house's experience: a straight-line model of its first good weeks that grows where later good days leave them.

It is kept as sums, so that it can be handed from day to day. A season that the first weeks did not know is judged with
twice the interval at first, and its good days are then added.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from math import nan, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from analytics.statistics_of_fit import FitStatistics

__all__ = [
    "FIRST_DAYS",
    "Experience",
    "Promise",
    "experience_from_json",
    "experience_of",
    "with_day",
]

Array = NDArray[np.float64]
Day = Sequence[float]
"""Inputs of a day, then its value."""

FIRST_DAYS = 21
"""Good days that make a model: three weeks know weekdays and changing weather (common practice)."""

_OUTLIER_SD = 4.0
_MARGIN = 0.25  # of the inputs' span, beyond which a day is new to the model
_BEYOND_TIMES = 1.5
# Inputs that hardly varied must not be given steep slopes: a slope is held to nothing by so much of a day's weight.
_SLOPE_WEIGHT = 0.02


@dataclass(frozen=True, slots=True)
class Promise:
    """
    What the model says of one day.

    Args:
        value, u: Expected, and the standard uncertainty of one day's value.
        half_width: Of its 95 % interval.
        is_beyond: Whether its inputs lie outside the model's; the interval is then doubled.
    """

    value: float
    u: float
    half_width: float
    is_beyond: bool


_EXACT = 1e-6  # days that are alike to the last place are no exact law


@dataclass(frozen=True, eq=False)
class Experience:
    """
    Args:
        count: Days that made it.
        products: Sums of products of [inputs, 1, value]. Shape (inputs + 2, inputs + 2)
        lowest, highest: Of each input. Shape (inputs,)
        least_u: Scatter is never taken for less.
    """

    count: int
    products: Array
    lowest: Array
    highest: Array
    least_u: float

    @property
    def n_parameters(self) -> int:
        return len(self.lowest) + 1

    @cached_property
    def _solved(self) -> tuple[list[float], list[list[float]], float]:
        """Coefficients (the last is the intercept), the unscaled covariance, and the scatter of a day."""
        p = self.n_parameters
        design, cross, squares = self.products[:p, :p], self.products[:p, p], float(self.products[p, p])
        variance = np.diag(design)[:-1] / self.count - (design[:-1, -1] / self.count) ** 2
        held = design + np.diag([*(_SLOPE_WEIGHT * np.maximum(variance, 1e-9)), 0.0])
        unscaled = np.linalg.inv(held)
        coefficients = unscaled @ cross
        left = squares - 2 * float(coefficients @ cross) + float(coefficients @ design @ coefficients)
        scatter = sqrt(max(left, 0.0) / max(self.count - p, 1))
        return coefficients.tolist(), unscaled.tolist(), max(scatter, self.least_u)

    @property
    def coefficients(self) -> Sequence[float]:
        return self._solved[0]

    @property
    def scatter(self) -> float:
        return self._solved[2]

    @cached_property
    def statistics(self) -> FitStatistics:
        """Of the days that made it, in the model's own terms (value over scale)."""
        p, n = self.n_parameters, self.count
        coefficients = np.asarray(self._solved[0])
        design, cross, squares = self.products[:p, :p], self.products[:p, p], float(self.products[p, p])
        left = max(squares - 2 * float(coefficients @ cross) + float(coefficients @ design @ coefficients), 0.0)
        mean, freedom = float(cross[-1]) / n, n - p
        about_mean = squares - n * mean * mean
        return FitStatistics(
            n=n,
            n_parameters=p,
            cv_rmse=sqrt(left / freedom) / abs(mean) if freedom > 0 and mean else nan,
            nmbe=float(cross[-1] - coefficients @ design[-1]) / freedom / mean if freedom > 0 and mean else nan,
            r_squared=1.0 - left / about_mean if about_mean > 0 else nan,
        )

    @cached_property
    def as_json(self) -> dict[str, Any]:
        """As plain JSON data; of the symmetric products only one half."""
        return {
            "count": self.count,
            "products": self.products[_upper(len(self.products))].tolist(),
            "lowest": self.lowest.tolist(),
            "highest": self.highest.tolist(),
            "least_u": self.least_u,
        }

    def promise(self, inputs: Sequence[float]) -> Promise:
        coefficients, unscaled, scatter = self._solved
        row = (*inputs, 1.0)
        value, spread = 0.0, 1.0
        for c, x, line in zip(coefficients, row, unscaled, strict=True):
            value += c * x
            for m, y in zip(line, row, strict=True):
                spread += x * m * y
        beyond = self._is_beyond(inputs)
        u = scatter * sqrt(spread) * (_BEYOND_TIMES if beyond else 1.0)
        return Promise(value, u, self._times_u * u, beyond)

    @cached_property
    def _times_u(self) -> float:
        return float(stdtrit(max(self.count - self.n_parameters, 1), 0.975))

    def _is_beyond(self, inputs: Sequence[float]) -> bool:
        return any(not low <= x <= high for x, low, high in zip(inputs, self._low, self._high, strict=True))

    @cached_property
    def _low(self) -> list[float]:
        return list((self.lowest - _MARGIN * (self.highest - self.lowest)).tolist())

    @cached_property
    def _high(self) -> list[float]:
        return list((self.highest + _MARGIN * (self.highest - self.lowest)).tolist())


def experience_of(days: Sequence[Day], *, least_u: float) -> Experience:
    """The model of first days; days that lie far off the others are left out."""
    least_u = max(least_u, _EXACT)
    made = _summed(days, least_u)
    error = np.abs([day[-1] - made.promise(day[:-1]).value for day in days])
    usual = max(1.4826 * float(np.median(error)), least_u)
    good = [day for day, off in zip(days, error, strict=True) if off <= _OUTLIER_SD * usual]
    return made if len(good) == len(days) or len(good) < len(days) / 2 else _summed(good, least_u)


def _summed(days: Sequence[Day], least_u: float) -> Experience:
    rows = np.asarray(days, float)
    design = np.column_stack((rows[:, :-1], np.ones(len(rows)), rows[:, -1]))
    return Experience(len(rows), design.T @ design, rows[:, :-1].min(axis=0), rows[:, :-1].max(axis=0), least_u)


def with_day(experience: Experience, day: Day) -> Experience:
    """The same with one more good day."""
    row = np.asarray([*day[:-1], 1.0, day[-1]])
    inputs = row[:-2]
    return Experience(
        experience.count + 1,
        experience.products + np.outer(row, row),
        np.minimum(experience.lowest, inputs),
        np.maximum(experience.highest, inputs),
        experience.least_u,
    )


@cache
def _upper(size: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    return np.triu_indices(size)


def experience_from_json(data: Mapping[str, Any]) -> Experience:
    """The inverse of `Experience.as_json`."""
    lowest = np.asarray(data["lowest"], np.float64)
    size = len(lowest) + 2
    products = np.zeros((size, size))
    products[_upper(size)] = data["products"]
    products = products + np.triu(products, 1).T
    return Experience(data["count"], products, lowest, np.asarray(data["highest"], np.float64), data["least_u"])
