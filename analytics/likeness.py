"""
How much a tank is like plug flow and how much like a row of stirred vessels, by what its sensors tell.

Both ways of `analytics.layers` say what a sensor should show. Where they differ the sensor tells which of them the tank
follows: the part of plug flow is that of a straight line through nought, by least squares with a part to begin with.
A sensor that stands higher or lower than it is said to tells the same untruth day after day wherever the water is
layered; so each one's place is sought beside the part, in one and the same fit, from where it should stand to begin
with. The part is then known as far as places do not explain what sensors show.

In virtual tanks of 16 stirred nodes it came to 0 within days, with 48 nodes to some 0.3, in tanks of parcels of water
that do not mix to nearly 1. To move the sensors in the account to the places found brought no better account: what
else is wrong with it looks like a place too.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["UNTOLD", "Likeness"]

Array = NDArray[np.float64]

_PART_AT_FIRST = 0.35
_AS_IF_TOLD = 4.0  # as much as one clear word of a sensor could tell: an account's first days lie between the two
_U_SENSOR_K = 0.5  # of a sensor against what an account expects; common practice
_U_STANDS = 0.25  # of where a sensor stands, in its equal part of the height; common practice
_U_BETWEEN = 0.08  # of what lies between the places where it may stand, for that is no straight line; half did alike
_U_WAYS = 0.5  # of what the two ways are apart: no tank follows either of them quite
_MOST_BEYOND = 0.5  # times what both ways, and the places, are apart: what is further off tells of something else
_MOST_TOLD = 40.0  # a week or more; what is told later counts for more


@dataclass(frozen=True, slots=True)
class Likeness:
    """
    Sums over what sensors have told until now, each over the variance of such a word: the fit's normal equations.

    Args:
        off: How far the sensor was from the stirred account × how far plug flow was from it.
        apart: The latter squared.
        places: By sensor, the same with `slope` (what lies between the highest and the lowest place where it may be):
            apart × slope, slope squared and off × slope.
    """

    off: float = 0.0
    apart: float = 0.0
    places: tuple[tuple[float, float, float], ...] = ()

    @property
    def part(self) -> float:
        """Of plug flow in the tank, 0 to 1."""
        off, apart = self.off + _AS_IF_TOLD * _PART_AT_FIRST, self.apart + _AS_IF_TOLD
        for apart_slope, slope, off_slope in self.places:
            by_place = apart_slope / (slope + 1.0 / _U_STANDS**2)
            off -= by_place * off_slope
            apart -= by_place * apart_slope
        return min(max(off / apart, 0.0), 1.0)

    def told(self, sensors_degc: Array, *, stirred: Array, plug: Array, slope_k: Array) -> "Likeness":
        """
        What is known with some more words of sensors. Of other sensors than before, places are sought anew.

        Args:
            sensors_degc: NaN where not known. Shape (words, sensors), as of the others
            stirred, plug: What either way says that they should show. [degC]
            slope_k: How much warmer it is at the highest place where each may be than at the lowest.
        """
        apart_k = plug - stirred
        beyond_k = _MOST_BEYOND * (np.abs(apart_k) + np.abs(slope_k))
        off_k = sensors_degc - stirred
        off_k = np.clip(off_k, np.minimum(apart_k, 0.0) - beyond_k, np.maximum(apart_k, 0.0) + beyond_k)
        weight = 1.0 / (_U_SENSOR_K**2 + (_U_BETWEEN * slope_k) ** 2 + (_U_WAYS * apart_k) ** 2)
        weight, off_k = np.where(np.isnan(off_k), 0.0, weight), np.nan_to_num(off_k)
        off = self.off + float((off_k * apart_k * weight).sum())
        apart = self.apart + float((apart_k * apart_k * weight).sum())
        by_place = np.stack([(k * slope_k * weight).sum(axis=0) for k in (apart_k, slope_k, off_k)], axis=1)
        if len(self.places) == len(by_place):
            by_place += self.places
        kept = min(1.0, _MOST_TOLD / max(apart, _MOST_TOLD))
        return Likeness(kept * off, kept * apart, tuple((a, s, o) for a, s, o in (kept * by_place).tolist()))


UNTOLD = Likeness()
"""Of a tank as its account begins."""
