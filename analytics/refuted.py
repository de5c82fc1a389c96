"""
What is assumed of a part, and refuted by what is measured beside it.

A nominal flow stands in for a meter while a pump is said to run, and a rated power while a status says that a heater is
on. Where the circulator is dead the collector gets hotter than any flow would let it, and the assumed flow would make
more heat of that than the sun can bring; where the element is burnt its tank does not warm. Then the assumption is
dropped for as long as that run lasts, and the day's heat is not known, instead of known and wrong. A boiler that is
called, locked out, burns nothing of what its rated power would have burned: its loop brings no heat.
"""

from dataclasses import replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from analytics.boiler_loop import boiler_behind
from analytics.called_rise import called_rise, status_on
from analytics.expected.collector import SKY_CELLS, clear_sky_sun
from analytics.heat_pump_runs import runs_where
from analytics.plant import CELL_S, Course, HeaterDay, LoopDay, PlantDay, not_known
from analytics.site import Collector, Heater, Stage

__all__ = ["without_refuted"]

Flags = NDArray[np.bool_]

# Common practice, without source, all of them.
_MOST_OF_SUN = 1.5  # times what the optics take of the sun: a nominal flow may be half as large again as the true one
_USUAL_ETA0 = 0.8
_STORED_W_M2 = 200.0  # of sun, what a collector gives of its own that has stood in it; and so long after:
_STORED_CELLS = 60
_REFUTED_S = 1200.0  # in a run: a hot collector is emptied within minutes
_CLEAR_SKY_PART = 1.1
_COLD_PART, _WARM_PART = 0.15, 0.4  # of what its rated power makes of a heater's zone, as in `heater-no-output`
_LEAST_DUE_K = 2.0
_IDLE_S = 3600.0


def without_refuted(plant: PlantDay) -> PlantDay:
    """The plant's day without heat that was assumed and cannot have been."""
    collectors = {collector.loop: collector for collector in plant.site.collectors.values()}
    loops = {
        name: _flowing(plant, loop, collectors[name]) if loop.flow_is_assumed and name in collectors else loop
        for name, loop in plant.loops.items()
    }
    by_status = {
        stage.heater: stage
        for stage in plant.site.stages.values()
        if stage.heater and stage.tank and plant.site.heaters[stage.heater].power is None
    }
    heaters = {
        name: _working(plant, heater, by_status[name]) if name in by_status else heater
        for name, heater in plant.heaters.items()
    }
    return _burning(replace(plant, loops=loops, heaters=heaters))


def _burning(plant: PlantDay) -> PlantDay:
    found = boiler_behind(plant.site)
    if found is None or found[0].power is not None or found[0].rated_w is None:
        return plant
    boiler, loop, day = found[0], plant.loops.get(found[1].id), plant.heaters.get(found[0].id)
    if loop is None or day is None or loop.flow_is_assumed:
        return plant
    brings_nothing = loop.heat_w < _COLD_PART * found[0].rated_w * boiler.efficiency
    if not _runs_with(status_on(plant, boiler.id), (loop.pump_on > 0) & brings_nothing, least_s=_IDLE_S).any():
        return plant
    unknown = not_known(
        f"The status of {boiler.id} says that it burns, but its loop {loop.loop} brings no heat: what it took is not "
        "known."
    )
    return replace(plant, heaters={**plant.heaters, boiler.id: replace(day, input=unknown, heat=unknown)})


def _flowing(plant: PlantDay, loop: LoopDay, collector: Collector) -> LoopDay:
    optics = collector.area_m2 * (collector.eta0 or _USUAL_ETA0)
    sun_w_m2 = _sun_w_m2(plant, collector)
    before = np.concatenate((np.zeros(_STORED_CELLS), sun_w_m2))
    lately_w_m2 = sliding_window_view(before, _STORED_CELLS + 1).max(axis=1)
    most_w = _MOST_OF_SUN * optics * (lately_w_m2 + _STORED_W_M2)
    stands = _runs_with(loop.pump_on > 0, loop.heat_w > most_w, least_s=_REFUTED_S)
    if not stands.any():
        return loop
    unknown = not_known(
        f"The pump of loop {loop.loop} is said to run, but the flow assumed for it would have brought more than the "
        "sun can: its fluid is taken to stand still."
    )
    return replace(
        loop,
        heat_w=np.where(stands, 0.0, loop.heat_w),
        flow_m3_s=np.where(stands, 0.0, loop.flow_m3_s),
        heat=unknown,
        reverse=unknown,
    )


def _sun_w_m2(plant: PlantDay, collector: Collector) -> Course:
    """Measured, or the most that a clear sky sends."""
    signal = plant.signals.get(collector.irradiance or "")
    sky = np.repeat(_CLEAR_SKY_PART * clear_sky_sun(plant, collector), SKY_CELLS)
    return sky if signal is None else np.where(np.isnan(signal.course), sky, signal.course)


def _working(plant: PlantDay, day: HeaterDay, stage: Stage) -> HeaterDay:
    heater: Heater = plant.site.heaters[day.heater]
    if not heater.rated_w or np.isnan(plant.tanks[stage.tank or ""].sensors_degc).all():
        return day
    called = status_on(plant, day.heater)
    if not called.any():
        return day
    rise = called_rise(plant, stage, called)
    if rise.due_k < _LEAST_DUE_K:
        return day
    warms = rise.counts & (rise.rise_k > _WARM_PART * rise.due_k)
    idle = rise.counts & (rise.rise_k < _COLD_PART * rise.due_k)
    rests = _runs_with(called & ~warms, idle, least_s=_IDLE_S)
    if not rests.any():
        return day
    unknown = not_known(
        f"The status of {day.heater} says that it is on, but its tank does not warm as its rated power would warm it: "
        "it is taken to give nothing."
    )
    return replace(
        day,
        input_w=np.where(rests, 0.0, day.input_w),
        heat_w=np.where(rests, 0.0, day.heat_w),
        input=unknown,
        heat=unknown,
    )


def _runs_with(on: Flags, flagged: Flags, *, least_s: float) -> Flags:
    """The runs in which cells are flagged for so long in all. Shape as given"""
    found = np.zeros(len(on), bool)
    if np.count_nonzero(on & flagged) * CELL_S < least_s:
        return found
    runs = runs_where(on)
    for first, last in zip(runs.first.tolist(), runs.last.tolist(), strict=True):
        if np.count_nonzero(flagged[first : last + 1]) * CELL_S >= least_s:
            found[first : last + 1] = True
    return found
