"""A COP that is lower than its first good weeks promise by less than a day can show (`heat-pump-low-cop`)."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan, sqrt

import numpy as np

from analytics.detection.findings import Evidence, Finding
from analytics.detection.moments import instant_ms
from analytics.detection.pair_days import SETTLED_S, day_start_ms
from analytics.detection.telling import Advice, Stretch, tell_of
from analytics.detection.worth import electricity_price
from analytics.expected.conditions import conditions_of
from analytics.expected.watching import SCHEME, Shift, Watched
from analytics.figures import DayLedger
from analytics.plant import PlantDay
from analytics.site import HeatPump, Site

__all__ = ["LOW_COP_CAUSES", "LOW_COP_CHECKS", "CopShift", "cops_of", "tells_of"]


def tells_of(site: Site, pump: HeatPump) -> str:
    """The stage whose heat per electricity is the heat pump's COP, metered in its load loop; "" where there is none."""
    return next((each.id for each in site.stages.values() if pump.load_loop and each.loop == pump.load_loop), "")


def cops_of(pump: HeatPump, shift: Shift) -> Evidence:
    """What a shift of a heat pump's COP says in all: over how many days, the COP that it had and the one expected."""
    return {
        "heat_pump": pump.id,
        "mode": "heating",
        "days": shift.days,
        "cop": round(shift.had / shift.days, 2),
        "expected_cop": round(shift.expected / shift.days, 2),
        "plus_minus_cop": round(2 * sqrt(shift.u_square) / shift.days, 2),
    }


@dataclass(frozen=True, kw_only=True)
class CopShift:
    """
    What the days' deviations add up to, where the load is metered and heats a stage.

    Not this: less than a tenth, for which nobody need drive out; one odd day.
    """

    least_part: float = 0.10  # common practice, as for stages
    least_days: int = 3

    def is_told(self, site: Site, pump: HeatPump, held: Watched) -> bool:
        shift = held.low
        if held.out != "low" or not tells_of(site, pump) or shift.since is None or not shift.expected > 0:
            return False
        return shift.days >= self.least_days and 1.0 - shift.had / shift.expected >= self.least_part

    def finding(self, plant: PlantDay, history: Sequence[DayLedger], pump: HeatPump, held: Watched) -> Finding:
        shift = held.low
        since = shift.since or plant.day.date
        part = shift.had / shift.expected
        elec_kwh = _electricity_kwh([day for day in history if day.day >= since], pump)
        price = electricity_price(plant)
        cost = None if price is None or np.isnan(elec_kwh) else round(elec_kwh * (1.0 - part) * price, 6)
        evidence: Evidence = {
            **cops_of(pump, shift),
            "short_percent": round(100 * (1.0 - part), 1),
            "least_short_percent": round(100 * self.least_part, 1),
            "cusum_sd": round(shift.total, 1),
            "cusum_limit_sd": SCHEME.limit,
            "elec_kwh_per_day": None if np.isnan(elec_kwh) else round(elec_kwh, 2),
        }
        stretch = Stretch(began_ms=day_start_ms(plant, since), detected_ms=instant_ms(plant, SETTLED_S), is_by_day=True)
        return tell_of(plant, stretch, _ADVICE, evidence=evidence, weight_s=shift.days * 86400.0, cost=cost)


def _electricity_kwh(days: Sequence[DayLedger], pump: HeatPump) -> float:
    """What it took a day while it heated; NaN where no day tells."""
    told = [conditions_of(day).get(f"heat_pump.{pump.id}.heating.run_elec_kwh", nan) for day in days]
    known = [each for each in told if not np.isnan(each)]
    return sum(known) / len(known) if known else nan


_SENTENCE = (
    "The heat pump {heat_pump} has given {short_percent:.0f} % less heat for a kWh of electricity since {since} than "
    "its first good weeks would lead one to expect: {cop:.2f} kWh on {days} days, where {expected_cop:.2f} ± "
    "{plus_minus_cop:.2f} kWh were to be expected with the same source and power."
)
LOW_COP_CAUSES = (
    "refrigerant lost",
    "exchanger scaled or fouled, too little flow on the load or the source",
    "compressor worn, reversing valve leaks",
    "flow meter, temperature pair or power meter drifts",
)
LOW_COP_CHECKS = (
    "Compare flows and temperature differences of both circuits with the values noted at commissioning; clean the "
    "strainers.",
    "Compare both temperature sensors of each loop with the pump running and the compressor off: they should agree.",
    "The refrigerant circuit is for certified technicians; live panels for licensed electricians.",
)
_ADVICE = Advice("soon", _SENTENCE, LOW_COP_CAUSES, LOW_COP_CHECKS)
