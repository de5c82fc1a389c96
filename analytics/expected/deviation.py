"""
A house's own days held against its first good weeks, and the deviations added up.

The first weeks of a record, begun when the house was commissioned or at the record's first day, make a straight-line
model; each later day deviates from it by so many of its standard deviations; a CUSUM finds small lasting shifts.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.cusum import Cusum, CusumPath, average_run_length, cusum_path
from analytics.expected.linear import LinearFit, fit_linear

__all__ = ["SCHEME", "Deviation", "deviations"]

Array = NDArray[np.float64]

# Days are neither quite independent nor quite normal: twice the usual allowance keeps false signals rare.
SCHEME = Cusum(allowance=1.0, limit=5.0)
"""A shift of two standard deviations is found within five days or so (`Deviation.days_to_find`)."""

_FIRST_DAYS = 28
_LEAST_DAYS = 10
_OUTLIER_SD = 4.0
_ONE_SHIFT_DAYS = 14  # signals no further apart tell of one shift


@dataclass(frozen=True, slots=True, eq=False)
class Deviation:
    """
    A record's days against the model of its first good weeks.

    Args:
        days: Of the record.
        expected, plus_minus: What the model says of each day, and the half-width of its 95 % interval.
        standardised: (value - expected) over the interval's standard deviation, NaN for days not known, for days of
            the model itself, and for days whose inputs are beyond its own.
        path: The CUSUM over them.
        fit: The model, with its ASHRAE Guideline 14 figures.
    """

    days: Sequence[date]
    expected: Array
    plus_minus: Array
    standardised: Array
    path: CusumPath
    fit: LinearFit

    @property
    def signalled_since(self) -> date | None:
        """The day with which the shift began that the last signals tell of; None without a signal."""
        if not len(self.path.signals):
            return None
        apart = np.flatnonzero(np.diff(self.path.signals) > _ONE_SHIFT_DAYS)
        first = self.path.signals[apart[-1] + 1 if len(apart) else 0]
        return self.days[int(self.path.onset[first])]

    @property
    def days_between_false_signals(self) -> float:
        """Average run length of a healthy house, were its days independent and normal."""
        return average_run_length(0.0, SCHEME)

    @staticmethod
    def days_to_find(shift_sd: float) -> float:
        """Average run length after a shift of so many standard deviations."""
        return average_run_length(shift_sd, SCHEME)


def deviations(
    days: Sequence[date],
    inputs: ArrayLike,
    values: ArrayLike,
    *,
    names: Sequence[str],
    commissioned: date | None = None,
    least_sd: float = 0.0,
) -> Deviation | None:
    """
    Deviations of a record's days from its own first good weeks.

    Args:
        days: In order, oldest first.
        inputs: What the value depends on. Shape (days, names)
        values: Shape (days,), NaN where not known.
        commissioned: Days before it are not of the house as it is.
        least_sd: Scatter is never taken for less.
    Returns:
        None where fewer than ten days can make the model.
    """
    x, y = np.asarray(inputs, float), np.asarray(values, float)
    known = np.isfinite(x).all(axis=1) & np.isfinite(y)
    if commissioned is not None:
        known &= np.asarray([day >= commissioned for day in days], bool)
    first = np.flatnonzero(known)[:_FIRST_DAYS]
    fit = _good_fit(x[first], y[first], names=names, least_sd=least_sd)
    if fit is None:
        return None
    found = fit.predict(np.where(np.isfinite(x), x, 0.0))
    later = known & ~found.is_beyond
    later[: first[-1] + 1] = False
    sd = found.plus_minus / 2.0
    standardised = np.where(later, (y - found.value) / np.where(sd > 0, sd, np.nan), np.nan)
    return Deviation(
        days=tuple(days),
        expected=np.where(np.isfinite(x).all(axis=1), found.value, np.nan),
        plus_minus=found.plus_minus,
        standardised=standardised,
        path=cusum_path(standardised, SCHEME),
        fit=fit,
    )


def _good_fit(x: Array, y: Array, *, names: Sequence[str], least_sd: float) -> LinearFit | None:
    """The fit without days that lie far off it: one broken day among the first must not make the model."""
    if len(y) < _LEAST_DAYS:
        return None
    fit = fit_linear(x, y, names=names, least_sd=least_sd)
    if fit is None:
        return None
    error = np.abs(y - fit.predict(x).value)
    usual = 1.4826 * float(np.median(error))
    good = error <= _OUTLIER_SD * max(usual, least_sd, 1e-12)
    if good.all() or good.sum() < _LEAST_DAYS:
        return fit
    return fit_linear(x[good], y[good], names=names, least_sd=least_sd)
