"""Starts and stops: when, within the interval between two readings, a loop began or ceased to give heat."""

from math import exp, isfinite, log, log1p

import numpy as np
from numpy.typing import NDArray

from analytics.compiled import compiled
from analytics.frame import DayFrame
from analytics.plant import Signal
from analytics.segments import Pieces

__all__ = ["along_line", "end_weight"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_OFF_PART = 0.05  # of its highest mean power: below it a drive rests
_AFTER_START = 5  # pieces; then less than 1 % is left of a climb of a minute, read once a minute
_AFTER_STOP = 3  # pieces; pumps run on for a minute or two; common practice
_LEAST_MEAN, _MOST_MEAN = 0.3, 2.0  # of a rate since its start, as a part of what was first read; common practice
_LEAST_FALL = 1e-3  # of a rate that falls less the mean is halfway


def end_weight(pieces: Pieces, rate: Array, drive: Signal, *, frame: DayFrame) -> Array:
    """
    How much of each piece goes by its end's heat rate rather than by its start's: a half, unless the drive tells.

    Where the drive starts or stops within a piece, its mean power beside that of the piece after (or before) says
    for which part of the piece it ran. That takes the doubt of a whole interval out of every start and stop. After
    a start the heat rate climbs (or falls, where heat was left from the run before); how far it had come at the
    piece's end shows in how it goes on. A pump that runs on after a stop carries the rest away by the same law.

    Args:
        pieces: The loop's pieces. (n,)
        rate: Heat rate at each piece's start and end [W]. (2, n)
        drive: The compressor's or pump's power as means or counts.
        frame: The day.
    Returns:
        Weights, 0 to 1. (n,)
    """
    powered = frame.pieces(drive)
    if len(pieces.start_s) < 3 or len(powered.start_s) < 2:
        return np.full(len(pieces.start_s), 0.5)
    power = _mean_power(powered.start_s[0], powered.end_s, powered.amount, pieces.start_s, pieces.end_s[-1])
    return _weights(power, rate[0], rate[1])


@compiled
def _mean_power(from_s: float, end_s: Array, amount_j: Array, start_s: Array, until_s: float) -> Array:
    """Mean power over pieces of a loop, which follow each other, by what a drive took up to the end of each its own."""
    power, at, before_s, before_j = np.empty(len(start_s)), 0, from_s, 0.0
    total_j, last_s = 0.0, 0.0
    for n in range(len(start_s) + 1):
        now_s = start_s[n] if n < len(start_s) else until_s
        while at < len(end_s) and end_s[at] <= now_s:
            before_s, before_j = end_s[at], before_j + amount_j[at]
            at += 1
        now_j = before_j
        if at < len(end_s) and now_s > before_s:
            after_j = before_j + amount_j[at]
            now_j = (after_j - before_j) / (end_s[at] - before_s) * (now_s - before_s) + before_j
        if n > 0:
            power[n - 1] = (now_j - total_j) / max(now_s - last_s, 1e-9)
        total_j, last_s = now_j, now_s
    return power


@compiled
def _weights(power: Array, first: Array, last: Array) -> Array:
    """The same by the drive's mean power over each piece, three or more. Heat rates [W] at start and end."""
    n_pieces = len(power)
    off_w = _OFF_PART * power.max()
    weight, on = np.full(n_pieces, 0.5), power > off_w
    starts, stops = np.zeros(n_pieces, np.bool_), np.zeros(n_pieces, np.bool_)
    for n in range(1, n_pieces - 1):
        goes_on = n + 2 < n_pieces and on[n + 2]
        starts[n] = not on[n - 1] and on[n + 1] and (power[n + 1] >= power[n] or goes_on)
        stops[n] = on[n - 1] and not on[n + 1] and power[n] <= power[n - 1]
        if starts[n]:
            weight[n] = _ran(power[n], _level(power, n, off_w))
        elif stops[n]:
            weight[n] = 1.0 - _ran(power[n], power[n - 1])
    _run_on(weight, stops, on, first, last)
    _climb_on(weight, starts, on, first, last)
    return weight


def along_line(weight: Array, pieces: Pieces, rate: Array, *, u_part: Array) -> Array:
    """
    The same with a rate that goes on beyond the first and the last reading of a run as it went beside them.

    Of a piece in which fluid moved for the part p, known to u, it carried at a start (p + s (p^2 - u^2) / 2) times what
    its end's rate would have in all of it, where the line was higher by s of that rate a piece earlier: the mean over
    all moments that may have been, of lines that begin alike, so that what is read is the lower the longer they ran.

    Args:
        weight: By rates that stand at once. (n,)
        u_part: Standard uncertainty of the part of a piece before or after its turn. (n,)
    """
    return _on_lines(weight, pieces.length_s, rate[0], rate[1], u_part)


@compiled
def _on_lines(weight: Array, length_s: Array, first: Array, last: Array, u_part: Array) -> Array:
    found = weight.copy()
    for n in range(len(weight) - 1):
        after = n + 1
        if first[n] == 0 and last[n] != 0 and first[after] != 0 and last[after] != 0:
            rise = (1.0 - last[after] / last[n]) * length_s[n] / length_s[after]
            found[n] = _part_of_line(weight[n], rise, u_part[n])
        if first[n] != 0 and last[n] != 0 and first[after] != 0 and last[after] == 0:
            rise = (1.0 - first[n] / first[after]) * length_s[after] / length_s[n]
            found[after] = 1.0 - _part_of_line(1.0 - weight[after], rise, u_part[after])
    return found


@compiled
def _part_of_line(ran: float, rise: float, u_part: float) -> float:
    mean = 1.0 + 0.5 * rise * (ran - u_part**2 / max(ran, 1e-9))
    if not isfinite(mean):  # beside what was not heard
        return ran
    return ran * min(max(mean, _LEAST_MEAN), _MOST_MEAN)


@compiled
def _run_on(weight: Array, stops: Flags, on: Flags, first: Array, last: Array) -> None:
    """Puts down the weights of stops after which the loop runs on, and of the pieces in which it does."""
    runs_on = False
    for n in range(len(weight)):
        if stops[n] and last[n] != 0:
            weight[n] *= _end_of_decay(first[n], last[n])
            runs_on = True
    for n in range(len(weight)):
        if not stops[n] or not runs_on:
            continue
        for after in range(n + 1, min(n + 1 + _AFTER_STOP, len(weight))):
            if last[after] == 0 or on[after]:
                break
            weight[after] = _end_of_decay(first[after], last[after])


@compiled
def _climb_on(weight: Array, starts: Flags, on: Flags, first: Array, last: Array) -> None:
    """Puts down the weights of starts after which the rate climbs, and of the pieces in which it does."""
    n_pieces = len(weight)
    for n in range(n_pieces - 2):
        if not starts[n] or not on[n]:
            continue
        kept, mean = _climb(last[n], last[n + 1], last[n + 2], weight[n])
        weight[n] = weight[n] * mean if first[n] == 0 else min(weight[n] * mean, 1.0)
        for after in range(n + 1, min(n + 1 + _AFTER_START, n_pieces - 1)):
            if kept == 0 or not on[after] or not on[after + 1]:
                break
            weight[after] = 1.0 / (1.0 - kept) + 1.0 / log(kept)  # of an approach that keeps so much of its way


@compiled
def _end_of_decay(first: float, last: float) -> float:
    """The same of a rate that falls by a constant part in equal times: its mean is the logarithmic one."""
    fallen = 1.0 - last / first
    return 1.0 / fallen + 1.0 / log1p(-fallen) if _LEAST_FALL < fallen < 1.0 else 0.5


@compiled
def _level(power: Array, start: int, off_w: float) -> float:
    """What the power was when it began: it climbs or falls, so that lies beside the next piece's by the slope there."""
    end = len(power) - 1
    after, later, latest = float(power[start + 1]), power[min(start + 2, end)], power[min(start + 3, end)]
    return after - (later - after) if later > off_w and latest > off_w else after


@compiled
def _ran(mean_power: float, level: float) -> float:
    """The part of a piece for which the drive ran. [-]"""
    return min(max(mean_power / max(level, 1e-9), 0.0), 1.0)


@compiled
def _climb(first: float, second: float, third: float, ran: float) -> tuple[float, float]:
    """
    A heat rate since its start: what it keeps of its way in each interval (none where it is no approach), and its mean
    since then, as a part of what it had reached at the first reading.

    Three readings an interval apart fix an exponential approach; it is followed back over the part `ran` of an
    interval before the first. A rate that stands at once gives a mean of 1, one that climbs straight from nothing a
    half, one that begins high with the heat left from the run before more than 1.
    """
    found = (third - second) / (second - first)
    kept = min(max(found, 0.02), 0.98) if isfinite(found) else 0.02
    to_come = (second - first) / (1.0 - kept) / first
    back = exp(-log(kept) * ran) - 1.0
    mean = 1.0 + to_come * (1.0 - back / (-log(kept) * ran))
    is_approach = 0 < found < 1 and first != 0
    return (kept if is_approach else 0.0), (min(max(mean, _LEAST_MEAN), _MOST_MEAN) if isfinite(mean) else 1.0)
