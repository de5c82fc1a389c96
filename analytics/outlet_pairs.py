"""
Where water leaves a tank: its outlet's sensor held against the tank's top and against the mixed water, late in draws.

Warm water lies on top, so what leaves a tank is never colder than its top sensor and, on any day with a moment in
which the top is not layered, as warm: the day's lowest difference is that of the two sensors. Water behind the mixing
valve is never warmer than before it, and the same while the valve stands fully open. Where cold water enters
the path, the first tank's lowest water is never colder than that.

Limits without a source are common practice.
"""

from collections.abc import Iterator, Mapping, Sequence
from math import hypot, nan

import numpy as np
from numpy.typing import NDArray

from analytics.pair_check import PairCheck, PairMethod
from analytics.plant import Draw, PlantDay, Signal
from analytics.site import HotWater, Site, Stage

__all__ = ["PATH", "has_pair_along_path", "outlet_checks", "outlets"]

PATH = "hot_water"
"""The component of these checks."""

_LONG_S = 120.0  # by then pipe and pocket have the water's temperature
_LATE = 0.8  # of a draw: looked at here, before the tap is turned down
_SETTLED_S, _SETTLED_K = 20.0, 0.3
_BELOW_SETTLED_K = 5.0  # the sensor below a tank's top may move: it tells only how the layers lie
_EMPTIED_K = 8.0  # a top so far below its day's mean may lie under the last warm water
_FLOWS_M3_S = 2e-3 / 60
_METER_INTERVALS = 4  # a counter's edges of a draw are blurred by its interval
_FRESH_INTERVALS = 1.5  # a reading older than this is not of the moment
_OPEN_K = 1.5  # so far below its setting the mixed water has no cold in it
_LAYERED_K = 3.0  # beyond it the two heights are not the same water
_LOW_OF = 5  # one draw in so many may be odd
_LEAST_U_K = 0.5  # how far even the least layered draw of a day may be from level
# A foot that is warmer than the entering water by more tells nothing of the sensors.
_FLUSHED_K, _INLET_U_K, _LEAST_READINGS = 1.5, 0.15, 10
# Water that a loop feeds in on top lies there in a thin warm layer: what leaves may be warmer than the top sensor, by
# this at least and by a half of what the loop's water ever was.
_FED_ON_TOP, _FED_ON_TOP_U_K, _FED_PART = 0.9, 1.0, 0.5
# Of the difference to the next sensor: a top that nothing heats is layered as what lies below it, another one less.
_LAYERS_U, _HEATED_LAYERS_U = 0.2, 0.05
_HEATED_J = 0.2 * 3.6e6  # from here on a heater has levelled what lies above it
_WATER_J_M3K = 4.12e6  # at 50 degC: 988 kg/m3 x 4.18 kJ/(kg K)

# Readings now and before: the one before, or of sensors read more often than that the second before.
_EARLIER = (np.array([[0], [1]]), np.array([[0], [2]]))

Array = NDArray[np.float64]
_Told = tuple[float, float, float]  # a difference, its instant, and the doubt that comes of layers: K, s, K


def outlets(path: HotWater) -> Sequence[tuple[str, str]]:
    """Each tank of the path with the sensor of the water that leaves it, "" where there is none."""
    between = [*path.between[: len(path.tanks) - 1]]
    between += [""] * (len(path.tanks) - 1 - len(between))
    return tuple(zip(path.tanks, [*between, path.hot or ""], strict=False)) if path.tanks else ()


def has_pair_along_path(site: Site) -> bool:
    """Whether a site has two sensors along the water's path that its draws can hold against each other."""
    path = site.hot_water
    if path is None:
        return False
    before = path.heated or path.hot
    by_tank = any(outlet and site.tanks[tank].temperatures for tank, outlet in outlets(path))
    at_inlet = path.cold and any(site.tanks[tank].temperatures for tank in path.tanks[:1])
    return bool(by_tank or at_inlet or (path.hot and path.heated) or (before and path.mixed))


def outlet_checks(plant: PlantDay) -> Iterator[PairCheck]:
    """
    The day's checks of the water's path, each the settled difference of the least layered of its draws.

    "draw": outlet less the tank's top. "layers": top less the sensor below it, as a witness for the top. "valve": the
    water before the mixing valve less that behind it, in draws in which no cold is mixed in. "inlet": the coldest water
    that entered less the coldest at the first tank's foot, where draws had cooled that nearly as far.
    """
    path, water = plant.site.hot_water, plant.hot_water
    if path is None or water is None or not path.tanks or not water.draws:
        return
    moments = _late_in_draws(plant, path, water.draws)
    if not moments:
        return
    late_s = [late for _, late, _ in moments]
    degc = _settled(plant, _named(plant, path), np.array(moments))
    kwh_per_k = sum([draw.volume_m3 for draw in water.draws]) * _WATER_J_M3K / 3.6e6
    for tank, outlet in outlets(path):
        top, below = [*plant.site.tanks[tank].temperatures[:2], "", ""][:2]
        if outlet in degc and top in degc:
            above_k = max((_fed_k(plant, stage) for stage in _feeding_on_top(plant.site, tank)), default=_LEAST_U_K)
            columns = (degc[outlet], degc[top], degc.get(below) or degc[top], late_s)
            draws, layers = _of_tank(plant, tank, columns, least_degc=plant.signals[top].mean - _EMPTIED_K)
            yield from _check((top, outlet), draws, method="draw", above_k=above_k, kwh_per_k=kwh_per_k)
            if below in degc:
                yield from _check((below, top), layers, method="layers")
    heats_in_passing = any(stage.tank is None for stage in plant.site.stages.values())
    mixed, before = path.mixed or "", path.heated or ("" if heats_in_passing else path.hot or "")
    if mixed in degc and before in degc:
        wide_degc = path.mixed_set_c - _OPEN_K
        each = zip(degc[before], degc[mixed], late_s, strict=True)
        # Comparisons with what is not known are false.
        told = [(b - m, at, 0.0) for b, m, at in each if b < m or (m < wide_degc and b >= m)]
        yield from _check((mixed, before), told, method="valve")
    foot = plant.signals.get(_foot(plant.site, path))
    if foot is not None and path.cold in degc:
        yield from _inlet(plant, foot, (path.cold, degc[path.cold]), kwh_per_k=kwh_per_k)


def _foot(site: Site, path: HotWater) -> str:
    """The lowest sensor of the tank that cold water enters, "" where it has none."""
    row = site.tanks[path.tanks[0]].temperatures
    return row[-1] if row else ""


def _inlet(
    plant: PlantDay, foot: Signal, cold: tuple[str, Sequence[float]], *, kwh_per_k: float
) -> Iterator[PairCheck]:
    """
    The coldest of the water that entered less the coldest at the foot, of two readings in a row, on that day.

    In some draws there is water that stood in a warm room: the coldest is the mains', and that moves little in a day.
    """
    entered_degc = [degc for degc in cold[1] if degc == degc]
    inside = (foot.time_s >= 0) & (foot.time_s < plant.day.seconds)
    time_s, value = foot.time_s[inside], foot.value[inside]
    if not entered_degc or len(value) < _LEAST_READINGS:
        return
    pairs = np.maximum(value[1:], value[:-1])
    at = int(pairs.argmin())
    difference_k = min(entered_degc) - float(pairs[at])
    if difference_k > -_FLUSHED_K:
        yield PairCheck(
            component=PATH,
            first=foot.point.id,
            second=cold[0],
            method="inlet",
            difference_k=difference_k,
            u_k=_INLET_U_K,
            minutes=len(entered_degc) * _LONG_S / 60,
            start_s=float(time_s[at]),
            end_s=float(time_s[at + 1]),
            kwh_per_k=kwh_per_k,
        )


def _of_tank(
    plant: PlantDay, tank: str, columns: Sequence[Sequence[float]], *, least_degc: float
) -> tuple[list[_Told], list[_Told]]:
    """
    Outlet less top, and top less the sensor below it, of the draws of which they are known.

    Args:
        columns: Outlet, top and the sensor below it, and when. [degC], [s]
        least_degc: Colder tops are left out.
    """
    part = _HEATED_LAYERS_U if _is_heated(plant, tank) else _LAYERS_U
    draws, layers = [], []
    for leaving, top, below, at in zip(*columns, strict=True):
        layer = top - below
        # Comparisons with what is not known are false.
        apart_k = part * layer if layer > 0 else 0.0 if layer <= 0 else _BELOW_SETTLED_K
        if top >= least_degc and leaving == leaving:
            draws.append((leaving - top, at, apart_k))
        if top >= least_degc and layer <= _LAYERED_K:
            layers.append((layer, at, apart_k))
    return draws, layers


def _is_heated(plant: PlantDay, tank: str) -> bool:
    """Whether a heater in the tank gave heat that day."""
    heaters = [plant.heaters.get(s.heater) for s in plant.site.stages.values() if s.heater and s.tank == tank]
    return any(each is not None and each.heat.amount >= _HEATED_J for each in heaters)


def _feeding_on_top(site: Site, tank: str) -> list[Stage]:
    return [s for s in site.stages.values() if s.tank == tank and s.loop and s.height[1] >= _FED_ON_TOP]


def _fed_k(plant: PlantDay, stage: Stage) -> float:
    """How far the water above the top sensor may be warmer than it, of what a loop feeds in there."""
    loop, top_degc = plant.loops[stage.loop or ""], plant.tanks[stage.tank or ""].sensors_degc[0]
    warmer_k = (loop.leaving_degc - top_degc)[loop.heat_w > 0]
    return max(_FED_ON_TOP_U_K, _FED_PART * float(np.fmax.reduce(warmer_k, initial=0.0)))


def _late_in_draws(plant: PlantDay, path: HotWater, draws: Sequence[Draw]) -> list[tuple[float, float, float]]:
    """
    An instant late in each draw that is long enough and flows well, between those from and until which it surely flows.

    A meter that sends means does not tell when in its first and last interval the tap was opened and shut. [s]
    """
    meter = plant.site.points[path.flow or path.volume or ""]
    least_s = max(_LONG_S, _METER_INTERVALS * meter.interval_s if meter.sampling == "counter" else 0.0)
    blurred_s = meter.interval_s if meter.sampling == "mean" else 0.0
    lasting = [(draw.start_s, draw.end_s - draw.start_s, draw.volume_m3) for draw in draws]
    return [
        (start_s + blurred_s, start_s + _LATE * length_s, start_s + length_s - blurred_s)
        for start_s, length_s, volume_m3 in lasting
        if length_s >= least_s and volume_m3 >= _FLOWS_M3_S * length_s
    ]


def _named(plant: PlantDay, path: HotWater) -> Mapping[str, float]:
    """The sensors of the path that said something, and how far each may move while it counts as settled. [K]"""
    found = dict.fromkeys((path.hot or "", path.heated or "", path.mixed or ""), _SETTLED_K)
    for tank, outlet in outlets(path):
        found |= dict(zip(plant.site.tanks[tank].temperatures[:2], (_SETTLED_K, _BELOW_SETTLED_K), strict=False))
        found[outlet] = _SETTLED_K
    found.setdefault(path.cold or "", _SETTLED_K)
    signals = plant.signals
    return {point: within for point, within in found.items() if point in signals and len(signals[point].time_s)}


def _settled(plant: PlantDay, points: Mapping[str, float], moments: Array) -> dict[str, list[float]]:
    """
    By sensor, its readings at instants, NaN where there is none of the moment, it moves, or it is not all of the draw.

    Args:
        moments: From when on water flowed, the instant, and until when it flowed. [s], (draws, 3)
    Returns:
        Each of shape (draws,). [degC]
    """
    since_s, at_s, until_s = moments.T
    read, taken_s, interval_s, mean_of_s = [], [], [], []
    for point in points:
        signal = plant.signals[point]
        place = signal.time_s.searchsorted(at_s, "right") - 1
        taken_s.append(signal.time_s.take(place, mode="clip"))
        interval_s.append(signal.point.interval_s)
        mean_of_s.append(signal.point.interval_s if signal.point.sampling == "mean" else 0.0)
        earlier = _EARLIER[signal.point.interval_s < _SETTLED_S]
        read.append(signal.value.take(place - earlier, mode="clip"))
    degc, before = np.array(read).swapaxes(0, 1)
    taken = np.array(taken_s)
    moves = np.abs(degc - before) > np.array([*points.values()])[:, None]
    stale = np.abs(at_s - taken) > _FRESH_INTERVALS * np.array(interval_s)[:, None]
    outside = (taken - np.array(mean_of_s)[:, None] < since_s) | (taken > until_s)
    degc[moves | stale | outside] = nan
    return dict(zip(points, degc.tolist(), strict=True))


def _least_layered(draw: _Told) -> float:
    return draw[0] + draw[2]


def _check(
    pair: tuple[str, str],
    told: list[_Told],
    *,
    method: PairMethod,
    above_k: float = _LEAST_U_K,
    kwh_per_k: float = 0.0,
) -> Iterator[PairCheck]:
    """
    The least layered draw but for one in five; its doubt is how far the least of all differs, and the layers.

    Args:
        above_k: The doubt of a difference that is above nothing.
    """
    if not told:
        return
    ordered = sorted(told, key=_least_layered)
    low_k, low_at_s, apart_k = ordered[len(ordered) // _LOW_OF]
    u_k = above_k if low_k > 0 else _LEAST_U_K
    yield PairCheck(
        component=PATH,
        first=pair[0],
        second=pair[1],
        method=method,
        difference_k=low_k,
        u_k=hypot(u_k, low_k - ordered[0][0], apart_k),
        minutes=len(ordered) * _LONG_S / 60,
        start_s=low_at_s - _SETTLED_S,
        end_s=low_at_s,
        kwh_per_k=kwh_per_k,
    )
