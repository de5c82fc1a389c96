"""The boiler behind a backup that heats its tank through a loop: a heater that is no stage itself."""

import numpy as np

from analytics.plant import Course, PlantDay
from analytics.site import Heater, Loop, Site

__all__ = ["boiler_behind", "fuel_w"]


def boiler_behind(site: Site) -> tuple[Heater, Loop] | None:
    """The one heater that heats through a loop, and the one backup loop; None where there is not just one of each."""
    behind = [heater for heater in site.heaters.values() if all(s.heater != heater.id for s in site.stages.values())]
    loops = [site.loops[stage.loop] for stage in site.stages.values() if stage.backup and stage.loop]
    return (behind[0], loops[0]) if len(behind) == 1 and len(loops) == 1 else None


def fuel_w(plant: PlantDay, loop: str) -> Course | None:
    """What the boiler behind a loop takes; None where no such boiler is known, or it was not heard. [W]"""
    boiler = boiler_behind(plant.site)
    if boiler is None or boiler[1].id != loop or boiler[0].id not in plant.heaters:
        return None
    taken_w = plant.heaters[boiler[0].id].input_w
    return taken_w if np.isfinite(taken_w).any() else None
