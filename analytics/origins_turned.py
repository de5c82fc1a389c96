"""
Whether a tank that is heated below has turned over up to a sensor shows in how that sensor moves: it rises with the
water below, or goes on cooling. Sensors have offsets, and it is a matter of tenths of a kelvin, so that motion tells
more than level.
"""

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from analytics.layers import LAYERS, Charge

__all__ = ["slack_k"]

Array = NDArray[np.float64]

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


def _heated_below(depths: tuple[float, ...], charges: Sequence[Charge]) -> NDArray[np.bool_]:
    """
    Blocks in which the tank is heated, and only from as deep as a sensor or deeper: what warms the sensor above it
    then comes through the water between the two. By the lower sensor of each two neighbours. (blocks, sensors - 1)
    """
    lower = np.array(depths[1:])
    heated, from_above = np.zeros((2, len(charges[0].rise_k), len(lower)), dtype=bool)
    for charge in charges:
        heats = (charge.rise_k > 0)[:, None]
        heated |= heats
        from_above |= heats & (_highest(charge) < lower - _NEAR)
    return heated & ~from_above


def _highest(charge: Charge) -> float:
    """Depth of the highest place that a stage heats, 0 top to 1 bottom."""
    first = int(np.argmax(charge.spread > 0))
    return float(first + 1 - charge.spread[first] / charge.spread.max()) / LAYERS


def _agree(sensors_degc: Array, heated_below: NDArray[np.bool_] | None) -> NDArray[np.bool_]:
    """
    Which neighbouring sensors stand in the same water: they show one temperature.

    Sensors have offsets, and it is a matter of tenths of a kelvin whether a tank overturns. While it is heated below, a
    sensor that stands in water of its own goes on cooling, and one that stands in the water below rises with it.
    (blocks, sensors - 1)
    """
    above_k = sensors_degc[:, :-1] - sensors_degc[:, 1:]
    same = np.asarray(above_k < _AGREE_K)
    if heated_below is None:
        return same
    rise_k = sensors_degc[2:] - sensors_degc[:-2]
    upper_k, lower_k = rise_k[:, :-1], rise_k[:, 1:]
    tells = heated_below[2:] & heated_below[1:-1]
    together = tells & (upper_k > _RISE_K) & (upper_k > 0.5 * lower_k - _RISE_K) & (above_k[2:] < _OFFSETS_K)
    same[2:] = together | (same[2:] & ~(tells & (lower_k > _CLEAR_RISE_K)))
    return same


def _apart(
    sensors_degc: Array, charges: Sequence[Charge], heated_below: NDArray[np.bool_], agree: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """
    Which sensors stand in warm water of their own, for sure: the next one below warms, and they do not.

    So it is from then on, until the tank is heated from above or the two rise together. (blocks, sensors - 1)
    """
    rise_k = np.zeros_like(sensors_degc)
    rise_k[2:] = sensors_degc[2:] - sensors_degc[:-2]
    upper_k, lower_k = rise_k[:, :-1], rise_k[:, 1:]
    tells = heated_below & (lower_k > _CLEAR_RISE_K)
    tells[1:] &= heated_below[:-1]
    apart = tells & (upper_k < 0.5 * lower_k - _RISE_K)
    heated = np.logical_or.reduce([charge.rise_k > 0 for charge in charges])[:, None]
    over = (agree | tells | (heated & ~heated_below)) & ~apart
    block = np.arange(len(apart))[:, None]
    last_apart, last_over = (np.maximum.accumulate(np.where(flags, block, -1)) for flags in (apart, over))
    return np.asarray(last_apart > last_over)


def slack_k(depths: tuple[float, ...], sensors_degc: Array, charges: Sequence[Charge]) -> Array:
    """
    How much cooler water may rise: some where it stands between sensors that agree, anywhere if all of them do.

    Less than none above a sensor that stands in water of its own: there the account may be off. (blocks, LAYERS - 1)
    """
    if len(depths) < _TWO:
        return np.zeros((len(sensors_degc), LAYERS - 1))
    heated_below = _heated_below(depths, charges) if charges else None
    agree = _agree(sensors_degc, heated_below)
    around, most_k = _at_edges(depths)
    throughout = np.logical_and.reduce(agree, axis=1, keepdims=True)
    found_k = np.where(np.concatenate((agree, throughout), axis=1)[:, around], most_k, 0.0)
    if heated_below is not None:
        apart = _apart(sensors_degc, charges, heated_below, agree)
        found_k[apart @ _edges_above(depths)] = -_HELD_APART_K
    return found_k


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
