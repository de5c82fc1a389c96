"""A heat pump that gives ever less, held against its first good weeks at its own lift (`heat-pump-low-cop`)."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import inf, isnan, nan

import numpy as np

from analytics.detection.cop_shift import CopShift
from analytics.detection.findings import Evidence, Fault, Finding, NotAssessed, Verdict
from analytics.detection.moments import instant_ms
from analytics.detection.pair_days import SETTLED_S, day_start_ms
from analytics.detection.telling import Advice, Stretch, tell_of
from analytics.detection.worth import electricity_price
from analytics.expected.conditions import conditions_of
from analytics.expected.heat_pump import COP_PER_LIFT_K, PumpCourses
from analytics.expected.watching import Watched
from analytics.figures import DayLedger
from analytics.plant import CELL_S, PlantDay
from analytics.site import HeatPump

__all__ = ["Anchor", "CopFade", "anchor_of"]

# Of a compressor at fixed speed, for each kelvin that its load is hotter: 1 to 2.5 % (from memory). The low end counts
# a rise of power as the longest lift.
_POWER_PER_K = 0.01
_FIRST = 10  # of the first good days, until there is a model: later ones may hold the fault already
_LEAST_FIRST = 7
_STEADY_H = 0.75


@dataclass(frozen=True, slots=True)
class Anchor:
    """COP of the first good weeks, and the source and the power that it was found at. [-], [degC], [W]"""

    days: int
    cop: float
    entering_degc: float
    power_w: float

    def expected(self, entering_degc: float, power_w: float) -> float:
        """The same machine's COP at another source and power; a longer lift lowers it, a shorter one may not."""
        colder_k = self.entering_degc - entering_degc
        hotter_k = max(power_w / self.power_w - 1.0, 0.0) / _POWER_PER_K
        return self.cop * max(1.0 - COP_PER_LIFT_K * (max(colder_k, 0.0) + hotter_k), 0.0)


def anchor_of(watched: Watched) -> Anchor | None:
    """Of the days that made the model of the COP in heating, or of the first of those that will."""
    model = watched.experience.get("")
    if model is not None:
        sums = model.products[-2]  # of the inputs, of ones, of the value
        entering, power_kw, _, cop = (float(each) / model.count for each in sums)
        return Anchor(model.count, cop, entering, 1000.0 * power_kw)
    first = watched.first.get("", ())[:_FIRST]
    if len(first) < _LEAST_FIRST:
        return None
    entering, power_kw, cop = (float(each) for each in np.median(np.asarray(first, float), axis=0))
    return Anchor(len(first), cop, entering, 1000.0 * power_kw)


@dataclass(frozen=True, slots=True)
class _Seen:
    day: date
    cop: float
    expected: float
    elec_kwh: float

    @property
    def part(self) -> float:
        return self.cop / self.expected if self.expected > 0 else inf


@dataclass(frozen=True, kw_only=True)
class CopFade:
    """
    Joins what several days in a row show beside the first good weeks to a day's own verdict.

    A record of late days follows a machine that fades by half a percent a day; its first weeks do not. What a colder
    source and a hotter load cost is allowed for. Not this: few days; a compressor that changes its speed, whose power
    is taken for a hotter load.
    """

    least_part: float = 0.85  # a service call is worth it from here on (common practice)
    days: int = 5
    within: timedelta = timedelta(days=14)

    def joined(
        self,
        plant: PlantDay,
        history: Sequence[DayLedger],
        pump: HeatPump,
        held: Watched,
        *,
        heating: PumpCourses | None,
        today: Verdict,
    ) -> Verdict:
        """The day's own fault; else what the days show. A day that is low beside the first weeks is not well."""
        anchor = anchor_of(held)
        if anchor is None or anchor.cop <= 0 or isinstance(today, Fault) or plant.until_s < SETTLED_S:
            return today
        shift = CopShift()
        if shift.is_told(plant.site, pump, held):
            return Fault((shift.finding(plant, history, pump, held),))
        own = None if heating is None else _own(plant, heating, anchor)
        is_low = own is not None and own.part < self.least_part
        if own is not None and not is_low:
            return today
        row = self._low_row(plant, history, f"heat_pump.{pump.id}.heating.", anchor)
        if len(row) >= self.days:
            return Fault((self._finding(plant, pump, anchor, row),))
        return NotAssessed(f"The COP of {pump.id} is low beside its first good weeks.") if is_low else today

    def _low_row(self, plant: PlantDay, history: Sequence[DayLedger], name: str, anchor: Anchor) -> Sequence[_Seen]:
        """The newest days that can be judged, as far back as each is low; none where they lie too far back."""
        row: list[_Seen] = []
        for ledger in reversed(history):
            seen = _seen(ledger, name, anchor)
            if len(row) < self.days and ledger.day < plant.day.date - self.within:
                return ()
            if seen is None:
                continue
            if not seen.part < self.least_part:
                break
            row.append(seen)
        return row[::-1]

    def _finding(self, plant: PlantDay, pump: HeatPump, anchor: Anchor, row: Sequence[_Seen]) -> Finding:
        elec = sum(each.elec_kwh for each in row)
        cop, expected = (sum(v * s.elec_kwh for v, s in zip(values, row, strict=True)) / elec for values in _two(row))
        stretch = Stretch(
            began_ms=day_start_ms(plant, row[0].day), detected_ms=instant_ms(plant, SETTLED_S), is_by_day=True
        )
        evidence: Evidence = {
            "heat_pump": pump.id,
            "mode": "heating",
            "days": len(row),
            "cop": round(cop, 2),
            "expected_cop": round(expected, 2),
            "part_percent": round(100 * cop / expected, 1),
            "limit_percent": round(100 * self.least_part, 1),
            "first_days": anchor.days,
            "first_cop": round(anchor.cop, 2),
            "first_entering_degc": round(anchor.entering_degc, 1),
            "first_power_w": round(anchor.power_w),
            "lost_kwh": round(elec * (expected - cop), 2),
        }
        price = electricity_price(plant)
        cost = None if price is None else round(elec / len(row) * (1 - cop / expected) * price, 6)
        return tell_of(plant, stretch, _ADVICE, evidence=evidence, weight_s=len(row) * 86400.0, cost=cost)


def _two(row: Sequence[_Seen]) -> tuple[list[float], list[float]]:
    return [each.cop for each in row], [each.expected for each in row]


def _seen(ledger: DayLedger, name: str, anchor: Anchor) -> _Seen | None:
    told = ("steady_h", "steady_cop", "entering_degc", "steady_elec_w", "run_elec_kwh")
    hours, cop, entering, power, elec = (conditions_of(ledger).get(name + each, nan) for each in told)
    if not hours >= _STEADY_H or isnan(cop + entering + power + elec):
        return None
    return _Seen(ledger.day, cop, anchor.expected(entering, power), elec)


def _own(plant: PlantDay, courses: PumpCourses, anchor: Anchor) -> _Seen | None:
    """The day so far."""
    known = courses.steady & np.isfinite(courses.useful_w + courses.elec_w + courses.entering_degc)
    hours = float(known.sum()) * CELL_S / 3600
    if hours < _STEADY_H:
        return None
    entering, power, useful = (
        float(course[known].mean()) for course in (courses.entering_degc, courses.elec_w, courses.useful_w)
    )
    return _Seen(plant.day.date, useful / power, anchor.expected(entering, power), power * hours / 1000)


_SENTENCE = (
    "The heat pump {heat_pump} has given {cop:.1f} kWh of heat for a kWh of electricity on {days} days in a row since "
    "{since}, where its first good weeks lead one to expect {expected_cop:.1f} with as cold a source and as hot a load "
    "({part_percent:.0f} %), by the same sensors."
)
_CAUSES = (
    "refrigerant lost",
    "exchanger scaled or fouled, too little flow on the load or the source",
    "load set hotter since, where nobody measures it",
    "compressor worn, reversing valve leaks",
    "flow meter, temperature pair or power meter drifts",
)
_CHECKS = (
    "Compare flows and temperature differences of both circuits with the values noted at commissioning; clean the "
    "strainers.",
    "Compare the heating water's temperature with that of the first weeks, and both sensors of each loop with the pump "
    "running and the compressor off.",
    "The refrigerant circuit is for certified technicians; live panels for licensed electricians.",
)
_ADVICE = Advice("soon", _SENTENCE, _CAUSES, _CHECKS)
