"""
Which of a heat pump's three meters is wrong where its balance does not close.

Two of the three make a COP without the third. The one whose leaving out makes the COP that is expected, while both
others make one that is far from it, is the wrong one: a compressor may change its COP, but not so that its load, its
source and its electricity contradict each other.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from analytics.expected.balance import Balance

__all__ = ["Side", "Suspect", "by_days_before", "by_sheet"]

Side = Literal["load", "source", "power"]
_SIDES: Sequence[Side] = ("load", "source", "power")

# Beside its own days: a step from one day to the next leaves source and load as they were, within some kelvin of lift,
# each of which costs a fortieth of the COP. Beside the sheet, which is good to a tenth, and at other speeds to a sixth.
# Common practice.
_NEAR, _NEAR_SHEET = 0.10, 0.15
_FAR_TIMES = 2.0  # so many times as far must both others be


@dataclass(frozen=True, slots=True)
class Suspect:
    """
    Args:
        side: Whose meter is wrong.
        cop, expected_cop: Without it, and what it should be.
        error: How much too much it reads, as a part of what is right.
        right_kwh: What it should show.
    """

    side: Side
    cop: float
    expected_cop: float
    error: float
    right_kwh: float


def by_days_before(now: Balance, before: Balance) -> Suspect | None:
    """The meter that the days before a step tell; None where they tell none, or more than one."""
    expected = {side: _cop_without(before, side) for side in _SIDES}
    # What the meters were apart by before, within their classes, is left to them.
    shown = {side: _shown(before, side) / _made(before, side) for side in _SIDES}
    return _odd_one(now, expected, shown, near=_NEAR)


def by_sheet(now: Balance, cop: float) -> Suspect | None:
    """The meter that the maker's sheet tells, which promises a COP; None where it tells none, or more than one."""
    return _odd_one(now, dict.fromkeys(_SIDES, cop), dict.fromkeys(_SIDES, 1.0), near=_NEAR_SHEET)


def _odd_one(now: Balance, expected: dict[Side, float], shown: dict[Side, float], *, near: float) -> Suspect | None:
    off = {side: abs(_cop_without(now, side) / expected[side] - 1.0) for side in _SIDES if expected[side] > 0}
    close = [side for side, each in off.items() if each <= near]
    if len(close) != 1 or any(each < _FAR_TIMES * near for side, each in off.items() if side != close[0]):
        return None
    (side,) = close
    right_kwh = _made(now, side) * shown[side]
    if not right_kwh > 0:
        return None
    return Suspect(side, _cop_without(now, side), expected[side], _shown(now, side) / right_kwh - 1.0, right_kwh)


def _shown(balance: Balance, side: Side) -> float:
    return {"load": balance.heat_kwh, "source": balance.source_kwh, "power": balance.elec_kwh}[side]


def _made(balance: Balance, side: Side) -> float:
    """What the two others make of it. [kWh]"""
    return _shown(balance, side) - {"load": 1.0, "source": -1.0, "power": -1.0}[side] * balance.apart_kwh


def _cop_without(balance: Balance, side: Side) -> float:
    """The COP that the two others make; without end where they make none."""
    heat, elec = balance.heat_kwh, balance.elec_kwh
    if side == "load":
        heat = balance.source_kwh + elec
    if side == "power":
        elec = heat - balance.source_kwh
    return heat / elec if elec > 0 else float("inf")
