"""
The compiled plant: many recorded steps of one house in one call.

It changes the state it is given, for speed; `ingest.virtual.house` owns that state and nobody else calls this.
"""

import zlib
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numba import from_dtype, njit, types
from numpy.typing import NDArray

from ingest.virtual.boiler import control_boiler, run_boiler
from ingest.virtual.fluid_fits import water_temperature
from ingest.virtual.heat_pump import control_heat_pump, rest_ground, run_heat_pump, warm_house
from ingest.virtual.layout import CH, FX, NODES, STEP_S, TALLY
from ingest.virtual.plant_state import plant_type
from ingest.virtual.sun_loop import control_sun, run_sun
from ingest.virtual.tank import add_heat, conduct, lose, mix_inversions
from ingest.virtual.taps import open_tap, rest_spots, run_draw

__all__ = ["Inputs", "compiled_kernel"]


class Inputs(NamedTuple):
    """A day's surroundings, one row per recorded step, and its draws in order of time."""

    outdoor_degc: NDArray[np.float64]
    irradiance_w_m2: NDArray[np.float64]
    absorbed_w_m2: NDArray[np.float64]
    main_degc: float
    ground_degc: float
    draws: NDArray[np.float64]  # (draws, 5): see taps.open_tap


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _measure_tanks(b, p):  # type: ignore[no-untyped-def]
    for k in range(int(p.n_tanks)):
        for i in range(b.degc.shape[1]):
            b.degc[k, i] = water_temperature(b.water, b.h[k, i])


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _control(b, p, s):  # type: ignore[no-untyped-def]
    if p.has_sun > 0.0:
        control_sun(b, p, s)
    if p.duty > 0.0:
        control_heat_pump(b, p, s, STEP_S)
    if p.has_boiler > 0.0:
        control_boiler(b, p, s, STEP_S)
    if p.has_element > 0.0:
        _control_element(b, p, s)


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _control_element(b, p, s):  # type: ignore[no-untyped-def]
    """Thermostat with hysteresis; a contactor stuck on is stopped by the cut-out alone."""
    degc = b.degc[int(p.element_tank), int(p.element_node)]
    off = b.fx[FX.backup_set_degc] if b.fx[FX.backup_set_degc] > 0.0 else p.element_set_degc
    if b.fx[FX.element_stuck_on] > 0.0:
        degc, off = b.degc[int(p.element_tank), 0], p.element_cut_out_degc
    limit = off if s.element_on > 0.0 else off - p.element_hysteresis_k
    s.element_on = 1.0 if degc < limit else 0.0


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _run_element(b, p, s):  # type: ignore[no-untyped-def]
    power_w = s.element_on * p.element_w * b.fx[FX.element_power]
    b.spot[CH.element_called], b.spot[CH.element_w] = s.element_on, power_w
    if power_w > 0.0:
        k = int(p.element_tank)
        q_j = power_w * STEP_S
        add_heat(b.h[k], b.e[k], int(p.element_node), q_j / b.node_kg[k], int(p.element_origin))
        b.tally[TALLY.element_heat_j] += q_j
        b.tally[TALLY.element_elec_j] += q_j
        b.spot[CH.element_j] += q_j


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _settle_tanks(b, p, i):  # type: ignore[no-untyped-def]
    """What goes on in the tanks without pumps; the slow part every third step."""
    h, e, cold = b.h, b.e, b.cold
    seconds = 3.0 * STEP_S
    for k in range(int(p.n_tanks)):
        mix_inversions(h[k], e[k], cold[k])
        if i % 3 != 2:
            continue
        ua = (p.tank_0_ua_w_k if k == 0 else p.tank_1_ua_w_k) * b.fx[FX.tank_ua]
        conduct(h[k], e[k], b.degc[k], p.tank_conduction_w_k, seconds / b.node_kg[k])
        b.tally[TALLY.loss_0_j + k] += lose(h[k], e[k], b.degc[k], ua, p.room_degc, seconds, b.node_kg[k])


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _short_steps(b, p, s, start_s, draws, next_draw):  # type: ignore[no-untyped-def]
    """Short enough for what moves: 10 s at rest, 5 s with a pump, 2 s with a draw."""
    drawing = s.draw_kind > 0.0 or b.fx[FX.leak] > 0.0
    if drawing or (next_draw < draws.shape[0] and draws[next_draw, 0] < start_s + STEP_S):
        return 5
    pumping = s.sun_on + abs(s.mode) + s.boiler_overrun_s + s.load_overrun_s + b.fx[FX.night_flow]
    return 2 if pumping > 0.0 or b.collector[-1] > 90.0 else 1


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _move(b, p, s, now, dt):  # type: ignore[no-untyped-def]
    """One short step of all that moves. now: (outdoor degC, absorbed W/m2, main degC)."""
    if p.has_sun > 0.0:
        run_sun(b, p, s, now[1], now[0], dt)
    if p.duty > 0.0:
        run_heat_pump(b, p, s, now[0], dt)
    if p.has_boiler > 0.0:
        run_boiler(b, p, s, dt)
    if s.draw_kind > 0.0 or b.fx[FX.leak] > 0.0:
        run_draw(b, p, s, now[2], dt)
    elif b.spot[CH.draw_m3_s] > 0.0:
        b.spot[CH.draw_m3_s], b.spot[CH.mixed_m3_s], b.spot[CH.passing_w] = 0.0, 0.0, 0.0


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _step(b, p, s, i, inputs, next_draw, mean):  # type: ignore[no-untyped-def]
    """One recorded step. `mean` receives the channels' means over it. Returns the next draw's index."""
    start_s = i * STEP_S
    _control(b, p, s)
    spot = b.spot
    spot[CH.outdoor_degc], spot[CH.irradiance_w_m2] = inputs.outdoor_degc[i], inputs.irradiance_w_m2[i]
    if p.has_element > 0.0:
        _run_element(b, p, s)
    now = (inputs.outdoor_degc[i], inputs.absorbed_w_m2[i], inputs.main_degc)
    n = _short_steps(b, p, s, start_s, inputs.draws, next_draw)
    dt = STEP_S / n
    mean[:] = 0.0
    for k in range(n):
        waiting = next_draw < inputs.draws.shape[0] and inputs.draws[next_draw, 0] < start_s + (k + 1) * dt
        if s.draw_kind == 0.0 and waiting:
            if b.fx[FX.nobody_home] == 0.0:
                open_tap(s, inputs.draws[next_draw])
            next_draw += 1
        _move(b, p, s, now, dt)
        for c in range(spot.shape[0]):
            mean[c] += spot[c] / n
    rest_spots(b, p, s, STEP_S)
    _settle_tanks(b, p, i)
    if p.duty > 0.0:
        rest_ground(b, p, s, inputs.ground_degc, STEP_S)
        warm_house(p, s, inputs.outdoor_degc[i], inputs.irradiance_w_m2[i], STEP_S)
        spot[CH.house_degc] = s.house_degc
    _add_pumps(b, mean)
    return next_draw


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _add_pumps(b, mean):  # type: ignore[no-untyped-def]
    for c in range(CH.sun_pump_w, CH.boiler_pump_w + 1):
        b.tally[TALLY.pumps_elec_j] += mean[c] * STEP_S


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _run_steps(plant, numbers, inputs, first, end, next_draw, now, mean, nodes):  # type: ignore[no-untyped-def]
    b, p = plant[0], numbers[0]
    s = b
    _measure_tanks(b, p)
    for i in range(first, end):
        next_draw = _step(b, p, s, i, inputs, next_draw, mean[i])
        now[i] = b.spot
        _measure_tanks(b, p)
        nodes[i] = b.degc
    return next_draw


def _sources() -> int:
    """A number that changes with any source file of the plant."""
    texts = (path.read_bytes() for path in sorted(Path(__file__).parent.glob("*.py")))
    return zlib.crc32(b"".join(texts))


@lru_cache
def _record_type(nodes: int) -> types.Record:
    """What numba calls a plant's row; kept, since it forgets types that nobody holds, and their order."""
    return from_dtype(plant_type(nodes))


@lru_cache
def compiled_kernel(nodes: int) -> Callable[..., int]:
    """
    The plant of so many nodes a tank, compiled once for each change of its sources and kept on disk by numba.

    numba looks at one file only when it asks whether its copy is fresh. The number of all sources is therefore held
    in the function's closure, which is part of the copy's key: an edit anywhere in the plant compiles it anew.

    numba names what it links by the order in which a process met the types of its records, and takes a copy's inner
    functions for its own where their names are alike. So the usual number of nodes comes first in every process, and
    copies of no other one are kept.

    Returns:
        run_steps(plant, numbers, inputs, first, end, next_draw, now, mean, nodes): recorded steps `first` to `end` of a
        day. It changes the plant; `next_draw` the first draw not yet begun, of which it
        returns the new one; `now` and `mean` receive the channels at the end of each step and their means over it
        (steps, channels), `nodes` the tanks' temperatures (steps, tanks, nodes).
    """
    sources = _sources()
    for count in (NODES, nodes):
        _record_type(count)

    def run_steps(plant, numbers, inputs, first, end, next_draw, now, mean, nodes):  # type: ignore[no-untyped-def]
        if sources < 0:
            return -1
        return _run_steps(plant, numbers, inputs, first, end, next_draw, now, mean, nodes)

    compiled: Callable[..., int] = njit(cache=nodes == NODES, error_model="numpy")(run_steps)
    return compiled
