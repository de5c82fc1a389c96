"""Purchased energy and what was saved against a baseline: in energy, money and CO2."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isnan, nan
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from analytics.courses import sum_of_known, unknown_as_none
from analytics.doubt import NO_DOUBT, Doubt, combined
from analytics.figures import Basis, Figure, Saved, unavailable
from analytics.plant import CELL_S, PlantDay, Total, not_known
from analytics.site import Prices, Stage, TariffBand
from analytics.trace import LocalDay
from analytics.units import kwh_from_j

__all__ = [
    "BASELINE_EFFICIENCY",
    "BOILER_EFFICIENCY",
    "CO2_KG_PER_KWH",
    "FUEL_OF_BASELINE",
    "Purchase",
    "electricity_price",
    "fuel_price",
    "purchase",
    "savings",
]

Array = NDArray[np.float64]

# Heat delivered to energy bought, standby included. US uniform energy factors, from memory; a site file may say better.
BASELINE_EFFICIENCY: Mapping[str, float] = {
    "electric-tank": 0.92,
    "gas-tank": 0.60,
    "propane-tank": 0.60,
    "oil-tank": 0.62,
    "heat-pump-tank": 3.3,
}
FUEL_OF_BASELINE = {"gas-tank": "gas", "propane-tank": "propane", "oil-tank": "oil"}
# Higher heating values: EIA, energy-explained Btu page (91 452 Btu/gal propane, 138 500 Btu/gal No. 2 oil).
_KWH_PER_LITRE = {"propane": 26.80 / 3.785411784, "oil": 40.59 / 3.785411784}
# kg CO2 per kWh (higher heating value): EIA, Carbon Dioxide Emissions Coefficients, 2016.
CO2_KG_PER_KWH = {"gas": 0.1811, "propane": 0.2152, "oil": 0.2496}
BOILER_EFFICIENCY = 0.85  # where a backup's fuel is not metered; common practice
_U_BOILER_PART = 0.08


@dataclass(frozen=True, slots=True)
class Purchase:
    """
    Energy bought for the hot water.

    Args:
        total: All of it. [J]
        elec_w: Electricity as a course over the day's cells. [W]
        fuel_j: Fuel by kind (gas, propane, oil). [J]
    """

    total: Total
    elec_w: Array
    fuel_j: Mapping[str, float]


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
    for loop_id in plant.site.loops:
        parts.append(_circulator(plant, loop_id))
        elec_w = elec_w + unknown_as_none(plant.loops[loop_id].pump_elec_w)
    for pump in plant.heat_pumps.values():
        parts.append(pump.caused_elec)
        if pump.caused_elec_w is not None:
            elec_w = elec_w + unknown_as_none(pump.caused_elec_w)
    return Purchase(_added(parts), elec_w, fuel_j)


def _inputs(plant: PlantDay, stage: Stage) -> list[tuple[str, Total, Array]]:
    """What a stage buys: its heater's input, or its boiler's fuel."""
    if stage.heater:
        heater = plant.heaters[stage.heater]
        return [(plant.site.heaters[stage.heater].kind, heater.input, heater.input_w)]
    return _boiler(plant, plant.loops[stage.loop or ""].heat) if stage.backup else []


def _circulator(plant: PlantDay, loop_id: str) -> Total:
    pump = plant.loops[loop_id].pump_elec
    if not isnan(pump.amount):
        return pump
    return Total(0.0, NO_DOUBT, 1.0, "estimated", f"Without the circulator of {loop_id}, whose power is not known.")


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
    assumed = Doubt({"assumed efficiency of the boiler": amount * _U_BOILER_PART})
    doubt = combined([(1.0 / BOILER_EFFICIENCY, heat.doubt), (1.0, assumed)])
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


def electricity_price(prices: Prices, day: LocalDay) -> Array | None:
    """Price of electricity in each cell of a local day [currency/kWh], None where the site file gives none."""
    n_cells = round(day.seconds / CELL_S)
    if prices.electricity_per_kwh is None:
        return None
    if isinstance(prices.electricity_per_kwh, int | float):
        return np.full(n_cells, float(prices.electricity_per_kwh))
    minute = _local_minutes(day, n_cells)
    price = np.full(n_cells, nan)
    for band in prices.electricity_per_kwh:
        price = np.where(np.isnan(price) & _holds(band, day, minute), band.per_kwh, price)
    return price


def _local_minutes(day: LocalDay, n_cells: int) -> Array:
    """Minute of the local clock at each cell's start; clocks change at whole quarters of an hour."""
    zone, per_block = ZoneInfo(day.timezone), round(900 / CELL_S)
    first, last = (datetime.fromtimestamp(ms / 1000, UTC).astimezone(zone) for ms in (day.start_ms, day.end_ms - 1))
    if first.utcoffset() == last.utcoffset():
        return np.asarray((first.hour * 60 + first.minute + np.arange(n_cells) * (CELL_S / 60.0)) % 1440.0)
    minutes = np.empty(n_cells)
    for cell in range(0, n_cells, per_block):
        at = datetime.fromtimestamp(day.start_ms / 1000 + cell * CELL_S, UTC).astimezone(zone)
        block = minutes[cell : cell + per_block]
        block[:] = at.hour * 60 + at.minute + np.arange(len(block)) * (CELL_S / 60.0)
    return minutes


def _holds(band: TariffBand, day: LocalDay, minute: Array) -> NDArray[np.bool_]:
    if day.date.month not in band.months or day.date.weekday() not in band.days:
        return np.zeros(len(minute), bool)
    if band.from_minute < band.to_minute:
        return np.asarray((minute >= band.from_minute) & (minute < band.to_minute))
    return np.asarray((minute >= band.from_minute) | (minute < band.to_minute))


def savings(plant: PlantDay, bought: Purchase, heat: Figure) -> Saved:
    """What the baseline would have bought for the same hot water, less what was bought."""
    baseline, currency = plant.site.baseline, plant.site.prices.currency
    missing = heat.why if isnan(heat.value) else bought.total.why if isnan(bought.total.amount) else ""
    if missing:
        return Saved(unavailable("kWh", missing), unavailable(currency, missing), unavailable("kg", missing))
    efficiency = baseline.efficiency or BASELINE_EFFICIENCY[baseline.kind]
    stated = "stated" if baseline.efficiency else "usual"
    why = f"Against a baseline of {baseline.kind} with the {stated} efficiency of {efficiency:g}."
    coverage = min(heat.coverage, bought.total.covered)

    def figure(unit: str, before: float, after: float) -> Figure:
        # Both are proportional to a heat and to an energy; so are their doubts.
        of_heat = before / heat.value if heat.value else 0.0
        of_bought = after / bought.total.amount if bought.total.amount else 0.0
        doubt = combined([(of_heat, heat.doubt), (-of_bought, bought.total.doubt)])
        return Figure(before - after, unit, doubt.half_width, "estimated", coverage, why, doubt)

    money = _money(plant, bought, efficiency)
    co2 = _co2(plant, bought, heat.value / efficiency)
    return Saved(
        figure("kWh", heat.value / efficiency, kwh_from_j(bought.total.amount)),
        unavailable(currency, money) if isinstance(money, str) else figure(currency, *money),
        unavailable("kg", co2) if isinstance(co2, str) else figure("kg", *co2),
    )


def fuel_price(prices: Prices, fuel: str) -> float | None:
    """Price per kWh of fuel."""
    if fuel == "gas":
        return prices.gas_per_kwh
    per_litre = prices.propane_per_litre if fuel == "propane" else prices.oil_per_litre
    return None if per_litre is None else per_litre / _KWH_PER_LITRE[fuel]


def _money(plant: PlantDay, bought: Purchase, efficiency: float) -> tuple[float, float] | str:
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
    before = _baseline_cost(plant, price, efficiency)
    return before if isinstance(before, str) else (before, spent)


def _baseline_cost(plant: PlantDay, price: Array | None, efficiency: float) -> float | str:
    water, fuel = plant.hot_water, FUEL_OF_BASELINE.get(plant.site.baseline.kind)
    assert water is not None
    if fuel is None:
        assert price is not None
        # A storage heater buys when it reheats, soon after each draw.
        return sum_of_known(water.heat_w * price) * kwh_from_j(CELL_S) / efficiency
    per_kwh = fuel_price(plant.site.prices, fuel)
    if per_kwh is None:
        return f"The price of {fuel} is not stated."
    return kwh_from_j(water.heat.amount) / efficiency * per_kwh


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
