"""
A stratified tank, node by node from top (0) to bottom.

Each node holds a fixed mass of water with specific enthalpy `h`; `e[node, origin]` is the heat in it by where it came
from and `cold` the enthalpy the water had when it entered from the main, so h = cold + sum(e) at all times. Every
function moves heat or water and keeps that sum: energy is conserved to rounding.

References:
    Duffie and Beckman, Solar Engineering of Thermal Processes, ch. 8 (multi-node tank).
"""

import math

import numpy as np
from numba import njit

from ingest.virtual.fluid_fits import enthalpy, temperature

__all__ = ["add_heat", "conduct", "exchange_coil", "flow_down", "flow_up", "lose", "mix_inversions", "take_heat"]


@njit(error_model="numpy")
def flow_up(h, e, cold, share, h_in, e_in, cold_in):  # type: ignore[no-untyped-def]
    """Water enters below and leaves on top; `share` of a node's mass moves, at most 1. The top leaves as it was."""
    last = h.shape[0] - 1
    for i in range(last + 1):
        below_h, below_cold = (h[i + 1], cold[i + 1]) if i < last else (h_in, cold_in)
        h[i] += share * (below_h - h[i])
        cold[i] += share * (below_cold - cold[i])
        for o in range(e.shape[1]):
            below_e = e[i + 1, o] if i < last else e_in[o]
            e[i, o] += share * (below_e - e[i, o])


@njit(error_model="numpy")
def flow_down(h, e, cold, share, added_j_kg, origin):  # type: ignore[no-untyped-def]
    """Water leaves the bottom, gains `added_j_kg` of one origin, and comes back on top."""
    last = h.shape[0] - 1
    top_h, top_cold = h[last] + added_j_kg, cold[last]
    top_e = e[last].copy()
    top_e[origin] += added_j_kg
    for i in range(last, -1, -1):
        above_h, above_cold = (h[i - 1], cold[i - 1]) if i > 0 else (top_h, top_cold)
        h[i] += share * (above_h - h[i])
        cold[i] += share * (above_cold - cold[i])
        for o in range(e.shape[1]):
            above_e = e[i - 1, o] if i > 0 else top_e[o]
            e[i, o] += share * (above_e - e[i, o])


@njit(error_model="numpy")
def add_heat(h, e, i, q_j_kg, origin):  # type: ignore[no-untyped-def]
    """Heat of one origin into node i."""
    h[i] += q_j_kg
    e[i, origin] += q_j_kg


@njit(error_model="numpy")
def take_heat(h, e, i, q_j_kg):  # type: ignore[no-untyped-def]
    """Heat out of node i, from all origins in proportion; beyond what they hold, the room (origin -2) owes it."""
    held = 0.0
    for o in range(e.shape[1]):
        held += max(e[i, o], 0.0)
    rest = 1.0 - q_j_kg / held if held > q_j_kg else 0.0
    for o in range(e.shape[1]):
        if e[i, o] > 0.0:
            e[i, o] *= rest
    h[i] -= q_j_kg
    if held <= q_j_kg:
        e[i, e.shape[1] - 2] -= q_j_kg - held


@njit(error_model="numpy")
def _exchange(h, e, warm, cool, q_j_kg):  # type: ignore[no-untyped-def]
    """Heat from node `warm` to node `cool` of the same mass, with the mix of the warm one."""
    held = 0.0
    for o in range(e.shape[1]):
        held += max(e[warm, o], 0.0)
    room = e.shape[1] - 2
    for o in range(e.shape[1]):
        part = 0.0
        if held > q_j_kg:
            part = q_j_kg * max(e[warm, o], 0.0) / held
        elif o == room:
            part = q_j_kg
        e[warm, o] -= part
        e[cool, o] += part
    h[warm] -= q_j_kg
    h[cool] += q_j_kg


@njit(error_model="numpy")
def conduct(h, e, degc, w_k, seconds_per_kg):  # type: ignore[no-untyped-def]
    """Conduction through water and wall between neighbours."""
    for i in range(h.shape[0] - 1):
        q_j_kg = w_k * (degc[i] - degc[i + 1]) * seconds_per_kg
        if q_j_kg >= 0.0:
            _exchange(h, e, i, i + 1, q_j_kg)
        else:
            _exchange(h, e, i + 1, i, -q_j_kg)


@njit(error_model="numpy")
def lose(h, e, degc, ua_w_k, room_degc, seconds, node_kg):  # type: ignore[no-untyped-def]
    """Heat to the room, UA shared evenly over the nodes. Returns the heat lost. [J]"""
    nodes = h.shape[0]
    total_j = 0.0
    for i in range(nodes):
        q_j = ua_w_k / nodes * (degc[i] - room_degc) * seconds
        total_j += q_j
        if q_j >= 0.0:
            take_heat(h, e, i, q_j / node_kg)
        else:
            add_heat(h, e, i, -q_j / node_kg, e.shape[1] - 2)
    return total_j


@njit(error_model="numpy")
def _average(h, e, cold, top, bottom):  # type: ignore[no-untyped-def]
    n = bottom - top + 1
    mean_h, mean_cold = 0.0, 0.0
    for i in range(top, bottom + 1):
        mean_h += h[i] / n
        mean_cold += cold[i] / n
    for o in range(e.shape[1]):
        mean_e = 0.0
        for i in range(top, bottom + 1):
            mean_e += e[i, o] / n
        for i in range(top, bottom + 1):
            e[i, o] = mean_e
    for i in range(top, bottom + 1):
        h[i], cold[i] = mean_h, mean_cold


@njit(error_model="numpy")
def mix_inversions(h, e, cold):  # type: ignore[no-untyped-def]
    """Warmer water below cooler water rises and mixes, until the tank is stable."""
    i = 0
    while i < h.shape[0] - 1:
        if h[i + 1] > h[i] + 1e-6:
            top, bottom = i, i + 1
            _average(h, e, cold, top, bottom)
            while (top > 0 and h[top] > h[top - 1] + 1e-6) or (
                bottom < h.shape[0] - 1 and h[bottom + 1] > h[top] + 1e-6
            ):
                if top > 0 and h[top] > h[top - 1] + 1e-6:
                    top -= 1
                else:
                    bottom += 1
                _average(h, e, cold, top, bottom)
            i = bottom
        else:
            i += 1


@njit(error_model="numpy")
def _pick_up(h, e, i, q_j_kg, picked):  # type: ignore[no-untyped-def]
    """A coil's fluid takes heat out of node i: its own origins, noted in `picked`."""
    for o in range(e.shape[1]):
        picked[o] += e[i, o]
    take_heat(h, e, i, q_j_kg)
    for o in range(e.shape[1]):
        picked[o] -= e[i, o]


@njit(error_model="numpy")
def _give(h, e, i, q_j_kg, picked, origin):  # type: ignore[no-untyped-def]
    """A coil's fluid gives heat to node i: first what it picked up above, then its stage's own."""
    held = 0.0
    for o in range(e.shape[1]):
        held += picked[o]
    part = 1.0 if q_j_kg >= held else q_j_kg / held
    for o in range(e.shape[1]):
        e[i, o] += part * picked[o]
        picked[o] -= part * picked[o]
    h[i] += q_j_kg
    e[i, origin] += q_j_kg - part * held


@njit(error_model="numpy")
def exchange_coil(h, e, degc, coil, kg_s, fluid, entering_degc):  # type: ignore[no-untyped-def]
    """
    A coil gives heat to the nodes it passes, top first.

    Where a node is warmer than the fluid, the fluid takes heat from it and gives that on to cooler nodes below, as what
    it was: only what the fluid brought is the stage's.

    Args:
        coil: (first node, last node, UA of the whole coil [W/K], origin, seconds, kg of a node).
        entering_degc: Of the fluid where it enters the coil.
    Returns:
        Temperature of the fluid where it leaves the coil. [degC]
    """
    first, last, ua_w_k, origin, seconds, node_kg = coil
    h_fluid = enthalpy(fluid, entering_degc)
    capacity_w_k = kg_s * (enthalpy(fluid, entering_degc + 0.5) - enthalpy(fluid, entering_degc - 0.5))
    effectiveness = 1.0 - math.exp(-ua_w_k / (last - first + 1) / capacity_w_k)
    fluid_degc = entering_degc
    picked = np.zeros(e.shape[1])
    for i in range(first, last + 1):
        heat_w = effectiveness * capacity_w_k * (fluid_degc - degc[i])
        fluid_degc -= heat_w / capacity_w_k
        h_fluid -= heat_w / kg_s
        if heat_w >= 0.0:
            _give(h, e, i, heat_w * seconds / node_kg, picked, origin)
        else:
            _pick_up(h, e, i, -heat_w * seconds / node_kg, picked)
    return temperature(fluid, h_fluid)
