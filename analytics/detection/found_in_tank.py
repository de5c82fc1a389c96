"""Heat that a stage's meter misses and its tank holds all the same: then the stage is well, and its meter reads low."""

from collections.abc import Sequence
from datetime import date, timedelta
from math import nan
from statistics import median

from analytics.figures import DayLedger, Figure

__all__ = ["found_kwh"]

_NEWEST = 3  # as many as open a balance
_WITHIN = timedelta(days=7)
_LEAST_BEFORE = 3


def found_kwh(history: Sequence[DayLedger], tank: str, *, since: date) -> float:
    """
    Heat that is found in a tank without having been metered, beyond what was so before a day. NaN where not proved.

    Proved where the balance is open that way on each of the newest days. Not this: a balance that stood open before.

    Returns:
        By day, since that day. [kWh]
    """
    known = [
        (day.day, line.residual)
        for day in history
        for line in day.tanks
        if line.tank == tank and line.residual.value == line.residual.value
    ]
    before = [residual.value for day, residual in known if day < since]
    after = [residual for day, residual in known if day >= since and day > history[-1].day - _WITHIN]
    newest = after[-_NEWEST:]
    if len(before) < _LEAST_BEFORE or len(newest) < _NEWEST or not all(_is_found(each) for each in newest):
        return nan
    return median(before) - median(each.value for each in after)


def _is_found(residual: Figure) -> bool:
    return residual.value < -residual.plus_minus
