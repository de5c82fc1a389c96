"""What the parts of a house are called on the pages. Ids are the site file's; people read words."""

import re

from analytics.site import Site, Stage

__all__ = [
    "component_name",
    "heat_pump_name",
    "heater_name",
    "loop_name",
    "origin_name",
    "point_name",
    "tank_name",
    "with_names",
]


def _words(identifier: str) -> str:
    return identifier.replace("-", " ").replace("_", " ").replace(".", " ")


def _with_noun(identifier: str, noun: str) -> str:
    words = _words(identifier)
    text = words if noun in words.lower() else f"{words} {noun}"
    return text[:1].upper() + text[1:]


def tank_name(tank: str) -> str:
    return _with_noun(tank, "tank")


def loop_name(loop: str) -> str:
    return _with_noun(loop, "loop")


def heater_name(heater: str) -> str:
    """Heaters are known by their own names: element, boiler, burner."""
    return _with_noun(heater, "heater") if len(heater) <= 2 else _words(heater).capitalize()


def heat_pump_name(site: Site, heat_pump: str) -> str:
    """By its id, or plainly "Heat pump" where that is short and no other one of the house would be called the same."""
    name = _plain_heat_pump_name(heat_pump)
    alike = sum(_plain_heat_pump_name(each) == name for each in site.heat_pumps)
    return name if alike <= 1 else f"Heat pump {heat_pump}"


def _plain_heat_pump_name(heat_pump: str) -> str:
    return "Heat pump" if len(heat_pump) <= 3 else _with_noun(heat_pump, "heat pump")


def point_name(point: str) -> str:
    return _words(point).capitalize()


def stage_name(stage: Stage) -> str:
    return stage.name or _words(stage.id).capitalize()


def origin_name(site: Site, origin: str) -> str:
    """An origin by its stage's name; what was in store when the account began is "Already in store"."""
    if origin in site.stages:
        return stage_name(site.stages[origin])
    return "Already in store"


def component_name(site: Site, component: str) -> str:
    """Whatever carries this id in the site, as words; the site's own name for ""."""
    if not component or component == site.id:
        return site.name
    if component in site.stages:
        return origin_name(site, component)
    for parts, name in (
        (site.loops, loop_name),
        (site.tanks, tank_name),
        (site.heaters, heater_name),
        (site.heat_pumps, lambda each: heat_pump_name(site, each)),
        (site.points, point_name),
    ):
        if component in parts:
            return name(component)
    return _words(component).capitalize()


def with_names(sentence: str, site: Site) -> str:
    """A sentence with the points' names in place of such ids as no one would take for a word: `tank.top`."""
    for point in site.points:
        if re.search(r"[._]", point):
            sentence = re.sub(rf"(?<![\w.]){re.escape(point)}(?!\w|[.-]\w)", f"“{point_name(point)}”", sentence)
    return sentence
