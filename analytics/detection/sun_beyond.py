"""`sensor-offset` of an irradiance sensor: whole days with more sun than a cloudless sky sends."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import ClassVar

from analytics.detection.findings import Clear, Evidence, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import instant_ms
from analytics.detection.pair_days import SETTLED_S, day_start_ms
from analytics.detection.telling import Advice, Stretch, tell_of
from analytics.detection.uses import uses_of
from analytics.expected.conditions import conditions_of
from analytics.figures import DayLedger
from analytics.plant import PlantDay
from analytics.site import Collector, Site

__all__ = ["SunBeyond", "SunDay", "days_beyond"]

# A cloudless sky's day is good to a tenth; thin air of the mountains and snow before the collector make as much again
# (common practice). Sound sensors of 38 virtual houses reach 1.03 in 150 to 360 days.
_MOST_PART = 1.25
_LEAST_CEILING_KWH_M2 = 2.0  # a low sun of winter says little of a tilted plane
_REACH = timedelta(days=14)


@dataclass(frozen=True, slots=True)
class SunDay:
    """A day's irradiation in the collector's plane, and that of a cloudless sky."""

    day: date
    had_kwh_m2: float
    clear_kwh_m2: float

    @property
    def part(self) -> float:
        return self.had_kwh_m2 / self.clear_kwh_m2


def days_beyond(history: Sequence[DayLedger], collector: Collector, today: date) -> Sequence[SunDay]:
    """The days lately on which the sensor showed more than a cloudless sky sends, beyond doubt, oldest first."""
    return [each for each in _sun_days(history, collector, today) if each.part > _MOST_PART]


def _sun_days(history: Sequence[DayLedger], collector: Collector, today: date) -> Sequence[SunDay]:
    found = []
    for day in history[-_REACH.days :]:
        conditions = conditions_of(day)
        had, clear = (
            conditions.get(f"collector.{collector.id}.{name}_kwh_m2", 0.0) for name in ("irradiation", "ceiling")
        )
        if had > 0 and clear >= _LEAST_CEILING_KWH_M2 and day.day >= today - _REACH:
            found.append(SunDay(day.day, had, clear))
    return found


@dataclass(frozen=True, kw_only=True)
class SunBeyond:
    """
    An irradiance sensor that shows more sun, over whole days, than a cloudless sky sends into its plane.

    Not this: the bright edge of a cloud, which lasts for minutes; a sensor that shows a tenth too much; a collector
    whose plane nobody told.
    """

    kind: ClassVar[str] = "sensor-offset"
    rejoin: ClassVar[timedelta] = timedelta(days=30)  # weeks may pass without a clear day
    days: int = 2
    well: timedelta = timedelta(days=7)  # so long without one, of which some were bright, and it is over
    bright_part: float = 0.8
    bright_days: int = 3

    def needs(self, site: Site) -> Sequence[Need]:
        by_point = {each.irradiance: each for each in site.collectors.values() if each.irradiance}
        return [Need(point, _lacking(each)) for point, each in by_point.items()]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        collector = next(each for each in plant.site.collectors.values() if each.irradiance == component)
        if plant.until_s < SETTLED_S or not plant.last_s.get(component, -1.0) >= 0:
            return NotAssessed("The day before is judged ten minutes after midnight, when its readings have arrived.")
        today = plant.day.date
        lately = _sun_days(history, collector, today)
        beyond = days_beyond(history, collector, today)
        since = [each for each in lately if not beyond or each.day > beyond[-1].day]
        bright = [each for each in since if each.part >= self.bright_part]
        if (not beyond or beyond[-1].day < today - self.well) and len(bright) >= self.bright_days:
            return Clear(day_start_ms(plant, bright[0].day))
        if len(beyond) >= self.days:
            return Fault((self._finding(plant, collector, beyond),))
        return NotAssessed(f"Too few bright days lately to hold {component} against a cloudless sky.")

    def _finding(self, plant: PlantDay, collector: Collector, days: Sequence[SunDay]) -> Finding:
        point = collector.irradiance or ""
        most = max(days, key=lambda each: each.part)
        evidence: Evidence = {
            "point": point,
            "collector": collector.id,
            "days": len(days),
            "within_days": _REACH.days,
            "had_kwh_m2": round(most.had_kwh_m2, 2),
            "clear_kwh_m2": round(most.clear_kwh_m2, 2),
            "most_percent": round(100 * most.part),
            "limit_percent": round(100 * _MOST_PART, 1),
            "by_day_percent": ", ".join(f"{each.day:%d %b} {100 * each.part:.0f}" for each in days),
            "tilt_deg": collector.tilt_deg,
            "azimuth_deg": collector.azimuth_deg,
            "used_by": uses_of(plant.site, point),
        }
        stretch = Stretch(
            began_ms=day_start_ms(plant, days[0].day), detected_ms=instant_ms(plant, SETTLED_S), is_by_day=True
        )
        return tell_of(plant, stretch, _ADVICE, evidence=evidence, weight_s=len(days) * 86400.0)


def _lacking(collector: Collector) -> str:
    is_told = collector.tilt_deg is not None and collector.azimuth_deg is not None
    return "" if is_told else f"Collector {collector.id} has no tilt_deg and azimuth_deg in the site file."


_SENTENCE = (
    "The sensor {point} has shown more sun since {since} than a cloudless sky sends: on {days} of the last "
    "{within_days} days, up to {had_kwh_m2:.1f} kWh/m2 where {clear_kwh_m2:.1f} are the most in its plane "
    "({most_percent} %; up to {limit_percent:.0f} % may be thin air, snow and the reckoning). It serves {used_by}."
)
_CAUSES = (
    "the sensor's constant or its converter's range is set wrong, or the sensor was exchanged for one of another",
    "zero of the converter off: then it shows sun by night as well",
    "tilt_deg, azimuth_deg or the place in the site file are not those of the collector",
)
_CHECKS = (
    "Compare the sensor's constant and the converter's range with its plate and the site file's unit and gain.",
    "Hold a second irradiance meter beside it at noon of a clear day, where it can be reached from the ground; roofs "
    "are for trained people with fall protection.",
    "Until it is mended, what the collector should give is reckoned too high: its stage is not held to it.",
)
_ADVICE = Advice("watch", _SENTENCE, _CAUSES, _CHECKS)
