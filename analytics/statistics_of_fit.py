"""How well a model fits: the figures that ASHRAE Guideline 14 asks for, with its limits."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import nan
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

__all__ = ["GUIDELINE_14_LIMITS", "FitLimits", "FitStatistics", "fit_statistics"]


@dataclass(frozen=True, slots=True)
class FitLimits:
    """Highest CV(RMSE) and highest magnitude of NMBE, as parts of the mean measured value."""

    cv_rmse: float
    nmbe: float


GUIDELINE_14_LIMITS: Mapping[str, FitLimits] = MappingProxyType(
    {"month": FitLimits(0.15, 0.05), "hour": FitLimits(0.30, 0.10), "day": FitLimits(0.25, 0.07)}
)
"""By the length of the steps. Month and hour: ASHRAE Guideline 14-2014, which has none for days: common practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FitStatistics:
    """
    Args:
        n: Pairs of which both values are known.
        n_parameters: Parameters that were fitted.
        cv_rmse: Root mean square of the errors over the mean measured value, n - p degrees of freedom. [-]
        nmbe: Mean error, measured less predicted, over the mean measured value. [-]
        r_squared: Part of the measured values' variance that the model explains. [-]
    """

    n: int
    n_parameters: int
    cv_rmse: float
    nmbe: float
    r_squared: float

    def is_within(self, limits: FitLimits) -> bool:
        """Whether both figures are known and within limits."""
        return bool(self.cv_rmse <= limits.cv_rmse and abs(self.nmbe) <= limits.nmbe)


def fit_statistics(measured: ArrayLike, predicted: ArrayLike, *, n_parameters: int = 0) -> FitStatistics:
    """
    Fit of predictions to measured values; pairs with NaN are left out.

    Texts differ in the sign of NMBE: here it is measured less predicted, so a model that promises too much is negative.

    Args:
        measured, predicted: The same quantity, same shape.
        n_parameters: Fitted to these very values; 0 or 1 where the model came from elsewhere.
    Returns:
        NaN where fewer pairs than parameters + 1 are known, or where the mean measured value is zero.
    Raises:
        ValueError: If the shapes differ.
    References:
        ASHRAE Guideline 14-2014, section on statistical indices (clause from memory).
    """
    y, fitted = np.asarray(measured, float), np.asarray(predicted, float)
    if y.shape != fitted.shape:
        raise ValueError(f"measured and predicted must have one shape; they have {y.shape} and {fitted.shape}")
    known = np.isfinite(y) & np.isfinite(fitted)
    y, error = y[known], y[known] - fitted[known]
    n, freedom = int(known.sum()), int(known.sum()) - n_parameters
    mean = float(y.mean()) if n else 0.0
    if freedom < 1 or mean == 0.0:
        return FitStatistics(n=n, n_parameters=n_parameters, cv_rmse=nan, nmbe=nan, r_squared=nan)
    squares, spread = float(error @ error), float(((y - mean) ** 2).sum())
    return FitStatistics(
        n=n,
        n_parameters=n_parameters,
        cv_rmse=float(np.sqrt(squares / freedom)) / abs(mean),
        nmbe=float(error.sum()) / freedom / mean,
        r_squared=1.0 - squares / spread if spread > 0 else nan,
    )
