"""Heat that goes one way through a loop, and the other, piece by piece."""

import numpy as np
from numpy.typing import NDArray

from analytics.compiled import compiled

__all__ = ["heard_j_per_k", "heats_j", "slugs_j", "this_way_j_per_k"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@compiled
def heats_j(length_s: Array, first: Array, last: Array, weight: Array, left: Array) -> Array:
    """
    Of each piece the heat given and the heat taken back, both zero or more, the heat in all, and what the moments of
    reading leave in doubt of it. Shape (4, pieces) [J]

    Args:
        first, last: Heat rate at each piece's start and end. [W]
        weight: How much of a piece goes by its end's rate, 0 to 1.
        left: What is left of the doubt of a moment, 0 to 1.
    """
    heats = np.empty((4, len(length_s)))
    for n in range(len(length_s)):
        by_last_s = weight[n] * length_s[n]
        from_first, from_last = (length_s[n] - by_last_s) * first[n], by_last_s * last[n]
        gained, net = max(from_first, 0.0) + max(from_last, 0.0), from_first + from_last
        heats[0, n], heats[1, n], heats[2, n] = gained, gained - net, net
        heats[3, n] = left[n] * length_s[n] * (last[n] - first[n])
    return heats


@compiled
def heard_j_per_k(length_s: Array, per_k: Array, covered: Flags, known: Flags) -> tuple[float, float, float]:
    """
    What passed per kelvin [J/K] while the flow was known, and while its temperatures were too; the seconds of those.

    Args:
        per_k: Heat rate per kelvin over each piece. [W/K]
    """
    covered_j_per_k = known_j_per_k = known_s = 0.0
    for n in range(len(length_s)):
        if covered[n]:
            covered_j_per_k += abs(per_k[n] * length_s[n])
        if known[n]:
            known_j_per_k += abs(per_k[n] * length_s[n])
            known_s += length_s[n]
    return covered_j_per_k, known_j_per_k, known_s


@compiled
def this_way_j_per_k(
    length_s: Array, per_k: Array, net_j: Array, known: Flags, sign: float, near_nothing_k: float
) -> float:
    """
    What passed per kelvin while heat went one way: 1 given, -1 taken back. [J/K]

    Args:
        near_nothing_k: What goes the other way counts too where its temperatures lie less than this apart; negative
            where nothing does.
    """
    passed = 0.0
    for n in range(len(length_s)):
        j_per_k = per_k[n] * length_s[n]
        goes = net_j[n] >= 0 if sign > 0 else net_j[n] < 0
        if near_nothing_k >= 0:
            goes = sign * net_j[n] > -near_nothing_k * abs(j_per_k)
        if known[n] and goes:
            passed += j_per_k
    return passed


@compiled
def slugs_j(length_s: Array, first: Array, last: Array, left: Array, sign: float) -> Array:
    """
    What the moments of reading leave in doubt of heat that went the other way than most of the day's, by moving pieces.

    It goes so in slugs, as a loop starts or stops, or while its heat runs out. Between two readings the rate may have
    been anywhere up to where the lines through the readings before and after them come; at a start, which leaps, the
    line after it tells, at a stop the one before.

    Args:
        first, last: Heat rate at each piece's start and end. [W]
        left: What is left of the doubt of a moment, 0 to 1.
        sign: The way that is asked for.
    """
    at = ((first != 0) | (last != 0)).nonzero()[0]
    slugs = np.empty(len(at))
    for n, piece in enumerate(at):
        start, end, line = sign * first[piece], sign * last[piece], 0.0
        if start != 0:
            before = sign * first[at[n - 1]] if n > 0 and first[at[n - 1]] != 0 else start
            line = max(line, 2.0 * start - before)
        if end != 0:
            after = sign * last[at[n + 1]] if n + 1 < len(at) and last[at[n + 1]] != 0 else end
            line = max(line, 2.0 * end - after)
        is_whole = start > 0 and end > 0
        slugs[n] = length_s[piece] * (left[piece] * (end - start) if is_whole else max(start, end, line))
    return slugs
