"""Two periods of a house side by side, and later less earlier: the same lines for the page and the command."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isnan

from analytics.differences import differences
from analytics.figure_paths import figures_by_path
from analytics.figures import Figure
from analytics.period import Period
from dashboards.explain import is_fraction
from dashboards.numbers import Display, show_figure

__all__ = ["Beside", "figures_beside", "show_change"]


@dataclass(frozen=True, slots=True)
class Beside:
    """
    A figure of two periods.

    Args:
        changed: Later less earlier.
    """

    path: str
    earlier: Figure
    later: Figure
    changed: Figure


def figures_beside(earlier: Period, later: Period) -> tuple[Sequence[Beside], int]:
    """The figures that are known in one at least, in the ledger's order; how many are known in neither."""
    before, after = (figures_by_path(each.total) for each in (earlier, later))
    both = [Beside(path, before[path], after[path], each) for path, each in differences(earlier, later).items()]
    told = [one for one in both if not (isnan(one.earlier.value) and isnan(one.later.value))]
    return told, len(both) - len(told)


def show_change(changed: Figure, path: str, display: Display) -> str:
    """A difference with its sign and ±."""
    as_percent = is_fraction(path)
    text = show_figure(changed, display, as_percent=as_percent)
    # A difference of two shares in percent is no percentage of either.
    text = f"{text.removesuffix(' %')} points" if as_percent and not isnan(changed.value) else text
    is_more = changed.value > 0 and any(digit in "123456789" for digit in text.partition(" ± ")[0])
    return f"+{text}" if is_more else text
