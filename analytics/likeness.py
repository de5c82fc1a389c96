"""
How much a tank is like plug flow and how much like a row of stirred vessels, by what its sensors tell.

Both ways of `analytics.layers` say what a sensor should show. Where they differ the sensor tells which of them the tank
follows: the part of plug flow is that of a straight line through nought, by least squares with a part to begin with.
In virtual tanks of 16 stirred nodes it came to 0 within days, with 48 nodes to some 0.3, in tanks of parcels of water
that do not mix to nearly 1.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["UNTOLD", "Likeness"]

Array = NDArray[np.float64]

_PART_AT_FIRST = 0.35
_AS_IF_TOLD = 4.0  # as much as one clear word of a sensor could tell: an account's first days lie between the two
_U_SENSOR_K = 0.5  # of a sensor against what an account expects; common practice
_U_PLACE = 0.25  # of where a sensor stands, in its equal part of the height; common practice
_U_WAYS = 0.5  # of what the two ways are apart: no tank follows either of them quite
_MOST_BEYOND = 1.5  # times what they are apart, from their middle: what is further off tells of something else
_MOST_TOLD = 40.0  # a week or more; what is told later counts for more


@dataclass(frozen=True, slots=True)
class Likeness:
    """
    Sums over what sensors have told until now, both over the variance of such a word.

    Args:
        off: How far the sensor was from the stirred account × how far plug flow was from it.
        apart: The latter squared.
    """

    off: float = 0.0
    apart: float = 0.0

    @property
    def part(self) -> float:
        """Of plug flow in the tank, 0 to 1."""
        part = (self.off + _AS_IF_TOLD * _PART_AT_FIRST) / (self.apart + _AS_IF_TOLD)
        return min(max(part, 0.0), 1.0)

    def told(self, sensors_degc: Array, *, stirred: Array, plug: Array, around_k: Array) -> "Likeness":
        """
        What is known with some more words of sensors.

        Args:
            sensors_degc: NaN where not known. Any shape, as of the others
            stirred, plug: What either way says that they should show. [degC]
            around_k: What lies between the highest and the lowest place where each may be.
        """
        apart_k = plug - stirred
        most_k = _MOST_BEYOND * np.abs(apart_k)
        off_k = np.clip(sensors_degc - stirred - 0.5 * apart_k, -most_k, most_k) + 0.5 * apart_k
        weight = 1.0 / (_U_SENSOR_K**2 + (_U_PLACE * around_k) ** 2 + (_U_WAYS * apart_k) ** 2)
        told = ~np.isnan(off_k)
        off = self.off + float((off_k * apart_k * weight)[told].sum())
        apart = self.apart + float((apart_k * apart_k * weight)[told].sum())
        kept = min(1.0, _MOST_TOLD / max(apart, _MOST_TOLD))
        return Likeness(kept * off, kept * apart)


UNTOLD = Likeness()
"""Of a tank as its account begins."""
