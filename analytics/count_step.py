"""The step in which a counter shows what it counted: less than that it hides."""

from math import inf

import numpy as np
from numpy.typing import NDArray

from analytics.plant import Signal
from analytics.segments import Pieces
from analytics.site import Point
from analytics.units import to_si

__all__ = ["count_step", "counted_to", "hidden_by_steps", "last_place"]

Array = NDArray[np.float64]

_CAPS = {"energy": 3.6e6, "volume": 0.01}  # a kilowatt-hour, ten litres: no house's counter is coarser
_LEAST_PLACES = 6
_EXACT = 1e-4  # of a step, by which a float may miss it


def count_step(signal: Signal) -> float:
    """
    A counter's step in SI: the least that it made, or of one that stood still, its last place. Zero where unknown.

    A counter that happens to show whole kilowatt-hours is taken for one that shows no others.
    """
    steps = signal.value[1:] - signal.value[:-1]
    moved = float(steps[steps > 0].min(initial=inf))
    if moved < inf:
        return moved
    return last_place(signal.point, float(signal.value[0])) if len(signal.value) else 0.0


def last_place(point: Point, value: float) -> float:
    """The largest power of ten of a counter's own unit of which its count is a multiple, in SI; at most its cap."""
    scale = to_si(point.quantity, point.unit)[0]
    cap = _CAPS.get(point.quantity, 0.0)
    shown = value / (scale * point.gain)
    place = 10.0 ** np.floor(np.log10(cap / scale) + 1e-9) if cap > 0 else 0.0
    for step in place * 10.0 ** -np.arange(_LEAST_PLACES + 1):
        if abs(shown / step - round(shown / step)) < _EXACT:
            return float(step * scale * abs(point.gain))
    return 0.0


def hidden_by_steps(signal: Signal) -> list[tuple[float, int]]:
    """
    A counter's step with what its square is divided by: at the start and at the end of a day it may not have shown up
    to one whole step.
    """
    return [(count_step(signal), 6)]


def counted_to(signal: Signal, pieces: Pieces) -> list[tuple[float, int]]:
    """
    What a counter leaves open of a day, with what its squares are divided by: it is read at the day's edges to within
    one interval at the power that ran there, and shows whole steps. None without pieces.
    """
    ends = [(float(end), 12) for end in pieces.amount[[0, -1]]] if len(pieces.start_s) else []
    return [*ends, *hidden_by_steps(signal)]
