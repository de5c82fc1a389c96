"""Sensors that belong together, compared in the moments in which they must read the same."""

from analytics.pair_check import PairCheck
from analytics.plant import PlantDay

__all__ = ["check_pairs"]


def check_pairs(plant: PlantDay) -> tuple[PairCheck, ...]:
    """What the day tells of each pair of the site, in the order of the site file."""
    return ()
