"""`gateway-clock`: by the time stamps the sun shines at night, so the clock that stamps the readings is wrong."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from analytics.detection.clock_step import SunStep, latest_shift_min, sun_step
from analytics.detection.findings import Clear, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import cells_passed, clock, course_of, day_word, instant_ms
from analytics.detection.pair_days import SETTLED_S, day_start_ms
from analytics.expected.sun import sun_position
from analytics.figures import DayLedger
from analytics.plant import CELL_S, Course, PlantDay
from analytics.site import Site

__all__ = ["GatewayClock"]

_HORIZON_DEG = -0.83  # sunrise and sunset: refraction and the sun's radius, from memory
_LOOKED_AT = 30  # lit cells at each end of the day


@dataclass(frozen=True, kw_only=True)
class GatewayClock:
    """
    Time stamps that put daylight into the night: a clock that shows another zone's time. On the virtual houses two
    hours are seen on the first day, one hour within three days of the darker half of the year. In the brighter half an
    hour is told where it steps, by bright days before and since (`detection.clock_step`).

    Not this: a sensor that never goes dark; dawn. Less than that, a drift of seconds, a jump that comes back within
    the day cannot be seen from the sun; nor can anything where no sensor looks at it.
    """

    kind: ClassVar[str] = "gateway-clock"
    rejoin: ClassVar[timedelta] = timedelta(days=7)
    lit_w_m2: float = 20.0  # twilight with the sun three degrees down gives less than 1 W/m2 (common practice)
    night_deg: float = -3.0
    min_lit: timedelta = timedelta(minutes=10)
    min_dark: timedelta = timedelta(minutes=60)  # a sensor that never goes dark is wrong itself
    far: timedelta = timedelta(hours=5)  # of light in the night: the two ways look the same
    shifted_min: float = 40.0  # so late or early the newest bright day speaks against a right clock
    low_deg: float = 12.0  # seen on both sides of the day from such a height on, the clock is right

    def needs(self, site: Site) -> Sequence[Need]:
        point = _sun_point(site)
        return [Need(point or site.id, "" if point else "No irradiance sensor tells what time of the day it is.")]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        step = self._step(plant, history)
        if step is not None and not step.is_mended:
            return Fault((self._stepped(plant, step),))
        found = self._seen(plant)
        if step is not None and not isinstance(found, Fault):
            return Clear(day_start_ms(plant, step.days[0][0]))
        if not isinstance(found, Clear):
            return found
        latest = latest_shift_min(history, plant.day.date, _sun_collector(plant.site))
        is_late = latest is not None and abs(latest) >= self.shifted_min
        return NotAssessed("On the newest bright day the sun came too late or too early.") if is_late else found

    def _step(self, plant: PlantDay, history: Sequence[DayLedger]) -> SunStep | None:
        if plant.until_s < SETTLED_S:
            return None
        return sun_step(history, plant.day.date, _sun_collector(plant.site))

    def _seen(self, plant: PlantDay) -> Verdict:
        """What the day itself shows."""
        sun = course_of(plant, _sun_point(plant.site))[: cells_passed(plant)]
        lit = np.flatnonzero(sun > self.lit_w_m2)
        dark = int(np.count_nonzero(sun <= self.lit_w_m2 / 2))
        if len(lit) == 0 or dark < self.min_dark.total_seconds() / CELL_S:
            return NotAssessed("The irradiance sensor did not show both day and night.")
        ends = lit if len(lit) < 2 * _LOOKED_AT else np.concatenate((lit[:_LOOKED_AT], lit[-_LOOKED_AT:]))
        height_deg = self._height_deg(plant, ends)
        needed = round(self.min_lit.total_seconds() / CELL_S)
        if np.count_nonzero(height_deg < self.night_deg) >= needed:
            return self._told(plant, sun, lit)
        low = max(float(height_deg[0]), float(height_deg[-1]))
        seen_out = int(np.count_nonzero(sun[ends[-1] :] <= self.lit_w_m2)) >= needed
        if low <= self.low_deg and seen_out and height_deg.min() >= self.night_deg:
            return Clear(instant_ms(plant, float(ends[0]) * CELL_S))
        return NotAssessed("The sun was not seen from dawn to dusk.")

    def _stepped(self, plant: PlantDay, step: SunStep) -> Finding:
        began_ms = day_start_ms(plant, step.days[0][0])
        evidence: dict[str, float | int | str | None] = {
            "since": day_word(began_ms, plant.day.timezone),
            "point": _sun_point(plant.site),
            "step_min": round(abs(step.step_min)),
            "when": "later" if step.step_min > 0 else "sooner",
            "way": "fast" if step.step_min > 0 else "slow",
            "bright_days": len(step.days),
            "bright_days_before": len(step.before),
            "before_min": f"{min(step.before):+.0f} to {max(step.before):+.0f}",
            "by_day_min": ", ".join(f"{day:%d %b} {shift:+.0f}" for day, shift in step.days),
            "limit_min": self.shifted_min,
        }
        return Finding(
            began_ms=began_ms,
            ended_ms=None,
            detected_ms=instant_ms(plant, SETTLED_S),
            severity="watch",
            template=_STEP_SENTENCE,
            evidence=evidence,
            likely_causes=(*_CAUSES[:3], "the sun's sensor was turned, or something new shades it"),
            checks=_CHECKS,
            cost_per_day=None,
            weight_s=len(step.days) * 3600.0,
            is_by_day=True,
        )

    def _told(self, plant: PlantDay, sun: Course, lit: NDArray[np.intp]) -> Verdict:
        # What is lit since midnight belongs to the evening before.
        is_night = (self._height_deg(plant, lit) < self.night_deg) & (lit != np.arange(len(lit)))
        if np.count_nonzero(is_night) < self.min_lit.total_seconds() / CELL_S:
            return NotAssessed("The sun was seen in the night only just after midnight.")
        is_fast = not is_night[: len(lit) // 2].any()
        return Fault((self._finding(plant, sun, lit[is_night], is_fast=is_fast),))

    def _height_deg(self, plant: PlantDay, cells: NDArray[np.intp]) -> Course:
        at_ms = plant.day.start_ms + (np.asarray(cells, np.float64) + 0.5) * CELL_S * 1000
        site = plant.site
        return sun_position(at_ms, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg)[0]

    def _finding(self, plant: PlantDay, sun: Course, at_night: NDArray[np.intp], *, is_fast: bool) -> Finding:
        needed = round(self.min_lit.total_seconds() / CELL_S)
        edge = int(at_night[-1] if is_fast else at_night[0])
        height_deg = self._height_deg(plant, np.arange(round(plant.day.seconds / CELL_S)))
        is_up = np.flatnonzero(height_deg > _HORIZON_DEG)
        dark_cells = (
            edge - is_up[is_up < edge].max(initial=0)
            if is_fast
            else is_up[is_up > edge].min(initial=len(height_deg)) - edge
        )
        is_far = int(dark_cells) * CELL_S >= self.far.total_seconds()
        began_ms = instant_ms(plant, float(at_night[0]) * CELL_S)
        evidence: dict[str, float | int | str | None] = {
            "since": clock(began_ms, plant.day.timezone),
            "point": _sun_point(plant.site),
            "lit_night_min": round(len(at_night) * CELL_S / 60),
            "highest_night_w_m2": round(float(sun[at_night].max())),
            "lit_w_m2": self.lit_w_m2,
            "sun_height_deg": round(float(height_deg[edge]), 1),
            "night_deg": self.night_deg,
            "at_least_min": round(int(dark_cells) * CELL_S / 60),
            "way": "fast or slow" if is_far else "fast" if is_fast else "slow",
            "side": "after sunset" if is_fast else "before sunrise",
            "min_lit_min": self.min_lit / timedelta(minutes=1),
        }
        return Finding(
            began_ms=began_ms,
            ended_ms=None,
            detected_ms=instant_ms(plant, (float(at_night[needed - 1]) + 1) * CELL_S),
            severity="watch",
            template=_SENTENCE,
            evidence=evidence,
            likely_causes=_CAUSES,
            checks=_CHECKS,
            cost_per_day=None,
            weight_s=float(len(at_night)) * CELL_S,
        )


_SENTENCE = (
    "By the readings' time stamps {point} saw the sun {at_least_min} min {side} (since {since}, up to "
    "{highest_night_w_m2} W/m2 with the sun {sun_height_deg:.1f} degrees high): the gateway's clock is {way} by that "
    "much at least."
)
_STEP_SENTENCE = (
    "Since {since} the sun has come to {point} {step_min} min {when} by the readings' time stamps, on {bright_days} "
    "bright days, than on the {bright_days_before} bright days before: the gateway's clock seems to be {way} by about "
    "that much."
)
_CAUSES = (
    "the gateway stamps its readings with local time as if it were UTC, or the other way round",
    "its clock was not set to or from summer time",
    "its clock runs free: no time server in reach, battery empty",
    "latitude, longitude or timezone of the site file are another place's",
)
_CHECKS = (
    "Compare the gateway's own clock and its zone with the time of day, and let it set itself by a time server.",
    "Look at a draw that you make yourself: the time in the readings should be that of your watch.",
    "Days, tariffs and night hours are cut by these time stamps: have the days computed again once they are mended.",
)


def _sun_point(site: Site) -> str:
    return next((c.irradiance for c in site.collectors.values() if c.irradiance), "")


def _sun_collector(site: Site) -> str:
    return next((c.id for c in site.collectors.values() if c.irradiance), "")
