"""A backup that keeps its tank so hot that the collector before it is not let in at all."""

from math import nan

from analytics.detection.stages_before import Before, heat_of, stages_before
from analytics.expected.conditions import conditions_of
from analytics.expected.needless import BACKUP_KWH
from analytics.expected.stagnation import HOT_TANK_H
from analytics.figures import DayLedger
from analytics.site import Collector, Site, Stage

__all__ = ["is_shut_out", "shuts_out"]

_STOOD_H = 0.5  # beside a hot tank
_IDLE_PART = 0.1  # of what the sun allowed: a collector that gave more had filled its tank itself
_SUN_KWH = 2.0  # of it, that the day be worth the sun
_BACKUP_KWH = 1.0  # a day: what a tank of 300 l loses at 70 degC (common practice)


def is_shut_out(site: Site, backup: Stage, before: Before, *, day: DayLedger) -> bool:
    """
    Whether a collector stood in the sun all day beside a tank that the backup kept hot.

    The collector gave next to nothing, no heat pump makes water so hot, and no other stage gave as much as the backup.
    """
    if before.collector is None:
        return False
    kept, name = conditions_of(day), f"collector.{before.collector.id}."
    allowed, backup_kwh = kept.get(f"{name}cold_allowed_kwh", nan), kept.get(f"backup.{backup.id}.{BACKUP_KWH}", 0.0)
    others = (each for each in site.stages.values() if each.tank == backup.tank and not each.backup)
    return (
        kept.get(f"{name}{HOT_TANK_H}", 0.0) >= _STOOD_H
        and allowed >= _SUN_KWH
        and heat_of(day, before.stage) < _IDLE_PART * allowed
        and backup_kwh >= _BACKUP_KWH
        and sum(heat_of(day, each) for each in others) < backup_kwh
    )


def shuts_out(site: Site, collector: Collector, day: DayLedger) -> tuple[Stage, ...]:
    """The backups that shut a collector out on a day."""
    found = []
    for stage in site.stages.values():
        if stage.backup and any(
            before.collector == collector and is_shut_out(site, stage, before, day=day)
            for before in stages_before(site, stage)
        ):
            found.append(stage)
    return tuple(found)
