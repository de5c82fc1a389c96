"""
Performance factors of a heat pump by the SEPEMO boundaries, as far as a site's meters go.

H1 is the heat pump alone; H2 adds what drives the source (the source loop's pump); H3 adds the backup, its heat and
its energy; H4 adds the pumps of the loops that carry the heat away. In heating only; a day's factor is that of the
day, and a season's is the ratio of its sums.

References:
    SEPEMO-Build, Concept for evaluation of SPF, 2012 (boundaries from memory).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isnan

import numpy as np

from analytics.courses import sum_of_known
from analytics.derived import part_of, ratio_moves
from analytics.doubt import combined
from analytics.plant import CELL_S, HeatPumpDay, PlantDay, Total, not_known

__all__ = ["BOUNDARIES", "performance_factors"]

BOUNDARIES = ("h1", "h2", "h3", "h4")


@dataclass(frozen=True, slots=True)
class _Side:
    """What counts on one side of a factor, all in J; `missing` says what of it is not known."""

    parts: Sequence[Total]

    @property
    def missing(self) -> str:
        return next((part.why for part in self.parts if isnan(part.amount)), "")

    @property
    def amount(self) -> float:
        return sum(part.amount for part in self.parts)


def performance_factors(plant: PlantDay, pump: HeatPumpDay) -> Mapping[str, Total]:
    """H1 to H4 of a day by name; not known, with the reason, where a meter is missing or the pump did not heat."""
    if isnan(pump.heating_cop.amount):
        return dict.fromkeys(BOUNDARIES, pump.heating_cop)
    described = plant.site.heat_pumps[pump.heat_pump]
    source = _in_heating(plant, pump, described.source_loop)
    carriers = [loop for loop in (described.load_loop, described.desuperheater_loop) if loop]
    auxiliary = [_in_heating(plant, pump, loop) for loop in carriers]
    backup_heat, backup_energy = _backup(plant)
    heat, own = [pump.heating], [pump.heating_elec]
    return {
        "h1": pump.heating_cop,
        "h2": _factor(heat, [*own, source]),
        "h3": _factor([*heat, *backup_heat], [*own, source, *backup_energy]),
        "h4": _factor([*heat, *backup_heat], [*own, source, *backup_energy, *auxiliary]),
    }


def _in_heating(plant: PlantDay, pump: HeatPumpDay, loop: str) -> Total:
    """Electricity of a loop's pump while the compressor heats."""
    day = plant.loops[loop]
    if isnan(day.pump_elec.amount):
        return not_known(f"The electricity of the pump of loop {loop} is not known.")
    here_j = sum_of_known(np.where(pump.mode > 0, day.pump_elec_w, 0.0)) * CELL_S
    whole = day.pump_elec
    words = f"Part of the electricity of the pump of loop {loop} that it used in heating"
    return Total(here_j, whole.doubt.times(part_of(here_j, whole.amount, words)), whole.covered, whole.basis, whole.why)


def _backup(plant: PlantDay) -> tuple[list[Total], list[Total]]:
    """Heat and energy of the backup stages."""
    heat, energy = [], []
    for stage in plant.site.stages.values():
        if not stage.backup:
            continue
        if stage.heater:
            heater = plant.heaters[stage.heater]
            heat.append(heater.heat)
            energy.append(heater.input)
        else:
            heat.append(plant.loops[stage.loop or ""].heat)
            energy.append(not_known(f"What {stage.name} itself uses is not metered."))
    return heat, energy


def _factor(heat: Sequence[Total], energy: Sequence[Total]) -> Total:
    above, below = _Side(heat), _Side(energy)
    if above.missing or below.missing:
        return not_known(above.missing or below.missing)
    if below.amount <= 0:
        return not_known("Nothing was used.")
    factor = above.amount / below.amount
    per_heat, per_energy = ratio_moves(factor, below.amount, ("factor", "heat", "energy"), unit="J")
    parts = [(per_heat, part.doubt) for part in above.parts]
    parts += [(per_energy, part.doubt) for part in below.parts]
    every = [*above.parts, *below.parts]
    guessed = [part for part in every if part.basis == "estimated"]
    why = next((part.why for part in guessed if part.why), "")
    covered = min(part.covered for part in every)
    return Total(factor, combined(parts), covered, "estimated" if guessed else "derived", why)
