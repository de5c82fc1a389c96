"""
Where warm water ends in a tank: between two sensors nobody sees it, but what flowed in and out tells of it.

A tank's sensors alone tell its stored heat as if each stood in the middle of water of its own temperature. Where the
account by origin follows the layers, their change is the tank's: held by the sensors, and by what flowed in and out
where warm water ends between them. In virtual tanks of eleven kinds it is off by a fourth to a half of what the sensors
alone are off.
"""

from dataclasses import replace
from math import isnan

from analytics.derived import shown_over, shown_times, stated, stated_own
from analytics.doubt import Doubt
from analytics.origins_state import LayersChange
from analytics.origins_water import J_PER_K_KG, KG_PER_M3
from analytics.plant import Total
from analytics.site import Tank

__all__ = ["by_layers"]

# Standard uncertainties seen in virtual tanks with little and with much mixing, with sensors at the stated places and
# elsewhere: of the mean of the layers, times the number of sensors; of the difference from the sensors' own word.
_U_MEAN_K = 0.8
_U_APART = 0.12
# Of an account's first day, which begins with what is read between the sensors: part of the doubt of the sensors' word.
_U_START = 0.5
_WHY = "Followed layer by layer with what flowed in and out, and held by the sensors."


def by_layers(change: Total, tank: Tank, found: LayersChange | None) -> Total:
    """
    A tank's change of stored heat by its layers [J]; by its sensors alone where they were not followed.

    Args:
        change: By the sensors alone; not known where one of them is silent.
    """
    if found is None or isnan(change.amount):
        return change
    j_per_k = tank.volume_l / 1e3 * KG_PER_M3 * J_PER_K_KG
    followed = shown_over(stated(_U_MEAN_K, "K"), len(tank.temperatures)) * j_per_k
    front = shown_times(stated_own(abs(change.amount - found.amount)), _U_APART, "{}", numbers=[_U_APART])
    passing = {f"followed layers of {tank.id}": followed, f"warm front of {tank.id}": front}
    if found.is_new:
        name = f"layers of {tank.id}"
        passing[name] = shown_times(change.doubt.passing[name], _U_START, "{}", numbers=[_U_START])
    doubt = Doubt(change.doubt.steady, passing)
    return replace(change, amount=found.amount, doubt=doubt, basis="derived", why=_WHY)
