"""
The drawing of one house's own system, made from its site file, with the newest readings written at their places.

Water rises through the drawing as it does through the house: the cold main at the foot, the tanks in the order in
which the water passes them, the taps at the head. What heats a tank stands to its left; an electric element enters
from the right. It is 360 px wide, so that a phone shows it at full size.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from analytics.site import HeatPump, Loop, Site, Stage, Tank
from dashboards.drawing import symbols as draw
from dashboards.names import loop_name, stage_name, tank_name
from dashboards.readings import Reading

__all__ = ["draw_schematic", "draw_tank"]

Readings = Mapping[str, Reading]

_WIDTH = 360
_VESSEL_X, _VESSEL_W = 165.0, 120.0
_MIDDLE = _VESSEL_X + _VESSEL_W / 2
_BYPASS_X = 344.0
_SYMBOL_X = 30.0
_ROW_H, _SOURCE_H = 104.0, 92.0
_HEAD_H, _FOOT_H, _BETWEEN_H = 112.0, 56.0, 72.0
_PASSING_H = 70.0
_NAME_H = 14.0


@dataclass(frozen=True, slots=True)
class _Row:
    """A loop that heats a tank, with the heat pump behind it if there is one."""

    stage: Stage
    loop: Loop
    heat_pump: HeatPump | None

    @property
    def height(self) -> float:
        return _ROW_H + (_SOURCE_H if self.heat_pump else 0.0)


def draw_schematic(site: Site, readings: Readings) -> Markup:
    """The whole drawing as an SVG element; empty where the site file names no water path and no tank."""
    tanks = _tanks_of(site)
    if not tanks and site.hot_water is None:
        return Markup("")
    parts, y = [], _HEAD_H
    passing = [stage for stage in site.stages.values() if stage.tank is None]
    for stage in reversed(passing):
        parts.append(_passing(site, stage, readings, y=y))
        y += _PASSING_H
    for i, tank in enumerate(reversed(tanks)):
        markup, height = _band(site, tank, readings, y=y)
        parts.append(markup)
        y += height
        if i < len(tanks) - 1:
            parts.append(_between(site, len(tanks) - 2 - i, readings, y=y))
            y += _BETWEEN_H
    parts = [_head(site, readings, bool(tanks)), *parts, _foot(site, readings, y)]
    return _svg(site, "".join(parts), y + _FOOT_H)


def _svg(site: Site, body: str, height: float) -> Markup:
    label = escape(f"Drawing of the hot-water system of {site.name}, with the newest readings; listed below as text.")
    return Markup(
        f'<svg class="drawing" viewBox="0 0 {_WIDTH} {height:g}" width="{_WIDTH}" height="{height:g}" role="img" '
        f'aria-label="{label}" xmlns="http://www.w3.org/2000/svg">{body}</svg>'
    )


def _tanks_of(site: Site) -> list[Tank]:
    """The tanks of the water path in its order, then those that no path names."""
    path = list(site.hot_water.tanks) if site.hot_water else []
    return [site.tanks[name] for name in (*path, *(t for t in site.tanks if t not in path))]


def _value(
    readings: Readings, point: str | None, *, x: float, y: float, anchor: str = "start", before: str = ""
) -> str:
    """A reading at its place; an old one is set apart, one that never came is a dash; "" without a point."""
    if not point:
        return ""
    reading = readings.get(point)
    if reading is None:
        return draw.text(x, y, f"{before}—", anchor=anchor, kind="old")
    title = f"<title>{escape(f'{point}: {reading.text}, {reading.age}')}</title>"
    kind = "old" if reading.is_old else "value"
    return f"<g>{title}{draw.text(x, y, before + reading.text, anchor=anchor, kind=kind)}</g>"


def _is_on(readings: Readings, point: str | None) -> bool | None:
    return readings[point].is_on if point in readings else None


def _head(site: Site, readings: Readings, has_tanks: bool) -> str:
    """Taps, mixing valve and the outlet's temperatures."""
    water = site.hot_water
    if water is None:
        return ""
    outlet_y = 72.0
    parts = [draw.pipe((_MIDDLE, _HEAD_H), (_MIDDLE, outlet_y), (_BYPASS_X - 14, outlet_y))]
    if water.mixed:
        parts += [draw.mixing_valve(_BYPASS_X, outlet_y), draw.pipe((_BYPASS_X, outlet_y - 14), (_BYPASS_X, 44))]
        parts.append(_value(readings, water.mixed, x=_BYPASS_X - 12, y=52, anchor="end", before="mixed "))
    else:
        parts.append(draw.pipe((_BYPASS_X - 14, outlet_y), (_BYPASS_X, outlet_y), (_BYPASS_X, 44)))
    parts += [draw.tap(_BYPASS_X, 44), draw.text(_BYPASS_X - 34, 30, "to the taps", anchor="end", kind="name")]
    if has_tanks:
        parts.append(_value(readings, water.hot, x=_MIDDLE - 8, y=outlet_y + 26, anchor="end", before="hot "))
    parts.append(_value(readings, water.heated, x=_MIDDLE - 8, y=outlet_y + 4, anchor="end", before="heated "))
    return "".join(parts)


def _foot(site: Site, readings: Readings, y: float) -> str:
    """The cold main, its meter, and the branch to the mixing valve."""
    water = site.hot_water
    if water is None:
        return ""
    main_y = y + 30
    parts = [draw.pipe((_WIDTH - 4, main_y), (_MIDDLE, main_y), (_MIDDLE, y - 2), kind="cold")]
    if water.mixed:
        parts.append(draw.pipe((_BYPASS_X, main_y), (_BYPASS_X, 86), kind="cold"))
    parts.append(draw.text(_MIDDLE - 10, main_y + 4, "cold main", anchor="end", kind="name"))
    parts.append(_value(readings, water.cold, x=_MIDDLE + 8, y=main_y - 8))
    parts.append(_value(readings, water.flow or water.volume, x=_MIDDLE + 8, y=main_y + 18))
    return "".join(parts)


def _between(site: Site, index: int, readings: Readings, *, y: float) -> str:
    """The pipe from one tank's head up to the next one's foot, if the water passes both."""
    path = site.hot_water.tanks if site.hot_water else ()
    if index + 1 >= len(path):
        return ""
    points = site.hot_water.between if site.hot_water else ()
    value = _value(readings, points[index], x=_MIDDLE + 8, y=y + _BETWEEN_H / 2 + 4) if index < len(points) else ""
    return draw.pipe((_MIDDLE, y - 2), (_MIDDLE, y + _BETWEEN_H + 2)) + value


def _rows_of(site: Site, tank: Tank) -> list[_Row]:
    """Loops that heat this tank, the one that enters highest first."""
    stages = [s for s in site.stages.values() if s.tank == tank.id and s.loop]
    rows = [_Row(s, site.loops[s.loop], _behind(site, s.loop)) for s in stages]
    return sorted(rows, key=lambda row: -sum(row.stage.height))


def _behind(site: Site, loop: str) -> HeatPump | None:
    found = (h for h in site.heat_pumps.values() if loop in (h.load_loop, h.desuperheater_loop))
    return next(found, None)


def _band(site: Site, tank: Tank, readings: Readings, *, y: float) -> tuple[str, float]:
    """One tank with all that heats it, from `y` down; and how much height it takes."""
    rows = _rows_of(site, tank)
    height = max(sum(row.height for row in rows), 150.0)
    parts, row_y = [], y
    for row in rows:
        parts.append(_loop_row(site, row, readings, y=row_y))
        row_y += row.height
    parts.append(draw_tank(tank, readings, place=(_VESSEL_X, y + 14), height=height - 28))
    parts += [_element(site, stage, readings, span=(y + 14, height - 28)) for stage in _elements(site, tank)]
    return "".join(parts), height


def draw_tank(tank: Tank, readings: Readings, *, place: tuple[float, float], height: float) -> str:
    """A vessel with its sensors' temperatures at their heights and its name above the foot."""
    x, y = place
    layers = [_degc(readings, point) for point in tank.temperatures]
    parts = [draw.vessel(x, y, (_VESSEL_W, height), layers_degc=layers)]
    for i, point in enumerate(tank.temperatures):
        middle = y + (height - _NAME_H) * (i + 0.5) / len(layers)
        parts.append(_value(readings, point, x=x + 10, y=middle + 4))
    parts.append(draw.text(x + _VESSEL_W / 2, y + height + 4, tank_name(tank.id), anchor="middle", kind="name"))
    return "".join(parts)


def _degc(readings: Readings, point: str) -> float:
    reading = readings.get(point)
    return math.nan if reading is None or reading.is_old else reading.value


def _elements(site: Site, tank: Tank) -> Sequence[Stage]:
    return [s for s in site.stages.values() if s.tank == tank.id and s.heater]


def _element(site: Site, stage: Stage, readings: Readings, *, span: tuple[float, float]) -> str:
    """A heater in the tank's wall at its height; `span` is the vessel's top and height."""
    heater, (top, height) = site.heaters[stage.heater or ""], span
    y = top + height * (1 - min(max(sum(stage.height) / 2, 0.1), 0.9))
    point = heater.power or heater.status
    x = _VESSEL_X + _VESSEL_W
    body = draw.element(x, y, is_on=_is_on(readings, point))
    label = draw.text(x + 4, y - 8, "heater", kind="name")
    return body + label + _value(readings, point, x=x + 4, y=y + 16)


def _component(site: Site, row: _Row, readings: Readings, *, y: float) -> str:
    """What stands behind the loop: a heat pump, a collector, a boiler, or an exchanger where nobody says."""
    if row.heat_pump:
        return draw.heat_pump(_SYMBOL_X, y, is_on=_is_on(readings, row.heat_pump.power))
    if any(c.loop == row.loop.id for c in site.collectors.values()):
        return draw.collector(_SYMBOL_X, y)
    fired = [h for h in site.heaters.values() if h.kind != "electric"]
    return draw.boiler(_SYMBOL_X, y) if fired else draw.exchanger(_SYMBOL_X, y)


def _loop_row(site: Site, row: _Row, readings: Readings, *, y: float) -> str:
    """Supply above, return with its pump below, readings at the pipes."""
    loop, supply, back = row.loop, y + 40, y + 74
    left, wall = _SYMBOL_X + 22, _VESSEL_X
    name = stage_name(row.stage) + (", backup" if row.stage.backup else "")
    parts = [
        draw.text(4, y + 16, name, kind="name"),
        draw.pipe((left, supply), (wall, supply)),
        draw.pipe((left, back), (wall, back)),
        _component(site, row, readings, y=y + 57),
        _value(readings, loop.leaving, x=62, y=supply - 6),
        _value(readings, loop.entering, x=62, y=back + 18),
        _value(readings, loop.flow or loop.energy, x=62, y=supply + 21),
    ]
    if loop.pump or loop.flow:
        parts.append(draw.pump(145, back, is_on=_is_on(readings, loop.pump), leftward=True))
    if row.heat_pump:
        parts.append(_source(site, row.heat_pump, readings, y=y + _ROW_H))
    return "".join(parts)


def _source(site: Site, unit: HeatPump, readings: Readings, *, y: float) -> str:
    """The heat pump's source loop under it, with the compressor's power between."""
    loop, middle = site.loops[unit.source_loop], y + 44
    parts = [
        draw.pipe((_SYMBOL_X - 14, y - 23), (_SYMBOL_X - 14, middle - 18)),
        draw.pipe((_SYMBOL_X + 14, y - 23), (_SYMBOL_X + 14, middle - 18)),
        draw.coil(_SYMBOL_X, middle),
        draw.pump(_SYMBOL_X + 14, y - 1, is_on=_is_on(readings, loop.pump), leftward=False) if loop.pump else "",
        draw.text(4, middle + 36, loop_name(loop.id), kind="name"),
        _value(readings, unit.power, x=62, y=y + 5, before="uses "),
        _value(readings, loop.entering, x=62, y=middle - 16, before="in "),
        _value(readings, loop.leaving, x=62, y=middle + 2, before="out "),
        _value(readings, loop.flow or loop.energy, x=62, y=middle + 20),
    ]
    return "".join(parts)


def _passing(site: Site, stage: Stage, readings: Readings, *, y: float) -> str:
    """A stage that heats the water in passing: a box on the pipe."""
    middle = y + _PASSING_H / 2
    parts = [draw.pipe((_MIDDLE, y - 2), (_MIDDLE, y + _PASSING_H + 2)), draw.exchanger(_MIDDLE, middle)]
    parts.append(draw.text(_MIDDLE - 30, middle - 4, stage_name(stage), anchor="end", kind="name"))
    heater = site.heaters.get(stage.heater or "")
    point = (heater.power or heater.status) if heater else site.loops[stage.loop or ""].flow
    parts.append(_value(readings, point, x=_MIDDLE - 30, y=middle + 14, anchor="end"))
    return "".join(parts)
