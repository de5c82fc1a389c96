"""The fluid that a ground loop brings while its heat pump runs steadily: what `ground-loop-cold` and `-hot` share."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Literal

import numpy as np

from analytics.detection.findings import Clear, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import Episode, Flags, cells_passed, duration, episodes, instant_ms, judge, unknown
from analytics.detection.telling import Advice, counted, tell
from analytics.expected.heat_pump import pump_courses
from analytics.expected.limits import temperature_limit_k
from analytics.plant import CELL_S, Course, PlantDay
from analytics.site import HeatPump, Site

__all__ = ["Band", "judge_entering", "source_needs", "source_pump"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """
    One side of what is allowed: `sign` is -1 where colder than `limit_degc` is a fault, 1 where hotter is.

    `well_degc` is from where on health is seen; between the two nothing is said. `min_running` is how long steady
    running must be outside.
    """

    sign: Literal[-1, 1]
    limit_degc: float
    limit_from: str
    advice: Advice
    well_degc: float
    min_running: timedelta


def source_needs(site: Site) -> list[Need]:
    """The source loop of each heat pump, once."""
    loops = dict.fromkeys(pump.source_loop for pump in site.heat_pumps.values())
    return [
        Need(loop, "" if site.loops[loop].entering else f"Loop {loop} has no sensor of its entering temperature.")
        for loop in loops
    ]


def source_pump(site: Site, loop: str) -> HeatPump:
    """The heat pump that draws on a source loop."""
    return next(pump for pump in site.heat_pumps.values() if pump.source_loop == loop)


def judge_entering(plant: PlantDay, loop: str, band: Band) -> Verdict:
    """The verdict on a source loop's entering temperature, over the cells of steady running in the band's mode."""
    courses = pump_courses(plant, source_pump(plant.site, loop), "heating" if band.sign < 0 else "cooling")
    point = plant.site.loops[loop].entering
    unseen = f"The heat pump on loop {loop} did not run steadily for long enough to tell."
    if courses is None or point is None:
        return NotAssessed(unseen)
    steady = courses.steady & (courses.cells < cells_passed(plant))
    beyond_k = band.sign * (courses.entering_degc - band.limit_degc)
    outside = steady & (beyond_k > temperature_limit_k(plant.site.points[point], band.limit_degc))
    healthy = steady & (band.sign * (courses.entering_degc - band.well_degc) < 0)
    if not outside.any():
        well = courses.cells[healthy]
        return Clear(instant_ms(plant, well[0] * CELL_S)) if len(well) else NotAssessed(unseen)
    n_cells, of_day = round(band.min_running.total_seconds() / CELL_S), np.zeros((2, len(unknown(plant))), bool)
    of_day[0, courses.cells], of_day[1, courses.cells] = outside, healthy
    entering = unknown(plant)
    entering[courses.cells] = courses.entering_degc

    def told(episode: Episode) -> Finding:
        evidence = _evidence(loop, band, (entering, of_day[0]), episode=episode)
        seconds = 60.0 * float(evidence["running_min"] or 0.0)
        return tell(plant, episode, band.advice, evidence=evidence, weight_s=seconds)

    return judge(plant, episodes(of_day[0] / n_cells, of_day[1]), of_day[1], tell=told, unseen=unseen)


def _evidence(
    loop: str, band: Band, seen: tuple[Course, Flags], *, episode: Episode
) -> dict[str, float | int | str | None]:
    entering, outside = seen
    cells = counted(outside, episode)
    worst = float((band.sign * entering[cells]).max()) * band.sign
    return {
        "loop": loop,
        "running": duration(float(np.count_nonzero(cells)) * CELL_S),
        "running_min": round(float(np.count_nonzero(cells)) * CELL_S / 60),
        "mean_entering_degc": round(float(entering[cells].mean()), 1),
        "worst_entering_degc": round(worst, 1),
        "entering_limit_degc": round(band.limit_degc, 1),
        "limit_from": band.limit_from,
        "min_running_min": band.min_running / timedelta(minutes=1),
    }
