"""`tank-losing-heat`: in its quiet hours a tank cools much faster than it used to."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import isnan, nan
from statistics import median
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Clear, Evidence, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import instant_ms
from analytics.detection.pair_days import SETTLED_S, day_start_ms
from analytics.detection.telling import Advice, Stretch, tell_of
from analytics.detection.worth import heat_price
from analytics.expected.conditions import conditions_of
from analytics.expected.standby import ABOVE_ROOM_K, STANDBY_H, STANDBY_W_K
from analytics.figures import DayLedger
from analytics.plant import PlantDay
from analytics.site import Site

__all__ = ["TankLosingHeat"]

_Day = tuple[date, float, float]
"""A day, its loss coefficient [W/K] and its quiet hours."""


@dataclass(frozen=True, kw_only=True)
class TankLosingHeat:
    """
    A standby loss well above the tank's own record, as the hours without draws and heating show it.

    Not this: heat that goes astray while water moves or heaters run (`balance-open`); a resting loop whose reverse
    flow is seen (`loop-night-loss`); a room that is colder in winter.
    """

    kind: ClassVar[str] = "tank-losing-heat"
    rejoin: ClassVar[timedelta] = timedelta(days=7)
    days: int = 2  # that must all show it
    within: timedelta = timedelta(days=5)
    record_days: int = 8  # earlier days that the record needs
    lasting_part: float = 2 / 3  # of the days since a loss began that show it: one of few quiet hours may not
    longest_record: int = 21  # the oldest of them: what comes later may be the loss itself
    times: float = 1.75  # a room 10 K colder than told makes a third
    scatter: float = 4.0  # robust standard deviations of the record
    min_kwh: float = 0.5  # a day

    def needs(self, site: Site) -> Sequence[Need]:
        return [
            Need(tank.id, "" if tank.temperatures else f"Tank {tank.id} has no temperature sensor.")
            for tank in site.tanks.values()
        ]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        if plant.until_s < SETTLED_S or not any(last_s >= 0 for last_s in plant.last_s.values()):
            return NotAssessed("The days before are judged ten minutes after midnight, when their readings are here.")
        seen = _seen(history, component)
        recent = seen[-self.days :]
        if len(seen) < self.record_days or recent[0][0] < plant.day.date - self.within:
            return NotAssessed(f"Tank {component} has too few days with quiet hours to know its standby loss.")
        lately_k = _above_k(history, plant, component, since=recent[0][0])
        record = self._before_loss(seen, lately_k)[: self.longest_record]
        if len(record) < self.record_days:
            return NotAssessed(f"Tank {component} has too few days with quiet hours to know its standby loss.")
        usual, limit = self._limit(record, lately_k)
        above = [each for each in recent if each[1] >= limit]
        if len(above) == len(recent):
            began = next(n for n in range(len(seen)) if all(each[1] >= limit for each in seen[n:]))
            lasting = seen[began:]
            if _extra_kwh(lasting, usual, lately_k) < self.min_kwh:
                return NotAssessed(f"Tank {component} is no warmer than its room now, so what it loses tells nothing.")
            above_k = _above_k(history, plant, component, since=lasting[0][0])
            return Fault(
                (self._finding(plant, component, lasting, record=(usual, limit, len(record)), above_k=above_k),)
            )
        if not above:
            return Clear(day_start_ms(plant, recent[-1][0]))  # on the day before it may have been mended
        return NotAssessed(f"Tank {component} lost more than usual on some of its last days only.")

    def _before_loss(self, seen: Sequence[_Day], above_k: float) -> Sequence[_Day]:
        """The days before those that are judged, and before those of a loss that has lasted up to them."""
        record = seen[: -self.days]
        if len(record) < self.record_days:
            return record
        _, limit = self._limit(record[: self.longest_record], above_k, beyond_highest=False)
        is_above = np.array([value >= limit for _, value, _ in seen])
        part_since = np.cumsum(is_above[::-1])[::-1] / np.arange(len(seen), 0, -1)
        lasts = (part_since >= self.lasting_part) & is_above & np.append(is_above[1:], False)
        return record[: int(lasts.argmax())] if lasts.any() else record

    def _limit(self, record: Sequence[_Day], above_k: float, *, beyond_highest: bool = True) -> tuple[float, float]:
        """The usual loss coefficient, and what is beyond doubt more (also than the highest of the record). [W/K]"""
        values = [value for _, value, _ in record]
        usual = max(median(values), 0.0)
        away = 1.4826 * median([abs(value - usual) for value in values])  # of a normal distribution
        least = self.min_kwh * 1000.0 / 24.0 / max(above_k, 1.0)
        limit = max(self.times * usual, usual + self.scatter * away, usual + least)
        return usual, max(limit, max(values)) if beyond_highest else limit

    def _finding(
        self, plant: PlantDay, tank: str, days: Sequence[_Day], *, record: tuple[float, float, int], above_k: float
    ) -> Finding:
        usual, limit, n_record = record
        extra_kwh = _extra_kwh(days, usual, above_k)
        price = heat_price(plant)
        stretch = Stretch(
            began_ms=day_start_ms(plant, days[0][0]), detected_ms=instant_ms(plant, SETTLED_S), is_by_day=True
        )
        evidence: Evidence = {
            "tank": tank,
            "days": len(days),
            "now_w_k": round(_mean_w_k(days), 2),
            "usual_w_k": round(usual, 2),
            "limit_w_k": round(limit, 2),
            "record_days": n_record,
            "quiet_h": round(sum(hours for _, _, hours in days), 1),
            "above_room_k": round(above_k, 1),
            "extra_kwh": round(extra_kwh, 2),
            "times": self.times,
            "min_kwh": self.min_kwh,
            "by_day_w_k": ", ".join(f"{day:%d %b} {value:.1f}" for day, value, _ in days[-7:]),
        }
        cost = None if price is None else round(extra_kwh * price, 6)
        return tell_of(
            plant,
            stretch,
            _ADVICE,
            evidence=evidence,
            weight_s=len(days) * 86400.0,
            cost=cost,
        )


_SENTENCE = (
    "Tank {tank} has lost {now_w_k:.1f} W per kelvin above its room since {since}, where {usual_w_k:.1f} W was usual "
    "(by {quiet_h:.0f} quiet hours on {days} days); {above_room_k:.0f} K above it on average, that is about "
    "{extra_kwh:.1f} kWh a day more."
)
_CAUSES = (
    "insulation wet, torn or taken off",
    "water circulates by itself through a pipe that should rest: check valve or heat trap failed",
    "a leak of hot water that no meter sees",
    "the tank's room has become much colder than the site file says",
)
_CHECKS = (
    "Look for water at the tank, and feel its jacket for warm or wet spots; hot water and live parts can hurt.",
    "Feel, with care, the pipes at the tank after hours without a draw: one that is warm far from it loses its heat.",
    "Compare the room's temperature with the tank's ambient in the site file.",
)
_ADVICE = Advice("soon", _SENTENCE, _CAUSES, _CHECKS)


def _seen(history: Sequence[DayLedger], tank: str) -> list[_Day]:
    """Days whose quiet hours told of a tank, oldest first."""
    names = f"tank.{tank}.{STANDBY_W_K}", f"tank.{tank}.{STANDBY_H}"
    told = [(day.day, conditions_of(day)) for day in history]
    return [(day, known[names[0]], known[names[1]]) for day, known in told if names[0] in known]


def _mean_w_k(days: Sequence[_Day]) -> float:
    """The loss coefficient of some days' quiet hours. [W/K]"""
    return sum(value * hours for _, value, hours in days) / sum(hours for _, _, hours in days)


def _extra_kwh(days: Sequence[_Day], usual_w_k: float, above_k: float) -> float:
    """What a tank loses more in a day, so far above its room on average."""
    return (_mean_w_k(days) - usual_w_k) * above_k * 24.0 / 1000.0


def _above_k(history: Sequence[DayLedger], plant: PlantDay, tank: str, *, since: date) -> float:
    """A tank above its room, over all hours of the days since one; where none tells, of the day so far. [K]"""
    kept = [conditions_of(day).get(f"tank.{tank}.{ABOVE_ROOM_K}", nan) for day in history if day.day >= since]
    known = [value for value in kept if not isnan(value)]
    return sum(known) / len(known) if known else _above_so_far_k(plant, tank)


def _above_so_far_k(plant: PlantDay, tank: str) -> float:
    """Zero where it is not known. [K]"""
    day = plant.tanks[tank]
    known = (day.mean_degc - day.ambient_degc)[~np.isnan(day.mean_degc + day.ambient_degc)]
    return float(known.mean()) if len(known) else 0.0
