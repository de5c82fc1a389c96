"""
The one module that gives an origin its colour, and its pattern, so that grey-scale print can still be read.

Colours are the set of Okabe and Ito (2008, "Color Universal Design", jfly.uni-koeln.de/color), published for
colour-blind readers. Bars carry an ink outline, since some of the set are too pale on paper by themselves.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analytics.site import Site, Stage

__all__ = [
    "CARRIED_OVER",
    "GRID",
    "INK",
    "OKABE_ITO",
    "PAPER",
    "QUIET",
    "SHADE",
    "Line",
    "Paint",
    "contrast",
    "line_paints",
    "origin_paints",
    "warmth",
]

INK = "#1d2326"
QUIET = "#56605f"
GRID = "#dcdcd4"
PAPER = "#fdfcf8"
SHADE = "#efe4c8"

OKABE_ITO = {
    "black": "#000000",
    "orange": "#E69F00",
    "sky blue": "#56B4E9",
    "bluish green": "#009E73",
    "yellow": "#F0E442",
    "blue": "#0072B2",
    "vermillion": "#D55E00",
    "reddish purple": "#CC79A7",
}


@dataclass(frozen=True, slots=True)
class Paint:
    """A bar's fill: colour, and the pattern drawn over it (a Plotly pattern shape; "" is plain)."""

    colour: str
    pattern: str


@dataclass(frozen=True, slots=True)
class Line:
    """A line's colour and dash (a Plotly dash name)."""

    colour: str
    dash: str


CARRIED_OVER = "carried-over"
_CARRIED_PAINT = Paint("#c9cdcb", "-")
_SUN, _HEAT_PUMP = Paint(OKABE_ITO["orange"], "."), Paint(OKABE_ITO["bluish green"], "")
_OTHER = (
    Paint(OKABE_ITO["sky blue"], "|"),
    Paint(OKABE_ITO["reddish purple"], "+"),
    Paint(OKABE_ITO["yellow"], "\\"),
)
_BACKUP = (Paint(OKABE_ITO["vermillion"], "/"), Paint(OKABE_ITO["blue"], "x"))
_MORE = tuple(Paint(colour, "x") for name, colour in OKABE_ITO.items() if name not in ("black", "blue"))


def origin_paints(site: Site) -> Mapping[str, Paint]:
    """
    Each origin's paint by its id, in stage order, `carried-over` last; no two of a house are the same.

    It depends on the site file alone, so that a house's colours are the same on every page and every day. The sun
    and a heat pump have theirs in every house of a fleet, backups take vermillion and blue, and the rest follows in
    stage order.
    """
    rest = iter(_OTHER + _MORE)
    paints: dict[str, Paint] = {}
    for stage in site.stages.values():
        wanted = _wanted(site, stage)
        paints[stage.id] = next((paint for paint in wanted if paint not in paints.values()), None) or next(rest)
    paints[CARRIED_OVER] = _CARRIED_PAINT
    return paints


def _wanted(site: Site, stage: Stage) -> Sequence[Paint]:
    """The paints that belong to this kind of source, best first."""
    if stage.backup:
        return _BACKUP
    if any(collector.loop == stage.loop for collector in site.collectors.values()):
        return (_SUN,)
    if any(stage.loop in (h.load_loop, h.desuperheater_loop) for h in site.heat_pumps.values() if stage.loop):
        return (_HEAT_PUMP,)
    return ()


_LINE_COLOURS = ("blue", "vermillion", "bluish green", "reddish purple", "black", "orange", "sky blue")
_DASHES = ("solid", "dash", "dot", "dashdot", "longdash")


def line_paints(count: int) -> list[Line]:
    """Lines that differ in colour, and in dash as well, for one panel of a chart."""
    return [
        Line(OKABE_ITO[_LINE_COLOURS[i % len(_LINE_COLOURS)]], _DASHES[(i + i // len(_LINE_COLOURS)) % len(_DASHES)])
        for i in range(count)
    ]


_COLD, _HOT = (226, 237, 243), (242, 176, 137)


def warmth(degc: float) -> str:
    """
    The tint of water at a temperature, from pale blue at 10 degC to a warm tint at 70 degC.

    Tints stay light enough for ink to be read on them; the temperature itself is always written beside. NaN is white.
    """
    if degc != degc:
        return "#ffffff"
    part = min(max((degc - 10.0) / 60.0, 0.0), 1.0)
    return "#" + "".join(f"{round(a + (b - a) * part):02x}" for a, b in zip(_COLD, _HOT, strict=True))


def _luminance(colour: str) -> float:
    channels = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours given as #rrggbb, 1 to 21 (WCAG 2.2, definition of contrast ratio)."""
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)
