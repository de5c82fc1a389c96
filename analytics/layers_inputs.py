"""A tank's layers over some steps, as the compiled steps take what moves, heats and cools them."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Moving", "Resting", "Staging"]

Array = NDArray[np.float64]


class Moving(NamedTuple):
    """
    Water that moves up: in layers by steps, and the columns of what enters below, (steps,), (steps, columns).

    Args:
        gained_k: What meters say that it took with it from the tank, NaN where they do not tell. (steps,)
    """

    layers: Array
    entering: Array
    gained_k: Array


class Staging(NamedTuple):
    """
    The stages that heat, as `Charge` says of each, stacked; shapes (stages,), (stages, steps) and with layers behind.

    Args:
        knows: 0 where nothing is known of a coil's fluid, 1 where `beside_k` is its temperature [degC], 2 where it is
            by how much it is warmer than the water around it.
        along: As `spread`, in plug flow.
    """

    column: NDArray[np.int64]
    rise_k: Array
    spread: Array
    knows: NDArray[np.int64]
    beside_k: Array
    turned: Array
    slack_k: Array
    along: Array


class Resting(NamedTuple):
    """What goes on without pumps, as `Quiet` says of it; `left_open_k` as a sum over the layers, by steps."""

    due: NDArray[np.bool_]
    conduction: float
    loss: float
    room_degc: Array
    pull: Array
    at_sensor: Array
    around_sensor: Array
    sensors_degc: Array
    part_per_k: Array
    doubt_k: float
    left_open_k: Array
    meters_k: float
    renews: Array
    renewing: Array
    unknown: int
    room: int
