"""The key of a chart: a short line or a small box, painted as in the chart; and a bar that needs no script."""

from collections.abc import Sequence

from markupsafe import Markup, escape

from dashboards.colours import INK, Line, Paint

__all__ = ["strip", "swatch"]

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


_STRIP = 600.0  # px; it is drawn as wide as the page allows


def strip(parts: Sequence[tuple[Paint, float]], label: str) -> Markup:
    """A lying bar parted by shares of 1, in the paints' colours and patterns; `label` says it in words."""
    defs, bars, left = "", "", 0.0
    for index, (paint, share) in enumerate(parts):
        name, width = f"strip-{index}", share * _STRIP
        place = f'x="{left:.1f}" y="1" width="{width:.1f}" height="26"'
        bars += f'<rect {place} fill="{paint.colour}" stroke="{INK}"/>'
        if paint.pattern:
            lines = f'<g stroke="{INK}" stroke-opacity="0.6" fill="{INK}">{_PATTERNS[paint.pattern]}</g>'
            defs += f'<pattern id="{name}" width="6" height="6" patternUnits="userSpaceOnUse">{lines}</pattern>'
            bars += f'<rect {place} fill="url(#{name})"/>'
        left += width
    drawing = f'<svg class="strip" viewBox="-1 0 {_STRIP + 2:g} 28" role="img" aria-label="{escape(label)}">'
    return Markup(f"{drawing}<defs>{defs}</defs>{bars}</svg>")
