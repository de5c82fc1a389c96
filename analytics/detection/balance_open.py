"""`balance-open`: a tank's residual is larger than the sensors' accuracy explains, day after day."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import isnan, sqrt
from typing import ClassVar

from analytics.detection.findings import Clear, Explainer, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import day_word, instant_ms
from analytics.detection.pair_days import SETTLED_S, day_start_ms
from analytics.detection.relations import heat_pumps_of_tank
from analytics.detection.worth import input_price
from analytics.expected.balance import balance_of
from analytics.figures import DayLedger, Figure
from analytics.plant import PlantDay
from analytics.site import Site

__all__ = ["BalanceOpen"]

_Day = tuple[date, Figure]

_LASTING = 2  # of so many newest days one is open: where both are closed, it is over
_ALIKE = 0.5  # two balances with the same meter in them: each has its own doubt beside (common practice)
_LESS_PART = 0.5  # of what is open later (common practice)


@dataclass(frozen=True, kw_only=True)
class BalanceOpen:
    """
    A tank whose heat does not add up beyond doubt.

    A sensor's systematic error does not average out over days, so the doubt of a mean of days is taken as the mean of
    the days' doubts. Where as much is missing as a heater by its power gives, that is
    paid for in vain. Not this: meters that disagree within their classes, however long; one odd day.
    """

    kind: ClassVar[str] = "balance-open"
    rejoin: ClassVar[timedelta] = timedelta(days=7)
    days: int = 3
    # Two meters at the very limit of their classes reach 1.23 times the 95 % interval (2a against 2 x sqrt(2) a /
    # sqrt(3)), three reach 1.5: both parts stay above.
    times_doubt: float = 2.0
    long_days: int = 7
    long_times_doubt: float = 1.6
    long_known: int = 5
    min_kwh: float = 0.5
    idle_part: float = 0.8  # of a heater's heat that is missing, and of what is missing: then it is the heater's

    def needs(self, site: Site) -> Sequence[Need]:
        return [Need(tank.id) for tank in site.tanks.values()]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        if plant.until_s < SETTLED_S or not any(last_s >= 0 for last_s in plant.last_s.values()):
            return NotAssessed("The days before are judged ten minutes after midnight, when their readings are here.")
        known = self._known(history, component, plant.day.date)
        if len(known) < self.days:
            return NotAssessed(f"The balance of tank {component} was known on fewer than {self.days} of its last days.")
        short, long = known[-self.days :], known
        if self._is_open(short, self.times_doubt):
            return self._told(plant, history, component, self._same_way(known), times_doubt=self.times_doubt)
        if len(long) >= self.long_known and self._is_open(long, self.long_times_doubt):
            return self._told(plant, history, component, _mostly_open(long), times_doubt=self.long_times_doubt)
        if all(abs(residual.value) <= residual.plus_minus for _, residual in short):
            return Clear(day_start_ms(plant, short[0][0]))
        return NotAssessed(f"The balance of tank {component} is open by about what its sensors' accuracy explains.")

    def _told(
        self, plant: PlantDay, history: Sequence[DayLedger], tank: str, days: Sequence[_Day], *, times_doubt: float
    ) -> Verdict:
        opened = _since_it_opened(days, times_doubt=times_doubt)
        if len(opened) < _LASTING:
            return NotAssessed(f"The balance of tank {tank} has opened on {len(opened)} days so far.")
        pumps = _pumps_alike(plant.site, history, tank, opened)
        finding = self._finding(plant, tank, opened, times_doubt=times_doubt, pumps=pumps)
        return Fault((self._paid_in_vain(plant, history, finding),))

    def _known(self, history: Sequence[DayLedger], tank: str, today: date) -> Sequence[_Day]:
        """Residuals of the last days on which they were known, oldest first."""
        first = today - timedelta(days=self.long_days)
        lines = [
            (day.day, line.residual) for day in history[-self.long_days :] for line in day.tanks if line.tank == tank
        ]
        return [
            (day, residual)
            for day, residual in lines
            if day >= first and not isnan(residual.value) and not isnan(residual.plus_minus)
        ]

    def _is_open(self, days: Sequence[_Day], times_doubt: float) -> bool:
        mean_kwh, doubt_kwh = _means(days)
        open_ways = [residual.value > 0 for _, residual in days if abs(residual.value) > residual.plus_minus]
        beyond = abs(mean_kwh) >= max(times_doubt * doubt_kwh, self.min_kwh)
        lasts = any(abs(residual.value) > residual.plus_minus for _, residual in days[-_LASTING:])
        return beyond and lasts and len(open_ways) >= self.days and len(set(open_ways)) == 1

    def _same_way(self, days: Sequence[_Day]) -> Sequence[_Day]:
        """The newest days, as far back as each is open the same way."""
        way, count = days[-1][1].value > 0, 0
        for _, residual in reversed(days):
            if (residual.value > 0) != way or abs(residual.value) <= residual.plus_minus:
                break
            count += 1
        return days[-count:]

    def _finding(
        self, plant: PlantDay, tank: str, days: Sequence[_Day], *, times_doubt: float, pumps: Sequence[str]
    ) -> Finding:
        mean_kwh, doubt_kwh = _means(days)
        began_ms = day_start_ms(plant, days[0][0])
        evidence: dict[str, float | int | str | None] = {
            "since": day_word(began_ms, plant.day.timezone),
            "tank": tank,
            "open_kwh": round(abs(mean_kwh), 2),
            "plus_minus_kwh": round(doubt_kwh, 2),
            "limit_kwh": round(max(times_doubt * doubt_kwh, self.min_kwh), 2),
            "times_doubt": times_doubt,
            "days": len(days),
            "by_day_kwh": ", ".join(f"{day:%d %b} {each.value:+.2f}" for day, each in days),
            "way": _TOO_MUCH_WAY if mean_kwh > 0 else "Less heat goes into",
        }
        return Finding(
            began_ms=began_ms,
            ended_ms=None,
            detected_ms=instant_ms(plant, SETTLED_S),
            severity="watch",
            template=_SENTENCE,
            explained_by=tuple(Explainer(self.kind, pump, days=7) for pump in pumps),
            evidence=evidence,
            likely_causes=_TOO_MUCH if mean_kwh > 0 else _TOO_LITTLE,
            checks=_CHECKS,
            cost_per_day=None,
            weight_s=len(days) * 86400.0,
            is_by_day=True,
        )

    def _paid_in_vain(self, plant: PlantDay, history: Sequence[DayLedger], finding: Finding) -> Finding:
        """The finding, with what it costs where as much is missing as a heater of the tank gives by its power."""
        told = finding.evidence
        missing_kwh, doubt_kwh, n_days = (float(told[name] or 0) for name in ("open_kwh", "plus_minus_kwh", "days"))
        days = history[-round(n_days) :]
        for stage in plant.site.stages.values():
            if stage.tank != told["tank"] or not stage.heater or told["way"] != _TOO_MUCH_WAY:
                continue
            given = [line.heat.value for day in days for line in day.stages if line.stage == stage.id]
            given_kwh = sum(given) / max(len(given), 1)
            if not min(missing_kwh, given_kwh) >= self.idle_part * max(missing_kwh, given_kwh):
                continue
            heater = plant.site.heaters[stage.heater]
            price = input_price(plant, heater.kind)
            return replace(
                finding,
                severity="soon",
                template=_SENTENCE + _IN_VAIN,
                evidence={**told, "heater": heater.id, "heater_kwh": round(given_kwh, 2)},
                likely_causes=(_HEATS_ELSEWHERE, *finding.likely_causes),
                checks=(_SEE_HEATER, *finding.checks),
                cost_per_day=None if price is None else round((missing_kwh - doubt_kwh) * price / heater.efficiency, 6),
            )
        return finding


_TOO_MUCH_WAY = "More heat goes into"
_IN_VAIN = (
    " By its power, heater {heater} gives this tank {heater_kwh:.2f} kWh a day: most of that seems not to reach the "
    "water."
)
_HEATS_ELSEWHERE = "the heater warms no water of this tank, or its meter measures something else"
_SEE_HEATER = (
    "See whether the tank's sensors rise while the heater takes power, and what else hangs on its meter. Live panels "
    "are for licensed electricians."
)
_SENTENCE = (
    "{way} tank {tank} than is found again in hot water, store and loss since {since}: {open_kwh:.2f} kWh a day on "
    "average over its newest {days} days, where the accuracy of the sensors explains {plus_minus_kwh:.2f} kWh."
)
_TOO_MUCH = (
    "the tank loses more than its ua_w_per_k says: insulation damaged or wet, pipes without heat traps",
    "heat leaves unmetered: through a recirculation line, a check valve that leaks, hot water drawn before the meter",
    "a loop's pair of sensors or its flow meter reads too high; the hot-water flow reads too low",
)
_TOO_LITTLE = (
    "heat comes in by a way that is not metered",
    "a loop's pair of sensors or its flow meter reads too low; the hot-water flow reads too high",
    "the tank loses less than its ua_w_per_k says, or volume_l is not the tank's own",
)
_CHECKS = (
    "Look first at other alerts of the same loop and tank: an offset or exchanged sensor opens the balance too.",
    "Compare volume_l and ua_w_per_k of the site file with the tank's plate and data sheet.",
    "Catch the hot water of a minute in a bucket and hold it against the flow meter; mind the hot water.",
    "Feel, with care, the pipes at the tank for one that is warm and should not be.",
)


def _means(days: Sequence[_Day]) -> tuple[float, float]:
    """Mean residual, and the mean of the half-widths of the days' intervals. [kWh]"""
    values = [residual.value for _, residual in days]
    doubts = [residual.plus_minus for _, residual in days]
    return sum(values) / len(days), sum(doubts) / len(days)


def _pumps_alike(site: Site, history: Sequence[DayLedger], tank: str, days: Sequence[_Day]) -> Sequence[str]:
    """Heat pumps whose load seems to bring the tank as much too much, or too little, beside its source and power."""
    open_kwh, on = _means(days)[0], {day for day, _ in days}
    found = []
    for pump in heat_pumps_of_tank(site, tank):
        apart = [
            each.apart_kwh for day in history if day.day in on and (each := balance_of(site, day, pump)) is not None
        ]
        if apart and _ALIKE <= sum(apart) / len(apart) / open_kwh <= 1 / _ALIKE:
            found.append(pump)
    return found


def _mostly_open(days: Sequence[_Day]) -> Sequence[_Day]:
    """The newest days, as far back as most of them are open the way of their mean, the first of them open."""
    is_gain = _means(days)[0] > 0
    opens = [abs(r.value) > r.plus_minus and (r.value > 0) == is_gain for _, r in days]
    return next(days[n:] for n, is_open in enumerate(opens) if is_open and 2 * sum(opens[n:]) >= len(opens) - n)


def _since_it_opened(days: Sequence[_Day], *, times_doubt: float) -> Sequence[_Day]:
    """
    The days from the largest step on, where those before it are no open balance by themselves and less than half of it.

    What a house leaves open for ever by about its doubt is not where a fault began.
    """

    def parts(n: int) -> tuple[float, float, float]:
        (before_kwh, doubt_kwh), (after_kwh, _) = _means(days[:n]), _means(days[n:])
        return abs(before_kwh), doubt_kwh, abs(after_kwh)

    def is_apart(n: int) -> bool:
        before_kwh, doubt_kwh, after_kwh = parts(n)
        return before_kwh < min(times_doubt * doubt_kwh, _LESS_PART * after_kwh)

    def step(n: int) -> float:
        before_kwh, _, after_kwh = parts(n)
        return (after_kwh - before_kwh) * sqrt(n * (len(days) - n))

    at = max(filter(is_apart, range(1, len(days))), key=step, default=0)
    return days[at:]
