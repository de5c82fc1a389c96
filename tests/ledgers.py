"""Earlier days' ledgers for the detectors' tests: only what a record is made of is known in them."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from analytics.figures import (
    DayLedger,
    Electricity,
    Figure,
    HeatPumpLine,
    HotWaterLine,
    Saved,
    StageLine,
    TankLine,
    unavailable,
)
from analytics.pair_check import PairCheck

__all__ = [
    "HEALTHY_COP",
    "record",
    "with_checks",
    "with_conditions",
    "with_cops",
    "with_levels",
    "with_residuals",
    "with_stage_heat",
    "with_standby",
]

HEALTHY_COP = 3.8
"""Of the healthy day of `tests.plants`, by hand: 28 l/min of brine 3.5 K colder, and 2.3 kW."""

_NOT_KNOWN = unavailable("kWh", "Not part of this test.")


def record(last: date, *, days: int, kwh_per_h: float, run_h: float = 6.0) -> list[DayLedger]:
    """Days up to the one before `last` on which the ground stage gave so much per hour of its compressor."""
    return [_day(last - timedelta(days=days - index), kwh_per_h * run_h, run_h) for index in range(days)]


def _day(day: date, heat_kwh: float, run_h: float) -> DayLedger:
    none = _NOT_KNOWN
    cop = HEALTHY_COP
    heat = Figure(2.3 * run_h * cop, "kWh")
    ran, rested = Figure(run_h, "h"), Figure(0.0, "h")
    pump = HeatPumpLine("hp", heat, none, Figure(cop, "1"), ran, none, none, none, none, rested, none, none)
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


def with_checks(ledgers: Sequence[DayLedger], told: Mapping[str, Any], *, days: int) -> list[DayLedger]:
    """
    The ledgers, the last `days` of them with one more check of a pair; what is not told of it is ordinary.

    Values that are lists are of the days one by one, oldest first.
    """
    ordinary = {"u_k": 0.01, "minutes": 120.0, "start_s": 7200.0, "end_s": 14400.0}
    first = len(ledgers) - days

    def check(day: int) -> PairCheck:
        return PairCheck(**{n: v[day] if isinstance(v, list) else v for n, v in {**ordinary, **told}.items()})

    return [
        replace(ledger, pair_checks=(*ledger.pair_checks, check(index - first))) if index >= first else ledger
        for index, ledger in enumerate(ledgers)
    ]


def with_levels(last: date, levels: Mapping[str, Sequence[Sequence[float | None] | None]]) -> list[DayLedger]:
    """Days up to the one before `last` with how cold a tank's top was as its heater came on, and while it rested."""
    ((heater, told),) = levels.items()
    ledgers = record(last, days=len(told), kwh_per_h=1.2)
    names = [f"heater.{heater}.{name}" for name in ("start_degc", "idle_degc")]
    return [
        replace(ledger, conditions={n: v for n, v in zip(names, day or (None, None), strict=True) if v is not None})
        for ledger, day in zip(ledgers, told, strict=True)
    ]


def with_residuals(
    ledgers: Sequence[DayLedger], tank: str, residuals: Sequence[tuple[float, float]]
) -> list[DayLedger]:
    """The ledgers, the last ones with a tank's residual and the half-width of its interval. [kWh]"""
    none, first = _NOT_KNOWN, len(ledgers) - len(residuals)
    lines = [TankLine(tank, none, none, Figure(value, "kWh", doubt, "derived")) for value, doubt in residuals]
    return [
        replace(ledger, tanks=[*ledger.tanks, lines[index - first]]) if index >= first else ledger
        for index, ledger in enumerate(ledgers)
    ]


def with_conditions(ledgers: Sequence[DayLedger], told: Mapping[str, float | Sequence[float]]) -> list[DayLedger]:
    """The ledgers with conditions: one value for each day, or values that the days take in turn."""
    return [
        replace(ledger, conditions={name: _turn(value, index) for name, value in told.items()})
        for index, ledger in enumerate(ledgers)
    ]


def with_cops(
    last: date,
    cops: Sequence[float],
    *,
    entering_degc: float | Sequence[float],
    power_w: float | Sequence[float],
    hours: float,
    run_kwh: float,
    load_degc: float | Sequence[float] | None = None,
) -> list[DayLedger]:
    """Days up to the one before `last` on which the heat pump's steady running had these COPs."""
    told: dict[str, float | Sequence[float]] = {
        "steady_cop": cops,
        "steady_h": hours,
        "entering_degc": entering_degc,
        "steady_elec_w": power_w,
        "run_elec_kwh": run_kwh,
        **({} if load_degc is None else {"load_leaving_degc": load_degc}),
    }
    names = {f"heat_pump.hp.heating.{name}": value for name, value in told.items()}
    return with_conditions(record(last, days=len(cops), kwh_per_h=0.0), names)


def with_stage_heat(ledgers: Sequence[DayLedger], kwh: Mapping[str, float | Sequence[float]]) -> list[DayLedger]:
    """The ledgers, on each day with so much heat of stages besides: one value, or values that the days take in turn."""

    def lines(index: int) -> list[StageLine]:
        told = ((stage, Figure(_turn(value, index), "kWh")) for stage, value in kwh.items())
        return [StageLine(stage, heat, _NOT_KNOWN, _NOT_KNOWN) for stage, heat in told]

    return [replace(ledger, stages=[*ledger.stages, *lines(index)]) for index, ledger in enumerate(ledgers)]


def _turn(value: float | Sequence[float], index: int) -> float:
    return value[index % len(value)] if isinstance(value, Sequence) else value


def with_standby(
    ledgers: Sequence[DayLedger], tank: str, w_k: Sequence[float], *, above_room_k: float | None = None
) -> list[DayLedger]:
    """The ledgers, the last ones with a tank's loss coefficient by ten quiet hours, and its mean above its room."""
    first = len(ledgers) - len(w_k)
    mean = {} if above_room_k is None else {f"tank.{tank}.above_room_k": above_room_k}
    told = [{f"tank.{tank}.standby_w_k": value, f"tank.{tank}.standby_h": 10.0, **mean} for value in w_k]
    return [
        replace(ledger, conditions={**ledger.conditions, **told[index - first]}) if index >= first else ledger
        for index, ledger in enumerate(ledgers)
    ]
