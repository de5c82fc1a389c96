"""The solar loop: collector, differential controller, circulator and the coil in the tank."""

from numba import njit

from ingest.virtual.fluid_fits import density, enthalpy
from ingest.virtual.layout import CH, FX, TALLY
from ingest.virtual.tank import exchange_coil

__all__ = ["collector_output", "control_sun", "run_sun"]

_TOO_HOT_TO_START_DEGC = 125.0  # above it the controller waits: steam in the collector


@njit(error_model="numpy")
def collector_output(absorbed_w_m2, above_air_k, eta0, a1, a2):  # type: ignore[no-untyped-def]
    """Steady output of a collector per area, after ISO 9806. [W/m2]"""
    return eta0 * absorbed_w_m2 - a1 * above_air_k - a2 * above_air_k * abs(above_air_k)


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def control_sun(b, p, s):  # type: ignore[no-untyped-def]
    """Differential controller with the tank's high limit. The relay may be stuck, closed (1) or open (-1)."""
    hottest = b.collector[-1]
    tank_degc = b.degc[int(p.sun_tank), int(p.sun_last_node)]
    limit = b.degc[int(p.sun_tank), 0]
    lift_k = hottest - tank_degc
    if s.sun_on > 0.0:
        s.sun_on = 1.0 if lift_k > p.sun_off_k and limit < p.sun_tank_limit_degc else 0.0
    elif lift_k > p.sun_on_k and limit < p.sun_tank_limit_degc - 3.0 and hottest < _TOO_HOT_TO_START_DEGC:
        s.sun_on = 1.0
    if b.fx[FX.sun_relay_stuck] != 0.0:
        s.sun_on = 1.0 if b.fx[FX.sun_relay_stuck] > 0.0 else 0.0


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _sun_flow(b, p, s):  # type: ignore[no-untyped-def]
    """Volume flow now: by the pump, or by gravity through a leaking check valve. [m3/s]"""
    if s.sun_on > 0.0:
        return p.sun_flow_m3_s * b.fx[FX.sun_flow]
    tank_degc = b.degc[int(p.sun_tank), int(p.sun_first_node)]
    if tank_degc > b.collector[-1] + 5.0:
        return b.fx[FX.night_flow]
    return 0.0


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def run_sun(b, p, s, absorbed_w_m2, outdoor_degc, dt):  # type: ignore[no-untyped-def]
    """One short step of the collector and its loop."""
    spot = b.spot
    flow_m3_s = _sun_flow(b, p, s)
    spot[CH.sun_m3_s] = flow_m3_s
    spot[CH.sun_called] = s.sun_on
    spot[CH.sun_pump_w] = s.sun_on * p.sun_pump_w * b.fx[FX.sun_pump_elec]
    leaving = b.collector[-1]
    entering = leaving
    kg_s = 0.0
    if flow_m3_s > 0.0:
        tank = int(p.sun_tank)
        node_kg = b.node_kg[tank]
        guess = spot[CH.sun_in_degc]
        kg_s = flow_m3_s * density(b.sun_fluid, guess)
        coil = (int(p.sun_first_node), int(p.sun_last_node), p.sun_coil_w_k, int(p.sun_origin), dt, node_kg)
        entering = exchange_coil(b.h[tank], b.e[tank], b.degc[tank], coil, kg_s, b.sun_fluid, leaving)
        spot[CH.sun_in_degc] = entering
        _meter_sun(b, kg_s * (enthalpy(b.sun_fluid, leaving) - enthalpy(b.sun_fluid, entering)), dt)
    else:
        spot[CH.sun_in_degc] += (p.room_degc - spot[CH.sun_in_degc]) * dt / 2400.0
    spot[CH.sun_out_degc] = leaving
    _warm_collector(b, p, kg_s, entering, absorbed_w_m2, outdoor_degc, dt)


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _meter_sun(b, heat_w, dt):  # type: ignore[no-untyped-def]
    if heat_w >= 0.0:
        b.tally[TALLY.sun_heat_j] += heat_w * dt
        b.spot[CH.sun_j] += heat_w * dt
    else:
        b.tally[TALLY.sun_reverse_j] -= heat_w * dt


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _warm_collector(b, p, kg_s, entering, absorbed_w_m2, outdoor_degc, dt):  # type: ignore[no-untyped-def]
    """Each node gains what it absorbs and what the fluid brings. Losses at the node's own mean fluid temperature."""
    nodes = b.collector.shape[0]
    node_m2 = p.area_m2 / nodes
    before = entering
    for n in range(nodes):
        here = b.collector[n]
        mean = 0.5 * (before + here) if kg_s > 0.0 else here
        gain_w = node_m2 * collector_output(absorbed_w_m2, mean - outdoor_degc, p.eta0, p.a1, p.a2)
        if kg_s > 0.0:
            gain_w += kg_s * (enthalpy(b.sun_fluid, before) - enthalpy(b.sun_fluid, here))
        b.collector[n] = here + gain_w * dt / (p.collector_j_m2k * node_m2)
        before = here
