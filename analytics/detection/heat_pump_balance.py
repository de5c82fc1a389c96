"""`balance-open` of a heat pump: its load's heat, its source's heat and its electricity cannot all be right."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from math import nan
from statistics import median
from typing import ClassVar

import numpy as np

from analytics.detection.findings import Clear, Evidence, Fault, Need, NotAssessed, Verdict
from analytics.detection.moments import instant_ms
from analytics.detection.pair_days import SETTLED_S, day_start_ms
from analytics.detection.telling import Advice, Stretch, tell_of
from analytics.expected.balance import LOST_PART, Balance, balance_key, balance_of, mean_balance, why_no_balance
from analytics.expected.balance_wrong import Side, Suspect, by_days_before, by_sheet
from analytics.expected.conditions import conditions_of
from analytics.expected.heat_pump import pump_courses, sheet_cop
from analytics.expected.watching import SCHEME, Watched
from analytics.figures import DayLedger
from analytics.plant import PlantDay
from analytics.site import HeatPump, Loop, Site

__all__ = ["HeatPumpBalance"]

_Day = tuple[date, Balance]
_NEW = Watched()


@dataclass(frozen=True, kw_only=True)
class HeatPumpBalance:
    """
    A heat pump whose three meters contradict each other: beyond all their limits of error together, or since a step.

    Meters within their classes may be apart for ever, but always by the same part. Where that part moved, and one meter
    alone can be the cause, by more than its whole class, it is named with what the days before tell. Where they are
    apart beyond all limits, it is named if days before or the maker's sheet tell it, else all three are.

    Not this: a machine that got worse, whose source gives less with it; what the compressor loses to the room; days of
    cooling, or of less than two kilowatt-hours.
    """

    kind: ClassVar[str] = "balance-open"
    rejoin: ClassVar[timedelta] = timedelta(days=7)
    days: int = 3
    within: timedelta = timedelta(days=14)  # a tank's heat pump rests for days in summer
    before_days: int = 5
    # Ten times what sound virtual houses scatter by from day to day.
    least_step: float = 0.05
    least_error: float = 0.10  # of one meter, as a COP's fall is told from
    class_times: float = 2.0  # from one limit of its class to the other
    least_kwh: float = 0.3  # beyond what limits and losses explain, on each day: of odd minutes
    usual_sd: float = 2.0

    watched: Mapping[str, Watched] = field(default_factory=dict)  # by subject, up to the day before

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(pump.id, why_no_balance(site, pump)) for pump in site.heat_pumps.values()]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        if plant.until_s < SETTLED_S:
            return NotAssessed("The day before is judged ten minutes after midnight, when its readings have arrived.")
        lately = [day for day in history[-self.within.days :] if day.day >= plant.day.date - self.within]
        newest = _known(plant.site, lately, component)[-self.days :]
        if len(newest) < self.days:
            return NotAssessed(f"Heat pump {component} heated on fewer than {self.days} of its last days.")
        held = self.watched.get(balance_key(component), _NEW)
        if self._is_beyond(newest):
            return self._beyond(plant, history, component)
        if held.out:
            return self._moved(plant, history, component, held)
        if abs(held.judged_z) > self.usual_sd or any(abs(each.apart_kwh) > each.explained_kwh for _, each in newest):
            return NotAssessed(
                f"The meters of heat pump {component} are apart by more than usual, but not beyond doubt."
            )
        return Clear(day_start_ms(plant, newest[0][0]))

    def _is_beyond(self, days: Sequence[_Day]) -> bool:
        ways = {each.apart_kwh > 0 for _, each in days}
        return len(ways) == 1 and all(abs(each.apart_kwh) - each.explained_kwh > self.least_kwh for _, each in days)

    def _beyond(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        """Apart beyond all limits: since the first day of a row of such days, however they were before."""
        known = _known(plant.site, history, component)
        count = next((n for n in range(self.days, len(known)) if not self._is_beyond(known[-n - 1 :])), len(known))
        before = [each for _, each in known[:-count] if abs(each.apart_kwh) <= each.explained_kwh]
        seen = _Seen(known[-count:], mean_balance(before) if len(before) >= self.before_days else None)
        return self._fault(plant, history, component, seen)

    def _moved(self, plant: PlantDay, history: Sequence[DayLedger], component: str, held: Watched) -> Verdict:
        """Apart by another part than in the first weeks, for which one meter alone can be the cause."""
        since = held.shift.since or plant.day.date
        known = _known(plant.site, history, component)
        now, before = [day for day in known if day[0] >= since], [each for day, each in known if day < since]
        if held.well_days or len(now) < self.days or len(before) < self.before_days:
            return NotAssessed(f"The meters of heat pump {component} are apart by another part since {since}.")
        seen = _Seen(now, mean_balance(before))
        suspect = seen.suspect(None)
        if suspect is None or abs(seen.moved) < self.least_step or not self._is_large(suspect, seen.mean):
            return NotAssessed(f"The meters of heat pump {component} are apart by what classes and losses explain.")
        return self._fault(plant, history, component, seen, held=held)

    def _is_large(self, suspect: Suspect, mean: Balance) -> bool:
        limits = {"load": mean.heat_limit_kwh, "source": mean.source_limit_kwh, "power": mean.elec_limit_kwh}
        class_part = limits[suspect.side] / suspect.right_kwh
        return abs(suspect.error) >= max(self.least_error, self.class_times * class_part)

    def _fault(
        self, plant: PlantDay, history: Sequence[DayLedger], component: str, seen: "_Seen", *, held: Watched = _NEW
    ) -> Fault:
        pump, mean, days = plant.site.heat_pumps[component], seen.mean, seen.days
        suspect = seen.suspect(_sheet_cop(plant, pump))
        evidence: Evidence = {
            "heat_pump": pump.id,
            "days": len(days),
            "heat_kwh": round(mean.heat_kwh, 2),
            "source_kwh": round(mean.source_kwh, 2),
            "elec_kwh": round(mean.elec_kwh, 2),
            "made_kwh": round(mean.source_kwh + mean.elec_kwh, 2),
            "apart_kwh": round(abs(mean.apart_kwh), 2),
            "way": "more" if mean.apart_kwh > 0 else "less",
            "explained_kwh": round(mean.explained_kwh, 2),
            "least_kwh": self.least_kwh,
            "lost_percent": round(100 * LOST_PART),
            "by_day_kwh": ", ".join(f"{day:%d %b} {each.apart_kwh:+.2f}" for day, each in days[-7:]),
            "apart_percent": round(100 * mean.apart_kwh / mean.heat_kwh, 1),
            **seen.usual_evidence,
            **({"cusum_sd": round(held.shift.total, 1), "cusum_limit_sd": SCHEME.limit} if held.out else {}),
            **_wrong(plant.site, pump, suspect, history=history, since=days[0][0]),
            **({} if suspect is None else _suspect_evidence(suspect)),
        }
        stretch = Stretch(
            began_ms=day_start_ms(plant, days[0][0]), detected_ms=instant_ms(plant, SETTLED_S), is_by_day=True
        )
        sentence = _APART + (_MOVED if held.out else _BEYOND) + (_ONE if suspect else _ANY)
        advice = Advice("watch", sentence, _CAUSES[suspect.side] if suspect else _ANY_CAUSES, _CHECKS)
        return Fault((tell_of(plant, stretch, advice, evidence=evidence, weight_s=len(days) * 86400.0),))


@dataclass(frozen=True, slots=True)
class _Seen:
    """The days since the meters contradict each other, and what an average day was before, where that is known."""

    days: Sequence[_Day]
    before: Balance | None

    @property
    def mean(self) -> Balance:
        """Without the first day, of which a part may have been well, where there are more."""
        told = [each for _, each in self.days]
        return mean_balance(told[1:] if len(told) > _LEAST_WHOLE else told)

    @property
    def moved(self) -> float:
        """By what part of the heat they are apart more than before."""
        was = 0.0 if self.before is None else self.before.apart_kwh / self.before.heat_kwh
        return self.mean.apart_kwh / self.mean.heat_kwh - was

    def suspect(self, sheet_cop: float | None) -> Suspect | None:
        if self.before is not None:
            return by_days_before(self.mean, self.before)
        return None if sheet_cop is None else by_sheet(self.mean, sheet_cop)

    @property
    def usual_evidence(self) -> Evidence:
        was = self.before
        return {} if was is None else {"usual_percent": round(100 * was.apart_kwh / was.heat_kwh, 1)}


def _known(site: Site, history: Sequence[DayLedger], heat_pump: str) -> list[_Day]:
    found = ((day.day, balance_of(site, day, heat_pump)) for day in history)
    return [(day, each) for day, each in found if each is not None]


def _sheet_cop(plant: PlantDay, pump: HeatPump) -> float | None:
    """What the maker's sheet promises at the day's temperatures; None where it, or a temperature, is not known."""
    courses = pump_courses(plant, pump, "heating")
    sheet = None if courses is None else sheet_cop(pump.rating, courses)
    if courses is None or sheet is None or not sheet.leaving_is_known:
        return None
    known = np.isfinite(sheet.cop) & np.isfinite(courses.elec_w)
    return float(np.average(sheet.cop[known], weights=courses.elec_w[known])) if known.any() else None


def _wrong(
    site: Site, pump: HeatPump, suspect: Suspect | None, *, history: Sequence[DayLedger], since: date
) -> Evidence:
    """The sensors of which one is wrong: those of the meter that is told; its flow meter, where the flow moved too."""
    if suspect is None:
        sides: Sequence[Side] = ("load", "source", "power")
        return {"wrong": ", ".join(point for side in sides for point in _points(site, pump, side))}
    loop, error = _loop(site, pump, suspect.side), nan
    if loop is not None and loop.flow is not None and loop.energy is None:
        error = _flow_error(history, loop.id, since)
    is_flow = abs(error - suspect.error) <= _ALIKE
    wrong = (loop.flow,) if loop and loop.flow and is_flow else _points(site, pump, suspect.side)
    return {"wrong": ", ".join(wrong), "flow_rise_percent": None if error != error else round(100 * error, 1)}


def _loop(site: Site, pump: HeatPump, side: Side) -> Loop | None:
    return site.loops.get({"load": pump.load_loop, "source": pump.source_loop}.get(side) or "")


def _points(site: Site, pump: HeatPump, side: Side) -> Sequence[str]:
    """The sensors of one of the three meters, the likeliest first."""
    loop = _loop(site, pump, side)
    if loop is None:
        return (pump.power,)
    return (loop.energy,) if loop.energy else tuple(p for p in (loop.flow, loop.leaving, loop.entering) if p)


def _flow_error(history: Sequence[DayLedger], loop: str, since: date) -> float:
    """By what part a loop's flow rose since a day; NaN where it is not known."""
    told = [(day.day, conditions_of(day).get(f"loop.{loop}.flow_l_min", nan)) for day in history]
    before, now = ([flow for day, flow in told if (day >= since) == later and flow > 0] for later in (False, True))
    return median(now) / median(before) - 1.0 if before and now else nan


def _suspect_evidence(suspect: Suspect) -> Evidence:
    return {
        "side": _SIDE_WORDS[suspect.side],
        "cop": round(suspect.cop, 2),
        "expected_cop": round(suspect.expected_cop, 2),
        "error_percent": round(100 * abs(suspect.error)),
        "error_way": "more" if suspect.error > 0 else "less",
        "right_kwh": round(suspect.right_kwh, 2),
        "off_kwh": round(abs(suspect.error) * suspect.right_kwh, 2),
        "figures": _FIGURES[suspect.side],
    }


_LEAST_WHOLE = 3
_ALIKE = 0.10  # between the rise of a flow and of its heat: a day's own scatter, several times
_SIDE_WORDS: Mapping[Side, str] = {
    "load": "the heat to the load",
    "source": "the heat from the source",
    "power": "the electricity",
}
_FIGURES: Mapping[Side, str] = {
    "load": "heat, COP and the heat that its stage put into the tank",
    "source": "heat from the source",
    "power": "electricity, COP, what was purchased and what was saved",
}
_APART = (
    "The meters of heat pump {heat_pump} contradict each other since {since}: its load got {heat_kwh:.2f} kWh a day, "
    "while {source_kwh:.2f} kWh from the source and {elec_kwh:.2f} kWh of electricity make {made_kwh:.2f} kWh, on "
    "{days} days. "
)
_BEYOND = (
    "That is {apart_kwh:.2f} kWh {way}; all their limits of error together, and what a compressor loses to its room, "
    "explain {explained_kwh:.2f} kWh. "
)
_MOVED = (
    "They are apart by {apart_percent:+.1f} % of the load's heat, where they were by {usual_percent:+.1f} % on the "
    "days before: a machine may change its COP, but not this. "
)
_ONE = (
    "Without {side} the other two make a COP of {cop:.2f}, where {expected_cop:.2f} is to be expected; with it they do "
    "not. So {side} reads {error_percent:.0f} % {error_way} than it is ({wrong}), which makes the figures of {figures} "
    "wrong by {off_kwh:.2f} kWh a day."
)
_ANY = "At least one of these is wrong: {wrong}. Until it is known which, neither of the figures is to be believed."
_FLOW = "flow or heat meter exchanged or set anew: another pulse value, unit or nominal width; pulses counted twice"
_PAIR = "a temperature sensor of the loop loose on its pipe, exchanged, or replaced by another type"
_POWER = "power meter: not on all phases, current transformer of another ratio set, or only part of the circuit metered"
_OTHER = "the loop carries the heat of another part as well, such as an electric heater, or its fluid is another one"
_CAUSES: Mapping[Side, Sequence[str]] = {
    "load": (_FLOW, _PAIR, _OTHER),
    "source": (_FLOW, _PAIR, _OTHER),
    "power": (_POWER, "another consumer on the same meter, or the heat pump's controls moved to another one"),
}
_ANY_CAUSES = (_FLOW, _PAIR, _POWER, _OTHER)
_CHECKS = (
    "Compare the flow of both loops with the meters' own displays and pulse values, and with the pumps' curves.",
    "Compare both temperature sensors of each loop with the pump running and the compressor off: they should agree.",
    "Compare the compressor's power with the electricity meter while little else runs; current transformers and live "
    "panels are for licensed electricians.",
    "Compare the fluid of the source loop in the site file with what was filled in.",
)
