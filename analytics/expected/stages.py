"""
What each stage and each heat pump should have given on each day of a record, and whether it drifts.

Models are fitted on the house's own first good weeks (`analytics.expected.deviation`): a collector by sun, air and
what was drawn, a desuperheater by compressor hours and the water that enters it, a heat pump's steady COP by its
temperatures, a ground loop by season and load. A backup gives what is left over.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

import numpy as np
from numpy.typing import NDArray

from analytics.expected.conditions import conditions_of, record_column
from analytics.expected.deviation import Deviation, deviations
from analytics.expected.ground import ground_inputs
from analytics.figures import DayLedger, Figure, unavailable
from analytics.site import HeatPump, Site, Stage

__all__ = ["Expectation", "expected_backup", "expected_of_record"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Expectation:
    """
    Args:
        component: A stage, a heat pump or a loop.
        quantity: "heat" [kWh], "cop" [-] or "entering" [degC].
        values: Of the record's days, as measured. Shape (days,)
        deviation: What they were held against.
    """

    component: str
    quantity: str
    values: Array
    deviation: Deviation


def expected_of_record(site: Site, record: Sequence[DayLedger]) -> Sequence[Expectation]:
    """Every stage and heat pump of which the record, oldest day first, can make a model."""
    found = [_of_stage(site, stage, record) for stage in site.stages.values()]
    for pump in site.heat_pumps.values():
        found += [_of_cop(site, pump, record), _of_ground(site, pump, record)]
    return [each for each in found if each is not None]


def _of_stage(site: Site, stage: Stage, record: Sequence[DayLedger]) -> Expectation | None:
    collector = next((c for c in site.collectors.values() if c.loop == stage.loop), None)
    pump = next((p for p in site.heat_pumps.values() if stage.loop and p.desuperheater_loop == stage.loop), None)
    heat = np.asarray([_stage_heat(day, stage.id) for day in record])
    if collector is not None:
        name = f"collector.{collector.id}"
        drawn = np.asarray([day.hot_water.heat.value for day in record])
        inputs = np.column_stack((_columns(record, f"{name}.irradiation_kwh_m2", f"{name}.air_degc"), drawn))
        names = ("irradiation", "air", "drawn")
        return _told(site, record, stage.id, values=("heat", heat), inputs=inputs, names=names, least_sd=0.3)
    if pump is None:
        return None
    entering = _columns(record, f"heat_pump.{pump.id}.heating.desuperheater_entering_degc")[:, 0]
    hours = np.asarray([_run_hours(day, pump.id) for day in record])
    inputs = np.column_stack((hours, hours * entering))
    return _told(
        site, record, stage.id, values=("heat", heat), inputs=inputs, names=("hours", "hours_x_entering"), least_sd=0.3
    )


def _of_cop(site: Site, pump: HeatPump, record: Sequence[DayLedger]) -> Expectation | None:
    name = f"heat_pump.{pump.id}.heating"
    columns = _columns(record, f"{name}.steady_cop", f"{name}.entering_degc", f"{name}.load_leaving_degc")
    has_leaving = bool(np.isfinite(columns[:, 2]).any())
    inputs, names = (columns[:, 1:], ("entering", "leaving")) if has_leaving else (columns[:, 1:2], ("entering",))
    return _told(site, record, pump.id, values=("cop", columns[:, 0]), inputs=inputs, names=names, least_sd=0.05)


def _of_ground(site: Site, pump: HeatPump, record: Sequence[DayLedger]) -> Expectation | None:
    name = f"heat_pump.{pump.id}.heating"
    columns = _columns(record, f"{name}.entering_degc", f"{name}.source_mean_w")
    inputs = ground_inputs([day.day for day in record], columns[:, 1], is_south=site.latitude_deg < 0)
    values = ("entering", columns[:, 0])
    return _told(
        site, record, pump.source_loop, values=values, inputs=inputs, names=("season", "source_w"), least_sd=0.4
    )


def _told(
    site: Site,
    record: Sequence[DayLedger],
    component: str,
    *,
    values: tuple[str, Array],
    inputs: Array,
    names: Sequence[str],
    least_sd: float,
) -> Expectation | None:
    days = [day.day for day in record]
    found = deviations(days, inputs, values[1], names=names, commissioned=site.commissioned, least_sd=least_sd)
    return None if found is None else Expectation(component, values[0], values[1], found)


def _columns(record: Sequence[DayLedger], *names: str) -> Array:
    conditions = [conditions_of(day) for day in record]
    return np.column_stack([record_column(conditions, name) for name in names])


def _stage_heat(day: DayLedger, stage: str) -> float:
    return next((line.heat.value for line in day.stages if line.stage == stage), np.nan)


def _run_hours(day: DayLedger, pump: str) -> float:
    return next((line.run_hours.value for line in day.heat_pumps if line.heat_pump == pump), np.nan)


def expected_backup(site: Site, day: DayLedger) -> Figure:
    """
    Heat that the backup had to give: what the taps took, the tanks lost and kept, less what the other stages gave.

    Never below zero; not known where one of these is not.
    """
    others = [line.heat for line in day.stages if not site.stages[line.stage].backup]
    needed = [day.hot_water.heat, *(figure for tank in day.tanks for figure in (tank.loss, tank.stored_change))]
    value = sum(figure.value for figure in needed) - sum(figure.value for figure in others)
    doubt = hypot(*(figure.plus_minus for figure in (*needed, *others)))
    if np.isnan(value):
        return unavailable("kWh", "Hot-water heat, a tank's account or the heat of another stage is not known.")
    why = "Hot-water heat, tank losses and stored change, less the heat of the other stages."
    return Figure(max(value, 0.0), "kWh", doubt, "derived", day.coverage, why)
