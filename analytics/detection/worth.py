"""What a kilowatt-hour is worth to the house, so that a finding can say what it costs."""

import numpy as np

from analytics import prices
from analytics.plant import PlantDay
from analytics.site import Site

__all__ = ["JOULES_PER_KWH", "electricity_price", "heat_price", "input_price"]

JOULES_PER_KWH = 3.6e6


def electricity_price(plant: PlantDay) -> float | None:
    """The day's mean price of electricity over its tariff bands; None where the site has none. [currency/kWh]"""
    price = prices.electricity_price(plant.site.prices, plant.day)
    return None if price is None or np.isnan(price).all() else float(np.nanmean(price))


def input_price(plant: PlantDay, kind: str) -> float | None:
    """Price of what a heater of a kind (electric, gas, propane, oil) takes in. [currency/kWh]"""
    return electricity_price(plant) if kind == "electric" else prices.fuel_price(plant.site.prices, kind)


def heat_price(plant: PlantDay) -> float | None:
    """
    What the house pays for a kilowatt-hour of heat that a stage failed to give: by its backup heater where it has
    one, else by its baseline. None where a price is lacking. [currency/kWh]
    """
    kind, efficiency = _replacement(plant.site)
    price = input_price(plant, kind)
    return None if price is None else price / efficiency


def _replacement(site: Site) -> tuple[str, float]:
    for stage in site.stages.values():
        if stage.backup and stage.heater:
            heater = site.heaters[stage.heater]
            return heater.kind, heater.efficiency
    baseline = site.baseline
    kind = prices.FUEL_OF_BASELINE.get(baseline.kind, "electric")
    return kind, baseline.efficiency or prices.BASELINE_EFFICIENCY[baseline.kind]
