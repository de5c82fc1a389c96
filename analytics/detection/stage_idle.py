"""A heat pump that no longer runs while the backup carries the house (`stage-below-expected`)."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby
from math import isnan, nan
from statistics import mean, median

import numpy as np

from analytics.detection.findings import Clear, Evidence, Fault, Finding, NotAssessed, Verdict
from analytics.detection.moments import instant_ms
from analytics.detection.pair_days import SETTLED_S, day_start_ms
from analytics.detection.telling import Advice, Stretch, tell_of
from analytics.detection.worth import electricity_price, heat_price
from analytics.expected.conditions import OUTDOOR_MEAN, conditions_of
from analytics.figures import DayLedger
from analytics.plant import CELL_S, PlantDay
from analytics.site import HeatPump, Site, Stage

__all__ = ["StageIdle", "idling_pump"]

_RAN_H = 1 / 60  # less is no run
_GIVES_KWH = 0.5  # a stage that gives more on a day has a compressor that runs, whatever its meter says
_LEAST_COVERAGE = 0.9
_SD_PER_MAD = 1.4826  # of normal values


def idling_pump(site: Site, stage: Stage) -> HeatPump | None:
    """The heat pump of a stage, where a backup may stand in for it; a pump with two stages is told of in the first."""
    pump = next((each for each in site.heat_pumps.values() if stage.loop and stage.loop in _loops(each)), None)
    if pump is None or not any(each.backup for each in site.stages.values()):
        return None
    first = next(each.id for each in site.stages.values() if each.loop and each.loop in _loops(pump))
    return pump if first == stage.id else None


def _loops(pump: HeatPump) -> tuple[str | None, ...]:
    return pump.load_loop, pump.desuperheater_loop


@dataclass(frozen=True, slots=True)
class _Day:
    """A whole day on which the compressor's power is known. [h], [kWh], [degC], NaN where not known"""

    day: date
    heating_h: float
    cooling_h: float
    backup_kwh: float
    cop: float
    outdoor_degc: float

    @property
    def is_idle(self) -> bool:
        return max(self.heating_h, self.cooling_h) < _RAN_H


@dataclass(frozen=True, slots=True, kw_only=True)
class _Record:
    """
    The days before the idle ones: what the backup used to give at most, and the air up to which it did heat.

    Args:
        days_needed: So many days in a row must show that the backup stands in: each gives more than `floor_kwh`, all
            more than `limit_kwh` on average. [kWh/day]
        rest_days: For how long it used to rest at most; 0 where it ran on nearly every day.
    """

    days: Sequence[_Day]
    usual_kwh: float
    limit_kwh: float
    floor_kwh: float
    mild_degc: float
    days_needed: int
    rest_days: int = 0

    @property
    def ran(self) -> Sequence[_Day]:
        return [each for each in self.days if each.heating_h >= _RAN_H]


@dataclass(frozen=True, kw_only=True)
class StageIdle:
    """
    Joins days without a run, after days with one, to a stage's own verdict.

    Nothing follows from a compressor's electricity where it takes none, so its own days before are what it is held
    against, and the backup tells that heat was wanted. Where the heat pump heats rooms and its hot gas the water,
    days that are milder than three in four of those on which it ran prove nothing. A pump that only loads its tank and
    runs on few days is told, too, once it has rested for longer than ever lately and the backup gives, day after day,
    what it never gave while the pump rested: a sound pump starts before its backup does. Not this: a summer of sun or
    an empty house (the backup rests, too). What lasts for 30 days is how the house is run: the alert ends.
    """

    record_days: int = 10
    record_within: timedelta = timedelta(days=20)
    least_ran: int = 8
    idle_days: int = 2
    seldom_ran: int = 3  # days with and days without a run, of those that are looked back on
    seldom_idle_days: int = 3
    least_more_kwh: float = 1.0  # a day; less is no call worth
    least_call_kwh: float = 0.3  # of a backup that was called: 2 kW for some ten minutes
    most_sd: float = 3.0
    mild_part: float = 0.75
    moves_on: timedelta = timedelta(days=30)
    lately: timedelta = timedelta(days=7)

    def joined(self, plant: PlantDay, history: Sequence[DayLedger], stage: Stage, *, today: Verdict) -> Verdict:
        """The stage's own fault; else what the days without a run show; else its own verdict."""
        pump = idling_pump(plant.site, stage)
        is_heard = any(last_s >= 0 for last_s in plant.last_s.values())
        if pump is None or isinstance(today, Fault) or plant.until_s < SETTLED_S or not is_heard:
            return today
        backups = {each.id for each in plant.site.stages.values() if each.backup}
        newest = next((d for each in reversed(history) if (d := _seen(each, pump, stage, backups)) is not None), None)
        if newest is None or not newest.is_idle:
            return today
        days = [each for ledger in history if (each := _seen(ledger, pump, stage, backups)) is not None]
        idle = _idle_row(days)
        if len(idle) < self.idle_days or idle[-1].day < plant.day.date - self.lately:
            return today
        ran = _first_run(plant, pump)
        if ran is not None:
            return Clear(instant_ms(plant, ran * CELL_S))
        heats_rooms = pump.desuperheater_loop == stage.loop
        before = days[: len(days) - len(idle)]
        record = self._record(before, idle[0].day)
        if record is None and not heats_rooms:
            record = self._seldom(before, idle[0].day)
        return today if record is None else self._judged(plant, stage, pump, record=record, idle=idle, today=today)

    def _judged(
        self,
        plant: PlantDay,
        stage: Stage,
        pump: HeatPump,
        *,
        record: _Record,
        idle: Sequence[_Day],
        today: Verdict,
    ) -> Verdict:
        if plant.day.date - idle[0].day >= self.moves_on:
            return Clear(day_start_ms(plant, idle[0].day + self.moves_on))
        heats_rooms = pump.desuperheater_loop == stage.loop
        needed = record.days_needed
        windows = [(n, idle[n - needed : n]) for n in range(needed, len(idle) + 1) if n > record.rest_days]
        ends = [n for n, window in windows if _stands_in(window, record, needs_cold=heats_rooms)]
        if not ends:
            return today
        if ends[-1] < len(idle):
            return NotAssessed(f"Heat pump {pump.id} does not run, and the backup gives no more than it used to.")
        return Fault((self._finding(plant, stage, pump, record, idle),))

    def _record(self, before: Sequence[_Day], first_idle: date) -> _Record | None:
        """None where it did not run on nearly every day before."""
        days = [each for each in before[-self.record_days :] if each.day >= first_idle - self.record_within]
        ran = [each for each in days if each.heating_h >= _RAN_H]
        backup = [each.backup_kwh for each in days if not isnan(each.backup_kwh)]
        if min(len(ran), len(backup)) < self.least_ran:
            return None
        usual = median(backup)
        scatter = _SD_PER_MAD * median(abs(each - usual) for each in backup)
        limit = max(usual + self.least_more_kwh, min(max(backup), usual + self.most_sd * scatter))
        mild = float(np.quantile([each.outdoor_degc for each in ran], self.mild_part))
        return _Record(
            days=days,
            usual_kwh=usual,
            limit_kwh=limit,
            floor_kwh=limit,
            mild_degc=mild,
            days_needed=self.idle_days,
        )

    def _seldom(self, before: Sequence[_Day], first_idle: date) -> _Record | None:
        """Of a pump that ran now and then; None where too few days tell what the backup gave while it rested."""
        days = [each for each in before if each.day >= first_idle - self.record_within and not isnan(each.backup_kwh)]
        alone = [each.backup_kwh for each in days if each.is_idle]
        if len(days) < self.record_days or min(len(alone), len(days) - len(alone)) < self.seldom_ran:
            return None
        most = max(alone)
        return _Record(
            days=days,
            usual_kwh=median(each.backup_kwh for each in days),
            limit_kwh=most + self.least_more_kwh,
            floor_kwh=most + self.least_call_kwh,
            mild_degc=nan,
            days_needed=self.seldom_idle_days,
            rest_days=_longest_rest(days),
        )

    def _finding(self, plant: PlantDay, stage: Stage, pump: HeatPump, record: _Record, idle: Sequence[_Day]) -> Finding:
        newest = idle[-record.days_needed :]
        backup, air = mean(each.backup_kwh for each in newest), mean(each.outdoor_degc for each in newest)
        cops = [each.cop for each in record.ran if each.cop > 0]
        cop = median(cops) if cops else nan
        evidence: Evidence = {
            "stage": stage.id,
            "stage_name": stage.name or stage.id,
            "heat_pump": pump.id,
            "idle_days": len(idle),
            "record_days": len(record.days),
            "ran_days": len(record.ran),
            "least_ran_days": self.seldom_ran if record.rest_days else self.least_ran,
            "longest_rest_days": record.rest_days or None,
            "usual_run_h": round(median(each.heating_h for each in record.ran), 1),
            "newest_days": record.days_needed,
            "backup_kwh": round(backup, 1),
            "usual_backup_kwh": round(record.usual_kwh, 1),
            "limit_backup_kwh": round(record.limit_kwh, 1),
            "usual_cop": None if isnan(cop) else round(cop, 2),
            "outdoor_degc": None if isnan(air) else round(air, 1),
            "mild_degc": None if isnan(record.mild_degc) else round(record.mild_degc, 1),
            "ends_after_days": self.moves_on.days,
        }
        return tell_of(
            plant,
            Stretch(
                began_ms=day_start_ms(plant, idle[0].day), detected_ms=instant_ms(plant, SETTLED_S), is_by_day=True
            ),
            Advice(
                "soon",
                _SELDOM if record.rest_days else _SENTENCE,
                _CAUSES,
                (*_CHECKS, _ON_PURPOSE.format(self.moves_on.days)),
            ),
            evidence=evidence,
            weight_s=len(idle) * 86400.0,
            cost=_cost(plant, backup - record.usual_kwh, cop),
        )


def _seen(ledger: DayLedger, pump: HeatPump, stage: Stage, backups: Collection[str]) -> _Day | None:
    """A day as far as it matters here; None where the compressor's power is not known for nearly all of it, or lies."""
    line = next((each for each in ledger.heat_pumps if each.heat_pump == pump.id), None)
    if line is None or line.heating_run_hours.coverage < _LEAST_COVERAGE or isnan(line.heating_run_hours.value):
        return None
    heats = [each.heat for each in ledger.stages if each.stage in backups]
    is_known = bool(heats) and all(each.coverage >= _LEAST_COVERAGE for each in heats)
    cooling_h = line.cooling_run_hours.value
    seen = _Day(
        ledger.day,
        line.heating_run_hours.value,
        0.0 if isnan(cooling_h) else cooling_h,
        sum(each.value for each in heats) if is_known else nan,
        line.heating_cop.value,
        conditions_of(ledger).get(OUTDOOR_MEAN, nan),
    )
    given = next((each.heat.value for each in ledger.stages if each.stage == stage.id), nan)
    return None if seen.is_idle and given > _GIVES_KWH else seen


def _idle_row(days: Sequence[_Day]) -> Sequence[_Day]:
    """The newest days without a run."""
    count = next((n for n, each in enumerate(reversed(days)) if not each.is_idle), len(days))
    return days[len(days) - count :]


def _longest_rest(days: Sequence[_Day]) -> int:
    """Most days in a row without a run."""
    return max((len(list(row)) for is_idle, row in groupby(days, key=lambda each: each.is_idle) if is_idle), default=0)


def _stands_in(window: Sequence[_Day], record: _Record, *, needs_cold: bool) -> bool:
    """Whether the backup gave on each of these days what it does not give beside a heat pump that is well."""
    given = [each.backup_kwh for each in window]
    is_cold = not needs_cold or all(each.outdoor_degc <= record.mild_degc for each in window)
    return is_cold and min(given) > record.floor_kwh and mean(given) > record.limit_kwh


def _first_run(plant: PlantDay, pump: HeatPump) -> int | None:
    """The cell in which the compressor first ran on the day, if it did for a minute."""
    courses = plant.heat_pumps.get(pump.id)
    is_on = np.zeros(0) if courses is None else np.nan_to_num(courses.is_on)
    if float(is_on.sum()) * CELL_S < _RAN_H * 3600:
        return None
    return int(np.flatnonzero(is_on > 0)[0])


def _cost(plant: PlantDay, more_kwh: float, cop: float) -> float | None:
    """What the backup costs more than the heat pump would have, for the same heat. [currency/day]"""
    heat, electricity = heat_price(plant), electricity_price(plant)
    if heat is None or electricity is None or isnan(cop):
        return None
    return round(more_kwh * (heat - electricity / cop), 6)


_NOT_RUN = (
    "The heat pump {heat_pump} (stage {stage_name}) has not run since {since}, on {idle_days} whole days; on "
    "{ran_days} of the {record_days} days before, it did"
)
_INSTEAD = (
    ". The backup stands in for it: it gave {backup_kwh:.1f} kWh a day on the last {newest_days} days, where it used "
    "to give {usual_backup_kwh:.1f} kWh a day."
)
_SENTENCE = _NOT_RUN + _INSTEAD
_SELDOM = _NOT_RUN + ", and never rested for more than {longest_rest_days} in a row" + _INSTEAD
_CAUSES = (
    "heat pump tripped: high or low pressure, or too little flow of the source; its fault code tells",
    "its breaker or switch is off",
    "its controller or thermostat no longer calls it, or it is switched off on purpose",
    "the power meter's clamp has fallen off, and the backup works for another reason",
)
_CHECKS = (
    "Read the fault code on the heat pump's display, and note it before it is reset; look up what it means first.",
    "See whether breaker and switch are on and its thermostat calls. A breaker that trips again stays off: live panels "
    "are for licensed electricians.",
    "Compare pressure and flow of the source loop with the values noted at commissioning.",
    "The refrigerant circuit is for certified technicians.",
)
_ON_PURPOSE = "Switched off on purpose, it needs nothing: this message ends {} days after the first day without a run."
