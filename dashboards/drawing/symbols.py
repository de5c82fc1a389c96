"""
Drafting symbols as SVG, after the shapes of ISO 14617 (graphical symbols for diagrams): vessel with dished ends,
pump as a circle with a triangle in the sense of flow, exchanger as a circle with a zigzag, valves as triangles tip to
tip, collector as a plate struck by rays. The shapes are drawn from memory of the standard, not from its drawings.

Every function returns markup around a given centre or corner; colours and widths come from the page's style sheet.
"""

from collections.abc import Sequence

from markupsafe import escape

from dashboards.colours import warmth

__all__ = [
    "boiler",
    "coil",
    "collector",
    "element",
    "exchanger",
    "heat_pump",
    "mixing_valve",
    "pipe",
    "pump",
    "tap",
    "text",
    "vessel",
]


def text(x: float, y: float, words: str, *, anchor: str = "start", kind: str = "value") -> str:
    """Words at a base line; `kind` is a class of the style sheet: value, name, old or note."""
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" class="d-{kind}">{escape(words)}</text>'


def pipe(*corners: tuple[float, float], kind: str = "pipe") -> str:
    """A pipe through corners; `kind` is pipe or cold."""
    points = " ".join(f"{x:g},{y:g}" for x, y in corners)
    return f'<polyline points="{points}" class="d-{kind}"/>'


def _line(start: tuple[float, float], end: tuple[float, float]) -> str:
    return f'<line x1="{start[0]:g}" y1="{start[1]:g}" x2="{end[0]:g}" y2="{end[1]:g}" class="d-thin"/>'


def _outline(corners: Sequence[tuple[float, float]], *, at: tuple[float, float]) -> str:
    """Corners given around (0, 0) as the `points` of a shape at a place."""
    return " ".join(f"{at[0] + dx:g},{at[1] + dy:g}" for dx, dy in corners)


def _box(x: float, y: float, *, half: float) -> str:
    return f'<rect x="{x - half:g}" y="{y - half:g}" width="{2 * half:g}" height="{2 * half:g}" class="d-body"/>'


def pump(x: float, y: float, *, is_on: bool | None, leftward: bool) -> str:
    """A pump of 22 px; the triangle is filled while it runs, hollow at rest, and broken where that is not known."""
    state = {True: "on", False: "off", None: "unknown"}[is_on]
    tip, back = (x - 11, x + 6) if leftward else (x + 11, x - 6)
    triangle = f'<polygon points="{tip:g},{y:g} {back:g},{y - 9:g} {back:g},{y + 9:g}" class="d-pump-{state}"/>'
    return f'<circle cx="{x:g}" cy="{y:g}" r="11" class="d-body"/>{triangle}'


def exchanger(x: float, y: float) -> str:
    """A heat exchanger of 44 px: a circle crossed by a zigzag."""
    zigzag = _outline(((-22, 0), (-10, 0), (-5, -9), (5, 9), (10, 0), (22, 0)), at=(x, y))
    return f'<circle cx="{x:g}" cy="{y:g}" r="22" class="d-body"/><polyline points="{zigzag}" class="d-thin"/>'


def boiler(x: float, y: float) -> str:
    """A fired heater of 44 px: a box with a flame."""
    flame = f"M{x:g},{y + 13:g} c-13,-8 -6,-16 0,-27 c6,11 13,19 0,27z"
    return f'{_box(x, y, half=22)}<path d="{flame}" class="d-thin"/>'


def collector(x: float, y: float) -> str:
    """A solar collector of 44 px: a leaning plate, struck by three rays."""
    plate = _outline(((-20, 20), (-8, 20), (22, -8), (10, -8)), at=(x, y))
    rays = "".join(_line((x - 16 + 9 * i, y - 16 - 2 * i), (x - 9 + 9 * i, y - 2 - 6 * i)) for i in range(3))
    return f'<polygon points="{plate}" class="d-body"/>{rays}'


def heat_pump(x: float, y: float, *, is_on: bool | None) -> str:
    """A heat pump of 48 px: a box with a compressor, whose circle narrows in the sense of flow."""
    state = {True: "on", False: "off", None: "unknown"}[is_on]
    narrowing = _line((x - 11, y + 9), (x - 5, y - 13)) + _line((x + 11, y + 9), (x + 5, y - 13))
    circle = f'<circle cx="{x:g}" cy="{y:g}" r="14" class="d-compressor-{state}"/>'
    return _box(x, y, half=24) + circle + narrowing


def coil(x: float, y: float) -> str:
    """A coil in the ground, 48 px wide: a meander under a hatched surface."""
    hatch = "".join(_line((x - 22 + 9 * i, y - 17), (x - 27 + 9 * i, y - 11)) for i in range(6))
    surface = _line((x - 26, y - 17), (x + 26, y - 17))
    meander = f"M{x + 26:g},{y - 4:g} H{x - 16:g} a5,5 0 0 0 0,10 H{x + 10:g} a5,5 0 0 1 0,10 H{x - 22:g}"
    return f'{surface}{hatch}<path d="{meander}" class="d-pipe"/>'


def element(x: float, y: float, *, is_on: bool | None) -> str:
    """An electric element that enters a vessel's wall from the right at (x, y), 44 px long."""
    state = {True: "on", False: "off", None: "unknown"}[is_on]
    zigzag = f"{x:g},{y:g} {x - 8:g},{y:g} " + " ".join(
        f"{x - 12 - 6 * i:g},{y + (7 if i % 2 else -7):g}" for i in range(5)
    )
    return f'<polyline points="{zigzag} {x - 44:g},{y:g}" class="d-element-{state}"/>'


def mixing_valve(x: float, y: float) -> str:
    """A three-way mixing valve: hot from the left, cold from below, mixed upward."""
    tips = ((-14, -8, -14, 8), (-8, 14, 8, 14), (-8, -14, 8, -14))
    return "".join(
        f'<polygon points="{x:g},{y:g} {x + a:g},{y + b:g} {x + c:g},{y + d:g}" class="d-body"/>' for a, b, c, d in tips
    )


def tap(x: float, y: float) -> str:
    """A tap that the water reaches from below."""
    return f'<path d="M{x:g},{y:g} v-14 h-18 v8 M{x - 8:g},{y - 14:g} v-6 m-6,0 h12" class="d-pipe"/>'


def vessel(x: float, y: float, size: tuple[float, float], *, layers_degc: Sequence[float]) -> str:
    """
    A storage vessel with dished ends, tinted by its layers' temperatures from top to bottom.

    Args:
        x, y: The upper left corner of its straight part.
        size: Width and height of the straight part; the dished ends stand 14 px above and below.
        layers_degc: One for each sensor; empty or NaN layers stay white. [degC]
    """
    width, height = size
    outline = f"M{x:g},{y:g} q{width / 2:g},-28 {width:g},0 v{height:g} q{-width / 2:g},28 {-width:g},0 z"
    stops = "".join(
        f'<path d="{_layer(x, y, size, place=(i, len(layers_degc)))}" fill="{warmth(degc)}"/>'
        for i, degc in enumerate(layers_degc)
    )
    return f'<path d="{outline}" class="d-white"/>{stops}<path d="{outline}" class="d-shell"/>'


def _layer(x: float, y: float, size: tuple[float, float], *, place: tuple[int, int]) -> str:
    """The outline of layer `place[0]` of `place[1]`, with the dished end where it is the first or the last."""
    width, height = size
    index, count = place
    top, bottom = y + height * index / count, y + height * (index + 1) / count
    upper = f"q{width / 2:g},-28 {width:g},0" if index == 0 else f"h{width:g}"
    lower = f"q{-width / 2:g},28 {-width:g},0" if index == count - 1 else f"h{-width:g}"
    return f"M{x:g},{top:g} {upper} V{bottom:g} {lower} z"
