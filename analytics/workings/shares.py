"""Ratios in numbers: backup fractions, and a heat pump's performance factors."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analytics.figure_paths import figures_by_path
from analytics.figures import DayLedger
from analytics.plant import CELL_S, HeatPumpDay, PlantDay
from analytics.units import kwh_from_j
from analytics.workings.inputs import heater_part
from analytics.workings.written import Number, Step, Working, added, amount, kwh, multiplied

__all__ = ["factor_working", "fraction_working"]


@dataclass(frozen=True, slots=True)
class _Sum:
    """Energies that stand together above or below a fraction's line."""

    what: str
    terms: Sequence[Number]

    @property
    def total(self) -> Number:
        return self.terms[0] if len(self.terms) == 1 else kwh(sum(number.value for number in self.terms))

    @property
    def steps(self) -> list[Step]:
        if len(self.terms) == 1:
            return []
        return [
            Step(self.what, added([(1.0, number) for number in self.terms]) if self.terms else "0.000 kWh", self.total)
        ]


def _ratio(path: str, what: str, *, above: _Sum, below: _Sum) -> Working:
    value = above.total.value / below.total.value
    steps = [*above.steps, *below.steps, Step(what, multiplied([above.total], [below.total]), amount(value, "1"))]
    inputs = list({(n.name, n.source): n for n in (*above.terms, *below.terms)}.values())
    return Working(path, inputs, (), steps)


def fraction_working(plant: PlantDay, ledger: DayLedger, path: str) -> Working:
    """`backup_fraction` by heat put in, or `delivered_backup_fraction` by heat at the taps."""
    figures, backups = figures_by_path(ledger), [s.id for s in plant.site.stages.values() if s.backup]
    name = "delivered" if path.startswith("delivered") else "heat"
    lines = {line.stage: kwh(getattr(line, name).value, name=line.stage, source=f"stages.{line.stage}.{name}")
             for line in ledger.stages}  # fmt: skip
    above = _Sum("Of backup stages", [lines[stage] for stage in backups])
    if name == "delivered":
        taps = kwh(figures["hot_water.heat"].value, name="All hot-water heat", source="hot_water.heat")
        return _ratio(path, "Share of heat at the taps", above=above, below=_Sum("All", [taps]))
    return _ratio(path, "Share of heat put in", above=above, below=_Sum("Of all stages", list(lines.values())))


def factor_working(plant: PlantDay, pump: HeatPumpDay, path: str) -> Working:
    """A performance factor H1 to H4 of a day: heat ÷ energy within its boundary."""
    boundary, name = path.rpartition(".")[2], f"heat_pumps.{pump.heat_pump}.heating"
    heat = [kwh(kwh_from_j(pump.heating.amount), name="Heat made", source=f"{name}.heat")]
    energy = [
        kwh(kwh_from_j(pump.heating_elec.amount), name="The compressor's electricity", source=f"{name}.electricity")
    ]
    described = plant.site.heat_pumps[pump.heat_pump]
    energy.append(_pump_number(plant, pump, described.source_loop))
    if boundary in ("h3", "h4"):
        for stage in plant.site.stages.values():
            if stage.backup and stage.heater:
                heater = plant.heaters[stage.heater]
                given = kwh_from_j(heater.heat.amount)
                heat.append(kwh(given, name=f"Heat put in by {stage.id}", source=f"stages.{stage.id}.heat"))
                energy.append(heater_part(plant, plant.site.heaters[stage.heater], what=f"Energy of {stage.id}").energy)
    if boundary == "h4":
        carriers = [loop for loop in (described.load_loop, described.desuperheater_loop) if loop]
        energy += [_pump_number(plant, pump, loop) for loop in carriers]
    return _ratio(
        path, f"Performance factor {boundary.upper()}", above=_Sum("Heat", heat), below=_Sum("Energy", energy)
    )


def _pump_number(plant: PlantDay, pump: HeatPumpDay, loop: str) -> Number:
    """Electricity of a loop's pump while the compressor heats."""
    here_j = float(np.nansum(np.where(pump.mode > 0, plant.loops[loop].pump_elec_w, 0.0))) * CELL_S
    return kwh(kwh_from_j(here_j), name=f"Pump of loop {loop} while it heats", source=plant.site.loops[loop].pump or "")
