"""
Houses of the studies: the layouts, such as have a coil half way up their tank, with cold water below it, and one whose
loop is read by means of temperatures and instants of flow.

A tank mixes more or less: every other house has one of many thin layers, in which warm water stays apart from cold.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from types import MappingProxyType

from ingest.virtual import SCENARIOS
from ingest.virtual.house import House
from ingest.virtual.layout import NODES
from ingest.virtual.scenario import Scenario
from tests.parcels.house import ParcelHouse

__all__ = ["HOUSES", "MANY_NODES", "PARCEL_HOUSES", "house_of", "plant_of"]

MANY_NODES = 48


@dataclass(frozen=True, kw_only=True)
class _Elsewhere(Scenario):
    """A house of a layout, of whose site file some lines read otherwise."""

    lines: Mapping[str, str]

    @property
    def site_toml(self) -> str:
        text = super().site_toml
        for old, new in self.lines.items():
            assert old in text, f"{old!r} is not in {self.layout}.toml"
            text = text.replace(old, new)
        return text


def _elsewhere(layout: str, lines: Mapping[str, str]) -> Scenario:
    base = SCENARIOS[layout]
    return _Elsewhere(**{field.name: getattr(base, field.name) for field in fields(Scenario)}, lines=lines)


HOUSES: Mapping[str, Scenario] = MappingProxyType(
    {
        **SCENARIOS,
        "sun half way up": _elsewhere(
            "solar-one-tank",
            {"height = [0.0, 0.3]": "height = [0.35, 0.6]", "height = [0.6, 1.0]": "height = [0.7, 1.0]"},
        ),
        "boiler half way up": _elsewhere("boiler-backup", {"height = [0.5, 0.9]": "height = [0.35, 0.6]"}),
        "heat pump by means": _elsewhere(
            "heat-pump-tank",
            {
                f'[points."load.{side}"]': f'[points."load.{side}"]\nsampling = "mean"'
                for side in ("entering", "leaving")
            },
        ),
        "heat pump half way up": _elsewhere("heat-pump-tank", {"height = [0.0, 0.7]": "height = [0.4, 0.7]"}),
    }
)
"""By name; the layouts first."""


_IN_PARCELS = " in parcels"

PARCEL_HOUSES: Mapping[str, Scenario] = MappingProxyType(
    {
        f"{name}{_IN_PARCELS}": HOUSES[name]
        for name in ("two-tank", "solar-one-tank", "boiler-backup", "sun half way up", "boiler half way up")
    }
)
"""The same houses as some of them, lived through by the plant of other physics."""


def house_of(name: str, seed: int) -> Scenario:
    """A house by its name; the seed tells how much its tanks mix."""
    return replace(HOUSES[name.removesuffix(_IN_PARCELS)], nodes=MANY_NODES if seed % 2 else NODES)


def plant_of(name: str) -> type[House] | type[ParcelHouse]:
    """The plant that a house by this name is lived through by."""
    return ParcelHouse if name in PARCEL_HOUSES else House
