"""A stage's lasting want of heat against its own first good weeks, added up over days (`stage-below-expected`)."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import sqrt

from analytics.boiler_loop import boiler_behind
from analytics.detection.cop_shift import tells_of
from analytics.detection.findings import Clear, Fault, Finding, NotAssessed, Verdict
from analytics.detection.found_in_tank import found_kwh
from analytics.detection.moments import instant_ms
from analytics.detection.pair_days import SETTLED_S, day_start_ms
from analytics.detection.telling import Advice, Stretch, tell_of
from analytics.detection.worth import heat_price, input_price
from analytics.expected.boiler import is_fuel_known
from analytics.expected.nearby import NearbySun
from analytics.expected.watching import SCHEME, Watched, days_between_false_signals, days_to_find
from analytics.figures import DayLedger
from analytics.plant import PlantDay
from analytics.site import HeatPump, Site, Stage

__all__ = ["StageShift"]


@dataclass(frozen=True, kw_only=True)
class StageShift:
    """
    Joins what the days before show to a day's own verdict.

    Not this: a stage in a heat pump's load, whose heat for its electricity is the COP (`detection.cop_shift`); less
    than a tenth too little, for which nobody need drive out; one odd day; days of which another alert
    speaks already.
    """

    least_part: float = 0.10  # common practice: fouling alone takes 2 to 5 %
    least_days: int = 3
    well_sd: float = 2.0
    found_part: float = 0.75  # of what is missing; the balance's own doubt may hide the rest
    recent_days: int = 7  # so long may the last judged day lie back and still end an alert

    def joined(
        self, plant: PlantDay, stage: Stage, held: Watched, *, today: Verdict, nearby: NearbySun | None = None
    ) -> Verdict:
        """
        The fault that the days before show, or else the day's own verdict; where it has none, their health.

        Args:
            nearby: The sun by houses near by, where the stage is held to it.
        """
        if plant.until_s < SETTLED_S or not any(last_s >= 0 for last_s in plant.last_s.values()):
            return today
        if held.out == "low":
            return self._found(plant, stage, held, today=today, nearby=nearby)
        if not isinstance(today, NotAssessed) or held.judged is None:
            return today
        is_recent = plant.day.date - held.judged <= timedelta(days=self.recent_days)
        if is_recent and held.judged_z >= -self.well_sd and held.low.total < SCHEME.limit / 2:
            return Clear(day_start_ms(plant, max(held.judged, held.well_since or held.judged)))
        return today

    def is_found(self, history: Sequence[DayLedger], stage: Stage, held: Watched) -> bool:
        """Whether most of what the stage's meters miss is found in its tank: the stage is well, its meters are not."""
        shift = held.low
        if stage.tank is None or shift.since is None or not shift.days:
            return False
        short_kwh = (shift.expected - shift.had) / shift.days
        return found_kwh(history, stage.tank, since=shift.since) >= self.found_part * short_kwh > 0

    def _found(
        self, plant: PlantDay, stage: Stage, held: Watched, *, today: Verdict, nearby: NearbySun | None
    ) -> Verdict:
        shift = held.low
        short = 1.0 - shift.had / shift.expected if shift.expected > 0 else 0.0
        if isinstance(today, Fault):
            return today
        if (pump := _pump_of(plant.site, stage)) is not None and tells_of(plant.site, pump) == stage.id:
            return NotAssessed(f"What stage {stage.id} gives for its electricity is the COP of {pump.id}.")
        if short < self.least_part or shift.days < self.least_days:
            return NotAssessed(f"Stage {stage.id} gives somewhat less than its first weeks did: {100 * short:.0f} %.")
        return Fault((self._finding(plant, stage, held, nearby=nearby),))

    def _finding(self, plant: PlantDay, stage: Stage, held: Watched, *, nearby: NearbySun | None) -> Finding:
        shift = held.low
        since = shift.since or plant.day.date
        began_ms = day_start_ms(plant, since)
        is_boiler = is_fuel_known(plant.site, stage)
        price = _fuel_price(plant) if is_boiler else heat_price(plant)
        short_kwh = (shift.expected - shift.had) / shift.days
        fits = [each.statistics for each in held.experience.values()]
        evidence: dict[str, float | int | str | None] = {
            "stage": stage.id,
            "stage_name": stage.name or stage.id,
            "days": shift.days,
            "had_kwh": round(shift.had, 1),
            "expected_kwh": round(shift.expected, 1),
            "plus_minus_kwh": round(2 * sqrt(shift.u_square), 1),
            "short_percent": round(100 * (1 - shift.had / shift.expected), 1),
            "least_short_percent": round(100 * self.least_part, 1),
            "cusum_sd": round(shift.total, 1),
            "cusum_limit_sd": SCHEME.limit,
            "cusum_allowance_sd": SCHEME.allowance,
            "shift_sd": round(shift.mean_sd, 2),
            "days_to_find": round(days_to_find(round(shift.mean_sd, 1)), 1),
            "days_between_false_signals": round(days_between_false_signals()),
            "fit_days": sum(fit.n for fit in fits),
            "fit_cv_rmse_percent": round(100 * max(fit.cv_rmse for fit in fits), 1),
            "fit_nmbe_percent": round(100 * max((fit.nmbe for fit in fits), key=abs), 2),
        }
        by_neighbours = {} if nearby is None else _by_neighbours(nearby, since, held.judged or since)
        return tell_of(
            plant,
            Stretch(began_ms=began_ms, detected_ms=instant_ms(plant, SETTLED_S), is_by_day=True),
            _BOILER if is_boiler else _NEARBY if by_neighbours else _ORDINARY,
            evidence=evidence | by_neighbours,
            weight_s=shift.days * 86400.0,
            cost=None if price is None else round(short_kwh * price, 6),
        )


def _pump_of(site: Site, stage: Stage) -> HeatPump | None:
    return next((pump for pump in site.heat_pumps.values() if stage.loop and pump.load_loop == stage.loop), None)


def _fuel_price(plant: PlantDay) -> float | None:
    """What a kilowatt-hour of heat costs from the boiler behind a loop. [currency/kWh]"""
    boiler = boiler_behind(plant.site)
    price = None if boiler is None else input_price(plant, boiler[0].kind)
    return None if boiler is None or price is None else price / boiler[0].efficiency


def _by_neighbours(nearby: NearbySun, first: date, last: date) -> dict[str, float | int | str | None]:
    """What houses near by measured on the days of a shift, as far as it is at hand."""
    days = [day for day in nearby.parts if first <= day <= last]
    if not days:
        return {}
    counts = [nearby.houses[day] for day in days]
    least, most = min(counts), max(counts)
    return {
        "houses": str(most) if least == most else f"{least} to {most}",
        "within_km": round(nearby.within_km, 1),
        "sun_days": len(days),
        "sky_percent": round(100 * sum(nearby.parts[day] for day in days) / len(days)),
    }


_BY_NEIGHBOURS = (
    " It does not measure the sun: {houses} houses within {within_km:.0f} km agree that {sky_percent:.0f} % of a "
    "cloudless sky's sun fell on {sun_days} of these days."
)
_SENTENCE = (
    "The stage {stage_name} has given {short_percent:.0f} % less since {since} than its first good weeks would lead "
    "one to expect: {had_kwh:.1f} kWh on {days} days, where {expected_kwh:.1f} ± {plus_minus_kwh:.1f} kWh were to be "
    "expected under the same conditions."
)
_CAUSES = (
    "collector: glass dirty, shaded or under snow; heat pump: refrigerant lost, exchanger scaled or fouled",
    "flow far from the design: strainer clogged, air in the circuit, pump set otherwise",
    "a sensor of this stage drifts: flow meter, temperature pair, sun sensor, power meter",
    "insulation of pipes or of the collector damaged",
)
_NEARBY_CAUSES = (
    "glass dirty, shaded by something new, or under snow",
    "clouds, fog or a hill that the neighbours do not share",
    "flow far from the design: strainer clogged, air in the circuit, pump set otherwise",
    "a sensor of this stage drifts: flow meter, temperature pair",
    "insulation of pipes or of the collector damaged",
)
_BOILER_CAUSES = (
    "burner set or fouled so that much of its fuel is wasted: nozzle, air, flame sensor; or soot on the heat exchanger",
    "its heat goes elsewhere: a valve to the rooms that leaks, a check valve that does not close",
    "a sensor drifts: flow meter, temperature pair, fuel meter, or the burner's contact",
    "the boiler is kept hot all day between short runs",
)
_BOILER_CHECKS = (
    "Let a heating technician measure its flue gas: temperature, carbon monoxide and losses. A burner that burns badly "
    "can poison; where people feel ill or it smells of smoke, switch it off and let fresh air in.",
    "See whether pipes to the rooms get warm while it heats the tank only.",
    "Compare flow and temperature difference of its loop with the values noted at commissioning, and its fuel meter or "
    "nozzle with what the site file says.",
)
_CHECKS = (
    "Compare flow, pressure and the loop's temperature difference with the values noted at commissioning.",
    "Compare both temperature sensors of the loop while it rests: they should agree.",
    "Look at a collector from the ground; roofs are for trained people with fall protection. Let hot pipes cool first.",
    "The refrigerant circuit is for certified technicians; live panels for licensed electricians.",
)
_ORDINARY = Advice("soon", _SENTENCE, _CAUSES, _CHECKS)
_NEARBY = Advice("soon", _SENTENCE + _BY_NEIGHBOURS, _NEARBY_CAUSES, _CHECKS)
_BOILER = Advice(
    "soon",
    _SENTENCE.replace("under the same conditions", "of the fuel that its boiler took"),
    _BOILER_CAUSES,
    _BOILER_CHECKS,
)
