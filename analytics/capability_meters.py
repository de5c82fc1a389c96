"""
What the meters of a site will tell: its loops, stages, pumps and hot water, judged from the site file alone.

The verdicts are the bases that figures have when every sensor works; the sentences are for a technician who wonders
what one more sensor would bring.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from analytics.figures import Basis
from analytics.site import Heater, HotWater, Loop, Site, Stage

__all__ = [
    "Capability",
    "because",
    "hot_water_heat",
    "hot_water_volume",
    "listed",
    "loop_heat",
    "made",
    "metered",
    "pump_electricity",
    "stage_heat",
    "worst",
]

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


def worst(parts: Iterable[Basis], *, balance: bool = True) -> Basis:
    """The basis of a figure made of others; a balance of measured ones is derived."""
    return _RANK[max([int(balance), *(_RANK.index(part) for part in parts)])]


def listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def because(found: Capability) -> str:
    """The reason inside another figure's sentence, without the remedy that may follow it."""
    return found.sentence.split(": ", 1)[-1].split(". ", 1)[0].rstrip(".") + "."


def metered(loop: Loop, subject: str) -> tuple[Basis, str]:
    if loop.energy is not None:
        return "measured", f"{subject} will be measured by a heat meter ({loop.energy})."
    if loop.flow is not None:
        by = f"flow ({loop.flow}) and the temperatures entering ({loop.entering}) and leaving ({loop.leaving})"
        return "measured", f"{subject} will be measured by {by}."
    return "estimated", (
        f"{subject} will be estimated: there is no flow meter, so {loop.assumed_flow_l_per_s:g} l/s is assumed while "
        f"its pump ({loop.pump}) runs. A flow meter in the loop would make it measured."
    )


def loop_heat(loop: Loop) -> Capability:
    """The heat rate of a loop."""
    verdict, how = metered(loop, f"The heat of loop {loop.id}")
    return Capability("loop heat rate", loop.id, verdict, how)


def made(heater: Heater, subject: str) -> tuple[Basis, str]:
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


def stage_heat(site: Site, stage: Stage) -> Capability:
    """The heat that a stage puts in."""
    subject = f'The heat of "{stage.name}"'
    if stage.loop is not None:
        verdict, how = metered(site.loops[stage.loop], subject)
    else:
        verdict, how = made(site.heaters[stage.heater or ""], subject)
    return Capability("stage heat", stage.id, verdict, how)


def pump_electricity(site: Site, loop: Loop) -> Capability:
    """What a loop's circulator takes."""
    subject, figure = f"The electricity of the pump of loop {loop.id}", "electricity of pumps"
    if loop.pump is None and loop.flow and loop.pump_power_w is not None:
        how = f"{subject} will be estimated: {loop.pump_power_w:g} W while {loop.flow} shows flow."
        return Capability(figure, loop.id, "estimated", how)
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


def _outlet(site: Site) -> str | None:
    """The point at which the hot-water heat is taken; a tank's top sensor where the path has none of its own."""
    water = site.hot_water
    if water is None:
        return None
    return water.heated or water.hot or water.mixed or _top_of_last(site)


def _top_of_last(site: Site) -> str | None:
    tanks = site.hot_water.tanks if site.hot_water is not None else ()
    temperatures = site.tanks[tanks[-1]].temperatures if tanks else ()
    return temperatures[0] if temperatures else None


def hot_water_volume(site: Site) -> Capability:
    """The volume drawn."""
    water = site.hot_water or HotWater()
    meter = water.flow or water.volume
    if meter is None:
        how = "The volume drawn cannot be told: there is no flow or volume point in [hot_water]."
        return Capability("hot-water volume", "hot_water", "unavailable", how)
    return Capability("hot-water volume", "hot_water", "measured", f"The volume drawn will be measured by {meter}.")


def hot_water_heat(site: Site) -> Capability:
    """The heat that the taps took."""
    if site.hot_water is None:
        how = "The hot-water heat cannot be told: there is no [hot_water]."
        return Capability("hot-water heat", "hot_water", "unavailable", how)
    missing = [] if site.hot_water.flow or site.hot_water.volume else ["no flow or volume point"]
    missing += [] if _outlet(site) else ["no temperature of the water that leaves (hot)"]
    if missing:
        how = f"The hot-water heat cannot be told: [hot_water] has {' and '.join(missing)}."
        return Capability("hot-water heat", "hot_water", "unavailable", how)
    verdict, how = _water_heat(site, site.hot_water)
    return Capability("hot-water heat", "hot_water", verdict, how)


def _water_heat(site: Site, water: HotWater) -> tuple[Basis, str]:
    point, meter = _outlet(site), water.flow or water.volume
    stand_ins = [] if water.cold else ["there is no cold-water sensor, so 10 degC is assumed"]
    if not (water.heated or water.hot or water.mixed):
        stand_ins.append(f"no sensor stands where the water leaves, so {point} at the top of the last tank stands in")
    if stand_ins:
        remedy = "Sensors there would make it measured."
        return "estimated", f"The hot-water heat will be estimated: {' and '.join(stand_ins)}. {remedy}"
    how = f"The hot-water heat will be measured by {meter} and the temperatures {water.cold} and {point}."
    if point == water.mixed:
        how += " It is taken at the mixing valve, so what the pipe before it loses is not in it."
    return "measured", how
