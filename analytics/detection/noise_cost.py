"""What noise of a sensor does to a day's figures: by chance, since it averages out over many readings."""

from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite, sqrt

import numpy as np

from analytics.plant import CELL_S, MOVES_M3_S, LoopDay, PlantDay

__all__ = ["NoiseCost", "of_flow", "of_power", "of_temperature"]

_KWH_PER_M3_K = 1.15  # of water at 40 to 60 degC, 4.15 MJ/(m3 K); mixtures hold a tenth less
_EXPANDED = 2.0  # coverage factor for 95 %, GUM 6.3.3 (from memory)


@dataclass(frozen=True, slots=True)
class NoiseCost:
    """The figure that noise moves most, in words, and by how much on a day, as a 95 % interval. [kWh]"""

    figure: str
    kwh: float


def of_temperature(plant: PlantDay, point: str, noise_k: float) -> NoiseCost | None:
    """Of a temperature that scatters by so much from reading to reading; None where it serves no figure of heat."""
    costs = [NoiseCost(figure, _EXPANDED * noise_k * per_k) for figure, per_k in _per_k(plant, point) if per_k > 0]
    return max(costs, key=lambda each: each.kwh, default=None)


def of_flow(plant: PlantDay, point: str, noise_part: float) -> NoiseCost | None:
    """Of a loop's flow that scatters by such a part of itself; None where its loop gave no heat."""
    for loop in plant.loops.values():
        heat_w = np.abs(loop.heat_w[np.isfinite(loop.heat_w)])
        if plant.site.loops[loop.loop].flow == point and heat_w.any():
            heat_kwh = float(heat_w.sum()) * CELL_S / 3.6e6
            kwh = _EXPANDED * noise_part * heat_kwh / sqrt(_readings(plant, point, _moves_s(loop)))
            return NoiseCost(f"the heat of loop {loop.loop}", kwh)
    return None


def of_power(plant: PlantDay, point: str, noise_part: float) -> NoiseCost | None:
    """Of a heat pump's power that scatters by such a part of itself; None where it did not run."""
    for pump in plant.heat_pumps.values():
        on_s = float(np.nansum(pump.is_on)) * CELL_S
        if plant.site.heat_pumps[pump.heat_pump].power == point and on_s > 0 and isfinite(pump.elec.amount):
            elec_kwh = pump.elec.amount / 3.6e6
            kwh = _EXPANDED * noise_part * elec_kwh / sqrt(_readings(plant, point, on_s))
            return NoiseCost(f"the electricity of heat pump {pump.heat_pump}", kwh)
    return None


def _per_k(plant: PlantDay, point: str) -> Iterator[tuple[str, float]]:
    """Figures with the kilowatt-hours by which a kelvin of noise moves them, as a standard deviation."""
    for loop in plant.site.loops.values():
        day = plant.loops.get(loop.id)
        if day is not None and point in (loop.entering, loop.leaving) and loop.energy is None:
            passed_m3 = float(np.nansum(day.flow_m3_s)) * CELL_S
            readings = _readings(plant, point, _moves_s(day))
            yield f"the heat of loop {loop.id}", passed_m3 * _KWH_PER_M3_K / sqrt(readings)
    for tank in plant.site.tanks.values():
        if point in tank.temperatures:
            layer_m3 = tank.volume_l / 1000 / len(tank.temperatures)
            yield f"the stored change of tank {tank.id}", sqrt(2.0) * layer_m3 * _KWH_PER_M3_K  # of two midnights
    path, water = plant.site.hot_water, plant.hot_water
    if path is None or water is None or not isfinite(water.volume.amount):
        return
    if point in (path.cold, path.hot, path.heated, path.mixed):
        readings = _readings(plant, point, sum(draw.end_s - draw.start_s for draw in water.draws))
        yield "the hot-water heat", water.volume.amount * _KWH_PER_M3_K / sqrt(readings)


def _moves_s(loop: LoopDay) -> float:
    return float(np.count_nonzero(loop.flow_m3_s > MOVES_M3_S)) * CELL_S


def _readings(plant: PlantDay, point: str, seconds: float) -> float:
    """How many readings fall into so long a time, at least one."""
    return max(seconds / plant.site.points[point].interval_s, 1.0)
