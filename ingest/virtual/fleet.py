"""The demonstration fleet: eight invented houses, some of them broken in ways that a service desk knows."""

from collections.abc import Sequence
from dataclasses import dataclass

from ingest.virtual.draws import Household
from ingest.virtual.faults import Fault
from ingest.virtual.scenario import SCENARIOS, Scenario, renamed

__all__ = ["DEMO_FLEET", "FleetHouse", "Trouble"]

_HOUR_MS = 3_600_000


@dataclass(frozen=True)
class Trouble:
    """A fault that began some hours before the demonstration, and perhaps was mended since."""

    name: str
    hours_ago: float
    points: Sequence[str] = ()
    mended_hours_ago: float | None = None


@dataclass(frozen=True)
class FleetHouse:
    """One house of the fleet."""

    scenario: Scenario
    seed: int
    troubles: Sequence[Trouble] = ()

    def faults(self, now_ms: int) -> Sequence[Fault]:
        """Its faults, dated back from an instant."""
        return tuple(_fault(trouble, now_ms) for trouble in self.troubles)


def _fault(trouble: Trouble, now_ms: int) -> Fault:
    start_ms = now_ms - round(trouble.hours_ago * _HOUR_MS)
    if trouble.mended_hours_ago is None:
        return Fault(name=trouble.name, start_ms=start_ms, points=trouble.points)
    end_ms = now_ms - round(trouble.mended_hours_ago * _HOUR_MS)
    return Fault(name=trouble.name, start_ms=start_ms, end_ms=end_ms, points=trouble.points)


def _house(layout: str, site_id: str, site_name: str, people: int) -> Scenario:
    return renamed(
        SCENARIOS[layout], site_id=site_id, site_name=site_name, household=Household(people=people, away_share=0.03)
    )


DEMO_FLEET: Sequence[FleetHouse] = (
    FleetHouse(
        _house("two-tank", "quarry-road-3", "Quarry Road 3", 4), 11, (Trouble("collector-pump-dead", 5 * 24 + 2.5),)
    ),
    FleetHouse(_house("solar-one-tank", "olive-lane-12", "Olive Lane 12", 3), 12, (Trouble("element-stuck-on", 26.0),)),
    FleetHouse(_house("heat-pump-tank", "harbour-view-7", "Harbour View 7", 5), 13),
    FleetHouse(
        _house("boiler-backup", "mill-brook-5", "Mill Brook 5", 4),
        14,
        (Trouble("boiler-lockout", 20 * 24.0, mended_hours_ago=18.5 * 24.0), Trouble("mixing-valve-hot", 9.0)),
    ),
    FleetHouse(_house("passing-heater", "wattle-court-2", "Wattle Court 2", 3), 15),
    FleetHouse(
        _house("assumed-flow", "cedar-hill-21", "Cedar Hill 21", 4),
        16,
        (Trouble("sensor-stuck", 31.0, points=("tank.top",)),),
    ),
    FleetHouse(_house("energy-counters", "fjord-road-44", "Fjord Road 44", 4), 17),
    FleetHouse(_house("two-tank", "birch-hollow-9", "Birch Hollow 9", 3), 18, (Trouble("gateway-silent", 7.0),)),
)
"""Believable names, none of them real; the names of sites are unique in the fleet."""
