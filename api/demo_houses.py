"""Letting one house of the demonstration's fleet live through its past; runs in a process of its own."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta

from analytics.trace import Trace, local_day_at
from ingest.virtual.fleet import FleetHouse
from ingest.virtual.run import LiveSite
from ingest.virtual.scenario import site_of

__all__ = ["LivedHouse", "live_history"]


@dataclass(frozen=True, slots=True)
class LivedHouse:
    """A house with its history: readings of each point up to now, and the house itself, ready to go on."""

    house: FleetHouse
    traces: Mapping[str, Trace]
    live: LiveSite


def live_history(house: FleetHouse, days: int, now_ms: int) -> LivedHouse:
    """
    Let a house live through so many whole local days before today, and today up to now.

    Its faults begin when they are to begin seen from `now_ms`; one from before the history's first day is there from
    the beginning.
    """
    today = local_day_at(now_ms, site_of(house.scenario).timezone).date
    live = LiveSite(house.scenario, start=today - timedelta(days=days), seed=house.seed, faults=house.faults(now_ms))
    return LivedHouse(house, dict(live.advance(now_ms)), live)
