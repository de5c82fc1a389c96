"""How the parts of a site stand to each other, as far as the alert of one explains what another shows."""

from collections.abc import Callable, Sequence

from analytics.detection.stages_before import stages_before
from analytics.expected.needless import zone_points
from analytics.site import HeatPump, Site, Stage

__all__ = [
    "Relation",
    "backups_beside",
    "heat_pumps_of_tank",
    "heaters_of_tank",
    "itself",
    "loop_of_stage",
    "loops_of_heat_pump",
    "loops_of_stage",
    "loops_of_tank",
    "meters_of_standing_in",
    "own_heat_pump",
    "parts_before",
    "parts_of_other_stages",
    "path",
    "pump_of_stage",
    "sensors_of_tank",
    "sun_of_stage",
    "tanks_of_path",
]

Relation = Callable[[Site, str], Sequence[str]]
"""From a component to those that stand in the relation to it; none where it has no such."""


def itself(_site: Site, component: str) -> Sequence[str]:
    return (component,)


def path(site: Site, _component: str) -> Sequence[str]:
    """The hot water's path, whose sensors every tank on it is held against."""
    return () if site.hot_water is None else ("hot_water",)


def tanks_of_path(site: Site, component: str) -> Sequence[str]:
    """Of the path: the tanks, whose tops its sensors are held against."""
    return tuple(site.tanks) if component == "hot_water" else ()


def loops_of_tank(site: Site, tank: str) -> Sequence[str]:
    """The loops that heat a tank."""
    return tuple(stage.loop for stage in site.stages.values() if stage.tank == tank and stage.loop)


def heaters_of_tank(site: Site, loop: str) -> Sequence[str]:
    """Of a loop: the heaters in the tank that it heats."""
    tanks = {stage.tank for stage in site.stages.values() if stage.loop == loop and stage.tank}
    return tuple(stage.heater for stage in site.stages.values() if stage.tank in tanks and stage.heater)


def loops_of_heat_pump(site: Site, heat_pump: str) -> Sequence[str]:
    pump = site.heat_pumps.get(heat_pump)
    return () if pump is None else _loops(pump)


def heat_pumps_of_tank(site: Site, tank: str) -> Sequence[str]:
    """The heat pumps whose metered load heats a tank."""
    loops = loops_of_tank(site, tank)
    return tuple(pump.id for pump in site.heat_pumps.values() if pump.load_loop in loops)


def own_heat_pump(site: Site, component: str) -> Sequence[str]:
    """A heat pump itself; none of any other part."""
    return (component,) if component in site.heat_pumps else ()


def sensors_of_tank(site: Site, tank: str) -> Sequence[str]:
    return site.tanks[tank].temperatures if tank in site.tanks else ()


def loop_of_stage(site: Site, stage: str) -> Sequence[str]:
    own = site.stages[stage].loop if stage in site.stages else None
    return (own,) if own else ()


def pump_of_stage(site: Site, stage: str) -> Sequence[str]:
    """The heat pump that gives a stage its heat."""
    return tuple(pump.id for pump in _pumps_of(site, stage))


def sun_of_stage(site: Site, stage: str) -> Sequence[str]:
    """The irradiance sensor that a stage's collector is held to."""
    loops = loop_of_stage(site, stage)
    return tuple(each.irradiance for each in site.collectors.values() if each.irradiance and each.loop in loops)


def loops_of_stage(site: Site, stage: str) -> Sequence[str]:
    """A stage's own loop, and all of its heat pump: one that stands still trips it."""
    return (*loop_of_stage(site, stage), *(loop for pump in _pumps_of(site, stage) for loop in _loops(pump)))


def parts_of_other_stages(site: Site, stage: str) -> Sequence[str]:
    """The loops and heaters of the other stages: one that stands still leaves this one more or less to do."""
    own = loop_of_stage(site, stage)
    parts = (each.heater or each.loop for each in site.stages.values() if each.id != stage)
    return tuple(part for part in parts if part and part not in own)


def backups_beside(site: Site, stage: str) -> Sequence[str]:
    """The heaters of last resort that would stand in for a stage's heat pump."""
    backups = tuple(each.heater for each in site.stages.values() if each.backup and each.heater)
    return backups if _pumps_of(site, stage) else ()


def meters_of_standing_in(site: Site, stage: str) -> Sequence[str]:
    """What tells that a stage's heat pump rests, and that the backup stands in for it."""
    heaters = [site.heaters[heater] for heater in backups_beside(site, stage)]
    points = [point for each in heaters for point in (each.power, each.status) if point]
    return (*(pump.power for pump in _pumps_of(site, stage)), *points)


def parts_before(site: Site, backup: str) -> Sequence[str]:
    """What makes more of a backup needful, or seem so, when it is broken: the stages before it, its tank's sensors."""
    stage = next((each for each in site.stages.values() if each.backup and backup in _names(each)), None)
    if stage is None:
        return ()
    before = [part for each in stages_before(site, stage) for part in each.parts]
    return (*before, *zone_points(site, stage))


def _names(stage: Stage) -> Sequence[str]:
    return (stage.heater or stage.loop or stage.id,)


def _pumps_of(site: Site, stage: str) -> Sequence[HeatPump]:
    loops = loop_of_stage(site, stage)
    return [p for p in site.heat_pumps.values() if p.load_loop in loops or p.desuperheater_loop in loops]


def _loops(pump: HeatPump) -> Sequence[str]:
    return tuple(loop for loop in (pump.source_loop, pump.load_loop, pump.desuperheater_loop) if loop)
