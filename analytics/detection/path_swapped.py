"""`sensor-swapped` in the hot water's path: while the taps run, the cold water's sensor is the warmer one."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Clear, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import clock, instant_ms
from analytics.figures import DayLedger
from analytics.pair_order import pair_limit_k
from analytics.plant import Draw, HotWaterDay, PlantDay
from analytics.site import HotWater, Site

__all__ = ["PathSwapped"]


@dataclass(frozen=True, slots=True)
class _Seen:
    """A draw with both sensors at the water's temperature; `mixed_degc` is NaN where it is not measured."""

    draw: Draw
    cold_degc: float
    hot_degc: float
    mixed_degc: float


@dataclass(frozen=True, kw_only=True)
class PathSwapped:
    """
    The sensors of cold and of hot water in each other's place: in draw after draw the "cold" water is the hot one.

    Not this: a tank that is used up, whose water is as cold as the feed; a hot sensor that reads far too low, for the
    mixed water then is warmer than both.
    """

    kind: ClassVar[str] = "sensor-swapped"
    rejoin: ClassVar[timedelta] = timedelta(days=7)
    settling: timedelta = timedelta(seconds=45)  # pipes and sensors warm up first
    min_draws: int = 3
    wrong_k: float = 10.0  # beyond the limits of error; a feed pipe in a warm room is less above a cold tank
    hot_degc: float = 30.0  # no mains are so warm
    between_k: float = 2.0  # mixed water lies between the two, but for so much

    def needs(self, site: Site) -> Sequence[Need]:
        path = site.hot_water
        if path is None:
            return []
        if not (path.cold and path.hot):
            return [Need("hot_water", "The hot water's path has no pair of cold and hot sensors.")]
        return [Need("hot_water", "" if path.flow or path.volume else "No flow of hot water is measured.")]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        path, water = plant.site.hot_water, plant.hot_water
        if path is None or water is None or not {"cold", "hot"} <= water.sensors.keys():
            return NotAssessed("Cold or hot water's temperature is not known.")
        limit_k = pair_limit_k(plant.site, path.cold or "", path.hot or "")
        wrong: list[_Seen] = []
        right: list[_Seen] = []
        rows: list[tuple[list[_Seen], _Seen | None]] = []
        for draw in water.draws:
            seen = self._seen(draw, water)
            if seen is None:
                continue
            if self._is_wrong(seen, limit_k):
                wrong.append(seen)
            elif seen.hot_degc > seen.cold_degc + limit_k:
                right.append(seen)
                rows += [(wrong, seen)] if wrong else []
                wrong = []
        rows += [(wrong, None)] if wrong else []
        found = [
            self._finding(plant, path, row, end, limit_k=limit_k) for row, end in rows if len(row) >= self.min_draws
        ]
        well_ms = instant_ms(plant, right[0].draw.start_s) if right else None
        if found:
            return Fault(tuple(found), well_ms if well_ms is not None and well_ms < found[0].began_ms else None)
        return NotAssessed("No draw told cold from hot.") if well_ms is None else Clear(well_ms)

    def _seen(self, draw: Draw, water: HotWaterDay) -> _Seen | None:
        """Means of the settled part of a draw; None where it was too short."""
        means = {}
        for place in ("cold", "hot", "mixed"):
            signal = water.sensors.get(place)
            if signal is None:
                continue
            first = int(signal.time_s.searchsorted(draw.start_s + self.settling.total_seconds()))
            stop = int(signal.time_s.searchsorted(draw.end_s, side="right"))
            if stop > first:
                means[place] = float(signal.value[first:stop].sum()) / (stop - first)
        if not {"cold", "hot"} <= means.keys():
            return None
        return _Seen(draw, means["cold"], means["hot"], means.get("mixed", np.nan))

    def _is_wrong(self, seen: _Seen, limit_k: float) -> bool:
        is_turned = seen.cold_degc - seen.hot_degc > limit_k + self.wrong_k and seen.cold_degc >= self.hot_degc
        outside = seen.mixed_degc < seen.hot_degc - self.between_k or seen.mixed_degc > seen.cold_degc + self.between_k
        return is_turned and not outside

    def _finding(
        self, plant: PlantDay, path: HotWater, row: Sequence[_Seen], end: _Seen | None, *, limit_k: float
    ) -> Finding:
        began_ms = instant_ms(plant, row[0].draw.start_s)
        evidence: dict[str, float | int | str | None] = {
            "since": clock(began_ms, plant.day.timezone),
            "cold": path.cold,
            "hot": path.hot,
            "draws": len(row),
            "cold_degc": round(float(np.mean([each.cold_degc for each in row])), 1),
            "hot_degc": round(float(np.mean([each.hot_degc for each in row])), 1),
            "limit_k": round(limit_k + self.wrong_k, 2),
            "min_draws": self.min_draws,
            "least_hot_degc": self.hot_degc,
        }
        return Finding(
            began_ms=began_ms,
            ended_ms=None if end is None else instant_ms(plant, end.draw.start_s),
            detected_ms=instant_ms(plant, row[self.min_draws - 1].draw.end_s),
            severity="soon",
            template=_SENTENCE,
            evidence=evidence,
            likely_causes=_CAUSES,
            checks=(
                "Let a hot tap run and see which name in the readings rises.",
                f'If they are exchanged, write cold = "{path.hot}" and hot = "{path.cold}" in [hot_water] of the site '
                "file, or exchange their plugs; not both.",
                "Hot pipes can burn.",
            ),
            cost_per_day=None,
            weight_s=sum(each.draw.end_s - each.draw.start_s for each in row),
        )


_SENTENCE = (
    "In {draws} draws since {since} the cold water's sensor {cold} showed {cold_degc:.0f} degC and the hot water's "
    "sensor {hot} {hot_degc:.0f} degC; {cold} and {hot} seem to have changed places."
)
_CAUSES = (
    "cold and hot exchanged in the wiring, on the pipes or in the site file",
    "the tank's cold and hot connections exchanged",
)
