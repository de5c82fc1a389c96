"""Purchased energy and what was saved against a baseline: in energy, money and CO2."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import isnan

import numpy as np
from numpy.typing import NDArray

from analytics.courses import unknown_as_none
from analytics.derived import quotient, stated
from analytics.doubt import NO_DOUBT, Doubt, combined, from_limit
from analytics.figures import Basis, Figure, Saved, unavailable
from analytics.plant import CELL_S, MOVES_M3_S, PlantDay, Total, not_known
from analytics.prices import (
    BASELINE_EFFICIENCY,
    BOILER_EFFICIENCY,
    CO2_KG_PER_KWH,
    FUEL_OF_BASELINE,
    electricity_price,
    fuel_price,
)
from analytics.site import Baseline, Stage
from analytics.units import j_from_kwh, kwh_from_j

__all__ = ["Purchase", "purchase", "savings"]

Array = NDArray[np.float64]

_Sums = tuple[float, float]
"""Of the baseline, and of what was bought."""

_KWH_J = j_from_kwh(1.0)
_U_BOILER_PART = 0.08
_USUAL_PUMP_W = 60.0  # a house's circulators draw 5 to 60 W, old ones up to 100 W (common practice)
_GROUND_PUMP_W = 250.0  # those of ground loops 100 to 300 W (common practice)


@dataclass(frozen=True, slots=True)
class Purchase:
    """
    Energy bought for the hot water.

    Args:
        total: All of it. [J]
        elec_w: Electricity as a course over the day's cells. [W]
        fuel_j: Fuel by kind (gas, propane, oil). [J]
        left_out: What it is without, as a sentence; "" where all is known.
    """

    total: Total
    elec_w: Array
    fuel_j: Mapping[str, float]
    left_out: str


def purchase(plant: PlantDay) -> Purchase:
    """Backup input + all circulators + the heat pump's electricity that the hot water caused."""
    parts: list[Total] = []
    elec_w = np.zeros(round(plant.day.seconds / CELL_S))
    fuel_j: dict[str, float] = {}
    for stage in plant.site.stages.values():
        for kind, total, course_w in _inputs(plant, stage):
            parts.append(total)
            if kind == "electric":
                elec_w = elec_w + unknown_as_none(course_w)
            else:
                fuel_j[kind] = fuel_j.get(kind, 0.0) + total.amount
    left_out = []
    for loop_id in plant.site.loops:
        parts.append(_circulator(plant, loop_id))
        left_out += [loop_id] if isnan(plant.loops[loop_id].pump_elec.amount) else []
        elec_w = elec_w + unknown_as_none(plant.loops[loop_id].pump_elec_w)
    for pump in plant.heat_pumps.values():
        parts.append(pump.caused_elec)
        if pump.caused_elec_w is not None:
            elec_w = elec_w + unknown_as_none(pump.caused_elec_w)
    return Purchase(_added(parts), elec_w, fuel_j, _without(left_out) if left_out else "")


def _inputs(plant: PlantDay, stage: Stage) -> list[tuple[str, Total, Array]]:
    """What a stage buys: its heater's input, or its boiler's fuel."""
    if stage.heater:
        heater = plant.heaters[stage.heater]
        return [(plant.site.heaters[stage.heater].kind, heater.input, heater.input_w)]
    return _boiler(plant, plant.loops[stage.loop or ""].heat) if stage.backup else []


def _circulator(plant: PlantDay, loop_id: str) -> Total:
    """Its electricity; nothing where that is not known, but for the doubt of what a usual one draws."""
    day = plant.loops[loop_id]
    if not isnan(day.pump_elec.amount):
        return day.pump_elec
    runs = (day.flow_m3_s > MOVES_M3_S) | (day.pump_on > 0)
    is_ground = any(pump.source_loop == loop_id for pump in plant.site.heat_pumps.values())
    usual_w = stated(_GROUND_PUMP_W if is_ground else _USUAL_PUMP_W, "W")
    usual_j = usual_w * (float(np.count_nonzero(runs)) * CELL_S)
    doubt = Doubt({f"unmetered pump of {loop_id}": from_limit(usual_j)})
    return Total(0.0, doubt, 1.0, "estimated", _without([loop_id]))


def _without(loops: Sequence[str]) -> str:
    return f"Without the circulator of {' and '.join(loops)}, whose power is not known."


def _boiler(plant: PlantDay, heat: Total) -> list[tuple[str, Total, Array]]:
    """Fuel of a backup that heats through a loop: of heaters that are no stage, else by an assumed efficiency."""
    staged = {stage.heater for stage in plant.site.stages.values()}
    boilers = [h for h in plant.site.heaters.values() if h.id not in staged]
    if boilers:
        return [(b.kind, plant.heaters[b.id].input, plant.heaters[b.id].input_w) for b in boilers]
    kind = FUEL_OF_BASELINE.get(plant.site.baseline.kind, "gas")
    if isnan(heat.amount):
        return [(kind, not_known(heat.why), np.zeros(1))]
    why = f"The backup's fuel is not metered; an efficiency of {BOILER_EFFICIENCY:.0%} is assumed."
    amount = heat.amount / BOILER_EFFICIENCY
    assumed = Doubt({"assumed efficiency of the boiler": amount * stated(_U_BOILER_PART)})
    per_heat = quotient(1.0, BOILER_EFFICIENCY, "Fuel for 1 kWh of heat, 1 ÷ efficiency of the boiler")
    doubt = combined([(per_heat, heat.doubt), (1.0, assumed)])
    return [(kind, Total(amount, doubt, heat.covered, "estimated", why), np.zeros(1))]


def _added(parts: Sequence[Total]) -> Total:
    for part in parts:
        if isnan(part.amount):
            return not_known(part.why)
    if not parts:
        return Total(0.0, NO_DOUBT, 1.0, "derived", "")
    estimated = [part for part in parts if part.basis == "estimated"]
    basis: Basis = "estimated" if estimated else "derived"
    why = " ".join(dict.fromkeys(part.why for part in estimated if part.why))
    doubt = combined((1.0, part.doubt) for part in parts)
    return Total(sum(part.amount for part in parts), doubt, min(part.covered for part in parts), basis, why)


@dataclass(frozen=True, slots=True)
class _Instead:
    """
    What the baseline would have bought.

    Args:
        drawn: For the water drawn. [kWh]
        standby: For what its tank would lose meanwhile. [kWh]
    """

    drawn: float
    standby: float

    @property
    def energy(self) -> float:
        return self.drawn + self.standby


def savings(plant: PlantDay, bought: Purchase, heat: Figure) -> Saved:
    """What the baseline would have bought for the same hot water, less what was bought."""
    currency = plant.site.prices.currency
    missing = heat.why if isnan(heat.value) else bought.total.why if isnan(bought.total.amount) else ""
    if missing:
        return Saved(unavailable("kWh", missing), unavailable(currency, missing), unavailable("kg", missing))
    coverage = min(heat.coverage, bought.total.covered)
    instead = _instead(plant, heat.value, covered_s=coverage * plant.until_s)
    why = f"{_why(plant.site.baseline)} {bought.left_out}".rstrip()
    # Of nothing, what one more kWh would come to: a day that was hardly heard may have bought and drawn much.
    heat_kwh, drawn = (heat.value, instead) if heat.value else (1.0, _instead(plant, 1.0, covered_s=0.0))
    paid = bought if bought.total.amount else _one_kwh(plant, bought)

    def figure(unit: str, of: Callable[[Purchase, _Instead], _Sums | str]) -> Figure:
        sums = of(bought, instead)
        if isinstance(sums, str):
            return unavailable(unit, sums)
        each = sums if drawn is instead and paid is bought else of(paid, drawn)
        before, after = sums if isinstance(each, str) else each
        verb, what = {"kWh": ("bought", "bought"), "kg": ("emitted", "emitted")}.get(unit, ("cost", "cost"))
        words = f"What the baseline would have {verb} for 1 kWh of hot water", f"What 1 kWh that was bought {what}"
        # What is drawn is in doubt as a heat is, and what was bought as an energy; a stated standby loss is not.
        before = before * drawn.drawn / drawn.energy
        of_heat = quotient(before, heat_kwh, words[0], units=(unit, "kWh"))
        of_bought = quotient(-after, paid.total.amount, words[1], units=(unit, "J"))
        doubt = combined([(of_heat, heat.doubt), (of_bought, bought.total.doubt)])
        return Figure(sums[0] - sums[1], unit, doubt.half_width, "estimated", coverage, why, doubt)

    return Saved(
        figure("kWh", lambda bought, instead: (instead.energy, kwh_from_j(bought.total.amount))),
        figure(currency, lambda bought, instead: _money(plant, bought, instead)),
        figure("kg", lambda bought, instead: _co2(plant, bought, instead.energy)),
    )


def _one_kwh(plant: PlantDay, bought: Purchase) -> Purchase:
    """One kWh of the backup's fuel, or of electricity around the clock."""
    total = replace(bought.total, amount=_KWH_J)
    if bought.fuel_j:
        return replace(bought, total=total, fuel_j={next(iter(bought.fuel_j)): _KWH_J})
    return replace(bought, total=total, elec_w=np.full(len(bought.elec_w), _KWH_J / plant.day.seconds))


def _instead(plant: PlantDay, heat_kwh: float, *, covered_s: float) -> _Instead:
    """Standby losses count for the time that the readings cover: never more than what is seen."""
    baseline = plant.site.baseline
    efficiency = baseline.efficiency or BASELINE_EFFICIENCY[baseline.kind]
    return _Instead(heat_kwh / efficiency, kwh_from_j((baseline.standby_w or 0.0) * covered_s) / efficiency)


def _why(baseline: Baseline) -> str:
    stated = "stated" if baseline.efficiency else "usual"
    efficiency = baseline.efficiency or BASELINE_EFFICIENCY[baseline.kind]
    why = (
        f"Against a baseline heater ({baseline.kind.replace('-', ' ')}) with the {stated} efficiency of {efficiency:g}"
    )
    return f"{why} and a standby loss of {baseline.standby_w:g} W." if baseline.standby_w else f"{why}."


def _money(plant: PlantDay, bought: Purchase, instead: _Instead) -> tuple[float, float] | str:
    """Cost of the baseline and of what was bought, or the reason why one is not known."""
    baseline, prices = plant.site.baseline, plant.site.prices
    price = electricity_price(prices, plant.day)
    needs_electricity = bought.elec_w.any() or baseline.kind not in FUEL_OF_BASELINE
    if needs_electricity and price is None:
        return "The price of electricity is not stated (prices.electricity_per_kwh)."
    if needs_electricity and price is not None and np.isnan(price).any():
        return "The price bands for electricity leave a part of this day without a price."
    spent = float(np.sum(bought.elec_w * price)) * kwh_from_j(CELL_S) if price is not None else 0.0
    for fuel, amount in bought.fuel_j.items():
        per_kwh = fuel_price(prices, fuel)
        if per_kwh is None:
            return f"The price of {fuel} is not stated."
        spent += kwh_from_j(amount) * per_kwh
    before = _baseline_cost(plant, price, instead)
    return before if isinstance(before, str) else (before, spent)


def _baseline_cost(plant: PlantDay, price: Array | None, instead: _Instead) -> float | str:
    fuel = FUEL_OF_BASELINE.get(plant.site.baseline.kind)
    if fuel is None:
        assert price is not None
        # A storage heater buys when it reheats, soon after each draw; what it loses, around the clock.
        return instead.drawn * _mean_price(plant, price) + instead.standby * float(price.mean())
    per_kwh = fuel_price(plant.site.prices, fuel)
    if per_kwh is None:
        return f"The price of {fuel} is not stated."
    return instead.energy * per_kwh


def _mean_price(plant: PlantDay, price: Array) -> float:
    """Price of electricity, by the heat of the draws."""
    assert plant.hot_water is not None
    heat_w = unknown_as_none(plant.hot_water.heat_w)
    drawn = float(heat_w.sum())
    return float(heat_w @ price) / drawn if drawn > 0 else float(price.mean())


def _co2(plant: PlantDay, bought: Purchase, baseline_kwh: float) -> tuple[float, float] | str:
    factors = dict(CO2_KG_PER_KWH)
    if plant.site.prices.electricity_co2_kg_per_kwh is not None:
        factors["electric"] = plant.site.prices.electricity_co2_kg_per_kwh
    fuel = FUEL_OF_BASELINE.get(plant.site.baseline.kind, "electric")
    if "electric" not in factors and (fuel == "electric" or bought.elec_w.any()):
        return "The CO2 of electricity is not stated (prices.electricity_co2_kg_per_kwh)."
    emitted = sum(kwh_from_j(amount) * factors[kind] for kind, amount in bought.fuel_j.items())
    if bought.elec_w.any():
        emitted += kwh_from_j(float(bought.elec_w.sum()) * CELL_S) * factors["electric"]
    return baseline_kwh * factors[fuel], emitted
