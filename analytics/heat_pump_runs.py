"""When a compressor ran, how long in each mode, and how often it started."""

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from analytics.courses import unknown_as_none
from analytics.derived import shown_times, stated_own, within_limits
from analytics.doubt import NO_DOUBT, Doubt
from analytics.figures import Basis
from analytics.plant import CELL_S, Signal, Total
from analytics.segments import pieces_of
from analytics.site import HeatPump

__all__ = ["Runs", "on_part", "ran_before_midnight", "run_totals", "runs_power_w", "runs_where", "starts_by_mode"]

Array = NDArray[np.float64]

_ON_PART = 0.1  # of the rated power (or of the day's highest) the compressor counts as on; common practice
_ON_W = 50.0
_EDGE_S = 0.1 * CELL_S
_SLOW_START_S = 12.0  # limits; motors that are started softly take ten to thirty seconds (common practice)


def on_part(pump: HeatPump, elec_w: Array) -> Array:
    """Part of each cell in which the compressor runs: in the cell of a start or stop, by its mean power."""
    power = unknown_as_none(elec_w)
    on = power > _threshold_w(pump, elec_w)
    before = np.concatenate(([0.0], power[:-1]))
    after = np.concatenate((power[1:], [0.0]))
    level = np.maximum(before, after)
    edge = on & ((before < 0.5 * power) | (after < 0.5 * power) | (level > 1.2 * power))
    part = np.where(edge, np.minimum(power / np.maximum(level, 1.0), 1.0), 1.0)
    return np.where(on, part, 0.0)


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


def run_totals(
    pump: HeatPump, runs: Runs, mode: Array, *, on: Array, is_told: bool, covered: float
) -> tuple[Total, Total]:
    """
    How long the compressor ran heating, and cooling. [s]

    Args:
        mode: +1 heating, -1 cooling over each run. Shape (cells,)
        on: Part of each cell in which it ran. Shape (cells,)
        is_told: Whether a loop was heard that tells heating from cooling.
        covered: Part of the day in which its power is known.
    """
    is_told = is_told or _only_heats(pump)
    basis: Basis = "measured" if is_told else "estimated"
    why = "" if is_told else "No loop tells heating from cooling; all that it ran counts as heating."
    ways = mode[runs.first]

    def total(way: float) -> Total:
        # Start and stop of a run lie somewhere in their minutes, each known to a tenth of one. A compressor whose power
        # climbs at the start ran for longer than its mean power says, at every start alike.
        n_runs = int((ways == way).sum())
        u_s = shown_times(stated_own(_EDGE_S), sqrt(2.0 * n_runs), "√(2 × {})", numbers=[n_runs])
        slow_s = shown_times(within_limits(stated_own(_SLOW_START_S)), n_runs, "{}", numbers=[n_runs])
        steady, passing = {f"slow starts of {pump.id}": slow_s}, {f"starts and stops of {pump.id}": u_s}
        doubt = Doubt(steady, passing) if n_runs else NO_DOUBT
        return Total(float(on[mode == way].sum()) * CELL_S, doubt, covered, basis, why)

    return total(1.0), total(-1.0)


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
    rated_w = max((r.power_w for r in pump.rating), default=float(np.nanmax(power_w, initial=0.0)))
    return max(_ON_PART * rated_w, _ON_W)
