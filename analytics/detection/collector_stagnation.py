"""`collector-stagnation`: a collector stands in the sun without flow, far above its working range."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Clear, Evidence, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import Episode, Flags, cells_passed, duration, episodes, highest
from analytics.detection.pair_days import day_start_ms
from analytics.detection.sunshine import collector_of, collector_sun, tank_ends
from analytics.detection.telling import Advice, tell
from analytics.detection.worth import JOULES_PER_KWH, heat_price
from analytics.expected.conditions import conditions_of
from analytics.expected.stagnation import STAGNANT_DEGC, STAGNANT_H, stagnant_cells
from analytics.figures import DayLedger
from analytics.plant import CELL_S, PlantDay
from analytics.site import Collector, Site

__all__ = ["CollectorStagnation"]

_Day = tuple[date, float]
"""A day and the hours in which the collector stagnated."""


@dataclass(frozen=True, kw_only=True)
class CollectorStagnation:
    """
    A collector far above its working range because nothing takes its heat away: most often its tank is full.

    Days on which it comes back soon are one alert, which ends when the collector has kept cool for some days.

    Not this: a pump that is called and moves nothing (`loop-no-flow`), or that is not started beside a cold tank
    (`loop-never-called`): these are told instead; minutes of heat before a pump starts; a sensor strapped to the pipe
    outside the collector, which does not see how hot that is.
    """

    kind: ClassVar[str] = "collector-stagnation"
    rejoin: ClassVar[timedelta] = timedelta(days=7)
    limit_degc: float = STAGNANT_DEGC
    min_hot: timedelta = timedelta(minutes=30)  # a start after a cold morning is over sooner (common practice)
    cool_days: int = 3  # without stagnation end it: a dull day or two prove nothing (common practice)
    week_days: int = 7
    often_days: int = 3  # of these: no hot spell any more, but more collector than the house can use (common practice)

    def needs(self, site: Site) -> Sequence[Need]:
        return [
            Need(
                loop.id, "" if loop.leaving else f"The temperature of the collector of loop {loop.id} is not measured."
            )
            for loop in site.loops.values()
            if collector_of(site, loop.id)
        ]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        collector, loop = collector_of(plant.site, component), plant.loops.get(component)
        if collector is None or loop is None or np.isnan(loop.leaving_degc).all():
            return NotAssessed(f"The temperature of the collector of loop {component} is not known.")
        passed = np.arange(len(loop.leaving_degc)) < cells_passed(plant)
        hot = stagnant_cells(plant, collector, limit_degc=self.limit_degc) & passed
        seen = _seen(history, collector)
        # That it cools in the evening, or runs in the morning, does not end it: the next noon will be as hot.
        found = episodes(hot / (self.min_hot.total_seconds() / CELL_S), np.zeros(len(hot), bool))
        if found:
            return Fault((self._finding(plant, collector, (hot, seen), episode=found[0]),))
        return self._kept_cool(plant, component, seen)

    def _kept_cool(self, plant: PlantDay, loop: str, seen: Sequence[_Day]) -> Verdict:
        stood = [index for index, (_, hours) in enumerate(seen) if self._is_stagnant(hours)]
        cool = seen[stood[-1] + 1 if stood else 0 :]
        if len(cool) < self.cool_days:
            return NotAssessed(f"The collector of loop {loop} has not kept cool for long enough to tell.")
        return Clear(day_start_ms(plant, cool[0][0]))

    def _is_stagnant(self, hours: float) -> bool:
        return hours >= self.min_hot / timedelta(hours=1)

    def _finding(
        self, plant: PlantDay, collector: Collector, judged: tuple[Flags, Sequence[_Day]], *, episode: Episode
    ) -> Finding:
        hot, seen = judged
        sun, seconds = collector_sun(plant, collector), float(np.count_nonzero(hot)) * CELL_S
        tank_degc = highest(np.fmax(*tank_ends(plant, collector.loop))[hot])
        is_full = bool(np.count_nonzero(sun.is_full & hot) >= 0.5 * np.count_nonzero(hot))
        since = plant.day.date - timedelta(days=self.week_days)
        week_h = [hours for day, hours in seen if day > since and self._is_stagnant(hours)] + [seconds / 3600]
        lost_kwh = float(np.nansum(sun.offered_w[hot & ~sun.is_full])) * CELL_S / JOULES_PER_KWH
        evidence: Evidence = {
            "loop": collector.loop,
            "lasting": duration(seconds),
            "stagnant_min": round(seconds / 60),
            "highest_degc": highest(plant.loops[collector.loop].leaving_degc[hot], 0),
            "limit_degc": self.limit_degc,
            "min_hot_min": self.min_hot / timedelta(minutes=1),
            "tank_degc": tank_degc,
            "is_tank_full": "not known" if tank_degc is None else "yes" if is_full else "no",
            "highest_irradiance_w_m2": highest(sun.irradiance_w_m2[hot], 0),
            "days": len(week_h),
            "week_days": self.week_days,
            "week": duration(sum(week_h) * 3600),
            "often_days": self.often_days,
            "not_collected_kwh": round(lost_kwh, 2) if lost_kwh > 0 else None,
        }
        price = heat_price(plant)
        cost = None if price is None or lost_kwh <= 0 else lost_kwh * price
        advice = self._advice(is_full=None if tank_degc is None else is_full, n_days=len(week_h))
        # Days that follow each other weigh more than one: what they tell together is shown.
        return tell(plant, episode, advice, evidence=evidence, weight_s=sum(week_h) * 3600, cost=cost)

    def _advice(self, *, is_full: bool | None, n_days: int) -> Advice:
        often = n_days >= self.often_days
        for_long = " for {week} on {days} of the last {week_days} days" if n_days > 1 else " for {lasting}"
        tank = {None: ".", True: _FULL, False: _NOT_FULL}[is_full]
        causes = (*_OFTEN_CAUSES, *_CAUSES) if often else (*_CAUSES, *_OFTEN_CAUSES)
        advice = Advice("watch", _SENTENCE + for_long + tank, causes, _CHECKS)
        if is_full is False:
            return replace(advice, severity="soon", likely_causes=_REST_CAUSES)
        return replace(advice, severity="soon") if often else advice


_SENTENCE = (
    "The collector of the {loop} loop has stood in the sun without flow since {since}, far above its working range: up "
    "to {highest_degc:.0f} degC, above {limit_degc:.0f} degC"
)
_FULL = "; its tank was full ({tank_degc:.0f} degC)."
_NOT_FULL = "; its tank could have taken more heat ({tank_degc:.0f} degC)."
_CAUSES = (
    "nobody draws hot water in a sunny time (holiday), so the tank is full before noon",
    "the controller's tank limit is set low",
)
_OFTEN_CAUSES = ("more collector, or a smaller tank, than the house can use in summer",)
_REST_CAUSES = (
    "the controller keeps its pump at rest: collector limit passed after a stop, or tank limit set too low",
    "power cut, or the pump switched off by hand, in strong sun",
    "a tank sensor displaced, so that the controller takes the tank for full",
    "circulator failed, air or steam in the loop",
)
_CHECKS = (
    "Do not open, drain or fill the circuit, nor start its pump by hand, while the collector is hot: steam under "
    "pressure scalds, and cold fluid breaks hot glass and joints; wait until evening.",
    "In the morning, while it is cold, compare the pressure with the value noted at commissioning: fluid may have "
    "blown off through the relief valve. Let the expansion vessel be tested; never close or cap the valve.",
    "Glycol ages quickly above 120 to 140 degC: let its pH, colour and freezing point be tested, and exchange fluid "
    "that is dark or acid.",
    "Read the controller's limits for tank and collector; a cooling function at night or for holidays, where it has "
    "one, spares the fluid.",
    "If it comes back each summer: cover a part of the collector, use its heat elsewhere, or let a licensed installer "
    "set it steeper or smaller. The roof is for those who are secured there.",
)


def _seen(history: Sequence[DayLedger], collector: Collector) -> Sequence[_Day]:
    """Days of which it is known for how long the collector stagnated, oldest first."""
    name = f"collector.{collector.id}.{STAGNANT_H}"
    told = [(day.day, conditions_of(day)) for day in history]
    return [(day, known[name]) for day, known in told if name in known]
