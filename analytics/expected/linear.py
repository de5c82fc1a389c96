"""Straight-line models fitted on a house's own days, with the interval of what they predict."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from analytics.statistics_of_fit import FitStatistics, fit_statistics

__all__ = ["LinearFit", "Predicted", "fit_linear"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Predicted:
    """
    What a model says of new days: value and half-width of the 95 % interval of one day's value.

    `is_beyond` marks days whose inputs lie further outside the fitted ones than half of their spread: there the
    value is a guess.
    """

    value: Array
    plus_minus: Array
    is_beyond: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class LinearFit:
    """
    value = coefficients . inputs + intercept, by least squares.

    Args:
        coefficients: One per input, then the intercept.
        residual_sd: Of one day about the line, in the value's unit.
        names: Of the inputs.
    """

    names: Sequence[str]
    coefficients: Array
    residual_sd: float
    statistics: FitStatistics
    unscaled: Array
    lowest: Array
    highest: Array

    def predict(self, inputs: ArrayLike) -> Predicted:
        """
        Args:
            inputs: Shape (days, inputs), or (inputs,) for one day.
        """
        rows = np.atleast_2d(np.asarray(inputs, float))
        design = _design(rows)
        spread = np.sqrt(1.0 + np.einsum("ni,ij,nj->n", design, self.unscaled, design))
        freedom = self.statistics.n - self.statistics.n_parameters
        margin = 0.5 * (self.highest - self.lowest)
        beyond = ((rows < self.lowest - margin) | (rows > self.highest + margin)).any(axis=1)
        half_width = float(stdtrit(freedom, 0.975)) * self.residual_sd * spread
        return Predicted(design @ self.coefficients, np.asarray(half_width), np.asarray(beyond))


def fit_linear(
    inputs: ArrayLike, values: ArrayLike, *, names: Sequence[str], least_sd: float = 0.0
) -> LinearFit | None:
    """
    Least squares of daily values over daily inputs; days with NaN are left out.

    Args:
        inputs: Shape (days, inputs).
        values: Shape (days,).
        least_sd: Scatter is never taken for less than this: few quiet days must not make a model too sure.
    Returns:
        None where fewer than two days more than parameters are known, or where the inputs do not tell apart.
    Raises:
        ValueError: If the shapes do not fit.
    """
    x, y = np.asarray(inputs, float), np.asarray(values, float)
    if x.ndim != 2 or x.shape != (len(y), len(names)):
        raise ValueError(f"inputs must be of shape {(len(y), len(names))} (days, names); they are of {x.shape}")
    known = np.isfinite(x).all(axis=1) & np.isfinite(y)
    x, y = x[known], y[known]
    n_parameters = len(names) + 1
    if len(y) < n_parameters + 2:
        return None
    design = _design(x)
    if np.linalg.matrix_rank(design) < n_parameters:
        return None
    unscaled = np.asarray(np.linalg.inv(design.T @ design), np.float64)
    coefficients = unscaled @ (design.T @ y)
    error = y - design @ coefficients
    sd = float(np.sqrt(error @ error / (len(y) - n_parameters)))
    return LinearFit(
        names=tuple(names),
        coefficients=coefficients,
        residual_sd=max(sd, least_sd),
        statistics=fit_statistics(y, design @ coefficients, n_parameters=n_parameters),
        unscaled=unscaled,
        lowest=x.min(axis=0),
        highest=x.max(axis=0),
    )


def _design(inputs: Array) -> Array:
    return np.column_stack((inputs, np.ones(len(inputs))))
