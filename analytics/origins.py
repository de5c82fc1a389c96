"""
Heat by origin: where the heat that the taps took first came from.

The day goes through each tank in blocks of 15 minutes. A tank with sensors along it is followed layer by layer
(`analytics.layers`), any other as one mixed store (`analytics.origins_mixed`); water moving on carries what it left
the tank with. Stages heat where the site file says: an element from the low end of its range upward, since what it
warms rises, or along its range where sensors within that tell so; a coil over its range, more where its fluid is warmer
than the water; a loop that returns water at one height in the upper half takes it from the bottom. What the room gave,
and what a change of the main's temperature makes of stored water, counts with the heat carried over.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import isnan, sqrt

import numpy as np
from numpy.typing import NDArray

from analytics.courses import sum_of_known
from analytics.derived import quotient, shown_times, stated
from analytics.doubt import Doubt, combined
from analytics.origins_doubt import layered_doubt, room_doubt
from analytics.origins_first import (
    FirstStore,
    carried_j,
    first_store,
    still_unsettled,
    u_layered_first_j,
    u_mixed_first_j,
)
from analytics.origins_gaps import origins_of
from analytics.origins_mixed import follow_mixed, mixed_doubt
from analytics.origins_state import (
    CARRIED_OVER,
    DEFAULT_COLD_DEGC,
    ROOM,
    UNHEARD,
    CarriedState,
    LayeredHeat,
    state_from_json,
    state_to_json,
)
from analytics.origins_tank import LayersChange, follow_layers, is_layered, is_new
from analytics.origins_water import J_PER_K_KG, MovedWater, moved_water
from analytics.plant import HotWaterDay, PlantDay
from analytics.site import Site

__all__ = [
    "CARRIED_OVER",
    "DEFAULT_COLD_DEGC",
    "LEAST_RISE_K",
    "CarriedState",
    "Delivered",
    "account_origins",
    "heat_at_tap",
    "in_passing",
    "state_from_json",
    "state_to_json",
]

Array = NDArray[np.float64]

# By a stage's heat that is a part r too high its share p of the tanks' heat comes out too high by this times
# r sqrt(p (1 - p)), since the sensors along a tank know what is in it. Seen in virtual houses whose flow meters were
# made to show 3 % too much: 0.35 to 0.55 as a mean of weeks; in an independent plant 0.4 to 0.6.
_MOVED_PART = 0.5
_MOVED_PART_ASSUMED = 0.65  # the same of a loop with an assumed flow
_J = ("J", "J")
_MOVED_WORDS = (
    "What 1 kWh more heat of {} than metered moves at the taps ({}, as seen in virtual houses, × √(its share × "
    "(1 − its share)) × the heat out of tanks, ÷ its heat, at least half of what the taps got of it)"
)
_LEAST_HEAT_PART = 0.5  # of its heat at the taps: a stage that gave less today has given most of it on days before
LEAST_RISE_K = 1.0
"""Water that leaves less warm than this above cold has no origin to speak of."""


@dataclass(frozen=True, slots=True)
class Delivered:
    """
    Hot-water heat by origin over the day, and what is left for tomorrow.

    Args:
        by_origin: The stages in the site file's order, then carried over. [J]
        of_tanks: What of the day's hot-water heat came out of tanks. [J]
        account_doubt: By origin, how far the account may misplace its heat: half-width of the 95 % interval, as a part
            of the heat out of tanks; none of a heater in passing. The doubt of the meters comes on top.
        ways_j: By origin and tank, how far the tank's two ways are apart in what left it: in plug flow, less stirred;
            as of all heat out of tanks. [J]
        heat_doubt: By origin, what the doubt of the stages' heat leaves in doubt. [J]
        state: What the next day begins with.
        changes: By tank that was followed in layers from the day before, what became of its layers.
        unheard_j: What of it came into the tanks while they were not heard; it counts as carried over. [J]
    """

    by_origin: Mapping[str, float]
    of_tanks: float
    account_doubt: Mapping[str, float]
    ways_j: Mapping[str, Mapping[str, float]]
    heat_doubt: Mapping[str, Doubt]
    state: CarriedState
    changes: Mapping[str, LayersChange]
    unheard_j: float


def account_origins(plant: PlantDay, state: CarriedState | None) -> Delivered | None:
    """
    Follow heat by origin through the tanks to the taps; None where the site has no metered hot water.

    The delivered parts add up to the day's hot-water heat.
    """
    water, path = plant.hot_water, plant.site.hot_water
    if water is None or water.leaving_j is None or path is None:
        return None
    origins = origins_of(plant, state)
    moved = moved_water(plant, water, cold_degc=state.cold_degc if state else DEFAULT_COLD_DEGC)
    passing = np.zeros((len(moved.kg), len(origins) + 1))
    passing[:, -1] = moved.kg * moved.cold_degc
    parts: dict[str, Mapping[str, float]] = {}
    layers: dict[str, LayeredHeat] = {}
    changes: dict[str, LayersChange] = {}
    ways: dict[str, Array] = {}
    stored_j: dict[str, Array] = {}
    for index, tank in enumerate(path.tanks):
        if is_layered(plant, tank):
            found = follow_layers(plant, tank, state, moved=moved, entering=passing)
            passing, layers[tank], parts[tank] = found.leaving, found.held, found.parts
            ways[tank] = found.apart
            if found.change is not None:
                changes[tank] = found.change
        else:
            mixed = follow_mixed(plant, tank, state, moved=moved, entering=passing, index=index)
            passing, parts[tank], stored_j[tank] = mixed
    at_tap = heat_at_tap(passing, moved).sum(axis=0) if path.tanks else np.zeros(len(origins))
    arrived = at_tap + _in_passing(plant, water, len(origins))
    by_origin = _scaled(_as_carried_over(arrived, len(plant.site.stages)), water)
    doubt = layered_doubt(plant.site) if all(tank in layers for tank in path.tanks) else mixed_doubt(plant.site)
    given = dict(zip([*plant.site.stages, CARRIED_OVER], by_origin.tolist(), strict=True))
    of_tanks = {origin: heat for origin, heat in given.items() if origin not in in_passing(plant.site)}
    shares, of_tanks_j = _shares(of_tanks), sum(of_tanks.values())
    left_j = sum(carried_j(plant.site.tanks[tank], held) for tank, held in layers.items())
    left_j += sum(parts[tank][CARRIED_OVER] * float(stored[-1]) for tank, stored in stored_j.items())
    new_j = _u_new_j(plant, state, layers, stored_j, cold_degc=moved.mean_cold_degc)
    first = first_store(state, new_j.values(), given_j=given[CARRIED_OVER], left_j=left_j)
    unsettled_j, settled_j = still_unsettled(plant.site, state, new_j)
    return Delivered(
        given,
        of_tanks_j,
        _account_doubt(shares, doubt, room_doubt(plant.site)),
        {
            origin: {tank: _of_origin(apart, origins, origin) * of_tanks_j for tank, apart in ways.items()}
            for origin in of_tanks
        },
        _heat_doubt(plant, shares, of_tanks_j, first=first, may_be_unheard=UNHEARD in origins),
        CarriedState(parts, moved.mean_cold_degc, layers, u_first_j=first.u_left_j, unsettled_j=unsettled_j),
        {tank: replace(change, settled_j=settled_j.get(tank, 0.0)) for tank, change in changes.items()},
        _unheard_j(arrived, origins, water),
    )


def _u_new_j(
    plant: PlantDay,
    state: CarriedState | None,
    layers: Iterable[str],
    stored_j: Mapping[str, Array],
    *,
    cold_degc: float,
) -> Mapping[str, float]:
    """
    Standard uncertainties of what those tanks hold whose account begins. [J]

    Args:
        layers: Tanks that are followed in layers.
        stored_j: Of the other ones: heat in store by blocks.
    """
    known = state.parts if state else {}
    begun = {tank: u_layered_first_j(plant, tank, cold_degc) for tank in layers if is_new(tank, state)}
    mixed = {
        tank: u_mixed_first_j(plant.site.tanks[tank], float(stored[0]))
        for tank, stored in stored_j.items()
        if tank not in known
    }
    return {**begun, **mixed}


def heat_at_tap(passing: Array, moved: MovedWater) -> Array:
    """Metered heat that left the last tank, by origin: its columns above the main of now. (blocks, origins) [J]"""
    heat = passing[:, :-1].copy()
    heat[:, -2] += passing[:, -1] - moved.kg * moved.cold_degc
    total = heat.sum(axis=1)
    known = total > LEAST_RISE_K * moved.kg
    metered = moved.leaving_j[-1]
    weight = np.where(np.isnan(metered), total * J_PER_K_KG, np.maximum(metered, 0.0))
    by_origin: Array = (weight * known / np.where(known, total, 1.0))[:, None] * heat
    by_origin[:, -1] += np.where(known, 0.0, weight)
    return by_origin


def in_passing(site: Site) -> list[str]:
    """Stages that heat the water after the last tank."""
    return [stage.id for stage in site.stages.values() if stage.tank is None]


def _in_passing(plant: PlantDay, water: HotWaterDay, n_origins: int) -> Array:
    """Heat gained after the last tank, for the stage that heats in passing."""
    gained = np.zeros(n_origins)
    behind = in_passing(plant.site)
    if behind and water.passing_j is not None:
        gained[list(plant.site.stages).index(behind[0])] = sum_of_known(water.passing_j)
    return gained


def _as_carried_over(by_origin: Array, n_stages: int) -> Array:
    """What came unheard and the room's part with what was carried over; together they are not less than nothing."""
    return np.append(by_origin[:n_stages], max(float(by_origin[n_stages:].sum()), 0.0))


def _unheard_j(by_origin: Array, origins: Sequence[str], water: HotWaterDay) -> float:
    """What came unheard of the heat at the taps. [J]"""
    total = float(by_origin.sum())
    if UNHEARD not in origins or total <= 0:
        return 0.0
    part = min(max(float(by_origin[origins.index(UNHEARD)]) / total, 0.0), 1.0)
    return part * max(water.heat.amount, 0.0)


def _scaled(by_origin: Array, water: HotWaterDay) -> Array:
    """Make the parts add up to the metered heat: rounding, and the difference between outlet and mixing valve."""
    total = float(by_origin.sum())
    if total <= 0:  # warm water of which no tank and no stage is known to have heated it
        by_origin = np.where(np.arange(len(by_origin)) == len(by_origin) - 1, 1.0, 0.0)
        total = 1.0
    return np.asarray(by_origin * (water.heat.amount / total))


def _of_origin(shares: Array, origins: Sequence[str], origin: str) -> float:
    """What came unheard, and the room's part, are carried over."""
    first = origins.index(UNHEARD if UNHEARD in origins else ROOM) if origin == CARRIED_OVER else origins.index(origin)
    return float(shares[first:].sum() if origin == CARRIED_OVER else shares[first])


def _shares(by_origin: Mapping[str, float]) -> dict[str, float]:
    total = sum(by_origin.values())
    return {origin: min(max(amount / total, 0.0), 1.0) if total > 0 else 0.0 for origin, amount in by_origin.items()}


def _account_doubt(shares: Mapping[str, float], doubt: float, of_room: float) -> dict[str, float]:
    """
    Heat can be misplaced only between origins that there are; and what the room gave, or owes, falls on all of them.

    Args:
        of_room: How far that may be off, as a part of the tanks' heat.
    """
    found = {
        origin: shown_times(stated(doubt), sqrt(share * (1.0 - share)), "√({} × {})", numbers=[share, 1.0 - share])
        for origin, share in shares.items()
    }
    for origin, share in shares.items():
        from_room = stated(of_room)
        if origin != CARRIED_OVER:
            from_room = shown_times(from_room, share, "{}", numbers=[share])
        found[origin] = max(found[origin], from_room)
    return found


def _heat_doubt(
    plant: PlantDay, shares: Mapping[str, float], of_tanks_j: float, *, first: FirstStore, may_be_unheard: bool
) -> dict[str, Doubt]:
    """
    More heat of a stage than its meters tell gives it more of the taps' heat, and the others less; so does what was in
    the tanks at first.

    Args:
        may_be_unheard: Whether heat that came unheard is an origin of its own, which has the doubt of gaps.
    """
    parts: dict[str, list[tuple[float, Doubt]]] = {origin: [] for origin in shares}
    for stage in plant.site.stages.values():
        own = shares.get(stage.id, 0.0)
        heat = plant.loops[stage.loop].heat if stage.loop else plant.heaters[stage.heater or ""].heat
        if isnan(heat.amount) or not 0.0 < own < 1.0:
            continue
        words = _MOVED_WORDS.format(stage.id, _MOVED_PART)
        least_j = max(abs(heat.amount), _LEAST_HEAT_PART * own * of_tanks_j)
        doubt = heat.doubt.apart_from_gaps() if may_be_unheard else heat.doubt
        part = _MOVED_PART_ASSUMED if stage.loop and plant.loops[stage.loop].flow_is_assumed else _MOVED_PART
        moved = doubt.times(quotient(part * sqrt(own * (1.0 - own)) * of_tanks_j, least_j, words, units=_J))
        for origin, share in shares.items():
            others = quotient(-share, 1.0 - own, f"Share of {origin} in all but {stage.id}")
            parts[origin].append((1.0 if origin == stage.id else others, moved))
    for origin, factor, in_store in first.doubt_of(shares):
        parts[origin].append((factor, in_store))
    return {origin: combined(found) for origin, found in parts.items()}
