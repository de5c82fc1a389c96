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

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import pairwise
from math import hypot, sqrt

from analytics.derived import within_limits

__all__ = [
    "GAPS",
    "NO_DOUBT",
    "OVER_COLD",
    "Doubt",
    "Run",
    "combined",
    "from_limit",
    "independent",
    "over_days",
    "runs_of",
]

GAPS = "gaps"
"""What the names of sources begin with that stand for time unheard."""

OVER_COLD = " over cold water"
"""What the names of sources have within that stand for layers above a part of a tank that stays cold."""

_RECTANGULAR_EXCESS = -1.2  # excess kurtosis
# Of the error at a day's end, the part that is still there a day later. In virtual tanks of five kinds the error of a
# change of stored heat over two days had 1.3 to 1.8 times the variance of a day's, over four 1.4 to 2.4 times, and
# over a fortnight no more than over four.
_STAYS = 0.5
# The same of layers above cold water: there sensors leave open how much is warm, so that an account goes by its meters
# and follows the sensors slowly. From the sixth day of an account on in virtual tanks of three kinds the error had 1.4
# to 2.0 times the variance of a day's over two days, 2.0 to 3.4 over four, and 1.7 to 6.2 over nine; so it has 1.8, 2.7
# and 3.7. What an account does not know as it begins is a source of its own.
_STAYS_OVER_COLD = 0.75
_NOTHING_STAYS = ("moments of", "whole steps of")  # where a counter stood between two steps at midnight


@dataclass(frozen=True, slots=True)
class Doubt:
    """
    Signed standard uncertainties by source, in the unit of the value that they belong to.

    Args:
        steady: Sources that err alike on all days; each is taken as evenly spread within limits.
        passing: Sources that err anew on each day; each is taken as normal.
        ends: Sources that err at a day's start and at its end, half of the variance at each; each is taken as normal.
    """

    steady: Mapping[str, float] = field(default_factory=dict)
    passing: Mapping[str, float] = field(default_factory=dict)
    ends: Mapping[str, float] = field(default_factory=dict)

    @property
    def by_source(self) -> dict[str, float]:
        """All sources, of whatever kind."""
        return {**self.steady, **self.passing, **self.ends}

    @property
    def u(self) -> float:
        """Combined standard uncertainty."""
        return hypot(*self.steady.values(), *self.passing.values(), *self.ends.values())

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
        every = [*self.steady.items(), *self.passing.items(), *self.ends.items()]
        variance = self.u**2
        if variance == 0.0:
            return []
        return sorted(((source, c * c / variance) for source, c in every), key=lambda each: -each[1])

    def apart_from_gaps(self) -> "Doubt":
        """The doubt of what was heard, without that of what gaps may have hidden."""
        heard = {source: c for source, c in self.passing.items() if not source.startswith(GAPS)}
        return Doubt(self.steady, heard, self.ends)

    def of_gaps(self) -> "Doubt":
        """The doubt of what gaps may have hidden alone."""
        return Doubt({}, {source: c for source, c in self.passing.items() if source.startswith(GAPS)})

    def times(self, factor: float) -> "Doubt":
        """The doubt of the value times a number that is exactly known."""
        return Doubt(
            {source: c * factor for source, c in self.steady.items()},
            {source: c * factor for source, c in self.passing.items()},
            {source: c * factor for source, c in self.ends.items()},
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
    ends: dict[str, float] = {}
    for factor, doubt in parts:
        for kind, own in ((steady, doubt.steady), (passing, doubt.passing), (ends, doubt.ends)):
            for source, c in own.items():
                kind[source] = kind.get(source, 0.0) + factor * c
    return Doubt(steady, passing, ends)


@dataclass(frozen=True, slots=True)
class Run:
    """
    Days that follow each other and have a source at their ends.

    Args:
        first_c, last_c: Its standard uncertainty on the first and on the last.
        apart: The variance of the difference of the run's two ends, as a multiple of that of one day's.
    """

    first: date
    last: date
    first_c: float
    last_c: float
    apart: float

    @property
    def c(self) -> float:
        """Of the sum of its days: the first one's start and the last one's end are what is left."""
        return sqrt(0.5 * (self.first_c**2 + self.last_c**2) * self.apart)


def _apart(source: str, n_days: int) -> float:
    stays = 0.0 if source.startswith(_NOTHING_STAYS) else _STAYS_OVER_COLD if OVER_COLD in source else _STAYS
    return (1.0 - stays**n_days) / (1.0 - stays)


def runs_of(source: str, doubts: Sequence[tuple[date, Doubt]]) -> list[Run]:
    """
    The runs of days that have a source at their ends.

    Args:
        doubts: By day, in order.
    """
    there = [(day, doubt.ends[source]) for day, doubt in doubts if source in doubt.ends]
    is_new = [True, *(later - day != timedelta(days=1) for (day, _), (later, _) in pairwise(there))]
    firsts = [k for k, new in enumerate(is_new) if new]
    lasts = [*(k - 1 for k in firsts[1:]), len(there) - 1]
    return [
        Run(there[k][0], there[m][0], there[k][1], there[m][1], _apart(source, m - k + 1))
        for k, m in zip(firsts, lasts, strict=True)
    ]


def over_days(doubts: Sequence[tuple[date, Doubt]]) -> Doubt:
    """
    Doubt of a sum over days: steady sources add up, passing ones add as squares, and of those at the days' ends what
    stands at the ends of each run of days.

    Args:
        doubts: By day, in order.
    """
    together = independent(doubt for _, doubt in doubts)
    ends = {source: hypot(*(run.c for run in runs_of(source, doubts))) for source in together.ends}
    return Doubt(together.steady, together.passing, ends)


def independent(doubts: Iterable[Doubt]) -> Doubt:
    """Doubt of a sum of what has no day in common, nor one that follows: all but steady sources add as squares."""
    steady: dict[str, float] = {}
    passing: dict[str, float] = {}
    ends: dict[str, float] = {}
    for doubt in doubts:
        for source, c in doubt.steady.items():
            steady[source] = steady.get(source, 0.0) + c
        for kind, own in ((passing, doubt.passing), (ends, doubt.ends)):
            for source, c in own.items():
                kind[source] = hypot(kind.get(source, 0.0), c)
    return Doubt(steady, passing, ends)
