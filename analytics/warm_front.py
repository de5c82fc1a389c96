"""
Where warm water ends in a tank: between two sensors nobody sees it, but what flowed in and out tells of it.

The change of stored heat is the sensors'. How far the layers that the account by origin follows tell another one shows
how far the sensors may miss.
"""

from dataclasses import replace
from math import isnan

from analytics.derived import shown_times, stated_own
from analytics.doubt import Doubt
from analytics.layers import LAYERS
from analytics.origins_state import CarriedState, LayeredHeat
from analytics.origins_water import J_PER_K_KG, KG_PER_M3
from analytics.plant import Total
from analytics.site import Tank

__all__ = ["with_front_in_doubt"]

# Times the difference: a standard uncertainty. Seen in two virtual plants, one with little and one with much mixing, in
# which the two differ from each other as they differ from the truth (correlated by 0.7 to 0.9).
_U_PART = 1.7


def with_front_in_doubt(change: Total, tank: Tank, *, before: CarriedState | None, after: CarriedState | None) -> Total:
    """
    A tank's change of stored heat [J], with what its layers tell otherwise as one more source of doubt.

    Args:
        before, after: What the account carried at the day's start and at its end.
    """
    held = [state.layers.get(tank.id) if state else None for state in (before, after)]
    if held[0] is None or held[1] is None or isnan(change.amount):
        return change
    layer_j_k = tank.volume_l / 1e3 * KG_PER_M3 / LAYERS * J_PER_K_KG
    apart_j = abs(change.amount - (_sum_degc(held[1]) - _sum_degc(held[0])) * layer_j_k)
    u_j = shown_times(stated_own(apart_j), _U_PART, "{}", numbers=[_U_PART])
    passing = {**change.doubt.passing, f"warm front of {tank.id}": u_j}
    return replace(change, doubt=Doubt(change.doubt.steady, passing))


def _sum_degc(held: LayeredHeat) -> float:
    return sum(held.cold_degc) + sum(sum(heat_k) for heat_k in held.heat_k.values())
