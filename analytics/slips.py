"""
Plausible slips in a site file that is valid: things that may be meant, and more often are not.

A slip is a sentence for the person who wrote the file. It never keeps the file out.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from datetime import date
from itertools import pairwise

from analytics.odd_values import odd_values
from analytics.site import Site

__all__ = ["slips"]


def slips(site: Site, *, today: date) -> list[str]:
    """Every doubt about the file, each a sentence with what to look at; values that are hardly meant first."""
    return odd_values(site, today=today) + [sentence for check in _CHECKS for sentence in check(site)]


def _stage_order(site: Site) -> Iterator[str]:
    tanks = list(site.hot_water.tanks) if site.hot_water else []
    places = [(stage, tanks.index(stage.tank) if stage.tank in tanks else len(tanks)) for stage in site.stages.values()]
    for (before, place), (after, next_place) in pairwise(places):
        if tanks and next_place < place:
            yield (
                f'Stage "{before.name}" stands before "{after.name}", but the cold water meets {after.tank} first; '
                "look at the order of [[stage]] and of tanks in [hot_water]."
            )
    for stage, _ in places[:-1]:
        if stage.backup and not places[-1][0].backup:
            yield f'The backup "{stage.name}" is not the last stage; the last resort usually is.'


def _hot_water_sensors(site: Site) -> Iterator[str]:
    water = site.hot_water
    if water is None:
        yield "There is no [hot_water], so the ledger says nothing of what the taps took."
        return
    if water.cold is None:
        yield "[hot_water] has no cold temperature, so 10 degC is assumed for all that the taps take."
    in_passing = [stage for stage in site.stages.values() if stage.tank is None]
    for stage in in_passing:
        if water.heated is None:
            yield f'"{stage.name}" heats in passing, and no "heated" point is named; the hot-water heat lacks it.'
    if water.heated is not None and not in_passing:
        yield f'{water.heated} is named as "heated", but no stage heats in passing (a stage without a tank).'
    named = Counter([point for point in (water.cold, *water.between, water.hot, water.heated, water.mixed) if point])
    for point, count in named.items():
        if count > 1:
            yield f"{point} is named {count} times in [hot_water]; each place on the path has its own temperature."


def _tanks(site: Site) -> Iterator[str]:
    heated = {stage.tank for stage in site.stages.values()}
    passed = set(site.hot_water.tanks) if site.hot_water else set()
    for tank in site.tanks.values():
        if tank.id not in passed and tank.id not in heated:
            yield f"Tank {tank.id} is on no hot-water path and no stage heats it."
        order = list(tank.temperatures)
        low = [n for n, point in enumerate(order) if "bottom" in point or "lower" in point]
        high = [n for n, point in enumerate(order) if "top" in point or "upper" in point]
        if low and high and min(low) < max(high):
            yield f"The temperatures of {tank.id} run from top to bottom; {order[0]} stands first. Is it the top?"
        for point, count in Counter(order).items():
            if count > 1:
                yield f"{point} stands {count} times in the temperatures of {tank.id}."


def _stages(site: Site) -> Iterator[str]:
    if site.stages and not any(stage.backup for stage in site.stages.values()):
        yield "No stage is marked backup = true, so the backup fraction is 0 on every day."
    sources = {pump.source_loop for pump in site.heat_pumps.values()}
    for stage in site.stages.values():
        if stage.loop in sources:
            yield (
                f'Stage "{stage.name}" takes its heat from {stage.loop}, the source side of a heat pump; is its '
                "desuperheater_loop or load_loop meant?"
            )


def _mixed_alone(site: Site) -> Iterator[str]:
    path = site.hot_water
    if path is not None and path.mixed and not (path.hot or path.heated) and path.flow_at == "cold":
        meter = path.flow or path.volume or "the meter"
        yield (
            f"Only the mixed water's temperature is known, so {meter} has to count the cold water to the mixing valve, "
            'too (state flow_at = "mixed" where it stands behind the valve). In the tank\'s own feed it counts less, '
            "and the hot-water heat comes out too low."
        )


def _loops(site: Site) -> Iterator[str]:
    for loop in site.loops.values():
        if loop.flow is not None and loop.assumed_flow_l_per_s is not None:
            yield f"Loop {loop.id} has a flow point, so its assumed_flow_l_per_s is not used."
    used = {stage.loop for stage in site.stages.values()} | {collector.loop for collector in site.collectors.values()}
    for pump in site.heat_pumps.values():
        used |= {pump.source_loop, pump.load_loop, pump.desuperheater_loop}
    for name in site.loops:
        if name not in used:
            yield f"Loop {name} belongs to no stage, heat pump or collector; its heat goes nowhere in the ledger."


def _expectations(site: Site) -> Iterator[str]:
    for collector in site.collectors.values():
        missing = [name for name in ("irradiance", "eta0", "a1", "outdoor") if getattr(collector, name) is None]
        if missing:
            yield f"Collector {collector.id} has no {', no '.join(missing)}, so no yield can be expected of it."
    for pump in site.heat_pumps.values():
        if not pump.rating:
            yield f"Heat pump {pump.id} has no rating from its maker's sheet to hold its COP against."


def _prices(site: Site) -> Iterator[str]:
    if site.prices.electricity_per_kwh is None:
        yield "There is no electricity_per_kwh in [prices], so nothing is told in money."
    if site.baseline.efficiency is None:
        yield f"[baseline] has no efficiency, so a usual one for {site.baseline.kind} is taken."


def _points(site: Site) -> Iterator[str]:
    named = Counter((point.topic, point.field) for point in site.points.values() if point.topic)
    for (topic, field), count in named.items():
        if count > 1:
            where = f"{topic}, field {field}" if field else topic
            yield f"{count} points read the same value ({where})."
    for point in site.points.values():
        if point.quantity == "temperature" and point.accuracy and point.accuracy.standard == "percent":
            yield f"The accuracy of {point.id} is a percentage, and a temperature has no true zero; give kelvins."
    used = _used_points(site)
    unused = [name for name in site.points if name not in used]
    if unused:
        yield f"No part of the site uses {', '.join(unused)}; such readings are kept and shown, and count for nothing."


def _used_points(site: Site) -> set[str]:
    used: set[str | None] = set()
    for loop in site.loops.values():
        used |= {loop.entering, loop.leaving, loop.flow, loop.energy, loop.pump}
    for tank in site.tanks.values():
        used |= {*tank.temperatures, tank.ambient if isinstance(tank.ambient, str) else None}
    for heater in site.heaters.values():
        used |= {heater.power, heater.status}
    for collector in site.collectors.values():
        used |= {collector.irradiance, collector.outdoor}
    used |= {pump.power for pump in site.heat_pumps.values()}
    if water := site.hot_water:
        used |= {water.cold, water.flow, water.volume, water.hot, water.heated, water.mixed, *water.between}
    return {point for point in used if point is not None}


_CHECKS: Sequence[Callable[[Site], Iterator[str]]] = (
    _hot_water_sensors,
    _mixed_alone,
    _stage_order,
    _stages,
    _tanks,
    _loops,
    _expectations,
    _prices,
    _points,
)
