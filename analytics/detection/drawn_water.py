"""
When, within a draw, water surely ran: as far as the meter of the taps' path tells.

A meter that is read every few minutes, or speaks only when it has counted on, says that water ran between two
readings, not when. What a pipe shows in between may be water that has stood in it for minutes.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.plant import Draw, Signal

__all__ = ["Stretch", "drawn_stretches"]

_CLOSE_S = 120.0  # readings of a meter so close tell when water ran (common practice)
_TAP_M3_S = 1e-4  # an ordinary tap, 6 l/min (common practice): by it a volume tells how long water ran


@dataclass(frozen=True, slots=True)
class Stretch:
    """
    A part of a draw after its settling.

    Args:
        seconds: For how long water ran in it.
        throughout: Whether it ran all the while; if not, only the warmest reading can be of running water.
    """

    start_s: float
    end_s: float
    seconds: float
    throughout: bool

    def cool_part(self, degc: NDArray[np.float64], limit_degc: float) -> float:
        """The part of the running water that was below a limit, by the readings of the stretch."""
        return (
            float(np.count_nonzero(degc < limit_degc) / len(degc))
            if self.throughout
            else float(degc.max() < limit_degc)
        )

    def delivered_degc(self, degc: NDArray[np.float64]) -> float:
        """How warm the running water was, by the readings of the stretch."""
        return float(degc.mean() if self.throughout else degc.max())


def drawn_stretches(draw: Draw, meter: Signal | None, settling_s: float) -> Sequence[Stretch]:
    """The stretches of a draw in which water ran for longer than pipes and sensors take to settle."""
    if meter is None or len(meter.time_s) == 0:
        return _settled(draw.start_s, draw.end_s, settling_s)
    first, end = meter.time_s.searchsorted(draw.start_s, "right"), meter.time_s.searchsorted(draw.end_s)
    inner = meter.time_s[first:end]
    edges = np.concatenate(([draw.start_s], inner, [draw.end_s]))
    return [found for found in _stretches(meter, edges, settling_s) if found.seconds > 0]


def _settled(start_s: float, end_s: float, settling_s: float) -> Sequence[Stretch]:
    return [Stretch(start_s + settling_s, end_s, end_s - start_s - settling_s, throughout=True)]


def _stretches(meter: Signal, edges: NDArray[np.float64], settling_s: float) -> Iterator[Stretch]:
    start_s = float(edges[0])
    for one_s, other_s in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        if other_s - one_s <= _CLOSE_S or _runs_throughout(meter, one_s, other_s):
            continue
        if one_s > start_s:
            yield from _settled(start_s, one_s, settling_s)
        ran_s = min(_volume_m3(meter, one_s, other_s) / _TAP_M3_S, other_s - one_s)
        yield Stretch(one_s, other_s, ran_s - settling_s, throughout=False)
        start_s = other_s
    if edges[-1] > start_s:
        yield from _settled(start_s, float(edges[-1]), settling_s)


def _runs_throughout(meter: Signal, one_s: float, other_s: float) -> bool:
    """Whether a flow was there at both ends."""
    return meter.point.sampling == "instant" and bool(np.interp((one_s, other_s), meter.time_s, meter.value).min() > 0)


def _volume_m3(meter: Signal, one_s: float, other_s: float) -> float:
    one, other = np.interp((one_s, other_s), meter.time_s, meter.value).tolist()
    if meter.point.sampling == "counter":
        return float(other - one)
    return float((other if meter.point.sampling == "mean" else (one + other) / 2) * (other_s - one_s))
