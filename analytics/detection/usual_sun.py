"""What a collector's stage would have brought on a day, as its own earlier days tell: a tank fills, and cools."""

from collections.abc import Sequence
from math import isfinite, nan

from analytics.detection.sunshine import collector_of
from analytics.expected.conditions import conditions_of
from analytics.figures import DayLedger
from analytics.site import Site

__all__ = ["usually_collected_kwh"]

_LATEST_DAYS = 30
_LEAST_DAYS = 5
_WORKED_KWH = 0.2  # a day on which the loop worked
_MOST_PART = 1.0


def usually_collected_kwh(site: Site, loop: str, history: Sequence[DayLedger], *, offered_kwh: float) -> float:
    """
    What would have come of the sun that was offered to a cold tank; zero where nothing tells.

    Of earlier days on which the loop worked it takes the part that was collected of what a cold tank would have been
    given; where nobody measures the sun, their mean. Without such days it is all that was offered. [kWh]
    """
    days = [day for day in history if _heat_kwh(site, loop, day) >= _WORKED_KWH][-_LATEST_DAYS:]
    if len(days) < _LEAST_DAYS:
        return offered_kwh
    if offered_kwh <= 0:
        return sum(_heat_kwh(site, loop, day) for day in days) / len(days)
    pairs = [(_heat_kwh(site, loop, day), _cold_kwh(site, loop, day)) for day in days]
    known = [(heat, cold) for heat, cold in pairs if isfinite(cold)]
    cold_kwh = sum(cold for _, cold in known)
    if len(known) < _LEAST_DAYS or cold_kwh <= 0:
        return offered_kwh
    return offered_kwh * min(sum(heat for heat, _ in known) / cold_kwh, _MOST_PART)


def _heat_kwh(site: Site, loop: str, day: DayLedger) -> float:
    """Heat of the loop's stage on a day; NaN where it is not known."""
    stages = {stage.id for stage in site.stages.values() if stage.loop == loop}
    return next((line.heat.value for line in day.stages if line.stage in stages), nan)


def _cold_kwh(site: Site, loop: str, day: DayLedger) -> float:
    collector = collector_of(site, loop)
    return nan if collector is None else conditions_of(day).get(f"collector.{collector.id}.cold_allowed_kwh", nan)
