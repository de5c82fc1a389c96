"""A ground loop that passes on heat ever less well, found against its first good weeks (`ground-loop-cold`)."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import isfinite, nan, sqrt
from statistics import median

from analytics.detection.entering_band import source_pump
from analytics.detection.findings import Clear, Evidence, Fault, Finding, NotAssessed, Verdict
from analytics.detection.moments import instant_ms
from analytics.detection.pair_days import SETTLED_S, day_start_ms
from analytics.detection.telling import Advice, Stretch, tell_of
from analytics.expected.conditions import conditions_of
from analytics.expected.watching import SCHEME, Watched, days_between_false_signals
from analytics.figures import DayLedger
from analytics.plant import PlantDay

__all__ = ["GroundDrift"]


@dataclass(frozen=True, kw_only=True)
class GroundDrift:
    """
    Joins what the days before show of a loop's fall within a run to a day's own verdict.

    The fall is of one run, from ground that is as warm at its beginning as at its end: seasons do not move it. Not
    this: ground that the heat pump has cooled year by year, from which the fluid falls no further within a run. Where
    less heat is metered while the fluid falls as it did, the pair or the meter is named.
    """

    least_part: float = 0.15  # common practice: less than a kelvin at usual loads
    least_days: int = 5
    recent_days: int = 7  # so long may the last judged day lie back and still end an alert

    def joined(
        self, plant: PlantDay, history: Sequence[DayLedger], loop: str, held: Watched, *, today: Verdict
    ) -> Verdict:
        """The day's own fault; else what the days before show, be it a drift or that it is over."""
        is_heard = any(last_s >= 0 for last_s in plant.last_s.values())
        if isinstance(today, Fault) or plant.until_s < SETTLED_S or not is_heard:
            return today
        shift = held.high
        if held.out == "high":
            if shift.had < shift.expected * (1 + self.least_part) or shift.days < self.least_days:
                return NotAssessed(f"The fluid of loop {loop} falls somewhat more in a run than in its first weeks.")
            advice = _ADVICE
            if self._is_metered_less(plant, history, loop, since=shift.since):
                advice = _METER_ADVICE
            return Fault((self._finding(plant, loop, held, advice),))
        # Only the days that ended a drift end its alert: fluid that comes back too cold may fall no further in a run.
        is_over = held.judged is not None and plant.day.date - held.judged <= timedelta(days=self.recent_days)
        if isinstance(today, NotAssessed) and is_over and held.judged is not None and held.well_since and not held.out:
            return Clear(day_start_ms(plant, max(held.judged, held.well_since)))
        return today

    def _is_metered_less(self, plant: PlantDay, history: Sequence[DayLedger], loop: str, *, since: date | None) -> bool:
        """Whether the fluid itself falls as it did, so that only the heat that it is held against has changed."""
        name = f"heat_pump.{source_pump(plant.site, loop).id}.heating."
        before: list[float] = []
        after: list[float] = []
        for ledger in history:
            told = conditions_of(ledger)
            fall, taken, hours = (told.get(name + each, nan) for each in ("fall_k_per_kw", "source_mean_w", "run_h"))
            if isfinite(fall + taken) and hours > 0:
                fall *= taken / hours
                (before if since is None or ledger.day < since else after).append(fall)
        if min(len(before), len(after)) < self.least_days:
            return False
        return bool(median(after) < median(before) * (1 + self.least_part / 2))

    def _finding(self, plant: PlantDay, loop: str, held: Watched, advice: Advice) -> Finding:
        shift = held.high
        stretch = Stretch(
            began_ms=day_start_ms(plant, shift.since or plant.day.date),
            detected_ms=instant_ms(plant, SETTLED_S),
            is_by_day=True,
        )
        (model,) = held.experience.values()
        evidence: Evidence = {
            "loop": loop,
            "days": shift.days,
            "fall_k_per_kw": round(shift.had / shift.days, 2),
            "expected_k_per_kw": round(shift.expected / shift.days, 2),
            "plus_minus_k_per_kw": round(2 * sqrt(shift.u_square) / shift.days, 2),
            "more_percent": round(100 * (shift.had / shift.expected - 1), 1),
            "least_more_percent": round(100 * self.least_part, 1),
            "cusum_sd": round(shift.total, 1),
            "cusum_limit_sd": SCHEME.limit,
            "cusum_allowance_sd": SCHEME.allowance,
            "days_between_false_signals": round(days_between_false_signals()),
            "fit_days": model.count,
        }
        return tell_of(plant, stretch, advice, evidence=evidence, weight_s=shift.days * 86400.0)


_SENTENCE = (
    "The {loop} loop brings heat less well since {since}: within a run its fluid falls by {fall_k_per_kw:.2f} K for "
    "each kW taken from it, {more_percent:.0f} % more than the {expected_k_per_kw:.2f} ± {plus_minus_k_per_kw:.2f} "
    "K of its first good weeks (over {days} days of heating, in whatever season)."
)
_CAUSES = (
    "fluid lost, or air in the loop: less flow and fewer pipes in use",
    "strainer or heat pump's exchanger clogged, pump worn or set slower",
    "one of several loops shut off or air-locked",
    "ground around the pipes dried or shrunk away from them",
    "flow meter or a temperature sensor of the loop is off: compare both sensors with the compressor off",
)
_CHECKS = (
    "Read the loop's pressure, and its flow and temperature difference with the compressor running: compare them with "
    "the values noted at commissioning.",
    "Clean the strainer; let air out at the manifold, loop by loop, and compare the loops' flows.",
    "Measure the freezing point of the fluid with a refractometer; gloves and glasses, glycol may be harmful.",
    "A loop that lost fluid may leak: let a licensed installer find it before it is topped up.",
)
_ADVICE = Advice("soon", _SENTENCE, _CAUSES, _CHECKS)

_METER_SENTENCE = (
    "Less heat is metered from the {loop} loop since {since}, though its fluid falls within a run as it did: "
    "{fall_k_per_kw:.2f} K for each metered kW, {more_percent:.0f} % more than the {expected_k_per_kw:.2f} ± "
    "{plus_minus_k_per_kw:.2f} K of its first good weeks (over {days} days of heating). One of its sensors seems to be "
    "off, not the ground."
)
_METER_CAUSES = (
    "one of the loop's two temperature sensors is off, or sits loose on its pipe",
    "flow meter reads too low",
    "heat pump takes less heat for its electricity, and the ground passes on less as well",
)
_METER_CHECKS = (
    "Compare both temperature sensors of the loop after some hours of rest, or with its pump running and the "
    "compressor off: they should agree.",
    "Compare the flow with the value noted at commissioning.",
    "Leave live terminals to a licensed electrician.",
)
_METER_ADVICE = Advice("watch", _METER_SENTENCE, _METER_CAUSES, _METER_CHECKS)
