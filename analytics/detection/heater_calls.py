"""By what a backup of a tank should be called: a top colder than it ever was before it came on, in its hours."""

from collections.abc import Sequence

import numpy as np

from analytics.detection.moments import Flags
from analytics.expected.conditions import conditions_of, record_column
from analytics.expected.heater import OnLevel, on_level
from analytics.figures import DayLedger
from analytics.plant import CELL_S, PlantDay

__all__ = ["asked_for", "came_on_within", "drawn_lately", "earlier_level", "lately_on_degc", "let_on", "may_wait"]

_LATELY_DAYS = 3
_TIMER_DAYS = 5  # on which it heated, before its hours are believed
_TARIFF_DAYS = 2  # the same of hours that are one unbroken stretch, as a night tariff's are
# Of the day, an hour before and after included: tariffs release heaters for 6 to 10 h a day (common practice).
_TIMER_HOURS = 12
_ONCE_IN = 20  # days: an hour in which it heated no more often was asked for by hand
_NEW_DAYS = 2  # in which a heater that was never seen to heat may be waiting for its first release
_ASKS_CELLS = 240  # after a draw somebody is at home who will want more


def earlier_level(history: Sequence[DayLedger], heater: str) -> OnLevel | None:
    """The level of the tank's top at which the heater came on, by the days of `history`."""
    record = [conditions_of(day) for day in history]
    starts, idle = (record_column(record, f"heater.{heater}.{name}").tolist() for name in ("start_degc", "idle_degc"))
    return on_level(starts, idle)


def lately_on_degc(history: Sequence[DayLedger], heater: str) -> float:
    """The lowest temperature of the tank's top at which the heater came on in the last days; NaN where it did not."""
    record = [conditions_of(day) for day in history[-_LATELY_DAYS:]]
    starts = record_column(record, f"heater.{heater}.start_degc")
    return float(np.fmin.reduce(starts, initial=np.nan))


def came_on_within(history: Sequence[DayLedger], heater: str, days: int) -> bool:
    """Whether the heater came on in the last so many days."""
    record = [conditions_of(day) for day in history[-days:]]
    return bool(np.isfinite(record_column(record, f"heater.{heater}.start_degc")).any())


def drawn_lately(plant: PlantDay, history: Sequence[DayLedger], least_l: float) -> Flags:
    """
    Cells by which hot water has been used on the day, or was on the day before; all where draws are not known.

    Shape (cells,)
    """
    n_cells = round(plant.day.seconds / CELL_S)
    before_l = history[-1].hot_water.volume.value if history else np.nan
    if plant.hot_water is None or not before_l < least_l:
        return np.ones(n_cells, bool)
    drawn_l = np.cumsum(np.nan_to_num(plant.hot_water.flow_m3_s)) * CELL_S * 1e3
    return np.asarray(drawn_l >= least_l)


def let_on(history: Sequence[DayLedger], heater: str, cells: int) -> Flags:
    """
    Cells in which a timer or a tariff lets the heater heat: all, unless it heated in the same few hours on all days.

    Shape (cells,)
    """
    masks = _hour_masks(history, heater)
    often = (np.array(masks, int)[:, None] >> np.arange(24) & 1).sum(axis=0)
    heated = often * _ONCE_IN > len(masks)
    let = heated | np.roll(heated, 1) | np.roll(heated, -1)
    is_one_stretch = np.count_nonzero(let & ~np.roll(let, 1)) == 1
    if len(masks) < (_TARIFF_DAYS if is_one_stretch else _TIMER_DAYS) or np.count_nonzero(let) > _TIMER_HOURS:
        return np.ones(cells, bool)
    return np.asarray(let[np.arange(cells) // (3600 // round(CELL_S)) % 24])


def may_wait(history: Sequence[DayLedger], heater: str) -> bool:
    """Whether a heater is too new to know whether a tariff holds it back until night."""
    return len(history) < _NEW_DAYS and not _hour_masks(history, heater)


def _hour_masks(history: Sequence[DayLedger], heater: str) -> list[int]:
    """Of the days on which it heated, the hours in which it did."""
    column = record_column([conditions_of(day) for day in history], f"heater.{heater}.on_hours")
    return [int(value) for value in column if np.isfinite(value)]


def asked_for(plant: PlantDay) -> Flags:
    """Cells in the four hours after a draw; all where draws are not metered. Shape (cells,)"""
    if plant.hot_water is None or np.isnan(plant.hot_water.flow_m3_s).all():
        return np.ones(round(plant.day.seconds / CELL_S), bool)
    index = np.arange(len(plant.hot_water.flow_m3_s))
    last = np.maximum.accumulate(np.where(plant.hot_water.flow_m3_s > 0, index, -_ASKS_CELLS - 1))
    return np.asarray(index - last <= _ASKS_CELLS)
