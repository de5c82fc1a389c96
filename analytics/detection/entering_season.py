"""What season and load make of a ground loop's entering temperature, by the house's own sound days."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from statistics import median
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analytics.courses import sum_of_known
from analytics.detection.entering_band import source_pump
from analytics.expected.conditions import conditions_of, record_column
from analytics.expected.ground import fit_ground, ground_inputs
from analytics.expected.heat_pump import Mode, PumpCourses, pump_courses
from analytics.figures import DayLedger
from analytics.plant import CELL_S, PlantDay

__all__ = ["BY_SEASON", "Season", "season_of", "sound_days"]

BY_SEASON = "season and load on its own earlier days"

Array = NDArray[np.float64]
Sign = Literal[-1, 1]
"""-1 heating, where colder fluid is the fault; 1 cooling, where hotter fluid is."""

_BLOCK_DAYS = 10  # so many days are held against those before them, and then added to them
_MIDDAY_S = 12 * 3600.0  # sooner a day's load so far says little of the whole day's
_BEYOND_TIMES = 2.0  # of the interval, where season or load are new to the record
# Half of what entering fluid moves by from winter to summer: weeks alone do not tell it (common practice).
_SWING_K, _SWING_SD_K = 4.0, 4.0
_LEAST_SD_K = 0.3  # fluid follows the weather of the week by no less
_TIMES_SD = 2.0


@dataclass(frozen=True, slots=True)
class Season:
    """
    Args:
        limit_degc: Beyond it, entering fluid is not what the heaviest load of the record or of today explains.
        well_degc: On the other side of it, entering fluid is what today's own load leads one to expect.
    """

    limit_degc: float
    well_degc: float


@dataclass(frozen=True, slots=True)
class _Record:
    """Days with their entering temperature, the heat taken from the ground, and `ground_inputs`."""

    entering_degc: Array
    load_w: Array
    inputs: Array


def season_of(
    plant: PlantDay, history: Sequence[DayLedger], loop: str, *, sign: Sign, beyond_k: float, least_days: int
) -> Season | None:
    """
    What the record says of today; None where it is too short, or where today's fluid is no worse than usual.

    Args:
        beyond_k: Of the limit, beyond the interval of the record.
    """
    pump = source_pump(plant.site, loop)
    mode: Mode = "heating" if sign < 0 else "cooling"
    courses = pump_courses(plant, pump, mode)
    if courses is None:
        return None
    record = _record(history, f"heat_pump.{pump.id}.{mode}.", is_south=plant.site.latitude_deg < 0)
    if len(record.entering_degc) < least_days:
        return None
    usual = min(sign * median(part.tolist()) for part in (record.entering_degc, record.entering_degc[:least_days]))
    if not (sign * courses.entering_degc[courses.steady] > usual + beyond_k / 2).any():
        return None
    sound = _sound(record, sign=sign, beyond_k=beyond_k, first=least_days)
    fit = fit_ground(record.inputs[sound], record.entering_degc[sound])
    if fit is None:
        return None
    so_far_w, own_w = _loads(plant, loop, courses, last_w=float(record.load_w[-1]))
    # A day so far has no load of its own: the heaviest of the record stands in, which allows most.
    heaviest_w = -sign * max(float((-sign * record.load_w[sound]).max()), -sign * so_far_w)
    heavy, own = ground_inputs([plant.day.date] * 2, [heaviest_w, own_w], is_south=plant.site.latitude_deg < 0)[
        :, None, :
    ]
    told = fit.predict(heavy)
    width_k = float(told.plus_minus[0]) * (_BEYOND_TIMES if told.is_beyond[0] else 1.0)
    value, half_width = _by_usual_swing(record, sound, own)
    return Season(float(told.value[0]) + sign * (width_k + beyond_k), float(value[0] + sign * half_width[0]))


def _record(history: Sequence[DayLedger], name: str, *, is_south: bool) -> _Record:
    found = [conditions_of(day) for day in history]
    entering, load = record_column(found, f"{name}entering_degc"), record_column(found, f"{name}source_mean_w")
    known = np.isfinite(entering + load)
    days = [day.day for day, is_known in zip(history, known.tolist(), strict=True) if is_known]
    return _Record(entering[known], load[known], ground_inputs(days, load[known], is_south=is_south))


def _loads(plant: PlantDay, loop: str, courses: PumpCourses, *, last_w: float) -> tuple[float, float]:
    """Heat taken from the ground, as a mean of the day so far, and what stands for the day's own. [W]"""
    source = plant.loops.get(loop)
    taken_j = 0.0 if source is None else -float(sum_of_known(source.heat_w[courses.cells])) * CELL_S
    so_far_w = taken_j / max(plant.until_s, _MIDDAY_S)
    return so_far_w, so_far_w if plant.until_s >= _MIDDAY_S else last_w


def sound_days(
    days: Sequence[date], entering_degc: Array, load_w: Array, *, sign: Sign, beyond_k: float, first: int
) -> NDArray[np.bool_]:
    """
    Days that are what those before them lead one to expect: a fault's own days must not become the season.

    Args:
        days: Oldest first, of a house in the north; the `first` of them are taken as they are.
        beyond_k: Half of it beyond the interval is not sound any more.
    Returns:
        Shape (days,)
    """
    record = _Record(entering_degc, load_w, ground_inputs(days, load_w))
    return _sound(record, sign=sign, beyond_k=beyond_k, first=first)


def _sound(record: _Record, *, sign: Sign, beyond_k: float, first: int) -> NDArray[np.bool_]:
    sound = np.arange(len(record.entering_degc)) < first
    for start in range(first, len(sound), _BLOCK_DAYS):
        block = slice(start, start + _BLOCK_DAYS)
        value, half_width = _by_usual_swing(record, sound, record.inputs[block])
        sound[block] = sign * (record.entering_degc[block] - value) <= half_width + beyond_k / 2
    return sound


def _by_usual_swing(record: _Record, of: NDArray[np.bool_], asked: Array) -> tuple[Array, Array]:
    """Entering temperature of other days, and half of its interval, with a swing that keeps to what is usual."""
    entering = record.entering_degc[of]
    known, design = (np.column_stack((inputs, np.ones(len(inputs)))) for inputs in (record.inputs[of], asked))
    weight = (_LEAST_SD_K / _SWING_SD_K) ** 2
    unscaled = np.linalg.pinv(known.T @ known + np.diag([weight, 0.0, 0.0]))
    coefficients = unscaled @ (known.T @ entering + np.array([weight * _SWING_K, 0.0, 0.0]))
    left = entering - known @ coefficients
    sd = max(float(np.sqrt(left @ left / max(len(left) - len(coefficients), 1))), _LEAST_SD_K)
    spread = np.sqrt(1.0 + ((design @ unscaled) * design).sum(axis=1))
    return design @ coefficients, _TIMES_SD * sd * spread
