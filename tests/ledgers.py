"""Earlier days' ledgers for the detectors' tests: only what a record is made of is known in them."""

from datetime import date, timedelta

from analytics.figures import (
    DayLedger,
    Electricity,
    Figure,
    HeatPumpLine,
    HotWaterLine,
    Saved,
    StageLine,
    unavailable,
)

__all__ = ["record"]

_NOT_KNOWN = unavailable("kWh", "Not part of this test.")


def record(last: date, *, days: int, kwh_per_h: float, run_h: float = 6.0) -> list[DayLedger]:
    """Days up to the one before `last` on which the ground stage gave so much per hour of its compressor."""
    return [_day(last - timedelta(days=days - index), kwh_per_h * run_h, run_h) for index in range(days)]


def _day(day: date, heat_kwh: float, run_h: float) -> DayLedger:
    none = _NOT_KNOWN
    pump = HeatPumpLine("hp", none, none, none, Figure(run_h, "h"), none, none, none, none, none)
    return DayLedger(
        site="mill-lane-8",
        day=day,
        coverage=1.0,
        stages=[StageLine("ground", Figure(heat_kwh, "kWh"), none, none)],
        hot_water=HotWaterLine(none, none, none),
        backup_fraction=none,
        delivered_backup_fraction=none,
        heat_pumps=[pump],
        tanks=[],
        electricity=Electricity(none, none, none),
        purchased=none,
        saved=Saved(none, none, none),
    )
