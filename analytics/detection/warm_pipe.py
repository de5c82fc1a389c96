"""A tank that loses heat, and a resting loop's pipe that stays as warm as it (`loop-night-loss`)."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import nan

from analytics.detection.findings import Clear, Evidence, Fault, Finding, NotAssessed, Verdict
from analytics.detection.moments import instant_ms
from analytics.detection.pair_days import SETTLED_S, day_start_ms
from analytics.detection.sunshine import tank_of_loop
from analytics.detection.tank_losing_heat import TankLosingHeat
from analytics.detection.telling import Advice, Stretch, tell_of
from analytics.detection.worth import heat_price
from analytics.expected.conditions import conditions_of
from analytics.expected.rest_warmth import LATE_H, REST_H, WARM_H
from analytics.figures import DayLedger
from analytics.plant import PlantDay

__all__ = ["WarmPipe"]


@dataclass(frozen=True, slots=True)
class _Day:
    day: date
    rest_h: float
    late_h: float
    warm_h: float

    @property
    def part(self) -> float:
        return self.warm_h / self.late_h


@dataclass(frozen=True, kw_only=True)
class WarmPipe:
    """
    Joins what the days before show to a day's own verdict, for meters that count one way only.

    Both are asked: the tank loses far more than its own record, and the pipe that used to cool while its pump rested
    stays as warm as the tank. Not this: a pipe that always stays warm, so near to the tank sits its sensor.
    """

    least_late_h: float = 1.0
    warm_part: float = 0.8  # of those hours
    cool_part: float = 0.2
    record_days: int = 5  # earlier days on which the pipe cooled
    days: int = 1  # of whole warmth at rest; the tank's loss rests on two
    within: timedelta = timedelta(days=5)

    def joined(
        self, plant: PlantDay, history: Sequence[DayLedger], loop: str, *, today: Verdict, advice: Advice
    ) -> Verdict:
        """The fault that the days before show, or else the day's own verdict, but no health while a pipe stays warm."""
        seen = _seen(history, loop, least_h=self.least_late_h)
        is_recent = bool(seen) and seen[-1].day >= plant.day.date - self.within
        if isinstance(today, Fault) or plant.until_s < SETTLED_S or not is_recent:
            return today
        cooled = [n for n, day in enumerate(seen) if day.part <= self.cool_part]
        warm = seen[cooled[-1] + 1 if cooled else 0 :]
        if not warm:
            is_told = isinstance(today, NotAssessed)
            return Clear(day_start_ms(plant, seen[-1].day)) if is_told else today
        if len(cooled) < self.record_days:
            return today
        tank = tank_of_loop(plant.site, loop)
        losing = NotAssessed("") if tank is None else TankLosingHeat().assess(plant, history, tank.id)
        in_part = [n for n, day in enumerate(warm) if day.part < self.warm_part]
        whole = warm[in_part[-1] + 1 if in_part else 0 :]
        if len(whole) < self.days or not isinstance(losing, Fault):
            return NotAssessed(f"A pipe of loop {loop} stayed warm at rest; whether it takes heat is not known yet.")
        # On the day on which it began the pipe was warm in part.
        since = warm[max(len(warm) - len(whole) - 1, 0)].day
        return Fault((self._finding(plant, loop, (since, whole), losing=losing.findings[-1], advice=advice),))

    def _finding(
        self, plant: PlantDay, loop: str, found: tuple[date, Sequence[_Day]], *, losing: Finding, advice: Advice
    ) -> Finding:
        since, warm = found
        # The tank's loss is known by quiet hours, in which the pump rests; while it runs, nothing flows back.
        rest_part = sum(day.rest_h for day in warm) / len(warm) / 24.0
        told = losing.evidence
        lost_kwh = float(told["extra_kwh"] or 0.0) * min(rest_part, 1.0)
        evidence: Evidence = {
            "loop": loop,
            "pipe": plant.site.loops[loop].leaving,
            "tank": told["tank"],
            "days": len(warm),
            "warm_h": round(sum(day.warm_h for day in warm), 1),
            "late_h": round(sum(day.late_h for day in warm), 1),
            "rest_h_day": round(24.0 * rest_part, 1),
            "now_w_k": told["now_w_k"],
            "usual_w_k": told["usual_w_k"],
            "lost_kwh": round(lost_kwh, 2),
            "warm_part_percent": 100 * self.warm_part,
            "cool_part_percent": 100 * self.cool_part,
        }
        price = heat_price(plant)
        stretch = Stretch(began_ms=day_start_ms(plant, since), detected_ms=instant_ms(plant, SETTLED_S), is_by_day=True)
        return tell_of(
            plant,
            stretch,
            Advice(advice.severity, _SENTENCE, advice.likely_causes, advice.checks),
            evidence=evidence,
            weight_s=len(warm) * 86400.0,
            cost=None if price is None else round(lost_kwh * price, 6),
        )


def _seen(history: Sequence[DayLedger], loop: str, *, least_h: float) -> list[_Day]:
    """Days on which the pump rested for long beside a warm tank, oldest first."""
    names = [f"loop.{loop}.{name}" for name in (REST_H, LATE_H, WARM_H)]
    told = [(day.day, conditions_of(day)) for day in history]
    days = [_Day(day, *[known.get(name, nan) for name in names]) for day, known in told]
    return [day for day in days if day.late_h >= least_h]


_SENTENCE = (
    "The {loop} loop takes heat out of tank {tank} while its pump rests, since {since}: {pipe} stayed as warm as the "
    "tank for {warm_h:.0f} of {late_h:.0f} h that began two hours after a stop, where it used to cool, and the tank "
    "loses {now_w_k:.1f} W per kelvin in its quiet hours instead of {usual_w_k:.1f} W; about {lost_kwh:.1f} kWh a day."
)
