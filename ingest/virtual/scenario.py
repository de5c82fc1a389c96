"""Scenarios: invented houses, each a site file with the climate, the people and the plant behind it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from importlib.resources import files
from types import MappingProxyType

from analytics.site import Collector, HeatPump, Site, Stage
from analytics.site_file import parse_site
from ingest.virtual.draws import Household
from ingest.virtual.layout import NODES
from ingest.virtual.numbers import Numbers
from ingest.virtual.weather import Climate, Plane

__all__ = ["SCENARIOS", "Scenario", "numbers_of", "plane_of", "renamed", "site_of"]

_WATER_KG_PER_L = 0.992  # at 40 degC, the middle of a tank's range; a node keeps its mass


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """
    One invented house.

    Args:
        layout: Name of its site file in `ingest/virtual/sites`.
        plant: Numbers that the site file does not state.
        nodes: Layers of each tank; with more of them warm water stays apart more sharply from cold.
        site_id, site_name: Replace those of the site file, where a fleet has several houses of one layout.
    """

    layout: str
    about: str
    climate: Climate
    household: Household = field(default_factory=Household)
    plant: Mapping[str, float] = field(default_factory=dict)
    nodes: int = NODES
    site_id: str = ""
    site_name: str = ""

    @property
    def site_toml(self) -> str:
        """The text of its site file."""
        return _site_toml(self.layout, self.site_id, self.site_name)


def renamed(scenario: Scenario, *, site_id: str, site_name: str, household: Household | None = None) -> Scenario:
    """Another house of the same layout."""
    people = household or scenario.household
    return replace(scenario, site_id=site_id, site_name=site_name, household=people)


@lru_cache
def _site_toml(layout: str, site_id: str, site_name: str) -> str:
    text = files("ingest.virtual").joinpath("sites", f"{layout}.toml").read_text(encoding="utf-8")
    head, table, rest = text.partition("[site]\n")
    lines = rest.split("\n")
    for n, line in enumerate(lines[:3]):
        if site_id and line.startswith("id ="):
            lines[n] = f'id = "{site_id}"'
        if site_name and line.startswith("name ="):
            lines[n] = f'name = "{site_name}"'
    return head + table + "\n".join(lines)


@lru_cache
def _site(toml: str, file: str) -> Site:
    return parse_site(toml, file=file)


def site_of(scenario: Scenario) -> Site:
    """The site as every other part of the program sees it."""
    return _site(scenario.site_toml, f"{scenario.layout}.toml")


def plane_of(site: Site) -> Plane:
    """The collector's plane; a house without one still has windows to the south."""
    collector = next(iter(site.collectors.values()), None)
    tilt = collector.tilt_deg if collector and collector.tilt_deg is not None else 45.0
    azimuth = collector.azimuth_deg if collector and collector.azimuth_deg is not None else 180.0
    return Plane(latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg, tilt_deg=tilt, azimuth_deg=azimuth)


def numbers_of(scenario: Scenario) -> Numbers:
    """The plant's numbers: what the site file states, what the scenario adds, defaults for the rest."""
    site = site_of(scenario)
    found: dict[str, float] = {}
    for part in (_tanks, _taps, _collector, _heat_pump):
        found.update(part(site))
    found.update(_stages(site, scenario.nodes))
    between_w_k = Numbers().tank_conduction_w_k * scenario.nodes / NODES
    return Numbers(**{**found, "tank_conduction_w_k": between_w_k, **scenario.plant})


def _path(site: Site) -> list[str]:
    return list(site.hot_water.tanks) if site.hot_water else list(site.tanks)


def _tanks(site: Site) -> dict[str, float]:
    path = _path(site)
    found: dict[str, float] = {"n_tanks": len(path)}
    for k, name in enumerate(path):
        tank = site.tanks[name]
        found[f"tank_{k}_kg"] = tank.volume_l * _WATER_KG_PER_L
        if tank.ua_w_per_k is not None:
            found[f"tank_{k}_ua_w_k"] = tank.ua_w_per_k
        if isinstance(tank.ambient, int | float):
            found["room_degc"] = float(tank.ambient)
    return found


def _taps(site: Site) -> dict[str, float]:
    water = site.hot_water
    return {"mixed_set_degc": water.mixed_set_c, "has_mixing": float(water.mixed is not None)} if water else {}


def _collector(site: Site) -> dict[str, float]:
    collector = next(iter(site.collectors.values()), None)
    return _collector_numbers(collector) if collector else {}


def _collector_numbers(collector: Collector) -> dict[str, float]:
    found = {"area_m2": collector.area_m2}
    if collector.eta0 is not None:
        found["eta0"] = collector.eta0 / (0.85 + 0.15 * 0.91)  # ISO 9806: for beam alone, diffuse modifier 0.91
    if collector.a1 is not None:
        found["a1"] = collector.a1
    if collector.a2 is not None:
        found["a2"] = collector.a2
    return found


def _heat_pump(site: Site) -> dict[str, float]:
    pump = next(iter(site.heat_pumps.values()), None)
    return _map_numbers(pump) if pump else {}


def _map_numbers(pump: HeatPump) -> dict[str, float]:
    """The map passes through the sheet's first rating point of each mode; the second gives the slope."""
    found: dict[str, float] = {}
    base = Numbers()
    for point in (p for p in pump.rating if p.mode == "heating"):
        lift = 1.0 + base.heating_capacity_per_leaving * (point.leaving_c - 35.0)
        power_lift = 1.0 + base.heating_power_per_leaving * (point.leaving_c - 35.0)
        capacity, power = point.capacity_w / lift, point.power_w / power_lift
        if "heating_capacity_w" not in found and point.entering_c == 0.0:
            found["heating_capacity_w"], found["heating_power_w"] = capacity, power
        elif "heating_capacity_w" in found and point.entering_c != 0.0:
            found["heating_capacity_per_entering"] = (capacity / found["heating_capacity_w"] - 1.0) / point.entering_c
            found["heating_power_per_entering"] = (power / found["heating_power_w"] - 1.0) / point.entering_c
            break
    for point in (p for p in pump.rating if p.mode == "cooling"):
        found["cooling_capacity_w"], found["cooling_power_w"] = point.capacity_w, point.power_w
        break
    return found


def _nodes(stage: Stage, count: int) -> tuple[float, float]:
    """First and last node (from the top) of a height range (from the bottom)."""
    low, high = stage.height
    first = min(count - 1, round((1.0 - high) * count))
    return float(first), float(max(first, min(count - 1, round((1.0 - low) * count) - 1)))


def _stages(site: Site, nodes: int) -> dict[str, float]:
    found: dict[str, float] = {}
    for origin, stage in enumerate(site.stages.values()):
        role = _role(site, stage)
        found[f"{role}_origin"] = float(origin)
        tank = float(_path(site).index(stage.tank)) if stage.tank else 0.0
        found.update(_STAGE_NUMBERS[role](tank, *_nodes(stage, nodes)))
        if stage.heater:
            rated_w = site.heaters[stage.heater].rated_w
            if rated_w is not None:
                found["passing_w" if role == "passing" else "element_w"] = rated_w
    for heater in site.heaters.values():
        if heater.kind != "electric" and heater.rated_w is not None:
            found["boiler_input_w"], found["boiler_efficiency"] = heater.rated_w, heater.efficiency
    if site.heat_pumps and "duty" not in found:
        found["duty"] = 1.0
    return found


def _role(site: Site, stage: Stage) -> str:
    """What a stage is in the kernel."""
    pump = next(iter(site.heat_pumps.values()), None)
    if stage.heater:
        return "element" if stage.tank else "passing"
    if any(c.loop == stage.loop for c in site.collectors.values()):
        return "sun"
    if pump and stage.loop == pump.desuperheater_loop:
        return "dsh"
    return "load" if pump and stage.loop == pump.load_loop else "boiler"


def _range_numbers(role: str, flag: Mapping[str, float]) -> Callable[[float, float, float], dict[str, float]]:
    def numbers(tank: float, first: float, last: float) -> dict[str, float]:
        return {f"{role}_tank": tank, f"{role}_first_node": first, f"{role}_last_node": last, **flag}

    return numbers


# The element's rod lies at the lower end of its range; what it warms rises through the rest by itself.
_STAGE_NUMBERS: Mapping[str, Callable[[float, float, float], dict[str, float]]] = {
    "sun": _range_numbers("sun", {"has_sun": 1.0}),
    "load": _range_numbers("load", {"duty": 2.0}),
    "boiler": _range_numbers("boiler", {"has_boiler": 1.0}),
    "dsh": lambda tank, first, last: {"dsh_tank": tank, "has_dsh": 1.0, "duty": 1.0},
    "element": lambda tank, first, last: {"element_tank": tank, "element_node": last, "has_element": 1.0},
    "passing": lambda tank, first, last: {"has_passing": 1.0},
}

SCENARIOS: Mapping[str, Scenario] = MappingProxyType(
    {
        "two-tank": Scenario(
            layout="two-tank",
            about="heat pump with desuperheater on a preheat tank, solar tank with element (New England)",
            climate=Climate(mean_degc=8.0, yearly_swing_k=13.0, daily_swing_k=5.5, clearness=0.55),
            household=Household(people=4),
        ),
        "solar-one-tank": Scenario(
            layout="solar-one-tank",
            about="solar collector on one tank with an electric element (Andalusia)",
            climate=Climate(mean_degc=15.5, yearly_swing_k=9.5, daily_swing_k=7.0, changeable_k=2.5, clearness=0.72),
            household=Household(people=4),
            plant={"sun_flow_m3_s": 4.5e-5, "sun_pump_w": 34.0},
        ),
        "heat-pump-tank": Scenario(
            layout="heat-pump-tank",
            about="ground-source heat pump alone with its tank, load loop metered, no backup (Nova Scotia)",
            climate=Climate(mean_degc=6.5, yearly_swing_k=11.5, daily_swing_k=4.0, clearness=0.48),
            household=Household(people=5),
            plant={
                "source_flow_m3_s": 4.2e-4,
                "source_pump_w": 95.0,
                "ground_contact_w_k": 900.0,
                "soil_w_k": 800.0,
                "soil_j_k": 1.1e8,
                "loop_content_j_k": 3.0e5,
            },
        ),
        "boiler-backup": Scenario(
            layout="boiler-backup",
            about="solar collector with an oil boiler behind it, two coils in one tank (Thuringia)",
            climate=Climate(mean_degc=8.5, yearly_swing_k=9.5, daily_swing_k=4.5, clearness=0.46),
            household=Household(cycle="L"),
        ),
        "passing-heater": Scenario(
            layout="passing-heater",
            about="solar collector on one tank, electric heater in passing after it (South Australia)",
            climate=Climate(
                mean_degc=17.0, yearly_swing_k=6.0, daily_swing_k=5.5, changeable_k=3.0, clearness=0.68, southern=True
            ),
            household=Household(people=3),
        ),
        "assumed-flow": Scenario(
            layout="assumed-flow",
            about="solar tank with element, no flow meter in the solar loop (Colorado)",
            climate=Climate(mean_degc=10.0, yearly_swing_k=12.5, daily_swing_k=7.5, changeable_k=4.0, clearness=0.7),
            plant={"sun_flow_m3_s": 6.0e-5, "sun_pump_w": 45.0},
        ),
        "energy-counters": Scenario(
            layout="energy-counters",
            about="heat pump and solar on one tank, metered by counters only (Oslo fjord)",
            climate=Climate(mean_degc=6.5, yearly_swing_k=11.5, daily_swing_k=4.0, clearness=0.48),
            household=Household(people=4),
            plant={
                "source_flow_m3_s": 4.5e-4,
                "source_pump_w": 120.0,
                "ground_contact_w_k": 1000.0,
                "soil_w_k": 800.0,
                "soil_j_k": 1.1e8,
                "element_set_degc": 44.0,
            },
        ),
    }
)
"""The seven layouts, by name."""
