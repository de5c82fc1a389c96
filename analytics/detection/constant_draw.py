"""`constant-draw`: water runs without pause."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Explainer, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import Episode, Flags, cells_passed, duration, episodes, judge, lasting
from analytics.detection.telling import Advice, counted, tell
from analytics.detection.worth import JOULES_PER_KWH, heat_price
from analytics.figures import DayLedger
from analytics.plant import CELL_S, HotWaterDay, PlantDay
from analytics.site import Site

__all__ = ["ConstantDraw"]


@dataclass(frozen=True, kw_only=True)
class ConstantDraw:
    """
    Water that runs for hours without a minute's pause: a leak, a tap left open, a cross connection.

    Not this: filling a bath, showers one after the other; people who wait for warm water while the backup gives
    nothing, which ends when they sleep.
    """

    kind: ClassVar[str] = "constant-draw"
    rejoin: ClassVar[timedelta] = timedelta(hours=24)
    min_running: timedelta = timedelta(hours=2)  # no household use lasts so long without a pause (common practice)
    min_pause: timedelta = timedelta(minutes=3)  # without any flow
    runs_l_min: float = 0.05  # from here on a meter's flow is flow
    awake: timedelta = timedelta(hours=16)  # of a day; a leak runs on (common practice)

    def needs(self, site: Site) -> Sequence[Need]:
        hot_water = site.hot_water
        if hot_water is None:
            return []
        metered = hot_water.flow or hot_water.volume
        return [Need("hot_water", "" if metered else "No flow of hot water is measured.")]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        water = plant.hot_water
        if water is None:
            return NotAssessed("The flow of hot water is not known.")
        passed = np.arange(len(water.flow_m3_s)) < cells_passed(plant)
        runs = passed & (water.flow_m3_s * 6e4 >= self.runs_l_min)
        healthy = lasting(passed & (water.flow_m3_s <= 0), _cells(self.min_pause))
        return judge(
            plant,
            episodes(runs / _cells(self.min_running), healthy),
            healthy,
            tell=lambda episode: self._finding(plant, water, runs, episode=episode),
            unseen="The flow of hot water is not known, or never stood still for long enough to tell.",
        )

    def _finding(self, plant: PlantDay, water: HotWaterDay, runs: Flags, *, episode: Episode) -> Finding:
        cells = counted(runs, episode)
        seconds = float(np.count_nonzero(cells)) * CELL_S
        # What runs at the quietest times is the leak; the rest was used.
        leak_m3_s = float(np.quantile(water.flow_m3_s[cells], 0.1))
        heat_j_m3 = float(np.nansum(water.heat_w[cells])) / float(water.flow_m3_s[cells].sum())
        price = heat_price(plant)
        lost_kwh = leak_m3_s * 86400 * heat_j_m3 / JOULES_PER_KWH
        evidence: dict[str, float | int | str | None] = {
            "running": duration(seconds),
            "running_min": round(seconds / 60),
            "leak_l_min": round(leak_m3_s * 6e4, 2),
            "leak_l_day": round(leak_m3_s * 86400 * 1000),
            "heat_kwh_day": round(lost_kwh, 2),
            "min_running_min": self.min_running / timedelta(minutes=1),
            "runs_limit_l_min": self.runs_l_min,
        }
        cost = None if price is None else max(lost_kwh, 0.0) * price
        found = tell(plant, episode, _ADVICE, evidence=evidence, weight_s=seconds, cost=cost)
        is_leak = seconds >= self.awake.total_seconds()
        return found if is_leak else replace(found, explained_by=_no_output(plant.site))


def _no_output(site: Site) -> tuple[Explainer, ...]:
    """Backups that give nothing on the day that is judged."""
    backups = (each.heater or each.loop or each.id for each in site.stages.values() if each.backup)
    kinds = ("heater-no-output", "loop-no-flow")
    return tuple(Explainer(kind, backup, now=True) for backup in backups for kind in kinds)


_ADVICE = Advice(
    "soon",
    "Hot water has run without pause since {since}, for {running}, never less than about {leak_l_min:.1f} l/min: "
    "{leak_l_day} l and {heat_kwh_day:.1f} kWh a day if it goes on.",
    (
        "a tap or shower left open, or dripping strongly",
        "a leak in a hot-water pipe",
        "the relief valve passes: pressure or temperature too high",
        "a cross connection to the cold water, or recirculation left open through the meter",
    ),
    (
        "Ask the house to close all taps and look whether the flow stops.",
        "Look from a distance at the relief valve's pipe: steam or hot water there is urgent; do not plug it.",
        "Close the shut-off of the hot water, with the heater switched off, if water escapes; call a licensed plumber.",
    ),
)


def _cells(length: timedelta) -> int:
    return round(length.total_seconds() / CELL_S)
