"""`collector-stagnation`: a collector stands in the sun without flow, far above its working range."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Clear, Evidence, Explainer, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import Episode, Flags, cells_passed, duration, episodes, highest, instant_ms
from analytics.detection.pair_days import day_start_ms
from analytics.detection.shut_out import shuts_out
from analytics.detection.sunshine import collector_of, collector_sun, tank_ends
from analytics.detection.telling import Advice, Stretch, tell_of
from analytics.detection.worth import JOULES_PER_KWH, heat_price
from analytics.expected.conditions import conditions_of
from analytics.expected.stagnation import STAGNANT_DEGC, STAGNANT_H, stagnant_cells
from analytics.figures import DayLedger
from analytics.plant import CELL_S, PlantDay
from analytics.site import Collector, Site

__all__ = ["CollectorStagnation"]

_Day = tuple[date, float]
"""A day and the hours in which the collector stagnated."""


_NEVER = timedelta(days=2)  # longer than any day


@dataclass(frozen=True, slots=True)
class _Stood:
    """
    A day's stagnation: its cells, those beside a tank known not to be full, those hotter than the fluid bears.

    `week` are the days before that count with it; `shut_out_by` the alerts of backups that kept the collector out on
    most of these.
    """

    hot: Flags
    beside_cold: Flags
    too_hot: Flags
    week: Sequence[_Day]
    shut_out_by: tuple[Explainer, ...] = ()


@dataclass(frozen=True, kw_only=True)
class CollectorStagnation:
    """
    A collector far above its working range because nothing takes its heat away: beside a tank that could, day after
    day, or hotter than its fluid bears.

    It ends when the collector has kept cool for some days; that it cools each evening does not end it.

    Not this: the end of a hot day, or of a hot spell, with a full tank; a pump that is called and moves nothing
    (`loop-no-flow`) or is not started beside a cold tank (`loop-never-called`), an element that fills the tank
    (`heater-always-on`), or a backup that keeps it so hot that no sun is let in (`heater-preempts`): these are told
    instead; a sensor strapped to the pipe outside the collector, which does not see how hot that is.
    """

    kind: ClassVar[str] = "collector-stagnation"
    rejoin: ClassVar[timedelta] = timedelta(days=7)
    limit_degc: float = STAGNANT_DEGC
    min_hot: timedelta = timedelta(minutes=30)  # a start after a cold morning is over sooner (common practice)
    week: timedelta = timedelta(days=7)
    # Of a week, three hours a day on most of its days: hot spells of ordinary houses stay below (common practice).
    often: timedelta = timedelta(hours=20)
    often_days: int = 5
    too_hot_degc: float = 170.0  # inhibited propylene glycol is rated to 160 to 170 degC (from memory)
    cool_days: int = 3  # without stagnation end it: a dull day or two prove nothing (common practice)

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
        seen = _seen(history, collector)
        stood = self._stood(plant, collector, seen)
        stood = replace(stood, shut_out_by=_shut_out_by(plant.site, collector, history, week=stood.week))
        cold, often, too_hot = (self._proved(*each) for each in self._reasons(stood))
        proved = [found for found in (cold, often, too_hot) if found is not None]
        if not proved:
            return self._kept_cool(plant, component, seen, is_hot=bool(stood.hot.any()))
        advice = _BESIDE_COLD if cold else _OFTEN if often else _TOO_HOT
        detected = min(found.proved for found in proved)
        return Fault((self._finding(plant, collector, stood, told=(advice, detected)),))

    def _stood(self, plant: PlantDay, collector: Collector, seen: Sequence[_Day]) -> _Stood:
        loop = plant.loops[collector.loop]
        passed = np.arange(len(loop.leaving_degc)) < cells_passed(plant)
        hot = stagnant_cells(plant, collector, limit_degc=self.limit_degc) & passed
        is_known = np.isfinite(np.fmax(*tank_ends(plant, collector.loop)))
        week = [(day, hours) for day, hours in seen if day > plant.day.date - self.week and self._is_stagnant(hours)]
        beside_cold = hot & is_known & ~collector_sun(plant, collector).is_full
        return _Stood(hot, beside_cold, hot & (loop.leaving_degc > self.too_hot_degc), week)

    def _reasons(self, stood: _Stood) -> Sequence[tuple[Flags, timedelta]]:
        """Cells that tell of each reason to speak, and how long they must last."""
        before = timedelta(hours=sum(hours for _, hours in stood.week))
        is_often = len(stood.week) + 1 >= self.often_days
        return [
            (stood.beside_cold, self.min_hot),
            (stood.hot, max(self.often - before, self.min_hot) if is_often else _NEVER),
            (stood.too_hot, self.min_hot),
        ]

    def _proved(self, cells: Flags, needed: timedelta) -> Episode | None:
        return next(iter(episodes(cells / (needed.total_seconds() / CELL_S), np.zeros(len(cells), bool))), None)

    def _kept_cool(self, plant: PlantDay, loop: str, seen: Sequence[_Day], *, is_hot: bool) -> Verdict:
        stood = [index for index, (_, hours) in enumerate(seen) if self._is_stagnant(hours)]
        cool = seen[stood[-1] + 1 if stood else 0 :]
        if is_hot or len(cool) < self.cool_days:
            return NotAssessed(f"The collector of loop {loop} has not kept cool for long enough to tell.")
        return Clear(day_start_ms(plant, cool[0][0]))

    def _is_stagnant(self, hours: float) -> bool:
        return hours >= self.min_hot / timedelta(hours=1)

    def _finding(self, plant: PlantDay, collector: Collector, stood: _Stood, *, told: tuple[Advice, int]) -> Finding:
        advice, proved = told
        is_by_day = advice is _OFTEN and len(stood.week) > 0
        first_ms = instant_ms(plant, float(stood.hot.argmax()) * CELL_S)
        began_ms = day_start_ms(plant, stood.week[0][0]) if is_by_day else first_ms
        stretch = Stretch(began_ms=began_ms, detected_ms=instant_ms(plant, (proved + 1) * CELL_S), is_by_day=is_by_day)
        evidence = self._evidence(plant, collector, stood)
        lost_kwh, price = evidence["not_collected_kwh"], heat_price(plant)
        cost = lost_kwh * price if isinstance(lost_kwh, float) and price is not None else None
        week_s = sum(hours for _, hours in stood.week) * 3600 + float(np.count_nonzero(stood.hot)) * CELL_S
        template = _SENTENCE + advice.template
        return tell_of(
            plant,
            stretch,
            replace(advice, template=template),
            evidence=evidence,
            weight_s=week_s,
            cost=cost,
            explained_by=stood.shut_out_by,
        )

    def _evidence(self, plant: PlantDay, collector: Collector, stood: _Stood) -> Evidence:
        sun, seconds = collector_sun(plant, collector), float(np.count_nonzero(stood.hot)) * CELL_S
        week_h = [hours for _, hours in stood.week] + [seconds / 3600]
        lost_kwh = float(np.nansum(sun.offered_w[stood.beside_cold])) * CELL_S / JOULES_PER_KWH
        return {
            "loop": collector.loop,
            "lasting": duration(seconds),
            "stagnant_min": round(seconds / 60),
            "beside_cold_min": int(np.count_nonzero(stood.beside_cold)),
            "highest_degc": highest(plant.loops[collector.loop].leaving_degc[stood.hot], 0),
            "limit_degc": self.limit_degc,
            "too_hot_degc": self.too_hot_degc,
            "min_hot_min": self.min_hot / timedelta(minutes=1),
            "tank_degc": highest(np.fmax(*tank_ends(plant, collector.loop))[stood.hot]),
            "highest_irradiance_w_m2": highest(sun.irradiance_w_m2[stood.hot], 0),
            "days": len(week_h),
            "week_days": self.week.days,
            "week": duration(sum(week_h) * 3600),
            "often_h": self.often / timedelta(hours=1),
            "often_days": self.often_days,
            "not_collected_kwh": round(lost_kwh, 2) if lost_kwh > 0 else None,
        }


_SENTENCE = (
    "The collector of the {loop} loop has stood in the sun without flow since {since}, far above its working range: up "
    "to {highest_degc:.0f} degC, above {limit_degc:.0f} degC for "
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
)
_LARGE_CHECK = (
    "Where it comes back each summer, let a licensed installer say what helps: part of the collector covered, its heat "
    "used elsewhere, a larger tank. The roof is for those who are secured there."
)
_LARGE_CAUSES = (
    "nobody draws hot water in a sunny time (holiday), so the tank is full before noon",
    "more collector, or a smaller tank, than the house can use in summer",
    "the controller's tank limit is set low, or the backup fills the tank before the sun",
)
_BESIDE_COLD = Advice(
    "soon",
    "{lasting}, although its tank could have taken more heat ({tank_degc:.0f} degC).",
    (
        "the controller keeps its pump at rest: collector limit passed after a stop, or tank limit set too low",
        "power cut, or the pump switched off by hand, in strong sun",
        "a tank sensor displaced, so that the controller takes the tank for full",
        "circulator failed, air or steam in the loop",
    ),
    _CHECKS,
)
_OFTEN = Advice("soon", "{week} on {days} of the last {week_days} days.", _LARGE_CAUSES, (*_CHECKS, _LARGE_CHECK))
_TOO_HOT = Advice(
    "watch",
    "{lasting}; common glycol bears up to {too_hot_degc:.0f} degC.",
    (*_LARGE_CAUSES, "fluid blown off or steamed out, so that the absorber stands dry"),
    (*_CHECKS, _LARGE_CHECK),
)


def _shut_out_by(
    site: Site, collector: Collector, history: Sequence[DayLedger], *, week: Sequence[_Day]
) -> tuple[Explainer, ...]:
    stood = [day for day, _ in week]
    backups = [stage for day in history if day.day in stood for stage in shuts_out(site, collector, day)]
    often = {stage.heater or stage.loop or stage.id for stage in backups if 2 * backups.count(stage) > len(stood)}
    return tuple(Explainer("heater-preempts", part) for part in sorted(often))


def _seen(history: Sequence[DayLedger], collector: Collector) -> Sequence[_Day]:
    """Days of which it is known for how long the collector stagnated, oldest first."""
    name = f"collector.{collector.id}.{STAGNANT_H}"
    told = [(day.day, conditions_of(day)) for day in history]
    return [(day, known[name]) for day, known in told if name in known]
