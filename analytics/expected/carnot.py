"""What nature allows a heat pump at its temperatures, and whether its steady hours show more than that."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import nan
from typing import Self

import numpy as np
from numpy.typing import NDArray

from analytics.expected.heat_pump import PumpCourses, pump_courses
from analytics.expected.limits import temperature_limit_k
from analytics.performance import carnot_cop
from analytics.plant import Course, PlantDay
from analytics.site import HeatPump, Site

__all__ = ["LEAST_SAMPLES", "CarnotCheck", "carnot_check", "why_not_held"]

_LEAST_LIFT_K = 0.1  # where the load is no warmer than the source, Carnot's COP has no bound
LEAST_SAMPLES = 45  # minutes of steady running: as long as `heat-pump-low-cop` wants (common practice)


@dataclass(frozen=True, slots=True, kw_only=True)
class CarnotCheck:
    """
    A day's steady samples of heating beside what nature allows, all courses of shape (samples,).

    Args:
        cells: Their places in the day.
        elec_w, useful_w: As measured; `least_w` is the least heat that the meters leave possible, with the limit of
            error of the electricity taken off it as well.
        allowed_cop: Carnot's COP with both temperatures moved by their sensors' limits in the machine's favour.
        source_degc, load_degc: Means of entering and leaving.
        sensors: Points of which at least one must be wrong, the likeliest first; empty where all is possible.
    """

    cells: NDArray[np.intp]
    elec_w: Course
    useful_w: Course
    least_w: Course
    allowed_cop: Course
    source_degc: Course
    load_degc: Course
    sensors: Sequence[str] = ()

    @property
    def samples(self) -> int:
        return len(self.cells)

    @property
    def impossible(self) -> int:
        """Samples above Carnot's COP, all limits of error in the machine's favour."""
        return int(np.count_nonzero(self.is_above))

    @property
    def is_above(self) -> NDArray[np.bool_]:
        return np.asarray(self.least_w >= self.allowed_cop * self.elec_w)

    @property
    def mean_part(self) -> float:
        """Mean measured COP over mean Carnot COP of the samples. [-]"""
        allowed = carnot_cop(self.source_degc, np.maximum(self.load_degc, self.source_degc + _LEAST_LIFT_K))
        return float((self.useful_w / self.elec_w / allowed).mean()) if self.samples else nan

    @property
    def cop(self) -> float:
        """Heat of all samples for their electricity. [-]"""
        return float(self.useful_w.sum() / self.elec_w.sum()) if self.samples else nan

    @property
    def carnot_cop(self) -> float:
        """Carnot's COP at the samples' mean temperatures, as they were measured. [-]"""
        source, load = (
            float(np.average(each, weights=self.elec_w)) if self.samples else nan
            for each in (self.source_degc, self.load_degc)
        )
        return float(carnot_cop(source, max(load, source + _LEAST_LIFT_K)))

    def beyond(self) -> Self:
        """
        The samples that prove a COP above Carnot's; none where nothing does.

        Of 45 in a row, rests left out, most must be impossible one by one, the first and the last among them, and all
        together. The first 45 prove it.
        """
        at_least, is_above = LEAST_SAMPLES, self.is_above
        if np.count_nonzero(is_above) <= at_least / 2:
            return self._only(np.zeros(self.samples, bool))
        proves = _row_sums(self.least_w - self.allowed_cop * self.elec_w) > 0
        proves &= 2 * _row_sums(is_above.astype(float)) > at_least
        proves &= is_above[: len(proves)] & is_above[at_least - 1 :]
        ends = np.flatnonzero(proves) + at_least
        within = np.zeros(self.samples + 1)
        np.add.at(within, ends - at_least, 1.0)
        np.add.at(within, ends, -1.0)
        return self._only(np.cumsum(within)[:-1] > 0)

    def _only(self, kept: NDArray[np.bool_]) -> Self:
        courses = ("cells", "elec_w", "useful_w", "least_w", "allowed_cop", "source_degc", "load_degc")
        return replace(self, **{name: getattr(self, name)[kept] for name in courses})


def _row_sums(course: Course) -> Course:
    """Sums of each 45 samples in a row, by the first of them; empty where there are fewer."""
    sums = np.concatenate(([0.0], np.cumsum(course)))
    return np.asarray(sums[LEAST_SAMPLES:] - sums[:-LEAST_SAMPLES])


def why_not_held(site: Site, pump: HeatPump) -> str:
    """What the site file lacks for a heat pump to be held against Carnot; "" where nothing."""
    load, source = site.loops.get(pump.load_loop or ""), site.loops.get(pump.source_loop)
    if load is None:
        return f"Heat pump {pump.id} has no metered load loop: its heat is made of its electricity."
    if not all(loop is not None and loop.entering and loop.leaving for loop in (load, source)):
        return f"The temperatures of the source and load of heat pump {pump.id} are not all measured."
    beside = [other.id for other in site.heat_pumps.values() if other.load_loop == pump.load_loop and other is not pump]
    return f"Loop {load.id} carries the heat of {' and '.join(beside)} as well." if beside else ""


def carnot_check(
    plant: PlantDay, heat_pump: HeatPump, courses: PumpCourses | None = None, *, least_part: float = 0.1
) -> CarnotCheck:
    """
    Hold the steady COP in heating against Carnot's, from the measured means of source and load temperatures.

    Both temperatures are moved by their sensors' limits in the machine's favour, and the meters' limits count too.
    Where something is lacking (`why_not_held`) nothing is sampled. Single cells prove nothing: `least_part` of the
    samples must be impossible before sensors are named.

    Args:
        courses: The heating courses, where they are at hand.

    References:
        Carnot; a good machine reaches 0.30 to 0.65 of it (common practice).
    """
    is_held = not why_not_held(plant.site, heat_pump)
    courses = (courses or pump_courses(plant, heat_pump, "heating")) if is_held else None
    if courses is None:
        nothing = np.zeros(0)
        return CarnotCheck(
            cells=np.zeros(0, np.intp), elec_w=nothing, useful_w=nothing, least_w=nothing,
            allowed_cop=nothing, source_degc=nothing, load_degc=nothing,
        )  # fmt: skip
    found = _sampled(plant, heat_pump, courses)
    named = _suspects(plant, heat_pump) if found.impossible > least_part * found.samples else ()
    return replace(found, sensors=named)


def _sampled(plant: PlantDay, heat_pump: HeatPump, courses: PumpCourses) -> CarnotCheck:
    source = (courses.entering_degc + courses.leaving_degc) / 2
    load = (courses.load_entering_degc + courses.load_leaving_degc) / 2
    known = courses.steady & np.isfinite(source + load + courses.useful_w) & (courses.elec_w > 0)
    source, load, useful_w, elec_w = source[known], load[known], courses.useful_w[known], courses.elec_w[known]
    slack_k = max(temperature_limit_k(plant.site.points[point]) for point in _thermometers(plant, heat_pump))
    return CarnotCheck(
        cells=courses.cells[known],
        elec_w=elec_w,
        useful_w=useful_w,
        least_w=2 * useful_w - courses.most_w[known],
        allowed_cop=carnot_cop(source + slack_k, np.maximum(load - slack_k, source + slack_k + _LEAST_LIFT_K)),
        source_degc=source,
        load_degc=load,
    )


def _thermometers(plant: PlantDay, heat_pump: HeatPump) -> list[str]:
    """The sensors of its load's and its source's temperatures, the load's first."""
    loops = [plant.site.loops[loop] for loop in (heat_pump.load_loop, heat_pump.source_loop) if loop]
    return [point for loop in loops for point in (loop.leaving, loop.entering) if point]


def _suspects(plant: PlantDay, heat_pump: HeatPump) -> tuple[str, ...]:
    """Sensors that a too high COP rests on: a small pair difference is the likeliest to be wrong, the meters follow."""
    load = plant.site.loops[heat_pump.load_loop or heat_pump.source_loop]
    meters = [point for point in (load.flow, load.energy, heat_pump.power) if point]
    return (*_thermometers(plant, heat_pump), *meters)
