"""`heater-preempts`: the backup heats what a stage before it would have heated."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from math import isfinite, nan
from statistics import median
from typing import ClassVar

from analytics.detection.findings import Clear, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import instant_ms
from analytics.detection.pair_days import SETTLED_S, day_start_ms
from analytics.detection.shut_out import is_shut_out
from analytics.detection.stages_before import Spare, heat_of, spare_of, stages_before
from analytics.detection.telling import Advice, Stretch, tell_of
from analytics.detection.worth import electricity_price, heat_price, input_price
from analytics.expected.conditions import conditions_of
from analytics.expected.needless import BACKUP_KWH, BEYOND_KWH, HEATED_TO_DEGC, HOT_ENOUGH_DEGC, zone_points
from analytics.expected.stagnation import HOT_TANK_DEGC
from analytics.figures import DayLedger
from analytics.plant import PlantDay
from analytics.site import Site, Stage

__all__ = ["HeaterPreempts"]


@dataclass(frozen=True, slots=True)
class _Day:
    """
    A day of a backup: its heat, what of it went into water hot enough, and the hottest water that it warmed; and how
    hot its tank was while it shut a collector out, None where it did not.
    """

    ledger: DayLedger
    kwh: float
    beyond_kwh: float
    heated_to_degc: float
    shut_out_degc: float | None

    @property
    def needless_kwh(self) -> float:
        """Of a tank that lets no sun in, all: without it, the sun would have come."""
        return self.beyond_kwh if self.shut_out_degc is None else self.kwh


@dataclass(frozen=True, slots=True)
class _Taken:
    """Heat that the backup gave on the days that show it in place of stages that work. [kWh]"""

    days: Sequence[_Day]
    spares: Sequence[Spare]
    by_stage: Sequence[float]

    @property
    def kwh(self) -> float:
        return sum(self.by_stage)


@dataclass(frozen=True, kw_only=True)
class HeaterPreempts:
    """
    A backup that goes on heating water that is hot enough, day after day, while a collector or heat pump before it in
    the same tank works and could give more: the tank is then hot when the sun comes, or the heat pump is not called. Or
    one that keeps its tank so hot that a collector stands in the sun all day and is not let in.

    Not this: a disinfection once a week; a tank kept at 60 degC; a stage before that is broken or that gives all it
    can (dull days, a compressor that never rests); heat that the backup gives to water colder than 60 degC, which may
    be needed before the next stage comes.
    """

    kind: ClassVar[str] = "heater-preempts"
    rejoin: ClassVar[timedelta] = timedelta(days=7)
    hot_degc: float = HOT_ENOUGH_DEGC
    within_days: int = 7
    days: int = 3  # of these must show it: a disinfection comes once or twice a week
    least_kwh: float = 0.3  # into water hot enough, for a day to show it; below, it is a thermostat's overshoot
    least_taken_kwh: float = 0.3  # a day: ten euro or dollars a month or so
    lasting_days: int = 3  # without a day that shows it, until an alert is no longer carried on
    well_days: int = 2  # on which the backup heated and stopped in time

    def needs(self, site: Site) -> Sequence[Need]:
        return [
            Need(stage.heater or stage.loop or stage.id, _lacking(site, stage))
            for stage in site.stages.values()
            if stage.backup
        ]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        if plant.until_s < SETTLED_S or not any(last_s >= 0 for last_s in plant.last_s.values()):
            return NotAssessed("The days before are judged ten minutes after midnight, when their readings are here.")
        stage = next(s for s in plant.site.stages.values() if s.backup and component in (s.heater, s.loop, s.id))
        lately = history[-self.within_days :]
        seen = _seen(plant.site, lately, stage)
        heated = [day for day in seen if day.kwh >= self.least_kwh and _age(plant, day) <= self.within_days]
        well = self._well_since(plant.site, stage, seen, heated)
        if well is not None:
            return Clear(day_start_ms(plant, well.ledger.day))
        shown = [day for day in heated if self._shows(day)]
        if len(shown) < self.days or _age(plant, shown[-1]) > self.lasting_days:
            return NotAssessed(f"{component} heated on too few of the last days to tell whether it stops in time.")
        taken = _taken(plant, stage, shown, lately=lately, record=history)
        if not taken.spares:
            return NotAssessed(f"No stage before {component} was seen to work on these days, so it may be needed.")
        if taken.kwh < self.least_taken_kwh * len(shown):
            return NotAssessed(f"The stages before {component} gave about as much as they could, so it may be needed.")
        return Fault((self._finding(plant, stage, _seen(plant.site, history, stage), taken=taken),))

    def _well_since(self, site: Site, stage: Stage, seen: Sequence[_Day], heated: Sequence[_Day]) -> _Day | None:
        """The first of some days that show health; of a collector that was shut out lately, only its own heat does."""
        if any(day.shut_out_degc is not None for day in seen):
            well = _let_in_again(site, stage, seen)
            is_well = not any(day.beyond_kwh >= self.least_kwh for day in heated)
        else:
            well = heated[-self.well_days :]
            is_well = all(day.heated_to_degc < self.hot_degc for day in well)
        return well[0] if is_well and len(well) >= self.well_days else None

    def _shows(self, day: _Day) -> bool:
        return day.shut_out_degc is not None or day.beyond_kwh >= self.least_kwh

    def _finding(self, plant: PlantDay, stage: Stage, seen: Sequence[_Day], *, taken: _Taken) -> Finding:
        first = self._first(seen)
        began_ms = day_start_ms(plant, seen[first].ledger.day)
        days, names = len(taken.days), [spare.name for spare in taken.spares]
        usual = _median([day.heated_to_degc for day in seen[:first]])
        evidence: dict[str, float | int | str | None] = {
            "backup": stage.heater or stage.loop or stage.id,
            "days": days,
            "within_days": self.within_days,
            "heated_to_degc": round(_median([day.heated_to_degc for day in taken.days]) or nan, 1),
            "usual_degc": None if usual is None else round(usual, 1),
            "hot_degc": self.hot_degc,
            "backup_kwh": round(sum(day.kwh for day in taken.days), 1),
            "beyond_kwh": round(sum(day.beyond_kwh for day in taken.days), 1),
            "taken_kwh": round(taken.kwh, 1),
            "taken_kwh_day": round(taken.kwh / days, 2),
            "stages": " and ".join(names),
            "given_kwh": round(sum(spare.given_kwh for spare in taken.spares), 1),
            "could_kwh": round(sum(spare.given_kwh for spare in taken.spares) + taken.kwh, 1),
            "min_days": self.days,
            "min_kwh": self.least_kwh,
            "min_taken_kwh_day": self.least_taken_kwh,
        }
        shut_out = [day.shut_out_degc for day in taken.days if day.shut_out_degc is not None]
        evidence |= {"shut_out_days": len(shut_out), "tank_degc": round(max(shut_out), 1) if shut_out else None}
        is_told_before = usual is not None and usual < self.hot_degc and len(shut_out) < self.days
        sentence = _SHUT_OUT if len(shut_out) >= self.days else _SENTENCE
        return tell_of(
            plant,
            Stretch(began_ms=began_ms, detected_ms=instant_ms(plant, SETTLED_S), is_by_day=True),
            Advice("soon", sentence + (_BEFORE if is_told_before else ""), _CAUSES, _CHECKS),
            evidence=evidence,
            weight_s=days * 86400.0,
            cost=_cost(plant, stage, taken),
        )

    def _first(self, seen: Sequence[_Day]) -> int:
        """The day with which it began: no longer than a few days without a sign lie between that day and now."""
        shown = [n for n, day in enumerate(seen) if self._shows(day)]
        first = shown[-1]
        for earlier in reversed(shown[:-1]):
            if (seen[first].ledger.day - seen[earlier].ledger.day).days > self.lasting_days:
                break
            first = earlier
        return first


_SENTENCE = (
    "The backup {backup} has heated its tank to {heated_to_degc:.0f} degC since {since}: {beyond_kwh:.1f} kWh on "
    "{days} of the last {within_days} days went into water that was hot enough. Up to {taken_kwh:.1f} kWh of it would "
    "have come from {stages} (on these days {given_kwh:.1f} kWh came, {could_kwh:.1f} kWh could have)."
)
_SHUT_OUT = (
    "The backup {backup} has kept its tank so hot since {since} that {stages} gives nothing: on {shut_out_days} of the "
    "last {within_days} days the collector stood idle in the sun beside a tank of up to {tank_degc:.0f} degC. On these "
    "days the backup gave {backup_kwh:.0f} kWh, of which up to {taken_kwh:.0f} kWh could have come from {stages}."
)
_BEFORE = " Before, the backup stopped at {usual_degc:.0f} degC."
_CAUSES = (
    "thermostat of the backup set higher than needed, or turned up for a cold spell and left there",
    "timer or controller lets the backup heat in the morning, before the sun or the heat pump has had its turn",
    "a disinfection programme that runs daily instead of once a week",
    "thermostat's sensor out of its pocket, or placed where the tank is colder",
)
_CHECKS = (
    "Read the backup's set temperature and its times at the controller, and ask whether they were changed on purpose; "
    "let it heat in the late afternoon, when the stages before have had their turn.",
    "Stored water is to stay at 60 degC (140 degF) where local rules ask for it against Legionella: set no lower than "
    "they allow, and keep the weekly disinfection.",
    "An element's thermostat often sits behind its cover beside live terminals: let a licensed electrician set it, "
    "with the supply switched off and locked.",
    "Until it is set, water at the taps may scald where no mixing valve holds it.",
)


def _lacking(site: Site, stage: Stage) -> str:
    if stage.tank is None:
        return f"Stage {stage.id} heats the water in passing, after all others, and so only what they left."
    if not zone_points(site, stage):
        return (
            f"No sensor of tank {stage.tank} stands where stage {stage.id} heats, so how hot it makes it is not known."
        )
    if not stages_before(site, stage):
        return f"No collector and no heat pump heats tank {stage.tank} before stage {stage.id}."
    return ""


def _seen(site: Site, history: Sequence[DayLedger], stage: Stage) -> list[_Day]:
    """Days that told how the backup heated, oldest first."""
    names = [f"backup.{stage.id}.{name}" for name in (BACKUP_KWH, BEYOND_KWH, HEATED_TO_DEGC)]
    told = [(day, [conditions_of(day).get(name, nan) for name in names]) for day in history]
    return [
        _Day(day, values[0], values[1], values[2], _shut_out_degc(site, stage, day))
        for day, values in told
        if isfinite(values[0] + values[1])
    ]


def _shut_out_degc(site: Site, stage: Stage, day: DayLedger) -> float | None:
    """How hot the tank was while the backup shut a collector out, None where it did not."""
    for before in stages_before(site, stage):
        if before.collector is not None and is_shut_out(site, stage, before, day=day):
            return conditions_of(day).get(f"collector.{before.collector.id}.{HOT_TANK_DEGC}")
    return None


def _let_in_again(site: Site, stage: Stage, seen: Sequence[_Day]) -> Sequence[_Day]:
    """The days since a collector was last shut out on which it worked; none where it never was."""
    out = [n for n, day in enumerate(seen) if day.shut_out_degc is not None]
    suns = [before.stage for before in stages_before(site, stage) if before.collector is not None]
    since = seen[out[-1] + 1 :] if out else []
    return [day for day in since if any(heat_of(day.ledger, sun) >= _WORKED_KWH for sun in suns)]


_WORKED_KWH = 1.0


def _age(plant: PlantDay, day: _Day) -> int:
    return (plant.day.date - day.ledger.day).days


def _taken(
    plant: PlantDay, stage: Stage, shown: Sequence[_Day], *, lately: Sequence[DayLedger], record: Sequence[DayLedger]
) -> _Taken:
    """The backup's needless heat, given back to the stages before it as far as they could have given more."""
    ledgers = [day.ledger for day in shown]
    told = [spare_of(each, ledgers, lately=lately, record=record) for each in stages_before(plant.site, stage)]
    spares = [spare for spare in told if spare is not None]
    left, by_stage = sum(day.needless_kwh for day in shown), []
    for spare in spares:
        by_stage.append(min(left, spare.spare_kwh))
        left -= by_stage[-1]
    return _Taken(shown, spares, by_stage)


def _cost(plant: PlantDay, stage: Stage, taken: _Taken) -> float | None:
    """What the backup's heat cost more than that of the stages before it, a day. [currency]"""
    heater = plant.site.heaters.get(stage.heater or "")
    price = None if heater is None else input_price(plant, heater.kind)
    bought = heat_price(plant) if heater is None else None if price is None else price / heater.efficiency
    electricity = electricity_price(plant)
    if bought is None or electricity is None:
        return None
    less = [max(bought - spare.elec_per_kwh * electricity, 0.0) for spare in taken.spares]
    return round(sum(x * kwh for x, kwh in zip(less, taken.by_stage, strict=True)) / len(taken.days), 6)


def _median(values: Sequence[float]) -> float | None:
    known = [value for value in values if isfinite(value)]
    return median(known) if known else None
