"""By how much a day's sunshine came later than a cloudless sky's, by the time stamps: what a clock does to it."""

from math import nan

import numpy as np

from analytics.expected.collector import SKY_CELLS, clear_sky_sun
from analytics.plant import CELL_S, Course, PlantDay
from analytics.site import Collector

__all__ = ["sun_shift"]

# Common practice, without source, all of them.
_BRIGHT_PART = 0.6  # of a cloudless sky's irradiation: else clouds say when it is bright
_FLANK = 0.5  # of the day's highest: steep in the morning and in the evening
_SMOOTH = 3  # steps
_STEP_MIN = SKY_CELLS * CELL_S / 60


def sun_shift(plant: PlantDay, collector: Collector) -> dict[str, float]:
    """
    `sun_shift_min`, by how much later it rose to half of its highest and fell from it, on the mean, than under a
    cloudless sky; `sun_width_min`, by how much longer it lasted between the two. NaN on dull days and where not known.

    A cloud in the morning moves one of the two flanks, a clock both alike: the width tells them apart.
    """
    signal = plant.signals.get(collector.irradiance or "")
    told = {"sun_shift_min": nan, "sun_width_min": nan}
    if signal is None:
        return told
    ceiling = clear_sky_sun(plant, collector)
    seen = signal.course.reshape(-1, SKY_CELLS).mean(axis=1)
    if not seen.sum() >= _BRIGHT_PART * ceiling.sum() > 0:  # nor where some of it was not heard
        return told
    (rises, falls), (rises_clear, falls_clear) = _flanks_min(seen), _flanks_min(ceiling)
    return {
        "sun_shift_min": (rises - rises_clear + falls - falls_clear) / 2,
        "sun_width_min": falls - falls_clear - (rises - rises_clear),
    }


def _flanks_min(sun: Course) -> tuple[float, float]:
    """When it first rises to a part of its highest, and last falls from it [minutes from the day's start]."""
    smooth = np.convolve(sun, np.full(_SMOOTH, 1 / _SMOOTH), "same")
    limit = _FLANK * float(smooth.max())
    above = np.flatnonzero(smooth > limit)
    first, last = int(above[0]), int(above[-1])
    if first == 0 or last == len(smooth) - 1:
        return nan, nan
    rise = (limit - smooth[first - 1]) / (smooth[first] - smooth[first - 1])
    fall = (smooth[last] - limit) / (smooth[last] - smooth[last + 1])
    return (first - 1 + float(rise)) * _STEP_MIN, (last + float(fall)) * _STEP_MIN
