"""`tank-lukewarm`: stored water kept for long in the range where Legionella grows."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import isfinite
from typing import ClassVar

from analytics.detection.findings import Clear, Evidence, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import instant_ms
from analytics.detection.pair_days import SETTLED_S, day_start_ms
from analytics.detection.telling import Advice, Stretch, tell_of
from analytics.expected.conditions import conditions_of
from analytics.expected.warmth import (
    GROWS_FROM_DEGC,
    GROWS_TO_DEGC,
    LUKEWARM_PART,
    WARMEST_FROM_DEGC,
    WARMEST_TO_DEGC,
    tanks_before_taps,
)
from analytics.figures import DayLedger
from analytics.plant import PlantDay
from analytics.site import Site

__all__ = ["TankLukewarm"]


@dataclass(frozen=True, slots=True)
class _Warmth:
    """A day of a tank: the part of it in the range, the lowest and the highest half hour of its warmest water."""

    day: date
    part: float
    from_degc: float
    to_degc: float
    drawn_l: float


@dataclass(frozen=True, kw_only=True)
class TankLukewarm:
    """
    Water before the taps that has stayed for days, at its warmest, in the range where Legionella grows, and was not
    heated through in that time.

    Not this: a preheat tank, or the cold lower part of a tank with hot water on top; a tank before a heater in passing,
    which is lukewarm by design; water that is warm enough in the afternoon and lukewarm by night; a tank too cold for
    growth.
    """

    kind: ClassVar[str] = "tank-lukewarm"
    rejoin: ClassVar[timedelta] = timedelta(days=7)
    days: int = 3  # water that stands for more than 72 hours counts as stagnant (VDI 6023, from memory)
    lukewarm_part: float = 0.9  # of each of these days
    well_part: float = 0.5  # less of a day in the range: no longer kept there
    # Between 50 degC (a tenth survives one to two hours) and 60 degC (two minutes): reference sheet, section 10.
    heated_degc: float = 55.0

    def needs(self, site: Site) -> Sequence[Need]:
        if site.hot_water is None:
            return []
        judged = tanks_before_taps(site)
        tanks = [site.tanks[tank] for tank in site.hot_water.tanks]
        return [Need(t.id, _NO_SENSOR if not t.temperatures else "" if t.id in judged else _BY_NATURE) for t in tanks]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        if plant.until_s < SETTLED_S or not any(last_s >= 0 for last_s in plant.last_s.values()):
            return NotAssessed("The days before are judged ten minutes after midnight, when their readings are here.")
        seen = _seen(history, component)
        if not seen or seen[-1].day < plant.day.date - timedelta(days=2):
            return NotAssessed(f"How warm the water in tank {component} was on the last days is not known.")
        run = self._run(seen)
        if len(run) >= self.days:
            return Fault((self._finding(plant, component, run),))
        if self._is_well(seen[-1]):
            # In the course of that day; an alert that was raised in its morning does not end before.
            return Clear(day_start_ms(plant, seen[-1].day) + round(SETTLED_S * 1000))
        return NotAssessed(f"Tank {component} has been lukewarm for some of the last days only.")

    def _run(self, seen: Sequence[_Warmth]) -> Sequence[_Warmth]:
        """The lukewarm days at the end, one behind the other; a day of which nothing is known may lie between."""
        run: list[_Warmth] = []
        for each in reversed(seen):
            follows = not run or run[-1].day - each.day <= timedelta(days=2)
            if not follows or each.part < self.lukewarm_part or each.to_degc >= self.heated_degc:
                break
            run.append(each)
        return run[::-1]

    def _is_well(self, day: _Warmth) -> bool:
        return day.part < self.well_part or day.to_degc >= self.heated_degc

    def _finding(self, plant: PlantDay, tank: str, run: Sequence[_Warmth]) -> Finding:
        drawn_l = sum(day.drawn_l for day in run)
        stretch = Stretch(
            began_ms=day_start_ms(plant, run[0].day), detected_ms=instant_ms(plant, SETTLED_S), is_by_day=True
        )
        evidence: Evidence = {
            "tank": tank,
            "days": len(run),
            "min_days": self.days,
            "lowest_degc": round(min(day.from_degc for day in run), 1),
            "highest_degc": round(max(day.to_degc for day in run), 1),
            "grows_from_degc": GROWS_FROM_DEGC,
            "grows_to_degc": GROWS_TO_DEGC,
            "heated_limit_degc": self.heated_degc,
            "drawn_l": round(drawn_l) if isfinite(drawn_l) else None,
        }
        says = "." if not isfinite(drawn_l) else _DRAWN if drawn_l >= 1.0 else _NOT_DRAWN
        advice = replace(_ADVICE, template=_SENTENCE + says)
        return tell_of(plant, stretch, advice, evidence=evidence, weight_s=len(run) * 86400.0)


_SENTENCE = (
    "The water in tank {tank} has been lukewarm since {since}: even at its warmest it stood at {lowest_degc:.0f} to "
    "{highest_degc:.0f} degC, where Legionella grows, and it was not heated through"
)
_DRAWN = "; {drawn_l:.0f} l were drawn meanwhile."
_NOT_DRAWN = "; none was drawn meanwhile."
_CAUSES = (
    "thermostat of the backup or the heat pump set low, or left in holiday mode",
    "backup off or without supply, or failed, while the sun gives too little",
    "a tank heated by the sun alone, in dull weather",
    "more water drawn than its heaters can heat",
)
_CHECKS = (
    "Until it is mended, old and ill people, smokers, and those whose lungs or defences are weak should not shower "
    "with it or breathe its spray; who falls ill with fever and cough should tell the doctor of it.",
    "Heat the tank through to 60 degC or more, then flush each tap and shower hot for some minutes, as local rules "
    "ask, without breathing the spray; water so hot scalds.",
    "Then set thermostat and timer so that the tank is kept hot, or heated through as often as local rules ask; after "
    "a time of absence heat it through and flush before the water is used.",
    "See whether the backup starts when it is called; live panels are for licensed electricians.",
)
_ADVICE = Advice("soon", _SENTENCE, _CAUSES, _CHECKS)
_NO_SENSOR = "The temperature of the tank is not measured."
_BY_NATURE = "Its water is heated further on its way to the taps, so that it may be lukewarm."


def _seen(history: Sequence[DayLedger], tank: str) -> Sequence[_Warmth]:
    """Days of which a tank's warmth is known, oldest first."""
    names = [f"tank.{tank}.{name}" for name in (LUKEWARM_PART, WARMEST_FROM_DEGC, WARMEST_TO_DEGC)]
    told = [(day, conditions_of(day)) for day in history]
    return [
        _Warmth(day.day, known[names[0]], known[names[1]], known[names[2]], day.hot_water.volume.value)
        for day, known in told
        if all(name in known for name in names)
    ]
