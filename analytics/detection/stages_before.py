"""What the stages before a backup gave into its tank, and what they could have given had the tank been cooler."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan

from analytics.expected.conditions import conditions_of
from analytics.figures import DayLedger
from analytics.site import Collector, HeatPump, Site, Stage

__all__ = ["Before", "Spare", "heat_of", "spare_of", "stages_before"]


@dataclass(frozen=True, slots=True)
class Before:
    """A stage before the backup with its collector or its heat pump, one of the two."""

    stage: Stage
    collector: Collector | None
    heat_pump: HeatPump | None

    @property
    def parts(self) -> tuple[str, ...]:
        """Ids of all that it consists of."""
        pump, loop = self.heat_pump, self.stage.loop or ""
        return (self.stage.id, loop, *((pump.id, pump.source_loop) if pump else ()))


@dataclass(frozen=True, slots=True)
class Spare:
    """
    Args:
        given_kwh, spare_kwh: Over the days, and what more there was to be had, at most.
        elec_per_kwh: Electricity for a kilowatt-hour of it.
    """

    name: str
    given_kwh: float
    spare_kwh: float
    elec_per_kwh: float


def stages_before(site: Site, backup: Stage) -> Sequence[Before]:
    """Collectors, then heat pumps, that heat the backup's own tank and stand before it in the site file."""
    found = []
    for stage in site.stages.values():
        if stage.id == backup.id:
            break
        if stage.tank is None or stage.tank != backup.tank or stage.backup:
            continue
        collector = next((each for each in site.collectors.values() if each.loop == stage.loop), None)
        pump = next((each for each in site.heat_pumps.values() if stage.loop and each.load_loop == stage.loop), None)
        if collector is not None or pump is not None:
            found.append(Before(stage, collector, pump))
    return sorted(found, key=lambda each: each.collector is None)


def spare_of(
    before: Before, days: Sequence[DayLedger], *, lately: Sequence[DayLedger], record: Sequence[DayLedger]
) -> Spare | None:
    """
    What a stage had to spare over some days; None where it was not seen to work, or nothing tells.

    Args:
        lately: Days that tell how much a heat pump gives when it is called; the backup may have kept it from running.
        record: Days, newest last, that tell how well a collector works that did not run on `days`.
    """
    if before.collector is not None:
        return _of_sun(before, before.collector, days, record=record)
    return None if before.heat_pump is None else _of_pump(before, before.heat_pump, days, lately=lately)


_WORKS_PART = 0.6  # of what its coefficients allow while it runs; soiled or shaded ones give less (common practice)
_LEAST_KWH = 1.0
_RAN_DAYS = 5


def _of_sun(
    before: Before, collector: Collector, days: Sequence[DayLedger], *, record: Sequence[DayLedger]
) -> Spare | None:
    """
    What the measured sun allowed into water as cold as the tank had it on the day, less what was given.

    The collector's own part of what its coefficients allow while it runs counts for that, too; where it did not run on
    these days, of the newest before on which it did.
    """
    given, running, cold = _sun_sums(before, collector, days)
    of_given, of_running = given, running
    if running < _LEAST_KWH:
        ran = [day for day in record if _sun_sums(before, collector, [day])[1] >= _LEAST_KWH]
        of_given, of_running, _ = _sun_sums(before, collector, ran[-_RAN_DAYS:])
    if of_running < _LEAST_KWH or of_given < _WORKS_PART * of_running:
        return None
    return Spare(_name(before.stage), given, max(cold * min(of_given / of_running, 1.0) - given, 0.0), 0.0)


def _sun_sums(before: Before, collector: Collector, days: Sequence[DayLedger]) -> tuple[float, float, float]:
    """Given, allowed while it ran, allowed into cold water: over days on which all three are known. [kWh]"""
    given, running, cold = 0.0, 0.0, 0.0
    for day in days:
        names = [f"collector.{collector.id}.{name}" for name in ("running_allowed_kwh", "cold_allowed_kwh")]
        known = [heat_of(day, before.stage), *(conditions_of(day).get(name, nan) for name in names)]
        if isfinite(sum(known)):
            given, running, cold = given + known[0], running + known[1], cold + known[2]
    return given, running, cold


def _of_pump(before: Before, pump: HeatPump, days: Sequence[DayLedger], *, lately: Sequence[DayLedger]) -> Spare | None:
    """What the heat pump would have given in the hours in which it rested, at the rate at which it gave lately."""
    given, elec, hours = (sum(each) for each in zip(*(_ran(before.stage, pump, day) for day in lately), strict=True))
    if given < _LEAST_KWH or hours <= 0.0:
        return None
    on_days = [_ran(before.stage, pump, day) for day in days]
    rested = sum(max(24.0 - ran, 0.0) for _, _, ran in on_days)
    return Spare(_name(before.stage), sum(heat for heat, _, _ in on_days), given / hours * rested, elec / given)


def _ran(stage: Stage, pump: HeatPump, day: DayLedger) -> tuple[float, float, float]:
    """A day's heat of a heat pump's stage [kWh], its electricity in runs [kWh] and its hours; zeros where not known."""
    told = [conditions_of(day).get(f"heat_pump.{pump.id}.heating.{name}", 0.0) for name in ("run_elec_kwh", "run_h")]
    heat = heat_of(day, stage)
    return (heat, told[0], told[1]) if isfinite(heat) else (0.0, 0.0, 0.0)


def heat_of(day: DayLedger, stage: Stage) -> float:
    """A stage's heat of a day, NaN where it is not known. [kWh]"""
    return next((line.heat.value for line in day.stages if line.stage == stage.id), nan)


def _name(stage: Stage) -> str:
    return stage.name or stage.id
