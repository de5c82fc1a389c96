"""A heat pump that runs too little for a day to judge it, held against its first runs (`heat-pump-low-cop`)."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import isnan, nan
from statistics import median

from analytics.detection.cop_record import misread_loop
from analytics.detection.cop_shift import LOW_COP_CAUSES, LOW_COP_CHECKS
from analytics.detection.findings import Clear, Evidence, Fault, Finding, NotAssessed, Verdict
from analytics.detection.moments import instant_ms
from analytics.detection.pair_days import SETTLED_S, day_start_ms
from analytics.detection.telling import Advice, Stretch, tell_of
from analytics.detection.worth import electricity_price
from analytics.expected.conditions import conditions_of
from analytics.expected.heat_pump import COP_PER_LIFT_K
from analytics.figures import DayLedger
from analytics.plant import PlantDay
from analytics.site import HeatPump

__all__ = ["CopSeldom"]

_LEAST_H = 0.1  # six minutes beyond the ten after a start
_HEAT_PER_K = 0.01  # a compressor turned up by so much is allowed what a kelvin more of lift costs (common practice)


@dataclass(frozen=True, slots=True)
class _Run:
    """A day's running hours without its starts: COP, and what it was found at. [h], [-], [K], [W], [kWh]"""

    day: date
    hours: float
    cop: float
    lift_k: float
    heat_w: float
    elec_kwh: float


@dataclass(frozen=True, slots=True)
class _First:
    days: int
    cop: float
    lift_k: float
    heat_w: float

    def expected(self, run: _Run) -> float:
        """The same machine's COP; a longer lift lowers it, a shorter one may not."""
        turned_up_k = max(run.heat_w / self.heat_w - 1.0, 0.0) / _HEAT_PER_K
        return self.cop * max(1.0 - COP_PER_LIFT_K * (max(run.lift_k - self.lift_k, 0.0) + turned_up_k), 0.0)


@dataclass(frozen=True, kw_only=True)
class CopSeldom:
    """
    Joins what several short days show to a day's own verdict, where the load's temperature is measured.

    Not this: a colder source, a hotter load, a compressor turned up; a machine that has run for long on a day, which is
    judged by its days; a pair of sensors that disagrees.
    """

    least_part: float = 0.85  # a service call is worth it from here on (common practice)
    well_part: float = 0.9
    days: int = 3  # of sound virtual and outside houses none had three below 0.98
    within: timedelta = timedelta(days=14)
    least_h: float = 0.5  # of these days together
    most_h: float = 0.75  # from here on a day tells by itself
    first_days: int = 10
    least_first_days: int = 7
    least_first_h: float = 1.0

    def joined(self, plant: PlantDay, history: Sequence[DayLedger], pump: HeatPump, *, today: Verdict) -> Verdict:
        """The day's own word; else what the newest days with a run show."""
        if not isinstance(today, NotAssessed) or pump.load_loop is None or plant.until_s < SETTLED_S:
            return today
        runs = [each for ledger in history if (each := _run_of(ledger, pump)) is not None]
        newest, first = runs[-self.days :], self._first(runs[: -self.days])
        if first is None or newest[0].day < plant.day.date - self.within:
            return today
        is_short = sum(each.hours for each in newest) < self.least_h
        if (
            is_short
            or max(each.hours for each in newest) >= self.most_h
            or misread_loop(plant.site, history, pump, "heating")
        ):
            return today
        parts = [each.cop / expected if (expected := first.expected(each)) > 0 else 1.0 for each in newest]
        if max(parts) < self.least_part:
            return Fault((self._finding(plant, pump, first, newest),))
        # A sheet that was not met on a long day is met by no short one.
        is_well = min(parts) >= self.well_part and not pump.rating
        return Clear(day_start_ms(plant, newest[0].day)) if is_well else today

    def _first(self, runs: Sequence[_Run]) -> _First | None:
        first = runs[: self.first_days]
        if len(first) < self.least_first_days or sum(each.hours for each in first) < self.least_first_h:
            return None
        cop, lift_k, heat_w = (median(getattr(each, name) for each in first) for name in ("cop", "lift_k", "heat_w"))
        return _First(len(first), cop, lift_k, heat_w) if cop > 0 and heat_w > 0 else None

    def _finding(self, plant: PlantDay, pump: HeatPump, first: _First, row: Sequence[_Run]) -> Finding:
        elec = sum(each.elec_kwh for each in row)
        cop = sum(each.cop * each.elec_kwh for each in row) / elec
        expected = sum(first.expected(each) * each.elec_kwh for each in row) / elec
        price = electricity_price(plant)
        evidence: Evidence = {
            "heat_pump": pump.id,
            "mode": "heating",
            "days": len(row),
            "steady_h": round(sum(each.hours for each in row), 2),
            "cop": round(cop, 2),
            "expected_cop": round(expected, 2),
            "part_percent": round(100 * cop / expected, 1),
            "limit_percent": round(100 * self.least_part, 1),
            "lift_k": round(max(each.lift_k for each in row), 1),
            "first_days": first.days,
            "first_cop": round(first.cop, 2),
            "first_lift_k": round(first.lift_k, 1),
        }
        return tell_of(
            plant,
            Stretch(began_ms=day_start_ms(plant, row[0].day), detected_ms=instant_ms(plant, SETTLED_S), is_by_day=True),
            _ADVICE,
            evidence=evidence,
            weight_s=len(row) * 86400.0,
            cost=None if price is None else round(elec / len(row) * (1 - cop / expected) * price, 6),
        )


def _run_of(ledger: DayLedger, pump: HeatPump) -> _Run | None:
    """None for a day on which it did not run beyond a start, or whose temperatures are not known."""
    told, name = conditions_of(ledger), f"heat_pump.{pump.id}.heating."
    names = ("steady_h", "steady_cop", "steady_elec_w", "entering_degc", "load_leaving_degc", "run_elec_kwh")
    hours, cop, elec_w, source_degc, load_degc, elec_kwh = (told.get(name + each, nan) for each in names)
    if not hours >= _LEAST_H or isnan(cop + elec_w + source_degc + load_degc + elec_kwh):
        return None
    return _Run(ledger.day, hours, cop, load_degc - source_degc, cop * elec_w, elec_kwh)


_SENTENCE = (
    "The heat pump {heat_pump} runs little, but gives too little heat when it does: {cop:.1f} kWh for a kWh of "
    "electricity on the last {days} days with a run, since {since}, where its first {first_days} days on record lead "
    "one to expect {expected_cop:.1f} at these temperatures ({part_percent:.0f} %), by the same sensors."
)
_ADVICE = Advice("soon", _SENTENCE, LOW_COP_CAUSES, LOW_COP_CHECKS)
