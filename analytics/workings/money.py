"""Bought and saved in numbers: the parts of what was bought, the baseline, and each at its price or emission factor."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.courses import unknown_as_none
from analytics.figures import DayLedger
from analytics.money import purchase
from analytics.plant import CELL_S, HeatPumpDay, PlantDay
from analytics.prices import (
    BASELINE_EFFICIENCY,
    BOILER_EFFICIENCY,
    CO2_KG_PER_KWH,
    FUEL_OF_BASELINE,
    electricity_price,
    fuel_price,
    times_of_prices,
)
from analytics.site import Stage
from analytics.units import kwh_from_j
from analytics.workings.heat_pumps import runs_of
from analytics.workings.inputs import Part, heater_part, pump_part, sum_working
from analytics.workings.written import Number, Step, Working, added, amount, exact, kwh, multiplied

__all__ = ["purchased_working", "saved_working"]

Array = NDArray[np.float64]

_KWH_PER_W_CELL = CELL_S / 3.6e6


def purchased_working(plant: PlantDay, path: str) -> Working:
    """Backup input + circulators + the heat pump's electricity that the hot water caused."""
    parts = [part for stage in plant.site.stages.values() for part in _bought_by(plant, stage)]
    missing = []
    for loop in plant.site.loops.values():
        part = pump_part(plant, loop)
        if part is None:
            missing.append(f"The pump of loop {loop.id} is left out: its power is not known.")
        else:
            parts.append(part)
    parts += [part for pump in plant.heat_pumps.values() for part in _caused(plant, pump)]
    found = sum_working(path, parts, none="part", what="Energy bought")
    return Working(path, found.inputs, (), found.steps, [*found.remarks, *missing])


def _bought_by(plant: PlantDay, stage: Stage) -> list[Part]:
    """What a stage buys: its heater's input, or its boiler's fuel."""
    if stage.heater:
        return [heater_part(plant, plant.site.heaters[stage.heater], what=f"Input of {stage.id}")]
    if not stage.backup:
        return []
    staged = {each.heater for each in plant.site.stages.values()}
    boilers = [heater for heater in plant.site.heaters.values() if heater.id not in staged]
    if boilers:
        return [heater_part(plant, boiler, what=f"Input of {boiler.id}") for boiler in boilers]
    heat_j = plant.loops[stage.loop or ""].heat.amount
    heat = kwh(kwh_from_j(heat_j), name=f"Heat put in by {stage.id}", source=f"stages.{stage.id}.heat")
    efficiency = exact(
        BOILER_EFFICIENCY, "1", name="Efficiency of the boiler", source="assumed: its fuel is not metered"
    )
    fuel = kwh(kwh_from_j(heat_j / BOILER_EFFICIENCY), name=f"Fuel of {stage.id}")
    return [Part([heat, efficiency], [Step(fuel.name, multiplied([heat], [efficiency]), fuel)], fuel, [])]


def _caused(plant: PlantDay, pump: HeatPumpDay) -> list[Part]:
    """The heat pump's electricity that heat for the hot water caused: that heat in heating ÷ COP."""
    name = f"Electricity of {pump.heat_pump} that the hot water caused"
    caused = kwh(kwh_from_j(pump.caused_elec.amount), name=name)
    if pump.caused_elec.amount == 0.0:
        return [
            Part([], [Step(name, "0.000 kWh", caused)], caused, ["It gave no heat to the hot water while heating."])
        ]
    heats = _given(plant, pump)
    given = kwh(sum(number.value for number in heats))
    steps = [Step("Heat for the hot water", added([(1.0, n) for n in heats]), given)] if len(heats) > 1 else []
    if np.isnan(pump.heating_cop.amount):
        steps.append(Step(name, caused.text, caused))
        return [Part(heats, steps, caused, ["The run was too short for a COP; all that the compressor used counts."])]
    cop = amount(pump.heating_cop.amount, "1", name="COP in heating", source=f"heat_pumps.{pump.heat_pump}.heating.cop")
    steps.append(Step(name, multiplied([given], [cop]), caused))
    return [Part([*heats, cop], steps, caused, [])]


def _given(plant: PlantDay, pump: HeatPumpDay) -> list[Number]:
    """Heat of its loops that are stages, while it heats."""
    described, runs = plant.site.heat_pumps[pump.heat_pump], runs_of(plant, pump, heating=True)
    staged = {stage.loop: stage.id for stage in plant.site.stages.values()}
    loops = [loop for loop in (described.desuperheater_loop, described.load_loop) if loop and loop in staged]
    return [
        kwh(
            float(np.maximum(np.nan_to_num(plant.loops[loop].heat_w[runs.cells]), 0.0).sum()) * _KWH_PER_W_CELL,
            name=f"Heat of loop {loop} to the tank while it heats",
            source=f"stages.{staged[loop]}.heat, as far as it falls into heating",
        )
        for loop in loops
    ]


@dataclass(frozen=True, slots=True)
class _Priced:
    """Energy with the price or factor that each kWh of it has."""

    energy: Number
    each: Number


def saved_working(plant: PlantDay, ledger: DayLedger, path: str) -> Working:
    """What the baseline would have bought, less what was bought: in energy, money or CO2."""
    inputs, steps, instead = _instead(plant, ledger)
    if path == "saved.energy":
        bought = kwh(ledger.purchased.value, name="Energy bought", source="purchased")
        saved = kwh(ledger.saved.energy.value)
        return Working(
            path, [*inputs, bought], (), [*steps, Step("Saved", added([(1.0, instead), (-1.0, bought)]), saved)]
        )
    is_money = path == "saved.money"
    before = (
        _baseline_by_price(plant, instead, ledger)
        if is_money
        else [_Priced(instead, _factor(plant, _baseline_kind(plant)))]
    )
    after = _bought_by_price(plant) if is_money else _bought_by_factor(plant)
    unit = ledger.saved.money.unit if is_money else "kg"
    totals = [_total(priced, unit, what) for priced, what in ((before, "The baseline"), (after, "What was bought"))]
    value = ledger.saved.money.value if is_money else ledger.saved.co2.value
    saved = amount(value, unit, digits=4)
    every = [number for one in (*before, *after) for number in (one.energy, one.each) if number.name]
    priced = list({(number.name, number.text): number for number in every}.values())
    terms = [(1.0, totals[0].result), (-1.0, totals[1].result)]
    steps = [*steps, *totals, Step("Saved", added(terms), saved)]
    return Working(path, [*inputs, *priced], (), steps)


def _total(priced: Sequence[_Priced], unit: str, what: str) -> Step:
    text = " + ".join(multiplied([one.energy, one.each]) for one in priced) or f"0.0000 {unit}"
    return Step(what, text, Number(sum(one.energy.value * one.each.value for one in priced), 4, unit))


def _baseline_kind(plant: PlantDay) -> str:
    return FUEL_OF_BASELINE.get(plant.site.baseline.kind, "electric")


def _instead(plant: PlantDay, ledger: DayLedger) -> tuple[list[Number], list[Step], Number]:
    """What the baseline would have bought: heat ÷ efficiency, and what its tank would have lost besides."""
    baseline = plant.site.baseline
    stated = f"site file, baseline {baseline.kind}" if baseline.efficiency else f"usual for {baseline.kind}"
    heat = kwh(ledger.hot_water.heat.value, name="Heat in hot water", source="hot_water.heat")
    value = baseline.efficiency or BASELINE_EFFICIENCY[baseline.kind]
    efficiency = exact(value, "1", name="Efficiency of the baseline", source=stated)
    drawn = kwh(heat.value / value)
    step = Step("The baseline would have bought", multiplied([heat], [efficiency]), drawn)
    if not baseline.standby_w:
        return [heat, efficiency], [step], drawn
    lost_w = exact(baseline.standby_w, "W", name="Standby loss of the baseline", source="site file, baseline")
    hours = amount(ledger.saved.energy.coverage * plant.until_s / 3600.0, "h", name="Time covered", source="coverage")
    standby = kwh(_standby_kwh(plant, ledger))
    thousand = exact(1000.0, "W/kW")
    whole = kwh(drawn.value + standby.value)
    steps = [
        Step("Its standby would have bought", multiplied([lost_w, hours], [thousand, efficiency]), standby),
        Step("With its standby", added([(1.0, drawn), (1.0, standby)]), whole),
    ]
    return [heat, efficiency, lost_w, hours], [step, *steps], whole


def _standby_kwh(plant: PlantDay, ledger: DayLedger) -> float:
    baseline = plant.site.baseline
    efficiency = baseline.efficiency or BASELINE_EFFICIENCY[baseline.kind]
    return kwh_from_j((baseline.standby_w or 0.0) * ledger.saved.energy.coverage * plant.until_s) / efficiency


def _by_price(course_kwh: Array, price: Array) -> dict[float, float]:
    """Energy by price."""
    return {float(each): float(course_kwh[price == each].sum()) for each in np.unique(price[~np.isnan(price)])}


def _price_number(price: float, currency: str, *, times: str) -> Number:
    return exact(price, f"{currency}/kWh", name="Price of electricity", source=f"site file, prices{times}")


def _priced(plant: PlantDay, course_kwh: Array, price_of: Array, *, name: str, source: str) -> list[_Priced]:
    currency, times = plant.site.prices.currency, times_of_prices(price_of, plant.day)
    found = []
    for price, value in _by_price(course_kwh, price_of).items():
        if abs(value) >= 5e-7:
            when = f" at {price:g} {currency}/kWh" if len(times) > 1 else ""
            number = Number(value, 4, "kWh", f"{name}{when}", source)
            held = f", {times[price]}" if len(times) > 1 else ""
            found.append(_Priced(number, _price_number(price, currency, times=held)))
    return found


def _baseline_by_price(plant: PlantDay, instead: Number, ledger: DayLedger) -> list[_Priced]:
    kind = _baseline_kind(plant)
    if kind != "electric":
        return [_Priced(instead, _fuel_number(plant, kind))]
    price_of = electricity_price(plant.site.prices, plant.day)
    assert price_of is not None
    assert plant.hot_water is not None
    heat_w = unknown_as_none(plant.hot_water.heat_w)
    drawn, standby = ledger.hot_water.heat.value, _standby_kwh(plant, ledger)
    scale = (instead.value - standby) / drawn if drawn else 0.0
    course_kwh = heat_w * _KWH_PER_W_CELL * scale + standby / len(heat_w)
    return _priced(
        plant,
        course_kwh,
        price_of,
        name="The baseline, as the water was drawn" + (" and its standby around the clock" if standby else ""),
        source="hot_water.heat ÷ efficiency, by price",
    )


def _bought_by_price(plant: PlantDay) -> list[_Priced]:
    bought = purchase(plant)
    price = electricity_price(plant.site.prices, plant.day)
    found = (
        []
        if price is None
        else _priced(
            plant,
            bought.elec_w * _KWH_PER_W_CELL,
            price,
            name="Bought",
            source="purchased, electricity by price",
        )
    )
    for fuel, joule in bought.fuel_j.items():
        number = Number(kwh_from_j(joule), 4, "kWh", f"Bought, {fuel}", "purchased")
        found.append(_Priced(number, _fuel_number(plant, fuel)))
    return found


def _fuel_number(plant: PlantDay, fuel: str) -> Number:
    """What a kWh of fuel costs; of one that is sold by the litre, by its heating value."""
    prices, each = plant.site.prices, fuel_price(plant.site.prices, fuel) or 0.0
    per_litre = {"propane": prices.propane_per_litre, "oil": prices.oil_per_litre}.get(fuel)
    source = "site file, prices"
    if per_litre and each:
        source = f"{source}: {per_litre:g} {prices.currency}/l ÷ {per_litre / each:.4f} kWh/l (higher heating value)"
    return amount(each, f"{prices.currency}/kWh", digits=6, name=f"Price of {fuel}", source=source)


def _factor(plant: PlantDay, kind: str) -> Number:
    stated = plant.site.prices.electricity_co2_kg_per_kwh
    value, source = (stated or 0.0, "site file, prices") if kind == "electric" else (CO2_KG_PER_KWH[kind], "EIA, 2016")
    name = "electricity" if kind == "electric" else kind
    return exact(value, "kg/kWh", name=f"CO₂ of {name}", source=source)


def _bought_by_factor(plant: PlantDay) -> list[_Priced]:
    bought = purchase(plant)
    found = [
        _Priced(Number(kwh_from_j(joule), 4, "kWh", f"Bought, {fuel}", "purchased"), _factor(plant, fuel))
        for fuel, joule in bought.fuel_j.items()
    ]
    electric = float(bought.elec_w.sum()) * _KWH_PER_W_CELL
    if electric:
        number = Number(electric, 4, "kWh", "Bought, electricity", "purchased")
        found.insert(0, _Priced(number, _factor(plant, "electric")))
    return found
