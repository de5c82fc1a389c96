"""What the money saved rests on, as sentences: baseline, standby, prices and factors, with the days when they held."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

from analytics.capability_money import energies
from analytics.prices import BASELINE_EFFICIENCY, BOILER_EFFICIENCY, CO2_KG_PER_KWH, KWH_PER_LITRE
from analytics.site import Site, TariffBand
from analytics.site_fields import DAYS, MONTHS
from dashboards.numbers import Display, display_of, show_day, show_money, show_number, show_percent, spoken

__all__ = ["Held", "baseline_name", "further_assumptions", "main_assumptions", "money_assumptions"]


@dataclass(frozen=True, slots=True)
class Held:
    """A version of a site's file, and the days first..last on which it held."""

    first: date
    last: date
    site: Site


def money_assumptions(held: Sequence[Held]) -> list[str]:
    """All of them, of the versions that held in turn; at least one."""
    return [*main_assumptions(held), *further_assumptions(held)]


def main_assumptions(held: Sequence[Held]) -> list[str]:
    """What the figure of money hangs on most: what it is compared with, and the prices."""
    return _over_time(held, (_baseline, _electricity, _fuels))


def further_assumptions(held: Sequence[Held]) -> list[str]:
    """Emissions, what counts as bought, and what does not."""
    return _over_time(held, (_standby, _co2, _heat_pump, _circulators, _boiler, _not_counted))


def _over_time(held: Sequence[Held], writers: Sequence[Callable[[Site, Display], str]]) -> list[str]:
    """Each sentence once; where it changed from version to version, with the days that it is true of."""
    told: list[str] = []
    for write in writers:
        runs: list[tuple[date, date, str]] = []
        for one in held:
            text = write(one.site, display_of(one.site))
            is_same = bool(runs) and runs[-1][2] == text
            runs = [*runs[:-1], (runs[-1][0], one.last, text)] if is_same else [*runs, (one.first, one.last, text)]
        display = display_of(held[-1].site)
        told += [
            text if len(runs) == 1 else f"{_span(run, display)}: {text}" for run in runs for text in [run[2]] if text
        ]
    return told


def _span(run: tuple[date, date, str], display: Display) -> str:
    first, last, _ = run
    if first == last:
        return show_day(first, display, year=True)
    return f"{show_day(first, display, year=first.year != last.year)} to {show_day(last, display, year=True)}"


def baseline_name(site: Site) -> str:
    """What would have made the hot water instead: "an electric tank heater"."""
    kind = f"{site.baseline.kind.replace('-', ' ')} heater"
    return f"{'an' if kind[0] in 'aeiou' else 'a'} {kind}"


def _baseline(site: Site, display: Display) -> str:
    stated = site.baseline.efficiency
    efficiency = stated or BASELINE_EFFICIENCY[site.baseline.kind]
    does = f"turns {show_percent(efficiency)} of what it buys into hot water"
    if efficiency > 1:
        does = f"makes {show_number(efficiency, 1)} kWh of hot water from each kWh that it buys"
    origin = (
        "as is set for this house" if stated else "a value usual in the United States, since none is set for this house"
    )
    return f"Compared with {baseline_name(site)} that makes the same hot water and {does}, {origin}."


def _standby(site: Site, display: Display) -> str:
    if site.baseline.standby_w:
        watts = show_number(site.baseline.standby_w)
        return f"That heater's tank would lose {watts} W around the clock, as is set for this house; that is counted."
    if site.baseline.efficiency is None:
        return "What that heater's tank would lose while standing is part of the usual value; nothing is added for it."
    return "Nothing is added for what that heater's tank would lose while standing."


def _electricity(site: Site, display: Display) -> str:
    rate = site.prices.electricity_per_kwh
    if "electric" not in energies(site):
        return ""
    if rate is None:
        return "No price of electricity is set for this house."
    if isinstance(rate, int | float):
        return f"Electricity at {show_money(rate, display)} per kWh."
    bands = "; ".join(_band(band, display, is_last=0 < n == len(rate) - 1) for n, band in enumerate(rate))
    return f"Electricity per kWh at its price of the hour: {bands}."


def _band(band: TariffBand, display: Display, *, is_last: bool) -> str:
    """Price and times of a band; the first band that fits holds, so that the last one is for what is left."""
    whole = band.from_minute == 0 and band.to_minute == 1440
    parts = [] if whole else [f"from {_clock(band.from_minute)} to {_clock(band.to_minute)}"]
    parts += [_in_turn(DAYS, band.days)] if len(band.days) < 7 else []
    parts += [_in_turn(MONTHS, [month - 1 for month in band.months])] if len(band.months) < 12 else []
    return f"{show_money(band.per_kwh, display)} {', '.join(parts) or ('at all other times' if is_last else 'always')}"


def _in_turn(names: Sequence[str], places: Sequence[int]) -> str:
    """ "Monday to Friday" for places that follow one another, else each by its name."""
    found = sorted(places)
    if len(found) > 2 and found[-1] - found[0] == len(found) - 1:
        return f"{names[found[0]]} to {names[found[-1]]}"
    return spoken([names[place] for place in found])


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


def _fuels(site: Site, display: Display) -> str:
    prices, told = site.prices, []
    for fuel in sorted(energies(site) - {"electric"}):
        per = prices.gas_per_kwh if fuel == "gas" else getattr(prices, f"{fuel}_per_litre")
        if per is None:
            told.append(f"No price of {fuel} is set for this house.")
        elif fuel == "gas":
            told.append(f"Gas at {show_money(per, display)} per kWh.")
        else:
            holds = f"which holds {show_number(KWH_PER_LITRE[fuel], 2)} kWh (higher heating value, EIA)"
            told.append(f"{fuel.capitalize()} at {show_money(per, display)} per litre, {holds}.")
    return " ".join(told)


def _co2(site: Site, display: Display) -> str:
    kinds, factor = energies(site), site.prices.electricity_co2_kg_per_kwh
    if "electric" in kinds and factor is None:
        return "How much CO₂ a kWh of electricity stands for is not set for this house."
    told = [f"{factor:g} kg per kWh of electricity, as is set for this house"] if "electric" in kinds else []
    told += [f"{CO2_KG_PER_KWH[fuel]:.3f} kg per kWh of {fuel} (EIA, 2016)" for fuel in sorted(kinds - {"electric"})]
    return f"CO₂ at {spoken(told)}."


def _heat_pump(site: Site, display: Display) -> str:
    if not site.heat_pumps:
        return ""
    return (
        "Of the heat pump's electricity, the part counts as bought that its heat for the hot water took in heating "
        "(that heat ÷ COP); in cooling that heat is left over, and nothing counts."
    )


def _circulators(site: Site, display: Display) -> str:
    return "The electricity of every circulator counts as bought for the hot water." if site.loops else ""


def _boiler(site: Site, display: Display) -> str:
    staged = {stage.heater for stage in site.stages.values()}
    has_meter = any(heater.id not in staged for heater in site.heaters.values())
    if has_meter or not any(stage.backup and stage.loop for stage in site.stages.values()):
        return ""
    return f"The backup's fuel is not metered; {show_percent(BOILER_EFFICIENCY)} of it is taken to become heat."


def _not_counted(site: Site, display: Display) -> str:
    return "Not counted: what the system cost, its upkeep, and standing charges."
