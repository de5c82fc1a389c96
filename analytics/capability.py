"""
What a site will and will not tell, judged from its site file alone: the figures of the ledger, one by one.

The verdicts are the bases that the ledger gives when every sensor works; the sentences are for a technician who
wonders what one more sensor would bring.
"""

from collections.abc import Iterator, Sequence

from analytics.capability_meters import (
    Capability,
    because,
    hot_water_heat,
    hot_water_volume,
    listed,
    loop_heat,
    made,
    metered,
    pump_electricity,
    stage_heat,
    worst,
)
from analytics.capability_money import purchased, saved
from analytics.figures import Basis
from analytics.site import HeatPump, HotWater, Loop, Site, Stage, Tank

__all__ = ["Capability", "capabilities"]


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
        *saved(site),
    ]


def _backwards(loop: Loop, subject: str) -> tuple[Basis, str]:
    has_flow = loop.flow is not None or (loop.assumed_flow_l_per_s is not None and loop.pump is not None)
    if loop.entering is None or loop.leaving is None or not has_flow:
        return "unavailable", (
            f"{subject} cannot be seen: a heat meter's counter does not count backwards. Temperatures entering and "
            "leaving and a flow point would show it."
        )
    return ("measured" if loop.flow is not None else "estimated"), f"{subject} is seen by temperatures and flow."


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
        how = f"{subject} cannot be told: {because(water)}"
        return Capability("delivered by origin", stage.id, "unavailable", how)
    if stage.tank is None and site.hot_water is not None and site.hot_water.heated is None:
        how = f'{subject} does not show: it heats in passing, and [hot_water] has no "heated" point after it.'
        return Capability("delivered by origin", stage.id, "unavailable", how)
    path = site.hot_water.tanks if site.hot_water is not None else ()
    bare = [tank for tank in path if not site.tanks[tank].temperatures]
    stand_in: list[Basis] = ["estimated"] if bare else []
    verdict = worst([water.verdict, *stand_in, *(stage_heat(site, other).verdict for other in site.stages.values())])
    how = f"{subject} will be {verdict} from the heat put in by all stages and the hot-water heat."
    if bare:
        how += f" No sensor stands in {listed(bare)}, so a usual store is assumed."
    return Capability("delivered by origin", stage.id, verdict, how)


def _hot_water(site: Site) -> Iterator[Capability]:
    if site.hot_water is not None:
        yield hot_water_volume(site)
        yield hot_water_heat(site)


def _fractions(site: Site) -> Iterator[Capability]:
    share, delivered = "backup fraction", "delivered backup fraction"
    backups = [stage for stage in site.stages.values() if stage.backup]
    if not site.stages:
        how = "The backup fraction cannot be told: the site file names no stages."
        yield from (Capability(figure, "site", "unavailable", how) for figure in (share, delivered))
        return
    if not backups:
        how = "The backup fraction will be 0 throughout: no stage is marked backup = true."
        yield from (Capability(figure, "site", verdict, how) for figure, verdict in _without_backup(site))
        return
    put_in = worst(stage_heat(site, stage).verdict for stage in site.stages.values())
    names = listed([f'"{stage.name}"' for stage in backups])
    how = f"The backup fraction will be {put_in}: the heat put in by {names} to that of all stages."
    yield Capability(share, "site", put_in, how)
    given = [_delivered(site, stage) for stage in backups]
    reasons = [because(one) for one in given if one.verdict == "unavailable"]
    if reasons:
        how = f"The backup's part in the hot-water heat cannot be told: {reasons[0]}"
        yield Capability(delivered, "site", "unavailable", how)
        return
    verdict = worst(one.verdict for one in given)
    how = f"The delivered backup fraction will be {verdict}: what {names} gave to the taps, to the hot-water heat."
    yield Capability(delivered, "site", verdict, how)


def _without_backup(site: Site) -> Iterator[tuple[str, Basis]]:
    yield "backup fraction", worst(stage_heat(site, stage).verdict for stage in site.stages.values())
    yield "delivered backup fraction", worst([hot_water_heat(site).verdict])


def _heat_pump(site: Site, pump: HeatPump) -> Iterator[Capability]:
    verdict, how = metered(site.loops[pump.source_loop], f"The source heat of {pump.id}")
    yield Capability("source heat", pump.id, verdict, how)
    heating, cooling = _heating(site, pump), _cooling(site, pump)
    yield from _mode(pump, "heating", heating[0], how=heating[1])
    yield from _mode(pump, "cooling", cooling[0], how=cooling[1])


def _mode(pump: HeatPump, mode: str, verdict: Basis, *, how: str) -> Iterator[Capability]:
    yield Capability(mode, pump.id, verdict, how)
    basis, useful = worst([verdict]), "heat" if mode == "heating" else mode
    if basis == "unavailable":
        yield Capability(f"COP in {mode}", pump.id, basis, f"The COP of {pump.id} in {mode} cannot be told without it.")
        return
    how = f"The COP of {pump.id} in {mode} will be {basis}: that {useful} to the electricity ({pump.power})."
    yield Capability(f"COP in {mode}", pump.id, basis, how)


def _heating(site: Site, pump: HeatPump) -> tuple[Basis, str]:
    subject = f"The heat of {pump.id} in heating"
    if pump.load_loop is not None:
        loops = [pump.load_loop, *([pump.desuperheater_loop] if pump.desuperheater_loop else [])]
        verdict = worst((loop_heat(site.loops[loop]).verdict for loop in loops), balance=False)
        return verdict, f"{subject} will be {verdict} as the heat of loop {listed(loops)}."
    verdict = worst([loop_heat(site.loops[pump.source_loop]).verdict])
    return verdict, (
        f"{subject} will be {verdict}: source heat (loop {pump.source_loop}) plus the compressor's electricity "
        f"({pump.power}). A load loop with a meter would make it measured."
    )


def _cooling(site: Site, pump: HeatPump) -> tuple[Basis, str]:
    subject = f"The useful cooling of {pump.id}"
    if _backwards(site.loops[pump.source_loop], "")[0] == "unavailable":
        return "unavailable", (
            f"{subject} cannot be told: the heat meter of loop {pump.source_loop} counts one way, so cooling looks "
            "like heating. Temperatures entering and leaving and a flow point there would tell them apart."
        )
    loops = [pump.source_loop, *([pump.desuperheater_loop] if pump.desuperheater_loop else [])]
    verdict = worst(loop_heat(site.loops[loop]).verdict for loop in loops)
    return verdict, f"{subject} will be {verdict}: heat to loop {listed(loops)} less the compressor's electricity."


def _tank(site: Site, tank: Tank) -> Iterator[Capability]:
    stored, loss = _stored_change(site, tank), _tank_loss(tank)
    yield stored
    yield loss
    yield _residual(site, tank, [stored, loss])


def _stored_change(site: Site, tank: Tank) -> Capability:
    """Heat that came into store or left it."""
    subject = f"The change of heat stored in {tank.id}"
    count = len(tank.temperatures)
    if count == 0:
        how = f"{subject} cannot be told: it has no temperature point. Two, near top and bottom, would do."
        return Capability("stored change", tank.id, "unavailable", how)
    if count == 1:
        how = f"{subject} will be estimated: one temperature ({tank.temperatures[0]}) stands for the whole tank."
        return Capability("stored change", tank.id, "estimated", f"{how} A second one would make it measured.")
    how = f"{subject} will be measured by {listed(tank.temperatures)}."
    if _is_followed(site, tank):
        how = f"{subject} will be derived: its layers are followed with what flows in and out, from the second day on."
        return Capability("stored change", tank.id, "derived", f"{how} They are held by {listed(tank.temperatures)}.")
    return Capability("stored change", tank.id, "measured", how)


def _is_followed(site: Site, tank: Tank) -> bool:
    """Whether what flows into a tank with several sensors, and out of it, will be known."""
    if site.hot_water is None or tank.id not in site.hot_water.tanks:
        return False
    flows = [
        hot_water_heat(site),
        *(stage_heat(site, stage) for stage in site.stages.values() if stage.tank == tank.id),
    ]
    return all(flow.verdict != "unavailable" for flow in flows)


def _tank_loss(tank: Tank) -> Capability:
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
    reasons = [because(part).rstrip(".") for part in parts if part.verdict == "unavailable"]
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
    if hot_water_volume(site).verdict == "unavailable":
        return [because(hot_water_volume(site)).rstrip(".")]
    place = list(water.tanks).index(tank.id)
    return [
        f"the temperature of the water leaving {water.tanks[n]} is not known"
        for n in ((place - 1, place) if place else (place,))
        if _leaving_point(site, water, n) is None
    ]


def _leaving_point(site: Site, water: HotWater, n: int) -> str | None:
    if n < len(water.between):
        return water.between[n]
    if n == len(water.tanks) - 1 and water.hot:
        return water.hot
    return next(iter(site.tanks[water.tanks[n]].temperatures), None)


def _electricity(site: Site) -> Iterator[Capability]:
    for heater in site.heaters.values():
        if heater.kind == "electric":
            verdict, how = made(heater, f"The electricity of heater {heater.id}")
            yield Capability("electricity of heaters", heater.id, verdict, how)
    for pump in site.heat_pumps.values():
        how = f"The electricity of heat pump {pump.id} will be measured by {pump.power}."
        yield Capability("electricity of heat pumps", pump.id, "measured", how)
    for loop in site.loops.values():
        yield pump_electricity(site, loop)
