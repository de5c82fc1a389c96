"""From a day's traces to the plant's day: signals, then each component in turn."""

from collections.abc import Mapping

from analytics.frame import DayFrame
from analytics.heat_pump import meter_heat_pump
from analytics.hot_water import meter_hot_water
from analytics.inputs import meter_heater
from analytics.metering import meter_loop
from analytics.plant import NOTHING_STANDS, PlantDay, Standing
from analytics.refuted import without_refuted
from analytics.signals import cell_edges, read_signals
from analytics.site import Site
from analytics.tanks import meter_tank
from analytics.trace import LocalDay, Trace

__all__ = ["read_plant"]


def read_plant(
    site: Site,
    traces: Mapping[str, Trace],
    day: LocalDay,
    *,
    until_ms: int | None = None,
    before: Standing = NOTHING_STANDS,
) -> PlantDay:
    """
    Judge and meter one local day.

    Args:
        site: The version of the site that held on that day.
        traces: By point, from a while before the day's start to a while after its end (`analytics.day.window`).
        day: The local day.
        until_ms: For a day in progress: up to when readings can exist.
        before: Points that stood still at the end of the day before.
    """
    until_s = day.seconds if until_ms is None else min(max((until_ms - day.start_ms) / 1000.0, 1.0), day.seconds)
    readings = read_signals(site, traces, day, until_s=until_s, before=before)
    frame = DayFrame(cell_edges(day), until_s)
    signals = readings.signals
    loops = {loop.id: meter_loop(site, loop, signals, frame=frame) for loop in site.loops.values()}
    plant = PlantDay(
        site=site,
        day=day,
        until_s=until_s,
        signals=signals,
        sensor_faults=readings.faults,
        last_s=readings.last_s,
        standing=readings.standing,
        loops=loops,
        heaters={h.id: meter_heater(site, h, signals, frame=frame) for h in site.heaters.values()},
        heat_pumps={
            p.id: meter_heat_pump(site, p, signals, loops=loops, frame=frame) for p in site.heat_pumps.values()
        },
        hot_water=meter_hot_water(site, signals, frame=frame),
        tanks={tank.id: meter_tank(site, tank, signals, frame=frame) for tank in site.tanks.values()},
    )
    return without_refuted(plant)
