"""A heat pump's own record of daily COPs: which earlier days a day is held against (`heat-pump-low-cop`)."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

import numpy as np

from analytics.expected.conditions import conditions_of
from analytics.expected.heat_pump import Mode
from analytics.figures import DayLedger, Figure, HeatPumpLine
from analytics.pair_check import AT_A_LOOP, PairCheck
from analytics.pair_order import is_beyond_classes
from analytics.site import HeatPump, Site

__all__ = ["CopDay", "cop_days", "good_days", "misread_loop"]

_FIRST_DAYS = 7
_FOLLOWS = 0.15  # of a good day's difference: the level follows the season within a week or two


@dataclass(frozen=True, slots=True)
class CopDay:
    """
    An earlier day's COP in one mode, over the cells that are judged, without starts and stops; of days that did not
    keep it the whole COP. The source's mean entering temperature is NaN where it is not known.
    """

    cop: float
    entering_degc: float


def cop_days(site: Site, history: Sequence[DayLedger], pump: HeatPump, mode: Mode, *, least_kwh: float) -> list[CopDay]:
    """Earlier days with enough heating, or cooling, and a pair of sensors that nothing speaks against, oldest first."""
    name, misread = f"heat_pump.{pump.id}.{mode}.", _misread(_told(site, history, _loop(pump, mode)), len(history))
    read = [day for index, day in enumerate(history) if index not in misread]
    days = [(conditions_of(day), line) for day in read for line in day.heat_pumps if line.heat_pump == pump.id]
    told = [(conditions, *_figures(line, mode)) for conditions, line in days]
    return [
        CopDay(conditions.get(f"{name}run_cop", cop.value), conditions.get(f"{name}entering_degc", np.nan))
        for conditions, heat, cop in told
        if heat.value >= least_kwh and cop.value > 0
    ]


def good_days(days: Sequence[CopDay], fraction: float) -> list[CopDay]:
    """
    The days that keep to the good ones before them: one far below never becomes usual, nor one far above, which shows
    a meter's fault rather than a better machine.
    """
    level = median(day.cop for day in days[:_FIRST_DAYS])
    good: list[CopDay] = []
    for day in days:
        if fraction * level <= day.cop <= level / fraction:
            good.append(day)
            level += _FOLLOWS * (day.cop - level)
    return good


def misread_loop(site: Site, history: Sequence[DayLedger], pump: HeatPump, mode: Mode) -> str:
    """The loop that a heat pump's heat is read from, if its pair was last seen to disagree; else ""."""
    loop = _loop(pump, mode)
    newest = next((checks for day in reversed(history) if (checks := _checks(day, loop))), ())
    return loop if any(is_beyond_classes(site, check) for check in newest) else ""


def _loop(pump: HeatPump, mode: Mode) -> str:
    """Where the greater part of its heat is read from (`analytics.heat_pump`)."""
    return (pump.load_loop if mode == "heating" else None) or pump.source_loop


def _misread(told: Sequence[tuple[int, bool]], n_days: int) -> set[int]:
    """Places of the days up to which a pair was last seen off, or from which on it is first seen off."""
    found: set[int] = set()
    for (before, was_off), (after, is_off) in pairwise([(-1, False), *told, (n_days, False)]):
        if was_off or is_off:
            found.update(range(before + (not was_off), after + is_off))
    return found


def _told(site: Site, history: Sequence[DayLedger], loop: str) -> list[tuple[int, bool]]:
    """The days that showed a loop's pair where both must read the same, by place, and whether it disagreed."""
    return [
        (index, any(is_beyond_classes(site, check) for check in checks))
        for index, day in enumerate(history)
        if (checks := _checks(day, loop))
    ]


def _checks(day: DayLedger, loop: str) -> list[PairCheck]:
    return [check for check in day.pair_checks if check.component == loop and check.method in AT_A_LOOP]


def _figures(line: HeatPumpLine, mode: Mode) -> tuple[Figure, Figure]:
    """Useful heat and COP of a mode."""
    return (line.heating_heat, line.heating_cop) if mode == "heating" else (line.cooling, line.cooling_cop)
