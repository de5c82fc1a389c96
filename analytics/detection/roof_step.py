"""
Which sensor of a collector's pair stepped away, by its own nights and by the tank's balance together.

At the end of its nights the outlet sensor on the roof keeps to the air outdoors and the other one to its room, within
some kelvin. Where one leaves that range from one night to the next and stays away, weather, sky or room may be behind
it; but where the tank's balance opened with it by as much heat as such a step makes of the loop's flow, it is the
sensor. Not this: a roof that the tank warms by night, which opens the balance by what it loses, whatever the flow.
"""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import date
from math import isnan
from statistics import fmean, median

from analytics.detection.findings import Clear, Fault, Finding, Verdict
from analytics.detection.moments import day_word, instant_ms
from analytics.detection.pair_days import SETTLED_S, Seen, day_start_ms, pairs_seen
from analytics.detection.uses import uses_of
from analytics.figures import DayLedger
from analytics.pair_check import PairCheck
from analytics.plant import PlantDay
from analytics.units import to_si

__all__ = ["roof_verdict"]

# Common practice, without source, all of them.
_NEWEST, _LEAST_BEFORE = 3, 4  # days
_BEYOND_K = 1.0  # outside of what the nights before ever showed
_STEP_K = 2.0  # less is within what air, sky and room do from week to week
_STAYED = 0.4  # of the step: what moved less has stayed
_HEAT_PART = (0.6, 1.5)  # of the heat that the step makes: the account's own doubt and loss lie between

_Nights = Sequence[Seen]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    """
    A sensor that left its nights' range.

    Args:
        point, stayed: The sensor, and the other one of its pair.
        beside: What it is held against.
        step_k: By how much. [K]
        days: The nights since then; `told` is what each of them and of those before showed. [K]
        heat_kwh: What that makes of the loop's flow a day. [kWh]
        before_kwh, now_kwh, doubt_kwh: The tank's balance on average before and since, and its ± since. [kWh a day]
    """

    point: str
    stayed: str
    beside: str
    step_k: float
    days: _Nights
    told: tuple[Sequence[float], Sequence[float]]
    heat_kwh: float
    before_kwh: float
    now_kwh: float
    doubt_kwh: float

    @property
    def is_heat(self) -> bool:
        """Whether the balance moved by what the step makes."""
        low, high = _HEAT_PART
        return self.heat_kwh != 0 and low <= (self.now_kwh - self.before_kwh) / self.heat_kwh <= high

    @property
    def is_fault(self) -> bool:
        return abs(self.now_kwh) > max(self.doubt_kwh, abs(self.before_kwh))


def roof_verdict(plant: PlantDay, history: Sequence[DayLedger], loop: str) -> Verdict | None:
    """A fault where one sensor of the pair stepped; health where it stepped back; None where nothing tells."""
    steps = [step for step in _steps(plant, history, loop) if step.is_heat]
    if not steps:
        return None
    step = max(steps, key=lambda each: abs(each.step_k))
    if step.is_fault:
        return Fault((_finding(plant, step),))
    is_mended = abs(step.now_kwh) <= min(step.doubt_kwh, abs(step.before_kwh))
    return Clear(day_start_ms(plant, step.days[0][0])) if is_mended else None


def _steps(plant: PlantDay, history: Sequence[DayLedger], loop: str) -> list[_Step]:
    """Of each way to part the nights into those before and those since."""
    tank = next((each.tank for each in plant.site.stages.values() if each.loop == loop and each.tank), None)
    seen = next(iter(pairs_seen(history, plant.day.date, loop, methods=("roof",)).values()), [])
    if tank is None:
        return []
    return [
        step
        for count in range(_NEWEST, len(seen) - _LEAST_BEFORE + 1)
        for step in _parted(plant, history, tank, seen[:-count], seen[-count:])
    ]


def _parted(
    plant: PlantDay, history: Sequence[DayLedger], tank: str, before: _Nights, newest: _Nights
) -> Sequence[_Step]:
    first_k, second_k = (_step_k(before, newest, way) for way in (_first_degc, _second_above_air_k))
    mine_k, others_k = max((first_k, second_k), (second_k, first_k), key=lambda each: abs(each[0]))
    if abs(mine_k) < _STEP_K or abs(others_k) > _STAYED * abs(mine_k):
        return ()
    check, is_second = newest[-1][1], mine_k == second_k
    then, now = (_residuals(history, tank, {day for day, _ in nights}) for nights in (before, newest))
    if not then or not now:
        return ()
    air = next(each.outdoor for each in plant.site.collectors.values() if each.loop == check.component)
    step = _Step(
        point=check.second if is_second else check.first,
        stayed=check.first if is_second else check.second,
        beside=f"the air ({air})" if is_second else "its room",
        step_k=mine_k,
        days=newest,
        told=_told(before, newest, _second_above_air_k if is_second else _first_degc),
        heat_kwh=(mine_k if is_second else -mine_k) * fmean(each.kwh_per_k for _, each in newest),
        before_kwh=fmean(value for value, _ in then),
        now_kwh=fmean(value for value, _ in now),
        doubt_kwh=fmean(doubt for _, doubt in now),
    )
    return (step,)


def _first_degc(check: PairCheck) -> float:
    return check.first_degc or 0.0


def _second_above_air_k(check: PairCheck) -> float:
    return _first_degc(check) + check.difference_k - (check.air_degc or 0.0)


def _step_k(before: _Nights, newest: _Nights, way: Callable[[PairCheck], float]) -> float:
    """By how much all newest nights lie outside of what the ones before ever showed, of the medians; else 0. [K]"""
    then, now = _told(before, newest, way)
    is_out = min(now) > max(then) + _BEYOND_K or max(now) < min(then) - _BEYOND_K
    return median(now) - median(then) if is_out else 0.0


def _told(before: _Nights, newest: _Nights, way: Callable[[PairCheck], float]) -> tuple[list[float], list[float]]:
    return [way(check) for _, check in before], [way(check) for _, check in newest]


def _residuals(history: Sequence[DayLedger], tank: str, days: Collection[date]) -> list[tuple[float, float]]:
    """The tank's residuals on some days, with their ±. [kWh]"""
    lines = [line.residual for ledger in history if ledger.day in days for line in ledger.tanks if line.tank == tank]
    return [(each.value, each.plus_minus) for each in lines if not isnan(each.value + each.plus_minus)]


def _finding(plant: PlantDay, step: _Step) -> Finding:
    point = plant.site.points[step.point]
    began_ms, (before, now) = day_start_ms(plant, step.days[0][0]), step.told
    change = round(step.step_k / to_si("temperature", point.unit)[0], 2)
    evidence: dict[str, float | int | str | None] = {
        "since": day_word(began_ms, plant.day.timezone),
        "point": step.point,
        "stayed": step.stayed,
        "beside": step.beside,
        "step_k": round(abs(step.step_k), 2),
        "way": "more" if step.step_k > 0 else "less",
        "nights": len(step.days),
        "nights_before": len(before),
        "before_k": f"{min(before):+.1f} to {max(before):+.1f}",
        "by_day_k": ", ".join(f"{day:%d %b} {each:+.1f}" for (day, _), each in zip(step.days, now, strict=True)),
        "heat_kwh": round(abs(step.heat_kwh), 2),
        "opened_kwh": round(abs(step.now_kwh - step.before_kwh), 2),
        "plus_minus_kwh": round(step.doubt_kwh, 2),
        "limit_k": _STEP_K,
        "calibrate": step.point,
        "offset_now": point.offset,
        "offset_new": round(point.offset - change, 2),
        "offset_unit": point.unit,
        "used_by": uses_of(plant.site, step.point),
    }
    return Finding(
        began_ms=began_ms,
        ended_ms=None,
        detected_ms=instant_ms(plant, SETTLED_S),
        severity="soon",
        template=_SENTENCE,
        evidence=evidence,
        likely_causes=_CAUSES,
        checks=_checks(evidence, step.days[0][0]),
        cost_per_day=None,
        weight_s=len(step.days) * 3600.0,
        is_by_day=True,
    )


_SENTENCE = (
    "Since {since} the sensor {point} reads {step_k:.1f} K {way} beside {beside} at the end of {nights} nights than it "
    "ever did on the {nights_before} before, while {stayed} has stayed; and the tank's balance moved by "
    "{opened_kwh:.1f} kWh a day, where such an error makes {heat_kwh:.1f} kWh of the loop's flow. The one that is off "
    "is {point}."
)
_CAUSES = (
    "sensor out of its pocket, wet, or its cable damaged: a resistance more or less in the line",
    "sensor replaced by one of another type, or its channel set to another type",
    "sensor moved to another place",
)


def _checks(evidence: dict[str, float | int | str | None], since: date) -> Sequence[str]:
    return (
        f"Hold a reference thermometer against {evidence['point']}, with the pump running.",
        "See that the sensor sits deep in its pocket, and that its cable and plugs are dry and whole.",
        f'If it stays as it is, write offset = {evidence["offset_new"]:g} for point "{evidence["point"]}" into the '
        f"site file (now {evidence['offset_now']:g}, in {evidence['offset_unit']}), and add the file with --from "
        f"{since}, the first day of the step.",
        "A collector's pipes may be hotter than boiling water; work on a roof is for those who are secured.",
    )
