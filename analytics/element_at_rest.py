"""
What proves that an electric element heats although its power or status stands at rest.

A clamp that is not closed makes the backup seem to need nothing, and the saving too good. The tank tells: beside the
element water grows warmer while the taps are closed and every other stage of the tank rests. By itself it only cools.
Limits are common practice, without source.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import inf, isnan

import numpy as np
from numpy.typing import NDArray

from analytics.heard import Heard
from analytics.heats_now import may_heat, mean_degc, others_of
from analytics.inputs import is_running
from analytics.plant import MOVES_M3_S
from analytics.scatter import scatter_k
from analytics.site import Point, Site, Stage

__all__ = ["ElementAtRest", "elements_at_rest"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Span = tuple[float, float]

_REST_S = 4 * 3600.0
_LOOK_S = 300.0
_AFTER_LOOKS = 6  # half an hour, after which walls and pipes bring no more of a stage that has stopped
_FRESH_S = 900.0  # gateways that speak on change repeat a value at least so often
_CLIMB_K = 1.0  # while all is quiet: beyond noise, and a coarse sensor that falls back and forth
_CLIMB_OF_SCATTER = 8.0  # of a noisy sensor: two hundred normal values span six standard deviations, seldom seven
_CLIMBS = 2
_PROOF_K = 4.0  # of such climbs in all


@dataclass(frozen=True, slots=True)
class ElementAtRest:
    """
    An element must not be said to rest while the water beside it grows warmer and nothing else heats the tank.

    Not this: a stage that has just stopped, or of which nobody knows whether it rests; layers that even out; a sensor
    on the outlet's pipe, which warms when water is drawn.

    Args:
        beside: The tank's sensors at the element's height, or the nearest above it.
        others: What shows the tank's other stages at work.
        meter: Of the taps, where the tank is on their path.
    """

    element: Point
    beside: tuple[str, ...]
    others: tuple[Point, ...]
    meter: Point | None
    shortest_s: float = _REST_S
    above: float = -inf

    @property
    def point(self) -> str:
        return self.element.id

    def has_moved(self, _heard: Heard, _span: Span, *, days_before: bool) -> bool:
        return True  # a clamp that was never closed needs no past

    def proved_s(self, heard: Heard, span: Span) -> float:
        stands = heard.within(self.point, span)[1][:1]
        if not len(stands) or self._says_on(stands) or max(heard.swing(each, span) for each in self.beside) < _CLIMB_K:
            return inf
        time_s = np.arange(span[0], span[1], _LOOK_S)
        degc = mean_degc(heard, self.beside, time_s)
        if np.fmax.reduce(degc[1:] - degc[:-1], initial=0.0) <= 0:
            return inf
        n_climbs, climbed_k, looks = 0, 0.0, degc.tolist()
        least_k = max(_CLIMB_K, _CLIMB_OF_SCATTER * scatter_k(degc))
        for start, stop in self._quiet(heard, time_s):
            climb_k, highest = _climb(looks[start:stop])
            if climb_k < least_k:
                continue
            n_climbs, climbed_k = n_climbs + 1, climbed_k + climb_k
            if n_climbs >= _CLIMBS and climbed_k >= _PROOF_K:
                return max(float(time_s[start + highest]), span[0] + self.shortest_s)
        return inf

    def _says_on(self, stands: Array) -> bool:
        return self.element.sampling != "counter" and bool(is_running(stands, None, self.element.quantity)[0] > 0)

    def _quiet(self, heard: Heard, time_s: Array) -> list[tuple[int, int]]:
        """First look and the one after the last of each time in which nothing is drawn and no other stage works."""
        busy = np.concatenate(([0], np.cumsum(may_heat(heard, self.others, time_s))))
        looks = np.arange(len(time_s))
        rested = busy[looks + 1] == busy[np.maximum(looks - _AFTER_LOOKS, 0)]
        drawn = np.zeros(len(time_s), bool) if self.meter is None else _moved(heard, self.meter, time_s)
        # Of a look after a draw only what follows counts, so that the draw's own change is no climb.
        framed = np.concatenate(([False], rested, [False]))
        edges = ((framed[1:] != framed[:-1]) | np.concatenate((drawn, [False]))).nonzero()[0]
        bounds = zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
        return [(start, stop) for start, stop in bounds if rested[start] and stop - start > 1]


def _climb(degc: Sequence[float]) -> tuple[float, int]:
    """How far a temperature rises above its lowest before, and at which look, until one is not known. [K]"""
    lowest, climb_k, highest = inf, 0.0, 0
    for look, value in enumerate(degc):
        if isnan(value):
            break
        if value < lowest:
            lowest = value
        elif value - lowest > climb_k:
            climb_k, highest = value - lowest, look
    return climb_k, highest


def _moved(heard: Heard, meter: Point, time_s: Array) -> Flags:
    """Whether a meter showed water that moved since the look before, or was not heard then."""
    at_s, value = heard.within(meter.id, (time_s[0] - _LOOK_S, time_s[-1]))
    if len(at_s) < 2:
        return np.ones(len(time_s), bool)
    moves = np.append(False, np.diff(value) > 0) if meter.sampling == "counter" else value > MOVES_M3_S
    seen, until = np.concatenate(([0], np.cumsum(moves))), at_s.searchsorted(time_s, side="right")
    moved = seen[until] > np.concatenate(([0], seen[until[:-1]]))
    return np.asarray(moved | (heard.age_s(meter.id, time_s) > _FRESH_S + meter.interval_s))


def elements_at_rest(site: Site) -> Iterator[ElementAtRest]:
    """One rule for each element in a tank whose sensors and other stages can tell."""
    path = site.hot_water
    for stage in site.stages.values():
        if not stage.heater or not stage.tank:
            continue
        heater, beside, others = site.heaters[stage.heater], _beside(site, stage), others_of(site, stage)
        point = heater.power or heater.status
        is_drawn = path is not None and stage.tank in path.tanks
        meter = (path.flow or path.volume) if path is not None and is_drawn else None
        if point and beside and others is not None and (meter or not is_drawn):
            yield ElementAtRest(site.points[point], beside, others, site.points[meter] if meter else None)


def _beside(site: Site, stage: Stage) -> tuple[str, ...]:
    points = site.tanks[stage.tank or ""].temperatures
    heights = [1.0 - (index + 0.5) / len(points) for index in range(len(points))]
    within = [p for p, height in zip(points, heights, strict=True) if stage.height[0] <= height <= stage.height[1]]
    above = [p for p, height in zip(points, heights, strict=True) if height > stage.height[1]]
    return tuple(within or above[-1:])
