"""When a compressor ran and what it used, how long in each mode, and how often it started."""

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from analytics.count_step import counted_to
from analytics.courses import unknown_as_none
from analytics.derived import root_of_squares, shown_times, spread, stated_own, unheard_at_mean, within_limits
from analytics.doubt import GAPS, NO_DOUBT, Doubt, combined, from_limit
from analytics.figures import Basis
from analytics.frame import DayFrame, relative_limit
from analytics.plant import CELL_S, Signal, Total, not_known
from analytics.segments import gap_amount, pieces_of, sum_over
from analytics.site import HeatPump, Point
from analytics.unheard import TOLD_BY_SIDES_S, of_compressor

__all__ = [
    "Runs",
    "compressor_electricity",
    "hidden_run_s",
    "on_part",
    "ran_before_midnight",
    "run_totals",
    "runs_power_w",
    "runs_where",
    "starts_by_mode",
]

Array = NDArray[np.float64]

_ON_PART = 0.1  # of the rated power (or of the day's highest) the compressor counts as on; common practice
_ON_W = 50.0
# Of a cell, or of the interval of a mean, with a start or stop in it, as its mean power tells: within it a compressor
# takes by a twentieth more or less than beside it (common practice), for a part of it that is anything up to all; and
# where that part is too short to count as on it is lost.
_EDGE_PART = hypot(0.05 / sqrt(3), _ON_PART * sqrt(_ON_PART / 3))
_ANY_MOMENT_PART = 1 / sqrt(12)  # of the time between two instants
_SLOW_START_S = 12.0  # limits; motors that are started softly take ten to thirty seconds (common practice)
_SLOWEST_START_S = 60.0  # where readings are minutes apart, none of which shows the climb


def compressor_electricity(pump: HeatPump, signal: Signal, frame: DayFrame) -> tuple[Array, Total]:
    """Its power as a course [W], and its electricity over the day."""
    pieces = frame.pieces(signal)
    short, point = pieces.covered(signal.max_gap_s), signal.point
    known = short | (point.sampling == "counter")  # it counts through gaps
    course = frame.course(pieces, pieces.amount, short)
    part = sum_over(pieces.length_s, short) / frame.until_s
    if not known.any():
        return course, not_known(f"{point.id} gave no usable reading.")
    total = float(pieces.amount.sum())
    limit = relative_limit(signal, max(float(pieces.first.max(initial=0.0)), 1.0))
    gap = 0.0
    heard = sum_over(pieces.length_s, known) / frame.until_s
    if heard < 1:
        sides = gap_amount(pieces, known, end_s=frame.until_s, at_most=of_compressor(pump))
        gap = max(unheard_at_mean(total, heard), sides)
    passing, ends = {f"{GAPS} of {point.id}": from_limit(gap)}, {}
    if point.sampling == "instant":
        passing[f"moments of {point.id}"] = spread(pieces.length_s * (pieces.last - pieces.first))
    if point.sampling == "counter":
        ends[f"moments of {point.id}"] = root_of_squares(counted_to(signal, pieces))
    return course, Total(total, Doubt({point.id: from_limit(total * limit)}, passing, ends), part)


def on_part(pump: HeatPump, elec_w: Array, *, interval_s: float) -> Array:
    """
    Part of each cell in which the compressor runs: around a start or stop, by its mean power beside that of the run.

    Args:
        interval_s: Between two readings of its power.
    """
    power, beside = unknown_as_none(elec_w), _cells_of(interval_s)
    on = power > _threshold_w(pump, elec_w)
    before = np.concatenate((np.zeros(beside), power[:-beside]))
    after = np.concatenate((power[beside:], np.zeros(beside)))
    level = np.maximum(before, after)
    edge = on & ((before < 0.5 * power) | (after < 0.5 * power) | (level > 1.2 * power))
    part = np.where(edge, np.minimum(power / np.maximum(level, 1.0), 1.0), 1.0)
    return np.where(on, part, 0.0)


def _cells_of(interval_s: float) -> int:
    return max(round(interval_s / CELL_S), 1)


@dataclass(frozen=True, slots=True)
class Runs:
    """First and last cell (inclusive) of each time that the compressor ran."""

    first: NDArray[np.intp]
    last: NDArray[np.intp]


def runs_where(on: NDArray[np.bool_]) -> Runs:
    framed = np.concatenate(([False], on, [False]))
    turns = (framed[1:] != framed[:-1]).nonzero()[0]
    return Runs(turns[::2], turns[1::2] - 1)


def runs_power_w(elec_w: Array, on: Array) -> Array:
    """
    The compressor's electricity without what the heat pump takes at rest. [W]

    Beside a run's cells those before and after it count, in which it may have run for some seconds.
    """
    beside = on > 0
    beside[1:] |= on[:-1] > 0
    beside[:-1] |= on[1:] > 0
    return np.where(beside | np.isnan(elec_w), elec_w, 0.0)


def hidden_run_s(elec_w: Array) -> float:
    """For how long it may have run while its power was not heard, but for what the sides of gaps tell. [s]"""
    gaps = runs_where(np.isnan(elec_w))
    return float(np.maximum((gaps.last - gaps.first + 1) * CELL_S - TOLD_BY_SIDES_S, 0.0).sum())


def run_totals(
    pump: HeatPump,
    runs: Runs,
    mode: Array,
    *,
    on: Array,
    is_told: bool,
    point: Point,
    covered: float,
    hidden_s: tuple[float, float] = (0.0, 0.0),
) -> tuple[Total, Total]:
    """
    How long the compressor ran heating, and cooling. [s]

    Args:
        mode: +1 heating, -1 cooling over each run. Shape (cells,)
        on: Part of each cell in which it ran. Shape (cells,)
        is_told: Whether a loop was heard that tells heating from cooling.
        point: Of its power.
        covered: Part of the day in which that is known.
        hidden_s: For how long it may have run unheard, heating and cooling. [s]
    """
    is_told = is_told or _only_heats(pump)
    basis: Basis = "measured" if is_told else "estimated"
    why = "" if is_told else "No loop tells heating from cooling; all that it ran counts as heating."
    ways = mode[runs.first]
    cells = _cells_of(point.interval_s)
    edge_s = cells * CELL_S * (_ANY_MOMENT_PART if point.sampling == "instant" and cells > 1 else _EDGE_PART)
    slow_start_s = min(cells * _SLOW_START_S, _SLOWEST_START_S)

    def total(way: float, unheard_s: float) -> Total:
        # Start and stop of a run lie somewhere in their minutes. A compressor whose power climbs at the start ran for
        # longer than its mean power says, at every start alike.
        n_runs = int(np.count_nonzero(ways == way))
        u_s = shown_times(stated_own(edge_s), sqrt(2.0 * n_runs), "√(2 × {})", numbers=[n_runs])
        slow_s = shown_times(within_limits(stated_own(slow_start_s)), n_runs, "{}", numbers=[n_runs])
        steady, passing = {f"slow starts of {pump.id}": slow_s}, {f"starts and stops of {pump.id}": u_s}
        doubt = Doubt(steady, passing) if n_runs else NO_DOUBT
        if unheard_s > 0:
            doubt = combined([(1.0, doubt), (1.0, Doubt({}, {f"{GAPS} of {pump.power}": from_limit(unheard_s)}))])
        return Total(float(on[mode == way].sum()) * CELL_S, doubt, covered, basis, why)

    return total(1.0, hidden_s[0]), total(-1.0, hidden_s[1])


def _only_heats(pump: HeatPump) -> bool:
    """By the maker's sheet, where the site file has it."""
    return bool(pump.rating) and all(each.mode == "heating" for each in pump.rating)


def starts_by_mode(runs: Runs, mode: Array, *, ran_before: bool) -> tuple[int, int]:
    """Starts of heating and of cooling runs; a run that was under way at midnight did not start today."""
    began = runs.first[1:] if ran_before and len(runs.first) > 0 and runs.first[0] == 0 else runs.first
    n_heating = int((mode[began] > 0).sum())
    return n_heating, len(began) - n_heating


def ran_before_midnight(pump: HeatPump, signal: Signal) -> bool:
    """Whether the compressor ran in the last cell of the day before."""
    pieces = pieces_of(signal, start_s=-CELL_S, end_s=0.0)
    mean_w = float(pieces.amount.sum()) / CELL_S
    return mean_w > _threshold_w(pump, signal.value)


def _threshold_w(pump: HeatPump, power_w: Array) -> float:
    rated_w = max([r.power_w for r in pump.rating]) if pump.rating else float(np.fmax.reduce(power_w, initial=0.0))
    return max(_ON_PART * rated_w, _ON_W)
