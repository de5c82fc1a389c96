"""
What a span of days would have bought with the hot-water use and the weather of a year before.

The house as it was a year before tells what a kWh of hot water, a degree outdoors and a kWh of sun are worth: a
straight line through its days, with heating degrees below the base that fits best. What of the change between the
years these explain is taken out of the later days; what is left is the house itself, or chance.

References:
    ASHRAE Guideline 14-2014: change-point models of daily energy, and the fewer independent days that days which
    follow one another are worth, n (1 - r) / (1 + r) (from memory).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import nan, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from analytics.differences import difference
from analytics.doubt import Doubt, independent
from analytics.expected.conditions import OUTDOOR_MEAN, conditions_of
from analytics.expected.linear import LinearFit, fit_linear
from analytics.figures import DayLedger, Figure
from analytics.statistics_of_fit import FitStatistics

__all__ = ["Correction", "Pair", "corrected"]

Array = NDArray[np.float64]

Pair = tuple[DayLedger, DayLedger]
"""A day's ledger of the year before, and the same day's of the later year."""

HEAT, SUN, OUTDOOR = "heat in hot water", "sun", "outdoor temperature"

_LEAST_DAYS = 20  # to learn from: with three inputs five for each parameter; common practice
_LEAST_PAIRS = 7
_LEAST_KNOWN = 0.9  # part of the days on which an input must be known to be used
_MOST_BEYOND = 0.25  # part of the later days that may lie outside what the year before showed
_BASES_DEGC: Sequence[float] = (*range(6, 22), 60.0)  # at 60, never reached, a straight line of outdoor temperature
_LEAST_SPREAD = 1e-6
_LEAST_USE_SPREAD = 0.03  # of the mean; use that is more even teaches nothing of what a kWh of it is worth
_MOST_UNLEARNT = 0.05  # by how much even use may differ from year to year and go uncorrected


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """
    Args:
        purchased: What the later days would have bought with the earlier days' use and weather. [kWh]
        change: That less what the earlier days bought: what the house itself did, or chance. [kWh]
        inputs: What was corrected for.
        left_out: What was not, as a sentence; empty where nothing is missing.
        base_degc: Outdoor temperature from which on down it matters; NaN where outdoor temperature is no input, or
            matters all along.
        n_days: Days of the year before that the line was drawn through.
        statistics: How well it fits them.
    """

    purchased: Figure
    change: Figure
    inputs: Sequence[str]
    left_out: str
    base_degc: float
    n_days: int
    statistics: FitStatistics


def corrected(
    pairs: Sequence[Pair], learnt: Sequence[DayLedger], *, later: DayLedger, earlier: DayLedger
) -> Correction | str:
    """
    Args:
        pairs: The days that are set side by side.
        learnt: Whole days of the year before to learn from, in order.
        later, earlier: Sums over the pairs.
    Returns:
        The correction, or a sentence that says why there is none.
    """
    if len(pairs) < _LEAST_PAIRS:
        return f"Only {len(pairs)} days can be set side by side; {_LEAST_PAIRS} are needed to correct for use."
    if len(learnt) < _LEAST_DAYS:
        return f"Only {len(learnt)} days of the year before are wholly known; {_LEAST_DAYS} are needed to learn from."
    before_seen, after_seen, seen = (_seen(days) for days in ([p[0] for p in pairs], [p[1] for p in pairs], learnt))
    if why := _unlearnt(before_seen[HEAT], after_seen[HEAT], seen[HEAT]):
        return why
    names = _usable([before_seen, after_seen, seen])
    line = _best_line(learnt, seen, names) if names else None
    if line is None:
        return "The days of the year before were too much alike to learn from."
    fit = line.fit
    before, after = (_rows(each, fit.names, line.base_degc) for each in (before_seen, after_seen))
    known = np.isfinite(before).all(axis=1) & np.isfinite(after).all(axis=1)
    beyond = float(fit.predict(after[known]).is_beyond.mean())
    if beyond > _MOST_BEYOND:
        return f"On {beyond:.0%} of the days use or weather were unlike any that the year before shows."
    shift = (before[known] - after[known]).mean(axis=0)
    figure, scatter_u = _figure(line, shift, later=later, earlier=earlier, n_pairs=len(pairs))
    return Correction(
        purchased=figure,
        change=_change(figure, earlier.purchased, scatter_u),
        inputs=fit.names,
        left_out=_left_out(fit.names),
        base_degc=line.base_degc if OUTDOOR in fit.names and line.base_degc < np.nanmax(seen[OUTDOOR]) else nan,
        n_days=fit.statistics.n,
        statistics=fit.statistics,
    )


def _sun_kwh_m2(ledger: DayLedger) -> float:
    """Irradiation in the plane of the house's collectors, their mean where there are more."""
    found = [v for name, v in conditions_of(ledger).items() if name.endswith(".irradiation_kwh_m2")]
    return float(np.mean(found)) if found else nan


def _seen(ledgers: Sequence[DayLedger]) -> Mapping[str, Array]:
    """What is known of the days that purchases may hang on. Each of shape (days,)"""
    return {
        HEAT: np.asarray([ledger.hot_water.heat.value for ledger in ledgers]),
        SUN: np.asarray([_sun_kwh_m2(ledger) for ledger in ledgers]),
        OUTDOOR: np.asarray([conditions_of(ledger).get(OUTDOOR_MEAN, nan) for ledger in ledgers]),
    }


def _rows(seen: Mapping[str, Array], names: Sequence[str], base_degc: float) -> Array:
    """Inputs of the line, outdoor temperature as degrees below the base. Shape (days, names)"""
    below = np.where(np.isnan(seen[OUTDOOR]), nan, np.maximum(base_degc - seen[OUTDOOR], 0.0))
    return np.column_stack([below if name == OUTDOOR else seen[name] for name in names])


def _usable(every: Sequence[Mapping[str, Array]]) -> list[str]:
    """The inputs that are known on nearly all of the days, the last ones those to learn from; not even use."""
    known = [
        name for name in (HEAT, SUN, OUTDOOR) if all(np.isfinite(seen[name]).mean() >= _LEAST_KNOWN for seen in every)
    ]
    return [name for name in known if name != HEAT or not _is_even(every[-1][HEAT])]


def _is_even(heat: Array) -> bool:
    return bool(np.std(heat) <= _LEAST_USE_SPREAD * np.mean(heat))


def _unlearnt(before: Array, after: Array, learnt: Array) -> str:
    """Why a difference in use cannot be corrected for; empty where it can, or where there is next to none."""
    differs = abs(after.mean() / before.mean() - 1) if before.mean() > 0 else 1.0
    if not _is_even(learnt) or differs <= _MOST_UNLEARNT:
        return ""
    return "Every day of the year before used about as much hot water, so what more or less of it costs is not known."


@dataclass(frozen=True, slots=True)
class _Line:
    """
    The straight line, its base temperature, and the scatter of a day about it.

    `day_u` is a standard uncertainty: more than the residuals' deviation where days that follow one another err alike.
    """

    fit: LinearFit
    base_degc: float
    day_u: float


def _best_line(learnt: Sequence[DayLedger], seen: Mapping[str, Array], names: Sequence[str]) -> _Line | None:
    """The line with the base temperature that fits best; inputs that hardly vary are left out."""
    bought = np.asarray([ledger.purchased.value for ledger in learnt])
    best: _Line | None = None
    for base in _BASES_DEGC if OUTDOOR in names else _BASES_DEGC[-1:]:
        rows = _rows(seen, names, base)
        varies = np.nanstd(rows, axis=0) > _LEAST_SPREAD
        kept = [name for name, keep in zip(names, varies, strict=True) if keep]
        fit = fit_linear(rows[:, varies], bought, names=kept) if kept else None
        if fit is not None and (best is None or fit.residual_sd < best.fit.residual_sd):
            error = bought - fit.predict(rows[:, varies]).value
            best = _Line(fit, base, _day_u(fit, error, learnt))
    return best


def _day_u(fit: LinearFit, error: Array, learnt: Sequence[DayLedger]) -> float:
    """Days that follow one another vary in sum (1 + r) / (1 - r) times as much as days apart."""
    follows = np.asarray([(b.day - a.day).days == 1 for a, b in pairwise(learnt)], bool)
    products, squares = (error[:-1] * error[1:])[follows], error[np.isfinite(error)] ** 2
    products = products[np.isfinite(products)]
    has_both = len(products) > 0 and squares.mean() > 0
    r = float(np.clip(products.mean() / squares.mean(), 0.0, 0.9)) if has_both else 0.0
    student = float(stdtrit(fit.statistics.n - fit.statistics.n_parameters, 0.975)) / 1.96
    return fit.residual_sd * sqrt((1 + r) / (1 - r)) * student


def _figure(line: _Line, shift: Array, *, later: DayLedger, earlier: DayLedger, n_pairs: int) -> tuple[Figure, float]:
    """What would have been bought, and the standard uncertainty of the days' sum by their scatter."""
    fit, slopes = line.fit, line.fit.coefficients[:-1]
    scatter_u = line.day_u * sqrt(n_pairs)
    slopes_u = line.day_u * n_pairs * sqrt(float(shift @ fit.unscaled[:-1, :-1] @ shift))
    per_heat = float(slopes[list(fit.names).index(HEAT)]) if HEAT in fit.names else 0.0
    parts = [
        later.purchased.doubt,
        earlier.hot_water.heat.doubt.times(per_heat),
        later.hot_water.heat.doubt.times(-per_heat),
        Doubt({}, {"what use and weather are worth": slopes_u, "days that differ without a known cause": scatter_u}),
    ]
    doubt = independent(parts)
    value = later.purchased.value + float(n_pairs * slopes @ shift)
    why = f"By a line through {fit.statistics.n} days of the year before over {' and '.join(fit.names)}."
    coverage = min(later.purchased.coverage, earlier.hot_water.heat.coverage)
    return Figure(value, "kWh", doubt.half_width, "estimated", coverage, why, doubt), scatter_u


def _change(figure: Figure, earlier: Figure, scatter_u: float) -> Figure:
    found = difference(figure, earlier)
    scatter = Doubt({}, {"days of the year before that differ without a known cause": scatter_u})
    doubt = independent([found.doubt, scatter])
    return Figure(found.value, "kWh", doubt.half_width, "estimated", found.coverage, figure.why, doubt)


def _left_out(names: Sequence[str]) -> str:
    told = {
        HEAT: "use of hot water, which hardly varied",
        SUN: "sun, which is not measured or hardly varied",
        OUTDOOR: "outdoor temperature, which is not measured or hardly varied",
    }
    missing = [words for name, words in told.items() if name not in names]
    return f"Not corrected for {' nor for '.join(missing)}." if missing else ""
