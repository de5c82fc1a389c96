"""
Prices and factors: of electricity by the clock, of fuels by their heating value, and of what a baseline makes of them.
"""

from collections.abc import Mapping
from datetime import UTC, datetime
from math import nan
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from analytics.plant import CELL_S
from analytics.site import Prices, TariffBand
from analytics.trace import LocalDay

__all__ = [
    "BASELINE_EFFICIENCY",
    "BOILER_EFFICIENCY",
    "CO2_KG_PER_KWH",
    "FUEL_OF_BASELINE",
    "KWH_PER_LITRE",
    "electricity_price",
    "fuel_price",
    "times_of_prices",
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
FUEL_OF_BASELINE: Mapping[str, str] = {"gas-tank": "gas", "propane-tank": "propane", "oil-tank": "oil"}
# Higher heating values: EIA, energy-explained Btu page (91 452 Btu/gal propane, 138 500 Btu/gal No. 2 oil).
KWH_PER_LITRE: Mapping[str, float] = {"propane": 26.80 / 3.785411784, "oil": 40.59 / 3.785411784}
# kg CO2 per kWh (higher heating value): EIA, Carbon Dioxide Emissions Coefficients, 2016.
CO2_KG_PER_KWH: Mapping[str, float] = {"gas": 0.1811, "propane": 0.2152, "oil": 0.2496}
BOILER_EFFICIENCY = 0.85  # where a backup's fuel is not metered; common practice


def fuel_price(prices: Prices, fuel: str) -> float | None:
    """Price per kWh (higher heating value) of gas, propane or oil, None where the site file gives none."""
    if fuel == "gas":
        return prices.gas_per_kwh
    per_litre = prices.propane_per_litre if fuel == "propane" else prices.oil_per_litre
    return None if per_litre is None else per_litre / KWH_PER_LITRE[fuel]


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


def times_of_prices(price: Array, day: LocalDay) -> Mapping[float, str]:
    """When each price of a day held, by its clock: "00:00 to 07:00 and 21:00 to 24:00"."""
    clock = [f"{int(minute) // 60:02d}:{int(minute) % 60:02d}" for minute in _local_minutes(day, len(price))] + [
        "24:00"
    ]
    starts = np.flatnonzero(np.diff(price, prepend=nan))
    times: dict[float, list[str]] = {}
    for start, end in zip(starts, [*starts[1:], len(price)], strict=True):
        times.setdefault(float(price[start]), []).append(f"{clock[start]} to {clock[end]}")
    return {each: " and ".join(spans) for each, spans in times.items()}


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
