"""What a site will tell of energy bought and saved, judged from its site file alone."""

from collections.abc import Iterator, Sequence

from analytics.capability_meters import (
    Capability,
    because,
    hot_water_heat,
    listed,
    made,
    pump_electricity,
    stage_heat,
    worst,
)
from analytics.figures import Basis
from analytics.site import Heater, Site, Stage

__all__ = ["energies", "missing_prices", "purchased", "saved"]


def purchased(site: Site) -> Capability:
    """The energy bought for hot water: input of heaters, boiler fuel, circulators, the heat pump's share."""
    parts = [part for stage in site.stages.values() for part in _bought(site, stage)]
    pumps = {loop.id: pump_electricity(site, loop).verdict for loop in site.loops.values()}
    parts += [(f"the pump of loop {loop}", verdict) for loop, verdict in pumps.items() if verdict != "unavailable"]
    parts += [(f"the share of {pump}", "derived") for pump in site.heat_pumps]
    left_out = [loop for loop, verdict in pumps.items() if verdict == "unavailable"]
    verdict = worst([*(basis for _, basis in parts), *(("estimated",) if left_out else ())])
    how = "As far as the site file says, nothing is bought for hot water."
    if parts:
        how = f"The energy bought for hot water will be {verdict} from {listed([name for name, _ in parts])}."
    if guessed := [name for name, basis in parts if basis == "estimated"]:
        how += f" Estimated in it: {listed(guessed)}."
    if left_out:
        how += f" Not in it: the pump of loop {listed(left_out)}, whose power is not known."
    return Capability("purchased energy", "site", verdict, how)


def _bought(site: Site, stage: Stage) -> Iterator[tuple[str, Basis]]:
    if stage.heater is not None:
        yield f'"{stage.name}"', stage_heat(site, stage).verdict
    elif stage.backup:
        yield f'the fuel of "{stage.name}"', _boiler_fuel(site)


def _unstaged_heaters(site: Site) -> list[Heater]:
    """Heaters that are no stage: the boilers behind a backup that heats through a loop."""
    staged = {stage.heater for stage in site.stages.values()}
    return [heater for heater in site.heaters.values() if heater.id not in staged]


def _boiler_fuel(site: Site) -> Basis:
    """Fuel of a backup that heats through a loop: metered at a heater that is no stage, else by its efficiency."""
    boilers = _unstaged_heaters(site)
    return worst((made(boiler, "")[0] for boiler in boilers), balance=False) if boilers else "estimated"


_PRICES = {
    "electric": "electricity_per_kwh",
    "gas": "gas_per_kwh",
    "propane": "propane_per_litre",
    "oil": "oil_per_litre",
}
_BASELINE_FUEL = {"gas-tank": "gas", "propane-tank": "propane", "oil-tank": "oil"}


def energies(site: Site) -> set[str]:
    """The kinds of energy (electric, gas, propane, oil) that the site or its baseline buys for hot water."""
    kinds: set[str] = {site.heaters[stage.heater].kind for stage in site.stages.values() if stage.heater}
    kinds.add(_BASELINE_FUEL.get(site.baseline.kind, "electric"))
    through_loops = [stage for stage in site.stages.values() if stage.loop]
    pumps = [pump_electricity(site, loop).verdict for loop in site.loops.values()]
    if site.heat_pumps or any(verdict != "unavailable" for verdict in pumps):
        kinds.add("electric")
    if any(stage.backup for stage in through_loops):
        boilers = {heater.kind for heater in _unstaged_heaters(site)}
        kinds |= boilers or {_BASELINE_FUEL.get(site.baseline.kind, "gas")}
    return kinds


def missing_prices(site: Site) -> list[str]:
    """The prices that the saved money needs and the site file does not have."""
    return sorted(_PRICES[kind] for kind in energies(site) if getattr(site.prices, _PRICES[kind]) is None)


def saved(site: Site) -> Iterator[Capability]:
    water = hot_water_heat(site)
    if water.verdict == "unavailable":
        how = f"What was saved cannot be told: {because(water)}"
        yield from (Capability(f"saved {what}", "site", "unavailable", how) for what in ("energy", "money", "CO2"))
        return
    yield _saved_in(site, "energy", missing=[])
    yield _saved_in(site, "money", missing=missing_prices(site))
    has_factor = site.prices.electricity_co2_kg_per_kwh is not None or "electric" not in energies(site)
    yield _saved_in(site, "CO2", missing=[] if has_factor else ["electricity_co2_kg_per_kwh"])


def _saved_in(site: Site, what: str, *, missing: Sequence[str]) -> Capability:
    if missing:
        how = f"Saved {what} cannot be told: [prices] has no {' and no '.join(missing)}."
        return Capability(f"saved {what}", "site", "unavailable", how)
    how = f"Saved {what} will be estimated: {site.baseline.kind} for the same hot water is a supposition."
    return Capability(f"saved {what}", "site", "estimated", how)
