"""
What tanks held as an account began, and how sure that is.

It is told by the sensors alone, between two of which nobody sees where warm water ends. What the taps then got of it is
metered, so that most of the doubt stays with what is still in store: the less there is left, the less sure it is, until
the last of it has left.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from analytics.coil_foot import has_cold_below
from analytics.derived import quotient, shown_times, stated_own
from analytics.doubt import Doubt
from analytics.layers import LAYERS
from analytics.origins_state import CARRIED_OVER, ROOM, UNHEARD, CarriedState, LayeredHeat
from analytics.origins_water import J_PER_K_KG, KG_PER_M3
from analytics.plant import PlantDay
from analytics.site import Site, Tank

__all__ = ["FirstStore", "carried_j", "first_store", "still_unsettled", "u_layered_first_j", "u_mixed_first_j"]

Array = NDArray[np.float64]

# Of the heat of each step between two sensors in the part of the height that one stands for, as a standard uncertainty;
# half of it of the step from the lowest to the main, below which there is half a part. Warm water that may end sharply
# anywhere between them would make it 0.29. By what the taps got on an account's first three days in virtual tanks of
# ten kinds and in independent plants of five it is 0.12 to 0.17.
_U_STEP_PART = 0.15
_U_ONE_SENSOR_PART = 0.15  # of all heat of a tank that one sensor stands for, or none; common practice
_UNKNOWN_RISE_K = 35.0  # of a tank whose sensors did not speak, above the main
_MOST_OF_LEFT = 1 / sqrt(3)  # nobody can be wrong by more than all that is left, nor by its double
# What is left after a day of the error of all heat in a tank whose water stays cold below a coil, where sensors leave
# open how much is warm: in fortnights of virtual tanks of three kinds 0.6 to 0.85. Of other tanks it was gone in a day.
_LEFT_AFTER_A_DAY = 0.8
_SETTLED_J = 0.01 * 3.6e6
_NAME = "heat in store at first"
_J = ("J", "J")


@dataclass(frozen=True, slots=True)
class FirstStore:
    """
    What is not known of the heat in store as the account began, over one day.

    Args:
        u_j: Of what of it was in store this morning, or came to the taps since, as a standard uncertainty. [J]
        given_j: Heat carried over that the taps got. [J]
        left_j: Such heat that is in store at the day's end. [J]
    """

    u_j: float
    given_j: float
    left_j: float

    @property
    def u_left_j(self) -> float:
        """Of what is still in store at the day's end."""
        return self.u_j * sqrt(1.0 - self._given_part**2)

    @property
    def _given_part(self) -> float:
        whole_j = self.given_j + self.left_j
        return self.given_j / whole_j if whole_j > 0.0 else 0.0

    def doubt_of(self, shares: Mapping[str, float]) -> Iterator[tuple[str, float, Doubt]]:
        """
        More heat in store gives more to what is carried over, and less to all others; nothing where the taps got
        nothing else: their heat is metered.

        Args:
            shares: By origin, of the heat out of tanks.
        Yields:
            An origin, a factor, and the doubt that it multiplies. [J]
        """
        carried = shares[CARRIED_OVER]
        if not 0.0 < carried < 1.0 or self._given_part <= 0.0 or self.u_j <= 0.0:
            return
        u_j = shown_times(stated_own(self.u_j), sqrt(1.0 - carried), "√(1 − {})", numbers=[carried])
        given = quotient(
            self.given_j, self.given_j + self.left_j, "What the taps got of all heat carried over", units=_J
        )
        moved = Doubt({}, {_NAME: u_j}).times(given)
        for origin, share in shares.items():
            if origin == CARRIED_OVER:
                yield origin, 1.0, moved
            elif share > 0.0:
                yield origin, quotient(-share, 1.0 - carried, f"Share of {origin} in all but {CARRIED_OVER}"), moved


def first_store(state: CarriedState | None, new_j: Iterable[float], *, given_j: float, left_j: float) -> FirstStore:
    """
    Args:
        new_j: Standard uncertainties of the tanks whose account begins today. [J]
    """
    known_j = max(given_j, 0.0), max(left_j, 0.0)
    u_j = hypot(state.u_first_j if state else 0.0, *new_j)
    return FirstStore(min(u_j, _MOST_OF_LEFT * sum(known_j)), *known_j)


def u_layered_first_j(plant: PlantDay, tank: str, cold_degc: float) -> float:
    """Of what a tank with sensors along it holds as its account begins, by their first words. [J]"""
    described, sensors = plant.site.tanks[tank], plant.tanks[tank].sensors_degc
    known = ~np.isnan(sensors)
    if len(sensors) < len(described.temperatures) or not known.any(axis=1).all():
        return u_mixed_first_j(described, _UNKNOWN_RISE_K * _j_per_k(described))
    first = sensors[np.arange(len(sensors)), known.argmax(axis=1)]
    below_k = 0.5 * max(float(first[-1]) - cold_degc, 0.0)
    return _U_STEP_PART * _j_per_k(described) / len(first) * hypot(*np.diff(first).tolist(), below_k)


def still_unsettled(
    site: Site, state: CarriedState | None, new_j: Mapping[str, float]
) -> tuple[Mapping[str, float], Mapping[str, float]]:
    """
    By tank, how far all that it holds may be off because its account began: at the day's end, and what the day settled.

    Args:
        new_j: By tank whose account begins today: how far off by its first words. [J]
    """
    began_j = {tank: u_j for tank, u_j in new_j.items() if has_cold_below(site, tank) and u_j > 0.0}
    before_j = {tank: u_j for tank, u_j in (state.unsettled_j if state else {}).items() if tank not in new_j}
    left_j = {tank: _LEFT_AFTER_A_DAY * u_j for tank, u_j in before_j.items() if u_j > _SETTLED_J}
    return {**left_j, **began_j}, {tank: (1.0 - _LEFT_AFTER_A_DAY) * u_j for tank, u_j in before_j.items()}


def u_mixed_first_j(tank: Tank, stored_j: float) -> float:
    """Of what a tank holds that is taken as mixed. [J]"""
    return _U_ONE_SENSOR_PART * stored_j if tank.temperatures else 0.0


def carried_j(tank: Tank, held: LayeredHeat) -> float:
    """Heat of the layers that no stage is known to have given: carried over, the room's, and what came unheard. [J]"""
    others = [sum(held.heat_k.get(origin, ())) for origin in (CARRIED_OVER, ROOM, UNHEARD)]
    return sum(others) / LAYERS * _j_per_k(tank)


def _j_per_k(tank: Tank) -> float:
    return tank.volume_l / 1e3 * KG_PER_M3 * J_PER_K_KG
