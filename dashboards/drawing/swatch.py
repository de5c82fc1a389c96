"""The key of a chart: a short line or a small box, painted as in the chart."""

from markupsafe import Markup

from dashboards.colours import INK, Line, Paint

__all__ = ["swatch"]

_DASH = {"solid": "", "dash": "6 4", "dot": "2 3", "dashdot": "6 3 2 3", "longdash": "10 4"}

_PATTERNS = {
    "": "",
    "/": '<path d="M-1,7 L7,-1"/>',
    "\\": '<path d="M-1,-1 L7,7"/>',
    "x": '<path d="M0,0 L6,6 M0,6 L6,0"/>',
    "-": '<path d="M0,3 H6"/>',
    "|": '<path d="M3,0 V6"/>',
    "+": '<path d="M3,0 V6 M0,3 H6"/>',
    ".": '<circle cx="3" cy="3" r="0.9"/>',
}


def swatch(paint: Line | Paint, name: str) -> Markup:
    """A sample of a paint, 30 x 14 px; `name` is unique on the page."""
    body = _line(paint) if isinstance(paint, Line) else _box(paint, name)
    return Markup(f'<svg class="swatch" width="30" height="14" aria-hidden="true">{body}</svg>')


def _line(line: Line) -> str:
    dash = f' stroke-dasharray="{_DASH[line.dash]}"' if _DASH[line.dash] else ""
    return f'<line x1="1" y1="7" x2="29" y2="7" stroke="{line.colour}" stroke-width="3"{dash}/>'


def _box(paint: Paint, name: str) -> str:
    box = f'<rect x="1" y="1" width="28" height="12" fill="{paint.colour}" stroke="{INK}"/>'
    if not paint.pattern:
        return box
    lines = f'<g stroke="{INK}" stroke-opacity="0.6" fill="{INK}">{_PATTERNS[paint.pattern]}</g>'
    pattern = f'<pattern id="{name}" width="6" height="6" patternUnits="userSpaceOnUse">{lines}</pattern>'
    return f'<defs>{pattern}</defs>{box}<rect x="1" y="1" width="28" height="12" fill="url(#{name})"/>'
