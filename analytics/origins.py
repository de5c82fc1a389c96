"""
Heat by origin: where the heat that the taps took first came from.

Each tank carries the origins of its stored heat as parts that add up to one. Heat put in (by a stage, or by water
from the tank before) shifts the parts toward its own origin; what leaves, to the taps or through the walls, leaves
in the mix that is there, so it shifts nothing. Each tank counts as fully mixed, with its stored heat read from its
sensors above the day's cold water. Water moving on carries its tank's mix.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_banded

from analytics.fluids import water
from analytics.plant import CELL_S, HotWaterDay, PlantDay
from analytics.site import Stage

__all__ = ["CARRIED_OVER", "CarriedState", "Delivered", "account_origins", "state_from_json", "state_to_json"]

Array = NDArray[np.float64]

CARRIED_OVER = "carried-over"
_LEAST_RISE_K = 2.0  # a tank's stored heat counts as at least this far above cold water
_DEFAULT_COLD_DEGC = 10.0


@dataclass(frozen=True, slots=True)
class CarriedState:
    """
    What a day leaves to the next: each tank's stored heat by origin.

    Args:
        parts: By tank, by origin, adding up to one.
        cold_degc: The cold water that stored heat was last counted from.
    """

    parts: Mapping[str, Mapping[str, float]]
    cold_degc: float


def state_to_json(state: CarriedState) -> dict[str, object]:
    """A state as plain JSON data."""
    return {"parts": {tank: dict(mix) for tank, mix in state.parts.items()}, "cold_degc": state.cold_degc}


def state_from_json(data: Mapping[str, object]) -> CarriedState:
    """The inverse of `state_to_json`."""
    parts = data["parts"]
    assert isinstance(parts, Mapping)
    return CarriedState(
        {t: {o: float(p) for o, p in mix.items()} for t, mix in parts.items()}, float(str(data["cold_degc"]))
    )


@dataclass(frozen=True, slots=True)
class Delivered:
    """Hot-water heat by origin over the day [J], the origins in order, and what is left for tomorrow."""

    by_origin: Mapping[str, float]
    state: CarriedState


def account_origins(plant: PlantDay, state: CarriedState | None) -> Delivered | None:
    """
    Follow heat by origin through the tanks to the taps; None where the site has no metered hot water.

    The delivered parts add up to the day's hot-water heat.
    """
    water = plant.hot_water
    if water is None or water.leaving_j is None or plant.site.hot_water is None:
        return None
    origins = [*plant.site.stages, CARRIED_OVER]
    cold_degc = _cold_degc(water, state)
    delivered = np.zeros((water.heat_w.size, len(origins)))
    parts: dict[str, Mapping[str, float]] = {}
    arriving = np.zeros_like(delivered)
    for index, tank in enumerate(plant.site.hot_water.tanks):
        inputs = arriving + _stage_inputs(plant, tank, origins)
        start = _start(state, tank, origins)
        mix = _mix(inputs, _stored(plant, tank, cold_degc), start)
        leaving = water.leaving_j[index]
        # Where no sensor tells what leaves a tank, what comes in counts as going on at once.
        unknown = bool(np.isnan(leaving).all())
        arriving = inputs if unknown else np.maximum(leaving, 0.0)[:, None] * 0.5 * (mix[:-1] + mix[1:])
        parts[tank] = dict(zip(origins, map(float, mix[-1]), strict=True))
    delivered = arriving + _passing(plant.site.stages.values(), water, origins)
    return Delivered(_scaled(delivered.sum(axis=0), water, origins), CarriedState(parts, cold_degc))


def _cold_degc(water: HotWaterDay, state: CarriedState | None) -> float:
    volume = sum(draw.volume_m3 for draw in water.draws)
    if volume > 0:
        mean = sum(draw.volume_m3 * draw.cold_degc for draw in water.draws) / volume
        if not np.isnan(mean):
            return float(mean)
    return state.cold_degc if state else _DEFAULT_COLD_DEGC


def _stage_inputs(plant: PlantDay, tank: str, origins: Sequence[str]) -> Array:
    """Heat put into a tank by its own stages, per cell and origin [J]."""
    inputs = np.zeros((round(plant.day.seconds / CELL_S), len(origins)))
    for stage in plant.site.stages.values():
        if stage.tank == tank:
            heat_w = plant.loops[stage.loop].heat_w if stage.loop else plant.heaters[stage.heater or ""].heat_w
            inputs[:, origins.index(stage.id)] += np.maximum(np.nan_to_num(heat_w), 0.0) * CELL_S
    return inputs


def _stored(plant: PlantDay, tank: str, cold_degc: float) -> Array:
    """Stored heat above cold water at the end of each cell [J], held through gaps, never below a floor."""
    mean = plant.tanks[tank].mean_degc
    known = ~np.isnan(mean)
    if known.any():
        index = np.maximum.accumulate(np.where(known, np.arange(len(mean)), 0))
        mean = np.where(np.isnan(mean[index]), mean[known][0], mean[index])
    else:
        mean = np.full(len(mean), cold_degc + 30.0)  # a tank without sensors: a usual store
    litres = plant.site.tanks[tank].volume_l
    per_k = litres / 1e3 * float(water().density(40.0) * water().capacity(40.0))
    return np.maximum(mean - cold_degc, _LEAST_RISE_K) * per_k


def _start(state: CarriedState | None, tank: str, origins: Sequence[str]) -> Array:
    """Parts at the day's start; origins that the site no longer has count as carried over."""
    mix = state.parts.get(tank, {}) if state else {}
    start = np.array([mix.get(origin, 0.0) for origin in origins])
    start[-1] += max(1.0 - start.sum(), 0.0)
    return np.asarray(start / start.sum())


def _mix(inputs: Array, stored: Array, start: Array) -> Array:
    """
    Parts by origin at the cells' edges, shape (cells + 1, origins).

    part[k+1] = (1 - w) part[k] + w own, w = heat in / stored heat at the cell's end: a bidiagonal system, solved whole.
    """
    total = inputs.sum(axis=1)
    weight = np.minimum(total / np.maximum(stored, total + 1e-9), 1.0)
    own = inputs * np.where(total > 0, weight / np.maximum(total, 1e-9), 0.0)[:, None]
    banded = np.ones((2, len(stored) + 1))
    banded[1, :-1] = weight - 1.0
    mix: Array = solve_banded((1, 0), banded, np.vstack((start, own)), check_finite=False)
    return mix


def _passing(stages: Iterable[Stage], water: HotWaterDay, origins: Sequence[str]) -> Array:
    """Heat gained after the last tank, per cell, for the stage that heats in passing."""
    passing = np.zeros((water.heat_w.size, len(origins)))
    in_passing = [stage for stage in stages if stage.tank is None]
    if in_passing and water.passing_j is not None:
        passing[:, origins.index(in_passing[0].id)] = water.passing_j
    return passing


def _scaled(by_origin: Array, water: HotWaterDay, origins: Sequence[str]) -> dict[str, float]:
    """Make the parts add up to the metered heat: rounding, and the difference between outlet and mixing valve."""
    total = float(by_origin.sum())
    if total <= 0:  # warm water of which no tank and no stage is known to have heated it
        by_origin = np.where(np.arange(len(by_origin)) == len(by_origin) - 1, 1.0, 0.0)
        total = 1.0
    scale = water.heat.amount / total
    return dict(zip(origins, map(float, by_origin * scale), strict=True))
