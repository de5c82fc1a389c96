"""How hot a tank's top can be at most, by the water that left it: for tanks without a sensor where a backup heats."""

import numpy as np

from analytics.detection.moments import Flags, course_of, unknown
from analytics.outlet_pairs import outlets
from analytics.plant import Course, PlantDay
from analytics.site import Site

__all__ = ["drawn_warm", "outlet_of", "top_by_outlet"]

_SETTLING = 2  # cells of a draw in which the outlet's sensor is still on its way (common practice)
_GIVES_W = 50.0
_HOLDS = 720  # cells for which a warm draw tells of the water on top (common practice: half a day)


def outlet_of(site: Site, tank: str) -> str:
    """The sensor of the water that leaves a tank, "" where there is none or its flow is not measured."""
    path = site.hot_water
    if path is None or not (path.flow or path.volume):
        return ""
    return dict(outlets(path)).get(tank, "")


def top_by_outlet(plant: PlantDay, tank: str) -> Course:
    """
    What the water that left a tank late in its last long draw said: its top is no hotter since, for water rises.

    Not known before the first such draw of the day, nor once anything has heated the tank, or may have. [degC]
    """
    water, outlet = plant.hot_water, outlet_of(plant.site, tank)
    if water is None or not outlet:
        return unknown(plant)
    settled = _settled(water.flow_m3_s > 0)
    leaving = course_of(plant, outlet)
    told = settled & np.isfinite(leaving)
    index = np.arange(len(leaving))
    last_told = np.maximum.accumulate(np.where(told, index, -1))
    last_heated = np.maximum.accumulate(np.where(_may_be_heated(plant, tank), index, -1))
    held = np.where((last_told >= 0) & (last_told > last_heated), leaving[np.maximum(last_told, 0)], np.nan)
    # A sensor further down that is warmer than this says that cold water came past the tank.
    below = np.fmax.reduce(plant.tanks[tank].sensors_degc, axis=0) if tank in plant.tanks else unknown(plant)
    return np.asarray(np.where(np.isnan(held), np.nan, np.fmax(held, below)))


def drawn_warm(plant: PlantDay, tank: str, limit_degc: float, *, until_drawn: bool) -> Flags:
    """
    Cells after a draw in which water of at least `limit_degc` left a tank, until one tells otherwise or is long over;
    with `until_drawn` also those before the day's first draw, of which nothing is known.

    A tank's highest sensor may stand under its warm water; the sensor where that leaves, or behind the mixing valve
    after the last tank, knows better.
    """
    path, cold = plant.site.hot_water, np.zeros(len(unknown(plant)), bool)
    if path is None or plant.hot_water is None or not path.tanks:
        return cold
    places = [outlet_of(plant.site, tank), path.mixed or "" if tank == path.tanks[-1] and path.heated is None else ""]
    leaving = np.fmax.reduce([course_of(plant, place) for place in places if place] or [unknown(plant)])
    if np.isnan(leaving).all():
        return cold
    told = _settled(plant.hot_water.flow_m3_s > 0) & np.isfinite(leaving)
    index = np.arange(len(leaving))
    last = np.maximum.accumulate(np.where(told, index, -1))
    is_warm = (index - last <= _HOLDS) & (leaving[np.maximum(last, 0)] >= limit_degc)
    return np.asarray(np.where(last >= 0, is_warm, until_drawn & (index <= _HOLDS)))


def _settled(flows: Flags) -> Flags:
    """Whole cells of flow, from the third of a draw on."""
    index = np.arange(len(flows))
    rested = np.maximum.accumulate(np.where(flows, -1, index))
    goes_on = np.concatenate((flows[1:], [False]))
    return np.asarray(flows & goes_on & (index - rested > _SETTLING))


def _may_be_heated(plant: PlantDay, tank: str) -> Flags:
    found = np.zeros(len(unknown(plant)), bool)
    for stage in plant.site.stages.values():
        if stage.tank == tank:
            part = plant.heaters.get(stage.heater) if stage.heater else plant.loops.get(stage.loop or "")
            found |= True if part is None else ~(part.heat_w < _GIVES_W)
    return found
