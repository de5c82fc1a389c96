"""
Doubt: how far a value can be off, by the source that it comes from.

Each source adds a standard uncertainty with its sign, so that what two figures share adds or cancels as it does in
the house: a sensor that reads high raises one stage's heat and lowers the next one's. A source is either steady, the
same error every day (calibration, a fluid's properties, an assumed flow), or passing, another one every day (the
moment of a reading, a gap). A month's doubt is therefore not the sum of its days'.

References:
    JCGM 100:2008 (GUM) 5.1.2 and 5.2.2, law of propagation, correlated inputs; 4.3.7, limits of error as a
    rectangular distribution; G.2, the interval of a sum of few rectangular parts (clauses from memory).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from math import hypot, sqrt

from analytics.derived import within_limits

__all__ = ["GAPS", "NO_DOUBT", "Doubt", "combined", "from_limit", "over_days"]

GAPS = "gaps"
"""What the names of sources begin with that stand for time unheard."""

_RECTANGULAR_EXCESS = -1.2  # excess kurtosis


@dataclass(frozen=True, slots=True)
class Doubt:
    """
    Signed standard uncertainties by source, in the unit of the value that they belong to.

    Args:
        steady: Sources that err alike on all days; each is taken as evenly spread within limits.
        passing: Sources that err anew on each day; each is taken as normal.
    """

    steady: Mapping[str, float] = field(default_factory=dict)
    passing: Mapping[str, float] = field(default_factory=dict)

    @property
    def u(self) -> float:
        """Combined standard uncertainty."""
        return hypot(*self.steady.values(), *self.passing.values())

    @property
    def half_width(self) -> float:
        """
        Half-width of the 95 % interval.

        One rectangular source alone reaches 95 % at 1.645 u, two equal ones at 1.902 u, a normal at 1.960 u; between
        them the factor follows the excess kurtosis of the sum.
        """
        variance = self.u**2
        if variance == 0.0:
            return 0.0
        fourth = sum([(c * c / variance) ** 2 for c in self.steady.values()])
        flatness = -_RECTANGULAR_EXCESS * fourth
        return float((1.960 + 0.0692 * flatness - 0.2764 * flatness**2) * sqrt(variance))

    def shares(self) -> list[tuple[str, float]]:
        """Each source with its part of the variance, the largest first; nothing where there is no doubt."""
        every = [*self.steady.items(), *self.passing.items()]
        variance = self.u**2
        if variance == 0.0:
            return []
        return sorted(((source, c * c / variance) for source, c in every), key=lambda each: -each[1])

    def apart_from_gaps(self) -> "Doubt":
        """The doubt of what was heard, without that of what gaps may have hidden."""
        return Doubt(self.steady, {source: c for source, c in self.passing.items() if not source.startswith(GAPS)})

    def of_gaps(self) -> "Doubt":
        """The doubt of what gaps may have hidden alone."""
        return Doubt({}, {source: c for source, c in self.passing.items() if source.startswith(GAPS)})

    def times(self, factor: float) -> "Doubt":
        """The doubt of the value times a number that is exactly known."""
        return Doubt(
            {source: c * factor for source, c in self.steady.items()},
            {source: c * factor for source, c in self.passing.items()},
        )


NO_DOUBT = Doubt()


def from_limit(half_width: float) -> float:
    """Standard uncertainty of an error that lies anywhere within plus or minus `half_width`."""
    return within_limits(half_width)


def combined(parts: Iterable[tuple[float, Doubt]]) -> Doubt:
    """
    Doubt of a sum of one day's values, each times a factor; to first order also of a ratio or a product.

    Args:
        parts: Factor (the partial derivative) and doubt of each value.
    """
    steady: dict[str, float] = {}
    passing: dict[str, float] = {}
    for factor, doubt in parts:
        for source, c in doubt.steady.items():
            steady[source] = steady.get(source, 0.0) + factor * c
        for source, c in doubt.passing.items():
            passing[source] = passing.get(source, 0.0) + factor * c
    return Doubt(steady, passing)


def over_days(doubts: Iterable[Doubt]) -> Doubt:
    """Doubt of a sum over days: steady sources add up, passing ones add as squares."""
    steady: dict[str, float] = {}
    passing: dict[str, float] = {}
    for doubt in doubts:
        for source, c in doubt.steady.items():
            steady[source] = steady.get(source, 0.0) + c
        for source, c in doubt.passing.items():
            passing[source] = hypot(passing.get(source, 0.0), c)
    return Doubt(steady, passing)
