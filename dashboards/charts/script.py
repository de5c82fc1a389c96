"""What the charting script needs of a page that forbids styles written into it."""

import re
from functools import cache
from importlib.resources import files

__all__ = ["style_guards"]

_SEEKS = re.compile(r'if\(!document\.getElementById\("([0-9a-f]{64})"\)\)\{var \w+=document\.createElement\("style"\)')


@cache
def style_guards() -> tuple[str, ...]:
    """
    Ids of the style elements that the script writes at its start unless an element of that id is there.

    They belong to map and 3-D charts, which no page has; an empty element of that id keeps them out.
    """
    script = files("plotly").joinpath("package_data", "plotly.min.js").read_text(encoding="utf-8")
    return tuple(dict.fromkeys(_SEEKS.findall(script)))
