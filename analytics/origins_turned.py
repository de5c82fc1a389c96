"""
Whether a tank that is heated below has turned over up to a sensor shows in how that sensor moves: it rises with the
water below, or goes on cooling. Sensors have offsets, and it is a matter of tenths of a kelvin, so that motion tells
more than level.
"""

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from analytics.compiled import compiled
from analytics.layers import LAYERS, Charge

__all__ = ["slack_k"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_TWO = 2  # sensors
_AGREE_K = 0.1  # sensors that stand in the same water
_RISE_K = 0.03  # in half an hour, beyond noise, of a sensor that would cool by some 0.1 K in water of its own
_CLEAR_RISE_K = 0.1
_OFFSETS_K = 1.0  # by which two sensors in the same water may differ; common practice
_BEYOND_K = 0.6  # the same above the highest and below the lowest sensor, where all agree
_BEYOND_TWO_K = 2.0  # with only two of them, of which each end is a quarter of the tank away
_LAG_K = 4.0  # by which the account may lag behind sensors that agree
_NEAR = 0.06  # of the height: water that is warmed so little above a sensor is around it
_HELD_APART_K = 2.0  # by which the account may be off where sensors show that water has not mixed; half and twice alike


def slack_k(depths: tuple[float, ...], sensors_degc: Array, charges: Sequence[Charge]) -> Array:
    """
    How much cooler water may rise: some where it stands between sensors that agree, anywhere if all of them do.

    Less than none above a sensor that stands in water of its own: there the account may be off. (blocks, LAYERS - 1)
    """
    if len(depths) < _TWO:
        return np.zeros((len(sensors_degc), LAYERS - 1))
    rise_k = np.empty((len(charges), len(sensors_degc)))
    for row, charge in zip(rise_k, charges, strict=True):
        row[:] = charge.rise_k
    highest = np.array([_highest(charge) for charge in charges])
    heats_above = highest[:, None] < np.array(depths[1:]) - _NEAR
    together, apart = _turned(np.ascontiguousarray(sensors_degc), rise_k, heats_above)
    around, most_k = _at_edges(depths)
    found_k = np.where(together[:, around], most_k, 0.0)
    found_k[apart @ _edges_above(depths)] = -_HELD_APART_K
    return found_k


def _highest(charge: Charge) -> float:
    """Depth of the highest place that a stage heats, 0 top to 1 bottom."""
    first = int(np.argmax(charge.spread > 0))
    return float(first + 1 - charge.spread[first] / charge.spread.max()) / LAYERS


@compiled
def _turned(sensors_degc: Array, rise_k: Array, heats_above: Flags) -> tuple[Flags, Flags]:
    """
    Which neighbouring sensors stand in the same water, and which stand in warm water of their own, for sure.

    In the same water they show one temperature. Sensors have offsets, and it is a matter of tenths of a kelvin whether
    a tank overturns. While it is heated, and only from as deep as a sensor or deeper, what warms the sensor above it
    comes through the water between the two: one that stands in water of its own goes on cooling, and one that stands in
    the water below rises with it. Where the lower one warms and the upper one does not, that is in water of its own
    from then on, until the tank is heated from above or the two rise together. That they show one temperature is not
    enough while the upper one goes on cooling: the lower one may just have come up to it as the heating ends.

    Args:
        sensors_degc: Top to bottom. Shape (blocks, sensors)
        rise_k: Of each stage, above nought while it heats. Shape (stages, blocks)
        heats_above: Whether a stage heats above the lower of two sensors. Shape (stages, sensors - 1)
    Returns:
        By neighbours and a last column for all (blocks, sensors), and by neighbours (blocks, sensors - 1).
    """
    n_blocks, n_pairs = len(sensors_degc), sensors_degc.shape[1] - 1
    together, apart = np.ones((n_blocks, n_pairs + 1), np.bool_), np.zeros((n_blocks, n_pairs), np.bool_)
    for pair in range(n_pairs):
        was_below, stays_apart = False, False
        for block in range(n_blocks):
            heats = from_above = False
            for stage in range(len(rise_k)):
                if rise_k[stage, block] > 0:
                    heats = True
                    from_above = from_above or heats_above[stage, pair]
            is_below = heats and not from_above
            above_k = sensors_degc[block, pair] - sensors_degc[block, pair + 1]
            upper_k = sensors_degc[block, pair] - sensors_degc[max(block - 2, 0), pair]
            same = above_k < _AGREE_K and not (stays_apart and upper_k < -_RISE_K)
            own = lower_warms = False
            if block > 1 and is_below and was_below:
                lower_k = sensors_degc[block, pair + 1] - sensors_degc[block - 2, pair + 1]
                lower_warms = lower_k > _CLEAR_RISE_K
                rises = upper_k > _RISE_K and upper_k > 0.5 * lower_k - _RISE_K and above_k < _OFFSETS_K
                same = rises or (same and not lower_warms)
                own = lower_warms and upper_k < 0.5 * lower_k - _RISE_K
            if own:
                stays_apart = True
            elif same or lower_warms or (heats and not is_below):
                stays_apart = False
            together[block, pair], apart[block, pair] = same, stays_apart
            together[block, n_pairs] = together[block, n_pairs] and same
            was_below = is_below
    return together, apart


@lru_cache(maxsize=64)
def _edges_above(depths: tuple[float, ...]) -> NDArray[np.bool_]:
    """Which edges between two layers lie above each sensor but the lowest. (sensors - 1, LAYERS - 1)"""
    return np.asarray(np.arange(1, LAYERS) / LAYERS <= np.array(depths[:-1])[:, None])


@lru_cache(maxsize=64)
def _at_edges(depths: tuple[float, ...]) -> tuple[NDArray[np.intp], Array]:
    """By the edge between each two layers, which pair of sensors it lies between (one more for all) and its slack."""
    edges = np.arange(1, LAYERS) / LAYERS
    inside = (edges > depths[0]) & (edges < depths[-1])
    around = np.where(inside, np.searchsorted(depths[1:-1], edges), len(depths) - 1)
    return around, np.where(inside, _LAG_K, _BEYOND_TWO_K if len(depths) == _TWO else _BEYOND_K)
