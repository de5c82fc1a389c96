"""
The steps of a tank in layers, compiled: what `analytics.layers` describes, one small loop after the other.

All in one file: a copy kept on disk is taken as fresh as long as this file is unchanged. Rows are layers, the first on
top; columns are origins, the last the temperature of the main. Each function changes `layers` and their temperatures
`degc` in place and keeps the sum over the tank and over what left, entered or was put in, to rounding.
"""

import math
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from analytics.layers_inputs import Moving, Resting, Staging

__all__ = ["compiled"]

Array = NDArray[np.float64]
Followed = tuple[Array, Array, Array, Array]

_STABLE_K = -1e-6  # rounding is no inversion
_LEAST_LIFT_K = 0.1  # a coil's fluid must be this much warmer than the water, on the mean, to choose among layers
_MOST_ROUNDS = 2.0  # water that goes round more often in a step is stirred anyway
_LEAST_STEP_K = 0.1  # as if all neighbours differed by so much more: also a tank that is mixed through has places
_LEAST_HELD_K = 1e-9
_MOST_TAKEN = 0.5  # of a layer's heat of an origin, by one draw's meters
_HELD_K = 1.0  # a layer with less heat than this above its cold water has no origins to speak of
_LONGEST_STRIDE = 0.5  # of a layer
_VESSELS = 18  # stirred, in a row: models of tanks have 10 to 50 (common practice); 16 and 20 did nearly alike
_APART_K = 0.35  # in plug flow, by which water may stay above warmer water: the account may be off by that
_LEAST_LEFT = 0.2  # no single step takes more than the rest of a layer's heat


@cache
def compiled() -> Callable[[Array, Moving, Staging, Resting, bool], Followed]:
    """
    The steps of one tank, compiled once and kept on disk where there is a place for it.

    Returns:
        run(layers, water, stages, quiet, is_plug): it changes the layers; the columns that left on top (steps,
        columns), those lost to the room or to the sensors' word (columns,) [K times layers]; where the tank is left to
        itself, what the account expects the sensors to show, and between the highest and the lowest place where each
        may be (steps, sensors) [K], NaN elsewhere.
    """
    try:
        run: Any = njit(cache=True, error_model="numpy")(_run)
    except RuntimeError:  # nowhere to keep it
        run = njit(error_model="numpy")(_run)
    return run  # type: ignore[no-any-return]


def _run(layers, water, stages, quiet, is_plug):  # type: ignore[no-untyped-def]
    n_steps, n_columns = water.entering.shape
    leaving, lost = np.zeros((n_steps, n_columns)), np.zeros(n_columns)
    expected, around = np.full(quiet.sensors_degc.shape, np.nan), np.full(quiet.sensors_degc.shape, np.nan)
    degc = np.empty(len(layers))
    _sum_up(layers, degc)
    for step in range(n_steps):
        may_turn = heats = False
        if water.layers[step] > 0.0:
            # Water that is cooler than all of it keeps a tank stable.
            may_turn = water.entering[step].sum() > degc[-1]
            _move(layers, degc, water.layers[step], water.entering[step], leaving[step], is_plug)
            if not math.isnan(water.gained_k[step]):
                may_turn = True
                left_k = water.layers[step] * water.entering[step].sum() + water.gained_k[step]
                _balance(lost, layers, 1.0)
                _keep(layers, degc, leaving[step], left_k)
                _balance(lost, layers, -1.0)
                _sum_up(layers, degc)
        for stage in range(len(stages.column)):
            if stages.rise_k[stage, step] > 0.0 or stages.turned[stage, step] > 0.0:
                may_turn = heats = True
                _heat(layers, degc, stages, stage, step, is_plug)
        if quiet.due[step]:
            may_turn = True
            _expect(degc, quiet, expected[step], around[step])
            _balance(lost, layers, 1.0)
            _conduct(layers, degc, quiet.conduction, quiet.room)
            _sum_up(layers, degc)
            _rest(layers, degc, quiet, step)
            _balance(lost, layers, -1.0)
            _sum_up(layers, degc)
        if not math.isnan(quiet.renews[step]):
            may_turn = True
            _balance(lost, layers, 1.0)
            _renew(layers, degc, quiet, step)
            _balance(lost, layers, -1.0)
            _sum_up(layers, degc)
        if may_turn:
            _settle(layers, degc, stages.slack_k[step] - (_APART_K if is_plug else 0.0), heats)
    return leaving, lost, expected, around


@njit(error_model="numpy")
def _sum_up(layers, degc):  # type: ignore[no-untyped-def]
    """The layers' temperatures."""
    for i in range(len(layers)):
        degc[i] = 0.0
        for c in range(layers.shape[1]):
            degc[i] += layers[i, c]


@njit(error_model="numpy")
def _dot(weights, degc):  # type: ignore[no-untyped-def]
    total = 0.0
    for i in range(len(degc)):
        total += weights[i] * degc[i]
    return total


@njit(error_model="numpy")
def _balance(lost, layers, sign):  # type: ignore[no-untyped-def]
    """What the tank holds, added to what is lost, or taken from it."""
    for i in range(len(layers)):
        for c in range(len(lost)):
            lost[c] += sign * layers[i, c]


@njit(error_model="numpy")
def _poisson(mean, chance):  # type: ignore[no-untyped-def]
    """Probability of 0, 1, 2 and so on events."""
    chance[0] = math.exp(-mean)
    for k in range(1, len(chance)):
        chance[k] = chance[k - 1] * mean / k


@njit(error_model="numpy")
def _move(layers, degc, moved, entering, leaving, is_plug):  # type: ignore[no-untyped-def]
    """So many layers of water enter below; what leaves on top."""
    n, n_columns = layers.shape
    strides = math.ceil(moved / _LONGEST_STRIDE)
    part = moved / strides
    # A stride spreads by part - part^2 + 2 part lean of a layer's square, a row of vessels by part times theirs.
    leans = np.full(n + 1, -0.5 * (n / _VESSELS - 1.0 + part))
    leans[0] = leans[n] = 0.0
    for _ in range(strides):
        if is_plug:
            _lean(leans, degc, entering.sum(), 0.5 * (1.0 - part))
        for c in range(n_columns):
            here = up = layers[0, c]
            leaving[c] += part * up
            for i in range(n):
                below = layers[i + 1, c] if i < n - 1 else entering[c]
                passes = below + leans[i + 1] * (here - below)
                layers[i, c] = here + part * (passes - up)
                here, up = below, passes
        _sum_up(layers, degc)


@njit(error_model="numpy")
def _lean(leans, degc, entering_degc, most):  # type: ignore[no-untyped-def]
    """
    What passes from a layer to the one above is not its mean but what it holds at its upper end: by `leans` closer to
    the one above, as far as temperatures fall steadily. All columns alike, so that their sum is the temperature.
    """
    n = len(degc)
    for k in range(1, n):
        above, below = degc[k - 1] - degc[k], degc[k] - (degc[k + 1] if k < n - 1 else entering_degc)
        leans[k] = most * min(2.0 * below / above, 1.0) if above * below > 0.0 else 0.0


@njit(error_model="numpy")
def _keep(layers, degc, leaving, left_k):  # type: ignore[no-untyped-def]
    """
    By the meters `left_k` left: what of the leaving origins did not is still in the tank, what left beyond it is out.

    It is put, or taken, where neighbouring layers differ: there the account may be wrong.
    """
    n, given = len(degc), np.maximum(leaving[:-1], 0.0)
    if given.sum() <= 0.0:
        return
    stays_k = given * ((leaving.sum() - left_k) / given.sum())
    weight = np.empty(n)
    for i in range(n):
        weight[i] = _LEAST_STEP_K + max(degc[max(i - 1, 0)] - degc[min(i + 1, n - 1)], 0.0)
    for c in range(len(given)):
        if stays_k[c] >= 0.0:
            layers[:, c] += stays_k[c] / weight.sum() * weight
        else:
            has_k = np.maximum(layers[:, c], 0.0)
            part = -stays_k[c] / ((has_k * weight).sum() + _LEAST_HELD_K)
            layers[:, c] -= np.minimum(part * weight, _MOST_TAKEN) * has_k


@njit(error_model="numpy")
def _heat(layers, degc, stages, stage, step, is_plug):  # type: ignore[no-untyped-def]
    """A stage's heat of a step."""
    rise_k = stages.rise_k[stage, step]
    spread = stages.along[stage] if is_plug else stages.spread[stage]
    rises = np.empty(len(degc))
    if stages.turned[stage, step] > 0.0:
        first = 0
        while spread[first] <= 0.0:
            first += 1
        _turn(layers, rises, first, stages.turned[stage, step], rise_k)
        _sum_up(layers, degc)
    else:
        _rises(rises, degc, rise_k, spread, stages.knows[stage], stages.beside_k[stage, step])
    for i in range(len(degc)):
        layers[i, stages.column[stage]] += rises[i]
        degc[i] += rises[i]


@njit(error_model="numpy")
def _rises(rises, degc, rise_k, spread, knows, beside_k):  # type: ignore[no-untyped-def]
    """What a stage adds to each layer without turning water over: where its fluid is warmer, if that is known."""
    mean_degc = lift_k = 0.0
    for i in range(len(degc)):
        mean_degc += spread[i] * degc[i]
    for i in range(len(degc)):
        above = beside_k[i] + (mean_degc if knows == 2 else 0.0) - degc[i]
        rises[i] = 0.0 if above <= 0.0 else spread[i] * above
        lift_k += rises[i]
    chooses = knows > 0 and lift_k > _LEAST_LIFT_K
    for i in range(len(degc)):
        rises[i] = rise_k / lift_k * rises[i] if chooses else rise_k * spread[i]


@njit(error_model="numpy")
def _turn(layers, rises, first, turned, rise_k):  # type: ignore[no-untyped-def]
    """Water goes from the bottom to layer `first`, so many layers of it, and warms each layer on its way down."""
    n = len(layers) - first
    chance, back, found = np.empty(4 * len(layers)), np.zeros(n), np.zeros(n)
    _poisson(min(turned, _MOST_ROUNDS * len(layers)), chance)
    later = 1.0
    for k in range(len(chance)):
        later -= chance[k]
        back[k % n] += chance[k]
        found[k % n] += max(later, 0.0)
    back, found = back / back.sum(), found / found.sum()
    rises[:first] = 0.0
    rises[first:] = rise_k * found
    before = layers[first:].copy()
    for i in range(n):
        for c in range(layers.shape[1]):
            total = 0.0
            for source in range(n):
                total += back[(i - source) % n] * before[source, c]
            layers[first + i, c] = total


@njit(error_model="numpy")
def _conduct(layers, degc, part, room):  # type: ignore[no-untyped-def]
    """
    The warmer of two neighbours gives the other a part of their difference: heat passes, of what brought it to the
    warmer one, and no water. What that does not hold the room owes.
    """
    origins = layers.shape[1] - 1
    for i in range(len(degc) - 1):
        gives_k = part * (degc[i] - degc[i + 1])
        warm, cool = (i, i + 1) if gives_k > 0.0 else (i + 1, i)
        gives_k, held = abs(gives_k), 0.0
        for c in range(origins):
            held += max(layers[warm, c], 0.0)
        share = gives_k / held if held > gives_k else 0.0
        for c in range(origins):
            passes = share * max(layers[warm, c], 0.0)
            if c == room and held <= gives_k:
                passes = gives_k
            layers[warm, c] -= passes
            layers[cool, c] += passes


@njit(error_model="numpy")
def _expect(degc, quiet, expected, around):  # type: ignore[no-untyped-def]
    """What the sensors should show, and what lies between the highest and the lowest place where each may be."""
    for s in range(len(expected)):
        expected[s] = _dot(quiet.at_sensor[s], degc)
        around[s] = _dot(quiet.around_sensor[0, s], degc) - _dot(quiet.around_sensor[1, s], degc)


@njit(error_model="numpy")
def _rest(layers, degc, quiet, step):  # type: ignore[no-untyped-def]
    """Loss to the room, or gain from it, and the pull toward the sensors, where all of them are known."""
    n, n_sensors = len(degc), quiet.sensors_degc.shape[1]
    told_k = np.zeros(n)
    is_known = True
    for s in range(n_sensors):
        is_known &= not math.isnan(quiet.sensors_degc[step, s])
    if is_known:
        for s in range(n_sensors):
            off_k = _told(degc, quiet, step, s)
            told_k += quiet.pull[:, s] * off_k
        _hold(told_k, quiet.left_open_k[step], quiet.meters_k * n)
    for i in range(n):
        to_room = quiet.loss * (quiet.room_degc[step] - degc[i])
        _change(layers[i], degc[i], min(to_room, 0.0) + told_k[i], quiet.room)
        layers[i, quiet.room] += max(to_room, 0.0)


@njit(error_model="numpy")
def _told(degc, quiet, step, s):  # type: ignore[no-untyped-def]
    """By how much a sensor shows the account to be off, as far as it is believed. [K]"""
    here = _dot(quiet.at_sensor[s], degc)
    high, low = _dot(quiet.around_sensor[0, s], degc), _dot(quiet.around_sensor[1, s], degc)
    most, least = max(high - here, low - here, 0.0), min(high - here, low - here, 0.0)
    above, doubt_k = quiet.sensors_degc[step, s] - here, quiet.doubt_k
    within = min(max(above, least - doubt_k), most + doubt_k)
    believed = within - min(max(within, -doubt_k), doubt_k)
    moves = quiet.part_per_k[step] * (most - least)
    return above - within + believed / (1.0 + moves * moves)


@njit(error_model="numpy")
def _hold(told_k, left_open_k, meters_k):  # type: ignore[no-untyped-def]
    """
    The layers' change as sensors ask for it, with less heat in all: they tell where warm water ends, but leave
    `left_open_k` of its amount open, which by the meters is known to `meters_k`. Each has the weight of what it knows;
    what is more than sensors leave open is theirs to tell.
    """
    if left_open_k == 0.0:
        return
    meters_weight = left_open_k**2 / (left_open_k**2 + meters_k**2)
    less_k = min(max(told_k.sum() * meters_weight, -left_open_k), left_open_k)
    with_it = np.maximum(told_k if less_k > 0.0 else -told_k, 0.0)
    told_k -= less_k / max(with_it.sum(), _LEAST_HELD_K) * with_it


@njit(error_model="numpy")
def _change(layer, degc, change_k, room):  # type: ignore[no-untyped-def]
    """
    Change all origins of a layer in proportion; what a layer hardly holds the room owes, or is owed.

    The proportion is to what the origins brought, or to what is owed: where the room owes nearly all that they brought
    (meters that contradict the sensors), little is held of much, and a change in proportion to it would run away.
    """
    last = len(layer) - 1
    held = degc - layer[last]
    least = max(held, _HELD_K)
    if layer[room] < 0.0:
        least = max(abs(held), np.maximum(layer[:last], 0.0).sum(), least)
    left = max(1.0 + change_k / least, _LEAST_LEFT)
    for c in range(last):
        layer[c] *= left
    layer[room] += change_k * (1.0 - held / least)


@njit(error_model="numpy")
def _renew(layers, degc, quiet, step):  # type: ignore[no-untyped-def]
    """Take the layers to what the sensors say; more heat than was held is of unknown origin."""
    n, n_columns = layers.shape
    off_k = np.empty(quiet.sensors_degc.shape[1])
    for s in range(len(off_k)):
        off_k[s] = quiet.sensors_degc[step, s] - _dot(quiet.at_sensor[s], degc)
    for i in range(n):
        change_k = (quiet.renewing[i] * off_k).sum()
        left = max(1.0 + min(change_k, 0.0) / max(degc[i] - layers[i, n_columns - 1], _HELD_K), _LEAST_LEFT)
        gained = max(change_k, 0.0)
        for c in range(n_columns - 1):
            layers[i, c] *= left
            forgotten = quiet.renews[step] * layers[i, c]
            layers[i, c] -= forgotten
            gained += forgotten
        layers[i, quiet.unknown] += gained


@njit(error_model="numpy")
def _settle(layers, degc, slack_k, heats):  # type: ignore[no-untyped-def]
    """
    Mix what is warmer below than above, neighbours with neighbours, until the tank is stable.

    While the tank is heated, two neighbours mix already if the upper one is no more than `slack_k` warmer; below nought
    it is by how much the upper one may be cooler, at all times.
    """
    means, counts = np.empty(len(degc)), np.empty(len(degc), np.int64)
    pools = _pool(degc, slack_k if heats else np.minimum(slack_k, _STABLE_K), means, counts)
    if pools == len(degc):
        return
    first = 0
    for pool in range(pools):
        count = counts[pool]
        if count > 1:
            for c in range(layers.shape[1]):
                total = 0.0
                for i in range(first, first + count):
                    total += layers[i, c]
                for i in range(first, first + count):
                    layers[i, c] = total / count
            degc[first : first + count] = means[pool]
        first += count


@njit(error_model="numpy")
def _pool(degc, least_k, means, counts):  # type: ignore[no-untyped-def]
    """The temperatures of neighbours that mix, and how many they are, from the top; how many such pools there are."""
    pools = 0
    for layer in range(len(degc)):
        mean, count = degc[layer], 1
        while pools > 0 and means[pools - 1] < mean + least_k[layer - count]:
            pools -= 1
            mean = (mean * count + means[pools] * counts[pools]) / (count + counts[pools])
            count += counts[pools]
        means[pools], counts[pools] = mean, count
        pools += 1
    return pools
