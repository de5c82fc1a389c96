"""One period beside another of the same house: later less earlier, with what both have in doubt alike."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import isnan

from analytics.doubt import Doubt, independent
from analytics.figure_paths import figures_by_path
from analytics.figures import Basis, Figure, unavailable
from analytics.period import Period

__all__ = ["difference", "differences"]

_RANK: Sequence[Basis] = ("measured", "derived", "estimated", "unavailable")
_NOTHING = 1e-9  # of a figure: what adding up leaves of no difference


def difference(later: Figure, earlier: Figure) -> Figure:
    """
    Later less earlier, of two periods of the same house.

    The same meters stood at both, so what errs alike every day mostly cancels.
    """
    for figure in (later, earlier):
        if isnan(figure.value):
            return unavailable(figure.unit, figure.why)
    if later.unit != earlier.unit:
        return unavailable(later.unit, f"The one is in {earlier.unit}, the other in {later.unit}.")
    minus = Doubt(earlier.doubt.times(-1.0).steady, earlier.doubt.passing, earlier.doubt.ends)
    doubt = independent([later.doubt, minus])
    basis: Basis = max((later.basis, earlier.basis, "derived"), key=_RANK.index)
    coverage = min(later.coverage, earlier.coverage)
    return Figure(later.value - earlier.value, later.unit, doubt.half_width, basis, coverage, "", doubt)


def differences(earlier: Period, later: Period) -> Mapping[str, Figure]:
    """Later less earlier of every figure that both have, by its path."""
    before, after = (figures_by_path(each.total) for each in (earlier, later))
    changes = {path: difference(after[path], before[path]) for path in after if path in before}
    return {path: _or_nothing(changed, after[path].value) for path, changed in changes.items()}


def _or_nothing(changed: Figure, later: float) -> Figure:
    return replace(changed, value=0.0) if abs(changed.value) < _NOTHING * abs(later) else changed
