"""`sensor-range` of a heat pump: a steady COP above Carnot's, which no machine has, and the sensor that makes it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Clear, Evidence, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import instant_ms
from analytics.detection.telling import Advice, Stretch, tell_of
from analytics.expected.carnot import LEAST_SAMPLES, CarnotCheck, carnot_check, why_not_held
from analytics.expected.carnot_wrong import beside_sheet, wrong_points
from analytics.figures import DayLedger
from analytics.plant import CELL_S, PlantDay
from analytics.site import HeatPump, Site

__all__ = ["BeyondCarnot"]


@dataclass(frozen=True, kw_only=True)
class BeyondCarnot:
    """
    A heat pump whose steady COP in heating, all its sensors' limits of error in its favour, is above Carnot's.

    Its component is the heat pump, since mostly several sensors could be the wrong one; where the source's heat or the
    maker's sheet tells which, that one is named alone. Not this: starts, which are left out; a house without a metered
    load loop with both its temperatures, where heat is made of the electricity itself.
    """

    kind: ClassVar[str] = "sensor-range"
    rejoin: ClassVar[timedelta] = timedelta(hours=96)  # in mild weather a heat pump may rest for days
    possible_part: float = 0.02  # of the samples may be above: noise of single cells

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(pump.id, why_not_held(site, pump)) for pump in site.heat_pumps.values()]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        pump = plant.site.heat_pumps[component]
        found = carnot_check(plant, pump)
        beyond = found.beyond()
        if beyond.samples:
            return Fault((self._finding(plant, pump, beyond, ended=self._ended(found, int(beyond.cells[-1]))),))
        if found.samples < LEAST_SAMPLES:
            return NotAssessed(f"Heat pump {component} ran too little with all its temperatures known.")
        if found.impossible > self.possible_part * found.samples:
            return NotAssessed(f"The COP of {component} is now and then above what nature allows, but not in all.")
        if found.cop < 1.0:
            return NotAssessed(f"{component} seems to give less than its own electricity: its sensors are no judges.")
        return Clear(instant_ms(plant, float(found.cells[0]) * CELL_S))

    def _ended(self, found: CarnotCheck, last: int) -> int | None:
        """The first cell after the last impossible stretch, where what follows is long enough and possible."""
        after = found.cells > last
        is_possible = found.is_above[after].sum() <= self.possible_part * after.sum()
        return int(found.cells[after][0]) if after.sum() >= LEAST_SAMPLES and is_possible else None

    def _finding(self, plant: PlantDay, pump: HeatPump, found: CarnotCheck, *, ended: int | None) -> Finding:
        sheet, wrong = beside_sheet(plant, pump, found), wrong_points(plant, pump, found)
        stretch = Stretch(
            began_ms=instant_ms(plant, float(found.cells[0]) * CELL_S),
            ended_ms=None if ended is None else instant_ms(plant, ended * CELL_S),
            detected_ms=instant_ms(plant, (float(found.cells[LEAST_SAMPLES - 1]) + 1) * CELL_S),
        )
        advice = Advice("watch", _ONE if len(wrong) == 1 else _SEVERAL, _causes(pump, wrong), _CHECKS)
        evidence = {"heat_pump": pump.id, "wrong": ", ".join(wrong), **_numbers(plant, pump, found), **_parts(sheet)}
        return tell_of(plant, stretch, advice, evidence=evidence, weight_s=found.samples * CELL_S)


_SEVERAL = (
    "Since {since} the heat pump {heat_pump} seems to make {cop:.1f} kWh of heat of a kWh of electricity, over "
    "{counted_h:.1f} h of steady running; between {source_degc:.1f} degC and {load_degc:.1f} degC nature allows "
    "{carnot_cop:.1f} (Carnot). At least one of these is wrong: {wrong}."
)
_ONE = (
    "Since {since} the heat pump {heat_pump} seems to make {cop:.1f} kWh of heat of a kWh of electricity, over "
    "{counted_h:.1f} h of steady running; between {source_degc:.1f} degC and {load_degc:.1f} degC nature allows "
    "{carnot_cop:.1f} (Carnot). What is measured beside it tells that {wrong} is wrong."
)
_POWER = "power meter: not on all phases, current transformer of another ratio set, or only part of the circuit metered"
_PAIR = "a temperature sensor of the load or the source loose on its pipe, exchanged, or on the wrong pipe"
_METER = "flow or heat meter: wrong pulse value or unit, or it meters another circuit as well"
_CHECKS = (
    "Compare the compressor's power with the maker's sheet at these temperatures, and with the electricity meter while "
    "little else runs.",
    "Compare the load's flow, or its heat meter, with the meter's own display and its pulse value.",
    "Compare both temperature sensors of each loop with the pump running and the compressor off: they should agree.",
    "Current transformers and live panels are for licensed electricians.",
    "Until it is mended the COP, and what is reckoned with it, is not to be believed.",
)


def _numbers(plant: PlantDay, pump: HeatPump, found: CarnotCheck) -> Evidence:
    weight, source_w = found.elec_w, float(np.abs(plant.loops[pump.source_loop].heat_w[found.cells]).mean())
    return {
        "counted_h": round(found.samples * CELL_S / 3600, 2),
        "cop": round(found.cop, 2),
        "least_cop": round(float(found.least_w.sum() / weight.sum()), 2),
        "carnot_cop": round(found.carnot_cop, 2),
        "allowed_cop": round(float(np.average(found.allowed_cop, weights=weight)), 2),
        "impossible_percent": round(100 * found.impossible / found.samples, 1),
        "source_degc": round(float(np.average(found.source_degc, weights=weight)), 1),
        "load_degc": round(float(np.average(found.load_degc, weights=weight)), 1),
        "power_w": round(float(weight.mean())),
        "heat_w": round(float(found.useful_w.mean())),
        "source_heat_w": round(source_w) if np.isfinite(source_w) else None,
    }


def _parts(sheet: tuple[float, float] | None) -> Evidence:
    names = ("of_sheet_power_percent", "of_sheet_heat_percent")
    return {} if sheet is None else {name: round(100 * part, 1) for name, part in zip(names, sheet, strict=True)}


def _causes(pump: HeatPump, wrong: Sequence[str]) -> Sequence[str]:
    if tuple(wrong) == (pump.power,):
        return (_POWER, _PAIR, _METER)
    return (_PAIR, _METER, _POWER) if pump.power in wrong else (_PAIR, _METER)
