"""
What a site will and will not tell, judged from its site file alone: the figures of the ledger, one by one.

The verdicts are the bases that the ledger gives when every sensor works; the sentences are for a technician who
wonders what one more sensor would bring.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from analytics.figures import Basis
from analytics.site import Heater, HeatPump, HotWater, Loop, Site, Stage, Tank

__all__ = ["Capability", "capabilities", "worst"]

_RANK: Sequence[Basis] = ("measured", "derived", "estimated", "unavailable")


@dataclass(frozen=True, slots=True)
class Capability:
    """
    What will become of one figure.

    Args:
        figure: Its name in the contract, such as "stage heat".
        component: The id of the part of the site, or "site".
        verdict: The best basis that it can have.
        sentence: How it will be had, or what is missing.
    """

    figure: str
    component: str
    verdict: Basis
    sentence: str


def capabilities(site: Site) -> list[Capability]:
    """Every figure of every part of the site, in the order of the ledger."""
    return [
        *(loop_heat(loop) for loop in site.loops.values()),
        *(found for stage in site.stages.values() for found in _stage(site, stage)),
        *_hot_water(site),
        *_fractions(site),
        *(found for pump in site.heat_pumps.values() for found in _heat_pump(site, pump)),
        *(found for tank in site.tanks.values() for found in _tank(site, tank)),
        *_electricity(site),
        purchased(site),
        *_saved(site),
    ]


def worst(parts: Iterable[Basis], *, balance: bool = True) -> Basis:
    """The basis of a figure made of others; a balance of measured ones is derived."""
    return _RANK[max([int(balance), *(_RANK.index(part) for part in parts)])]


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def loop_heat(loop: Loop) -> Capability:
    """The heat rate of a loop."""
    verdict, how = _metered(loop, f"The heat of loop {loop.id}")
    return Capability("loop heat rate", loop.id, verdict, how)


def _metered(loop: Loop, subject: str) -> tuple[Basis, str]:
    if loop.energy is not None:
        return "measured", f"{subject} will be measured by a heat meter ({loop.energy})."
    if loop.flow is not None:
        by = f"flow ({loop.flow}) and the temperatures entering ({loop.entering}) and leaving ({loop.leaving})"
        return "measured", f"{subject} will be measured by {by}."
    return "estimated", (
        f"{subject} will be estimated: there is no flow meter, so {loop.assumed_flow_l_per_s:g} l/s is assumed while "
        f"its pump ({loop.pump}) runs. A flow meter in the loop would make it measured."
    )


def _backwards(loop: Loop, subject: str) -> tuple[Basis, str]:
    has_flow = loop.flow is not None or (loop.assumed_flow_l_per_s is not None and loop.pump is not None)
    if loop.entering is None or loop.leaving is None or not has_flow:
        return "unavailable", (
            f"{subject} cannot be seen: a heat meter's counter does not count backwards. Temperatures entering and "
            "leaving and a flow point would show it."
        )
    return ("measured" if loop.flow is not None else "estimated"), f"{subject} is seen by temperatures and flow."


def stage_heat(site: Site, stage: Stage) -> Capability:
    """The heat that a stage puts in."""
    subject = f'The heat of "{stage.name}"'
    if stage.loop is not None:
        verdict, how = _metered(site.loops[stage.loop], subject)
    else:
        verdict, how = _made(site.heaters[stage.heater or ""], subject)
    return Capability("stage heat", stage.id, verdict, how)


def _made(heater: Heater, subject: str) -> tuple[Basis, str]:
    if heater.power is None:
        return "estimated", (
            f"{subject} will be estimated: {heater.rated_w:g} W is assumed while {heater.status} is on. A power meter "
            "would make it measured."
        )
    if heater.kind != "electric":
        return "measured", (
            f"{subject} will be its metered input ({heater.power}) times its stated efficiency of "
            f"{heater.efficiency:g}, which is only as good as that efficiency. A heat meter would show the heat itself."
        )
    return "measured", f"{subject} will be measured by its electric power ({heater.power})."


def _stage(site: Site, stage: Stage) -> Iterator[Capability]:
    yield stage_heat(site, stage)
    if stage.loop is not None:
        verdict, how = _backwards(site.loops[stage.loop], f'Heat flowing back through "{stage.name}"')
        yield Capability("reverse heat", stage.id, verdict, how)
    yield _delivered(site, stage)


def _delivered(site: Site, stage: Stage) -> Capability:
    water = hot_water_heat(site)
    subject = f'What "{stage.name}" gave to the taps'
    if water.verdict == "unavailable":
        return Capability(
            "delivered by origin", stage.id, "unavailable", f"{subject} cannot be told: {_because(water)}"
        )
    verdict = worst([water.verdict, *(stage_heat(site, other).verdict for other in site.stages.values())])
    how = f"{subject} will be {verdict} from the heat put in by all stages and the hot-water heat."
    return Capability("delivered by origin", stage.id, verdict, how)


def _because(found: Capability) -> str:
    """The reason inside another figure's sentence."""
    return found.sentence.split(": ", 1)[-1]


def outlet(water: HotWater) -> str | None:
    """The point at which the hot-water heat is taken."""
    if water.flow_at == "mixed":
        return water.mixed
    return water.heated or water.hot or water.mixed


def _hot_water(site: Site) -> Iterator[Capability]:
    if site.hot_water is not None:
        yield hot_water_volume(site)
        yield hot_water_heat(site)


def hot_water_volume(site: Site) -> Capability:
    """The volume drawn."""
    water = site.hot_water
    meter = (water.volume or water.flow) if water is not None else None
    if meter is None:
        how = "The volume drawn cannot be told: there is no flow or volume point in [hot_water]."
        return Capability("hot-water volume", "hot_water", "unavailable", how)
    return Capability("hot-water volume", "hot_water", "measured", f"The volume drawn will be measured by {meter}.")


def hot_water_heat(site: Site) -> Capability:
    """The heat that the taps took."""
    water = site.hot_water or HotWater()
    missing = ["a flow or volume point"] if water.flow is None and water.volume is None else []
    missing += ["the cold water's temperature (cold)"] if water.cold is None else []
    missing += ["the temperature after the last tank (hot)"] if outlet(water) is None else []
    if missing:
        how = f"The hot-water heat cannot be told: [hot_water] has no {' and no '.join(missing)}."
        return Capability("hot-water heat", "hot_water", "unavailable", how)
    how = (
        f"The hot-water heat will be measured by {water.volume or water.flow} and the temperatures {water.cold} and "
        f"{outlet(water)}."
    )
    if outlet(water) == water.mixed:
        how += " It is taken at the mixing valve, so what the pipe before it loses is not in it."
    return Capability("hot-water heat", "hot_water", "measured", how)


def _fractions(site: Site) -> Iterator[Capability]:
    if not site.stages:
        return
    put_in = [stage_heat(site, stage).verdict for stage in site.stages.values()]
    backups = [f'"{stage.name}"' for stage in site.stages.values() if stage.backup]
    share = f"the share of {_listed(backups)}" if backups else "always 0, for no stage is marked as backup: its share"
    yield Capability(
        "backup fraction",
        "site",
        worst(put_in),
        f"The backup fraction will be {share} in the heat put in by all stages.",
    )
    water = hot_water_heat(site)
    if water.verdict == "unavailable":
        how = f"The backup's share in the hot-water heat cannot be told: {_because(water)}"
        yield Capability("delivered backup fraction", "site", "unavailable", how)
        return
    how = f"The delivered backup fraction will be {share} in the hot-water heat."
    yield Capability("delivered backup fraction", "site", worst([*put_in, water.verdict]), how)


def _heat_pump(site: Site, pump: HeatPump) -> Iterator[Capability]:
    source = loop_heat(site.loops[pump.source_loop])
    yield Capability("source heat", pump.id, source.verdict, source.sentence)
    verdict, how = _heating(site, pump)
    yield Capability("heating", pump.id, verdict, how)
    yield Capability("COP in heating", pump.id, verdict, f"COP in heating is that heat by {pump.power}.")
    others = [pump.source_loop, *([pump.desuperheater_loop] if pump.desuperheater_loop else [])]
    cooling = worst(loop_heat(site.loops[loop]).verdict for loop in others)
    how = f"Useful cooling will be {cooling}: heat given to loop {_listed(others)} less the compressor's electricity."
    yield Capability("cooling", pump.id, cooling, how)
    yield Capability("COP in cooling", pump.id, cooling, f"COP in cooling is that cooling by {pump.power}.")


def _heating(site: Site, pump: HeatPump) -> tuple[Basis, str]:
    subject = f"The heat of {pump.id} in heating"
    if pump.load_loop is not None:
        loops = [pump.load_loop, *([pump.desuperheater_loop] if pump.desuperheater_loop else [])]
        verdict = worst((loop_heat(site.loops[loop]).verdict for loop in loops), balance=len(loops) > 1)
        return verdict, f"{subject} will be {verdict} from loop {_listed(loops)}."
    verdict = worst([loop_heat(site.loops[pump.source_loop]).verdict])
    return verdict, (
        f"{subject} will be {verdict}: source heat (loop {pump.source_loop}) plus the compressor's electricity "
        f"({pump.power}). A load loop with a meter would make it measured."
    )


def _tank(site: Site, tank: Tank) -> Iterator[Capability]:
    stored, loss = stored_change(tank), tank_loss(tank)
    yield stored
    yield loss
    yield _residual(site, tank, [stored, loss])


def stored_change(tank: Tank) -> Capability:
    """Heat that came into store or left it."""
    subject = f"The change of heat stored in {tank.id}"
    count = len(tank.temperatures)
    if count == 0:
        how = f"{subject} cannot be told: it has no temperature point. Two, near top and bottom, would do."
        return Capability("stored change", tank.id, "unavailable", how)
    if count == 1:
        how = f"{subject} will be estimated: one temperature ({tank.temperatures[0]}) stands for the whole tank."
        return Capability("stored change", tank.id, "estimated", f"{how} A second one would make it measured.")
    how = f"{subject} will be measured by {_listed(tank.temperatures)}."
    return Capability("stored change", tank.id, "measured", how)


def tank_loss(tank: Tank) -> Capability:
    """Heat lost through the tank's insulation."""
    subject = f"The standby loss of {tank.id}"
    missing = [] if tank.ua_w_per_k is not None else ["ua_w_per_k is not given"]
    missing += [] if tank.temperatures else ["it has no temperature point"]
    if missing:
        return Capability("tank loss", tank.id, "unavailable", f"{subject} cannot be told: {' and '.join(missing)}.")
    around = tank.ambient if isinstance(tank.ambient, str) else f"{tank.ambient:g} degC"
    how = f"{subject} will be estimated with {tank.ua_w_per_k:g} W/K from its mean temperature to {around}."
    return Capability("tank loss", tank.id, "estimated", how)


def _residual(site: Site, tank: Tank, own: Sequence[Capability]) -> Capability:
    parts = [*own, *(stage_heat(site, stage) for stage in site.stages.values() if stage.tank == tank.id)]
    subject = f"The residual of {tank.id}"
    passing = _water_through(site, tank)
    reasons = [_because(part).rstrip(".") for part in parts if part.verdict == "unavailable"]
    if reasons or passing:
        how = f"{subject} cannot be told: {'; '.join(dict.fromkeys([*reasons, *passing]))}."
        return Capability("residual", tank.id, "unavailable", how)
    verdict = worst(part.verdict for part in parts)
    how = f"{subject} will be {verdict}: what the balance of heat in, heat out, stored change and loss leaves over."
    return Capability("residual", tank.id, verdict, how)


def _water_through(site: Site, tank: Tank) -> list[str]:
    """What is missing to know the heat that the hot water takes from a tank."""
    water = site.hot_water
    if water is None or tank.id not in water.tanks:
        return []
    if hot_water_volume(site).verdict == "unavailable" or water.cold is None:
        return [_because(hot_water_heat(site)).rstrip(".")]
    place = list(water.tanks).index(tank.id)
    leaving = [place - 1, place] if place > 0 else [place]
    return [
        f"the temperature of the water leaving {water.tanks[n]} is not measured (between, hot)"
        for n in leaving
        if _leaving_point(water, n) is None
    ]


def _leaving_point(water: HotWater, n: int) -> str | None:
    if n < len(water.between):
        return water.between[n]
    return water.hot if n == len(water.tanks) - 1 else None


def _electricity(site: Site) -> Iterator[Capability]:
    for heater in site.heaters.values():
        if heater.kind == "electric":
            verdict, how = _made(heater, f"The electricity of heater {heater.id}")
            yield Capability("electricity of heaters", heater.id, verdict, how)
    for pump in site.heat_pumps.values():
        how = f"The electricity of heat pump {pump.id} will be measured by {pump.power}."
        yield Capability("electricity of heat pumps", pump.id, "measured", how)
    for loop in site.loops.values():
        yield pump_electricity(site, loop)


def pump_electricity(site: Site, loop: Loop) -> Capability:
    """What a loop's circulator takes."""
    subject, figure = f"The electricity of the pump of loop {loop.id}", "electricity of pumps"
    if loop.pump is None:
        how = f"{subject} is not counted: no pump point is named."
        return Capability(figure, loop.id, "unavailable", how)
    if site.points[loop.pump].quantity == "power":
        return Capability(figure, loop.id, "measured", f"{subject} will be measured by {loop.pump}.")
    if loop.pump_power_w is None:
        how = f"{subject} is not counted: {loop.pump} says when it runs, and pump_power_w is missing."
        return Capability(figure, loop.id, "unavailable", how)
    how = f"{subject} will be estimated: {loop.pump_power_w:g} W while {loop.pump} is on."
    return Capability(figure, loop.id, "estimated", how)


def purchased(site: Site) -> Capability:
    """The energy bought for hot water."""
    backups = [stage for stage in site.stages.values() if stage.backup]
    parts = [stage_heat(site, stage).verdict for stage in backups]
    parts += [found.verdict for found in (pump_electricity(site, loop) for loop in site.loops.values())]
    known = [part for part in parts if part != "unavailable"]
    verdict = worst(known)
    names = [f'"{stage.name}"' for stage in backups] + ["the pumps", "the heat pump's share"][
        : 1 + bool(site.heat_pumps)
    ]
    how = f"The energy bought for hot water will be {verdict} from {_listed(names)}."
    return Capability("purchased energy", "site", verdict, how)


_BASELINE_PRICE = {
    "electric-tank": "electricity_per_kwh",
    "heat-pump-tank": "electricity_per_kwh",
    "gas-tank": "gas_per_kwh",
    "propane-tank": "propane_per_litre",
    "oil-tank": "oil_per_litre",
}
_HEATER_PRICE = {
    "electric": "electricity_per_kwh",
    "gas": "gas_per_kwh",
    "propane": "propane_per_litre",
    "oil": "oil_per_litre",
}


def missing_prices(site: Site) -> list[str]:
    """The prices that the saved money needs and the site file does not have."""
    needed = {"electricity_per_kwh", _BASELINE_PRICE[site.baseline.kind]}
    used = [stage.heater for stage in site.stages.values() if stage.backup and stage.heater]
    needed |= {_HEATER_PRICE[site.heaters[heater].kind] for heater in used}
    return sorted(name for name in needed if getattr(site.prices, name) is None)


def _saved(site: Site) -> Iterator[Capability]:
    water = hot_water_heat(site)
    if water.verdict == "unavailable":
        how = f"What was saved cannot be told: {_because(water)}"
        yield from (Capability(f"saved {what}", "site", "unavailable", how) for what in ("energy", "money", "CO2"))
        return
    versus = f"against {site.baseline.kind} for the same hot water, which is a supposition"
    yield Capability("saved energy", "site", "estimated", f"Saved energy will be estimated {versus}.")
    missing = missing_prices(site)
    if missing:
        how = f"Saved money cannot be told: [prices] has no {' and no '.join(missing)}."
        yield Capability("saved money", "site", "unavailable", how)
    else:
        yield Capability("saved money", "site", "estimated", f"Saved money will be estimated {versus}.")
    if site.prices.electricity_co2_kg_per_kwh is None:
        how = "Saved CO2 cannot be told: [prices] has no electricity_co2_kg_per_kwh."
        yield Capability("saved CO2", "site", "unavailable", how)
    else:
        yield Capability("saved CO2", "site", "estimated", f"Saved CO2 will be estimated {versus}.")
