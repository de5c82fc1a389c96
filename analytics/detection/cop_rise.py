"""`sensor-offset` of a heat pump: a COP that rose for good beside its first weeks, which meters do and no machine."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from math import nan
from statistics import fmean, median
from typing import ClassVar

from analytics.detection.cop_fade import anchor_of
from analytics.detection.cop_shift import cops_of
from analytics.detection.findings import Clear, Evidence, Explainer, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import instant_ms
from analytics.detection.pair_days import SETTLED_S, day_start_ms
from analytics.detection.relations import loops_of_heat_pump
from analytics.detection.telling import Advice, Stretch, tell_of
from analytics.expected.conditions import conditions_of
from analytics.expected.first_flows import FIRST_FLOW_DAYS, first_flows, flow_days
from analytics.expected.watching import SCHEME, Watched
from analytics.figures import DayLedger
from analytics.plant import PlantDay
from analytics.site import HeatPump, Loop, Site

__all__ = ["CopRise"]


@dataclass(frozen=True, kw_only=True)
class CopRise:
    """
    A heat pump that seems to give more heat for its electricity than its first good weeks promise, by days added up.

    Where the flow that its heat is metered with rose by the same part on the same days, that meter is named: more
    fluid, were it there, would be warmed less, and the heat would stay. Else the rise must be larger and the power as
    it was: a load set cooler, or a lower speed, raises the COP and takes less power.

    Not this: a warmer source, which the first weeks' model allows for; a lower COP (`heat-pump-low-cop`); one above
    Carnot's (`detection.beyond_carnot`).
    """

    kind: ClassVar[str] = "sensor-offset"
    rejoin: ClassVar[timedelta] = timedelta(days=7)
    least_part: float = 0.10  # as a fall is told from (`detection.cop_shift`)
    least_unnamed_part: float = 0.20  # what a load 9 K cooler would do, which takes a tenth less power
    least_days: int = 3
    alike_part: float = 0.10  # between the rise of the flow and of the heat: a day's own scatter, several times
    same_power_part: float = 0.93  # a load 4 to 7 K cooler: 1 to 1.7 % of the power for a kelvin (from memory)
    recent_days: int = 7  # so long may the last judged day lie back and still end an alert
    well_sd: float = 2.0

    watched: Mapping[str, Watched] = field(default_factory=dict)  # by subject, up to the day before

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(pump.id, _lacking(site, pump)) for pump in site.heat_pumps.values()]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        held = self.watched.get(f"{component}.cop")
        if plant.until_s < SETTLED_S or held is None or held.judged is None:
            return NotAssessed(f"{component} is held against its first good weeks, which it does not have yet.")
        if held.out == "high":
            return self._risen(plant, history, plant.site.heat_pumps[component], held)
        is_recent = plant.day.date - held.judged <= timedelta(days=self.recent_days)
        if is_recent and held.judged_z <= self.well_sd and held.high.total < SCHEME.limit / 2:
            return Clear(day_start_ms(plant, held.well_since or held.judged))
        return NotAssessed(f"The COP of {component} is not known to be as its first good weeks promise.")

    def _risen(self, plant: PlantDay, history: Sequence[DayLedger], pump: HeatPump, held: Watched) -> Verdict:
        shift = held.high
        part = shift.had / shift.expected - 1.0 if shift.expected > 0 else 0.0
        if held.well_days:
            return NotAssessed(f"The COP of {pump.id} is back within its first good weeks' on {held.well_days} days.")
        if shift.days < self.least_days or part < self.least_part:
            return NotAssessed(f"The COP of {pump.id} is somewhat above its first good weeks': {100 * part:.0f} %.")
        seen = _Seen.of(plant.site, history, pump, held, known=self.watched)
        is_flow = abs(seen.flow_part - seen.heat_part) <= self.alike_part and seen.flow_part >= 1 + self.least_part
        if not is_flow and not (part >= self.least_unnamed_part and seen.power_part >= self.same_power_part):
            return NotAssessed(f"The COP of {pump.id} rose by {100 * part:.0f} %, which a cooler load may do.")
        return Fault((self._finding(plant, pump, held, seen=seen, is_flow=is_flow),))

    def _finding(self, plant: PlantDay, pump: HeatPump, held: Watched, *, seen: "_Seen", is_flow: bool) -> Finding:
        shift = held.high
        since = shift.since or plant.day.date
        evidence: Evidence = {
            **cops_of(pump, shift),
            "more_percent": round(100 * (shift.had / shift.expected - 1.0), 1),
            "least_more_percent": round(100 * (self.least_part if is_flow else self.least_unnamed_part), 1),
            "cusum_sd": round(shift.total, 1),
            "cusum_limit_sd": SCHEME.limit,
            "wrong": seen.loop.flow if is_flow else ", ".join(_sensors(seen.loop, pump)),
            "heat_rise_percent": round(100 * (seen.heat_part - 1.0), 1),
            "flow_rise_percent": None if seen.flow_part != seen.flow_part else round(100 * (seen.flow_part - 1.0), 1),
            "alike_percent": round(100 * self.alike_part, 1),
            "power_percent": None if seen.power_part != seen.power_part else round(100 * seen.power_part, 1),
            "same_power_percent": round(100 * self.same_power_part, 1),
        }
        stretch = Stretch(began_ms=day_start_ms(plant, since), detected_ms=instant_ms(plant, SETTLED_S), is_by_day=True)
        advice = _OF_FLOW if is_flow else _OF_ANY
        explained_by = _explainers(plant.site, pump)
        return tell_of(
            plant, stretch, advice, evidence=evidence, weight_s=shift.days * 86400.0, explained_by=explained_by
        )


@dataclass(frozen=True, slots=True)
class _Seen:
    """
    What rose beside the COP, each as a part of what it was in the first weeks; NaN where not known. [-]

    `loop` is the one whose meters the heat comes from.
    """

    loop: Loop
    heat_part: float
    flow_part: float
    power_part: float

    @classmethod
    def of(
        cls, site: Site, history: Sequence[DayLedger], pump: HeatPump, held: Watched, *, known: Mapping[str, Watched]
    ) -> "_Seen":
        shift, loop = held.high, site.loops[pump.load_loop or pump.source_loop]
        days = [day for day in history if shift.since is not None and day.day >= shift.since]
        # The source's heat alone is metered where the load's is not: the rest of the COP is the electricity itself.
        unmetered = 0.0 if pump.load_loop else float(shift.days)
        told = [conditions_of(day).get(f"heat_pump.{pump.id}.heating.steady_elec_w", nan) for day in days]
        powers = [each for each in told if each == each]
        anchor = anchor_of(held)
        return cls(
            loop=loop,
            heat_part=(shift.had - unmetered) / max(shift.expected - unmetered, 1e-9),
            flow_part=_flow_part(site, days, loop, known),
            power_part=median(powers) / anchor.power_w if powers and anchor else nan,
        )


def _flow_part(site: Site, days: Sequence[DayLedger], loop: Loop, known: Mapping[str, Watched]) -> float:
    first = first_flows(known, loop.id, since=site.commissioned)
    now = flow_days(days, site, loop.id)
    if loop.flow is None or not now or len(first) < FIRST_FLOW_DAYS:
        return nan
    return fmean(day.flow_l_min for day in now) / median(day.flow_l_min for day in first)


def _sensors(loop: Loop, pump: HeatPump) -> Sequence[str]:
    return [point for point in (loop.energy, loop.leaving, loop.entering, loop.flow, pump.power) if point]


def _explainers(site: Site, pump: HeatPump) -> tuple[Explainer, ...]:
    """What makes a COP rise and is told by itself: sensors of its loops, a COP above Carnot's, an open balance."""
    of_loops = ("sensor-offset", "sensor-swapped")
    loops = [Explainer(kind, loop, days=14) for loop in loops_of_heat_pump(site, pump.id) for kind in of_loops]
    return (*loops, *(Explainer(kind, pump.id, days=14) for kind in ("sensor-range", "balance-open")))


def _lacking(site: Site, pump: HeatPump) -> str:
    has_source = site.loops[pump.source_loop].entering is not None
    return "" if has_source else f"Loop {pump.source_loop} has no sensor of the fluid that enters the heat pump."


_RISEN = (
    "The heat pump {heat_pump} seems to have given {more_percent:.0f} % more heat for a kWh of electricity since "
    "{since} than its first good weeks would lead one to expect: {cop:.2f} kWh on {days} days, where {expected_cop:.2f}"
    " ± {plus_minus_cop:.2f} kWh were to be expected with the same source and power. "
)
_BY_FLOW = (
    "A machine does not get better by itself: the flow that {wrong} shows rose by {flow_rise_percent:.0f} % on the "
    "same days, and the metered heat with it by {heat_rise_percent:.0f} %, where more fluid would be warmed less. The "
    "meter {wrong} reads too much."
)
_BY_ANY = (
    "A machine does not get better by itself, and its power is what it was. Unless it was repaired since, at least one "
    "of these is wrong: {wrong}."
)
_FLOW_CAUSES = (
    "flow meter exchanged or set anew: another pulse value, unit or nominal width",
    "pulses counted twice: contact bounces, interference on the cable",
    "meter worn or fouled; air in the fluid that passes it",
)
_ANY_CAUSES = (
    "temperature sensor of the loop loose on its pipe, or exchanged",
    "flow or heat meter: wrong pulse value or unit, or it meters another circuit as well",
    "power meter: not on all phases, or only part of the circuit metered",
    "heat pump repaired or set anew since, so that its first weeks no longer hold: then commission the site again",
)
_CHECKS = (
    "Compare the flow with the meter's own display and its pulse value, and with the pump's curve.",
    "Compare both temperature sensors of the loop with the pump running and the compressor off: they should agree.",
    "Compare the compressor's power with the electricity meter while little else runs; current transformers and live "
    "panels are for licensed electricians.",
    "Until it is mended the COP, and what is reckoned with it, is not to be believed.",
)
_OF_FLOW = Advice("watch", _RISEN + _BY_FLOW, _FLOW_CAUSES, _CHECKS)
_OF_ANY = Advice("watch", _RISEN + _BY_ANY, _ANY_CAUSES, _CHECKS)
