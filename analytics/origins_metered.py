"""What the meters know of a tank's heat: whether they saw what flowed in and out, and how far they may be off."""

from collections.abc import Sequence
from math import hypot, isnan

from analytics.plant import PlantDay, Total

__all__ = ["is_metered", "place_on_path", "u_meters_j"]

_KNOWN_PART = 0.9  # of the day: with less of the water or of a stage's heat known the sensors have all trust


def is_metered(plant: PlantDay, tank: str) -> bool:
    """Whether enough is known of what flowed into a tank and out of it."""
    totals = [*_stage_heats(plant, tank), plant.hot_water.heat] if plant.hot_water else _stage_heats(plant, tank)
    return all(not isnan(total.amount) and total.covered >= _KNOWN_PART for total in totals)


def u_meters_j(plant: PlantDay, tank: str) -> float:
    """How far a tank's heat may be off after a day by its meters and its stated loss: standard uncertainty. [J]"""
    doubts = [total.doubt for total in (*_stage_heats(plant, tank), plant.tanks[tank].loss)]
    if plant.hot_water is not None:
        place = place_on_path(plant, tank)
        doubts += plant.hot_water.leaving_doubt[max(place - 1, 0) : place + 1]
    return hypot(*(doubt.u for doubt in doubts))


def place_on_path(plant: PlantDay, tank: str) -> int:
    """The how-manyeth tank on the water's path it is, from nought."""
    path = plant.site.hot_water
    assert path is not None
    return list(path.tanks).index(tank)


def _stage_heats(plant: PlantDay, tank: str) -> Sequence[Total]:
    stages = [stage for stage in plant.site.stages.values() if stage.tank == tank]
    return [plant.loops[s.loop].heat if s.loop else plant.heaters[s.heater or ""].heat for s in stages]
