"""The heat pump on its map, its ground loop, its desuperheater, and the house or tank that it serves."""

import math

from numba import njit

from ingest.virtual.fluid_fits import density, enthalpy, temperature
from ingest.virtual.layout import CH, FX, TALLY
from ingest.virtual.tank import exchange_coil, flow_down

__all__ = ["control_heat_pump", "rest_ground", "run_heat_pump", "warm_house"]

_SHORTEST_REST_S = 300.0
_OVERRUN_S = 60.0


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def control_heat_pump(b, p, s, dt):  # type: ignore[no-untyped-def]
    """Room thermostat or tank thermostat, with the compressor's shortest rest. mode: 1 heating, -1 cooling, 0 off."""
    wanted = _wanted_by_house(p, s) if p.duty == 1.0 else _wanted_by_tank(b, p, s)
    if b.fx[FX.short_cycle] > 0.0 and s.mode != 0.0 and s.run_s > 150.0:
        wanted = 0.0
    if b.fx[FX.heat_pump_off] > 0.0:
        wanted = 0.0
    if s.mode == 0.0 and wanted != 0.0 and s.rest_s >= _SHORTEST_REST_S:
        s.mode, s.run_s = wanted, 0.0
        b.tally[TALLY.starts] += 1.0
        if wanted > 0.0:
            b.tally[TALLY.heating_starts] += 1.0
    elif s.mode != 0.0 and wanted != s.mode:
        s.mode, s.rest_s, s.load_overrun_s = 0.0, 0.0, _OVERRUN_S
    if s.mode == 0.0:
        s.rest_s += dt
    else:
        s.run_s += dt
    _control_desuperheater(b, p, s)


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _wanted_by_house(p, s):  # type: ignore[no-untyped-def]
    if s.house_degc < p.heat_below_degc or (s.mode > 0.0 and s.house_degc < p.heat_until_degc):
        return 1.0
    if s.house_degc > p.cool_above_degc or (s.mode < 0.0 and s.house_degc > p.cool_until_degc):
        return -1.0
    return 0.0


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _wanted_by_tank(b, p, s):  # type: ignore[no-untyped-def]
    tank_degc = b.degc[int(p.load_tank), int(p.load_first_node) + 1]
    if tank_degc < p.load_set_degc - p.load_hysteresis_k or (s.mode > 0.0 and tank_degc < p.load_set_degc):
        return 1.0
    return 0.0


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _control_desuperheater(b, p, s):  # type: ignore[no-untyped-def]
    bottom = b.degc[int(p.dsh_tank), -1]
    limit = p.dsh_limit_degc if s.dsh_on > 0.0 else p.dsh_limit_degc - 4.0
    s.dsh_on = 1.0 if p.has_dsh > 0.0 and s.mode != 0.0 and s.run_s > 60.0 and bottom < limit else 0.0


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _map(b, p, s, entering, leaving):  # type: ignore[no-untyped-def]
    """Steady capacity and compressor power at these temperatures. [W]"""
    if s.mode > 0.0:
        capacity = p.heating_capacity_w * (
            1.0 + p.heating_capacity_per_entering * entering + p.heating_capacity_per_leaving * (leaving - 35.0)
        )
        power = p.heating_power_w * (
            1.0 + p.heating_power_per_entering * entering + p.heating_power_per_leaving * (leaving - 35.0)
        )
    else:
        capacity = p.cooling_capacity_w * (1.0 + p.cooling_capacity_per_entering * (entering - 25.0))
        power = p.cooling_power_w * (1.0 + p.cooling_power_per_entering * (entering - 25.0))
    return capacity * b.fx[FX.heat_pump_capacity], power * b.fx[FX.heat_pump_elec]


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def run_heat_pump(b, p, s, outdoor_degc, dt):  # type: ignore[no-untyped-def]
    """One short step: compressor, source, desuperheater, load. The balance source + power = heat holds at all times."""
    spot = b.spot
    power_w, source_w, useful_w = 0.0, 0.0, 0.0
    if s.mode != 0.0:
        leaving = s.load_degc if p.duty == 2.0 else min(45.0, max(28.0, 38.0 - 0.5 * outdoor_degc))
        capacity, power = _map(b, p, s, s.loop_degc, leaving)
        ramp = 1.0 - math.exp(-s.run_s / p.start_up_s)
        power_w = power * (1.0 - 0.25 * math.exp(-s.run_s / 25.0))
        source_w = (capacity - power) * ramp if s.mode > 0.0 else -(capacity * ramp + power_w)
        useful_w = source_w + power_w if s.mode > 0.0 else capacity * ramp
    spot[CH.heat_pump_w] = power_w
    dsh_w = _run_desuperheater(b, p, s, abs(source_w + power_w) if s.mode > 0.0 else -source_w, dt)
    if s.mode < 0.0:
        source_w += dsh_w  # what goes to the tank is not rejected to the ground
    _run_source(b, p, s, source_w, dt)
    if p.duty == 2.0:
        useful_w = _run_load(b, p, s, useful_w, dt)
    _tally_heat_pump(b, s, power_w, source_w, useful_w, dsh_w, dt)
    if p.duty == 1.0:
        to_house_w = useful_w - dsh_w if s.mode > 0.0 else -useful_w
        s.house_degc += to_house_w * dt / p.house_j_k


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _tally_heat_pump(b, s, power_w, source_w, useful_w, dsh_w, dt):  # type: ignore[no-untyped-def]
    tally = b.tally
    tally[TALLY.heat_pump_elec_j] += power_w * dt
    b.spot[CH.heat_pump_j] += power_w * dt
    tally[TALLY.source_j] += source_w * dt
    if s.mode < 0.0:
        tally[TALLY.cooling_j] += useful_w * dt
        tally[TALLY.cooling_elec_j] += power_w * dt
        tally[TALLY.cooling_s] += dt
    else:
        tally[TALLY.heating_j] += useful_w * dt
        tally[TALLY.heating_elec_j] += power_w * dt
        tally[TALLY.dsh_in_heating_j] += dsh_w * dt
        tally[TALLY.heating_s] += dt if s.mode > 0.0 else 0.0


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _run_desuperheater(b, p, s, condenser_w, dt):  # type: ignore[no-untyped-def]
    """Tank water from the bottom, warmed by the hot gas, back on top. Returns its heat. [W]"""
    spot = b.spot
    flow_m3_s = s.dsh_on * p.dsh_flow_m3_s * b.fx[FX.dsh_flow]
    spot[CH.dsh_called], spot[CH.dsh_m3_s] = s.dsh_on, flow_m3_s
    spot[CH.dsh_pump_w] = s.dsh_on * p.dsh_pump_w * b.fx[FX.dsh_pump_elec]
    if flow_m3_s <= 0.0:
        spot[CH.dsh_in_degc] += (p.room_degc - spot[CH.dsh_in_degc]) * dt / 1500.0
        spot[CH.dsh_out_degc] += (p.room_degc - spot[CH.dsh_out_degc]) * dt / 1500.0
        return 0.0
    tank = int(p.dsh_tank)
    h_in = b.h[tank, -1]
    entering = temperature(b.water, h_in)
    kg_s = flow_m3_s * density(b.water, entering)
    eagerness = min(1.15, max(0.0, (p.dsh_gas_degc - entering) / (p.dsh_gas_degc - 30.0)))
    heat_w = p.dsh_share * condenser_w * eagerness
    spot[CH.dsh_in_degc], spot[CH.dsh_out_degc] = entering, temperature(b.water, h_in + heat_w / kg_s)
    flow_down(
        b.h[tank],
        b.e[tank],
        b.cold[tank],
        kg_s * dt / b.node_kg[tank],
        heat_w / kg_s,
        int(p.dsh_origin),
    )
    b.tally[TALLY.dsh_heat_j] += heat_w * dt
    spot[CH.dsh_j] += heat_w * dt
    return heat_w


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _run_source(b, p, s, source_w, dt):  # type: ignore[no-untyped-def]
    """Loop fluid through the heat pump and the ground; `source_w` positive when heat leaves the ground."""
    spot = b.spot
    running = 1.0 if s.mode != 0.0 else 0.0
    flow_m3_s = running * p.source_flow_m3_s * b.fx[FX.source_flow]
    spot[CH.source_called], spot[CH.source_m3_s], spot[CH.source_pump_w] = running, flow_m3_s, running * p.source_pump_w
    if running > 0.0:
        kg_s = flow_m3_s * density(b.source_fluid, s.loop_degc)
        spot[CH.source_in_degc] = s.loop_degc
        spot[CH.source_out_degc] = temperature(b.source_fluid, enthalpy(b.source_fluid, s.loop_degc) - source_w / kg_s)
        spot[CH.source_j] += abs(source_w) * dt
    else:
        spot[CH.source_in_degc] += (p.room_degc - spot[CH.source_in_degc]) * dt / 3600.0
        spot[CH.source_out_degc] += (p.room_degc - spot[CH.source_out_degc]) * dt / 3600.0
    contact_w_k = p.ground_contact_w_k * b.fx[FX.ground_contact] * (1.0 if running > 0.0 else 0.3)
    from_soil_w = contact_w_k * (s.soil_degc - s.loop_degc)
    s.loop_degc += (from_soil_w - source_w) * dt / p.loop_content_j_k
    s.soil_degc -= from_soil_w * dt / p.soil_j_k


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def rest_ground(b, p, s, ground_degc, dt):  # type: ignore[no-untyped-def]
    """The soil around the pipes recovers toward undisturbed ground."""
    s.soil_degc += p.soil_w_k * b.fx[FX.ground_contact] * (ground_degc - s.soil_degc) * dt / p.soil_j_k


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _run_load(b, p, s, condenser_w, dt):  # type: ignore[no-untyped-def]
    """Condenser water through the coil in the tank, metered at the heat pump. Returns the metered heat. [W]"""
    spot = b.spot
    called = 1.0 if s.mode > 0.0 or s.load_overrun_s > 0.0 else 0.0
    s.load_overrun_s = max(0.0, s.load_overrun_s - dt)
    flow_m3_s = called * p.load_flow_m3_s * b.fx[FX.load_flow]
    spot[CH.load_called], spot[CH.load_m3_s] = called, flow_m3_s
    spot[CH.load_pump_w] = called * p.load_pump_w * b.fx[FX.load_pump_elec]
    metered_w = 0.0
    if flow_m3_s > 0.0:
        tank = int(p.load_tank)
        kg_s = flow_m3_s * density(b.load_fluid, spot[CH.load_in_degc])
        coil = (
            int(p.load_first_node),
            int(p.load_last_node),
            p.load_coil_w_k,
            int(p.load_origin),
            dt,
            b.node_kg[tank],
        )
        back = exchange_coil(b.h[tank], b.e[tank], b.degc[tank], coil, kg_s, b.load_fluid, s.load_degc)
        metered_w = kg_s * (enthalpy(b.load_fluid, s.load_degc) - enthalpy(b.load_fluid, back))
        spot[CH.load_in_degc], spot[CH.load_out_degc] = back, s.load_degc
        _meter_load(b, metered_w, dt)
    else:
        spot[CH.load_in_degc] += (p.room_degc - spot[CH.load_in_degc]) * dt / 2400.0
        spot[CH.load_out_degc] += (p.room_degc - spot[CH.load_out_degc]) * dt / 2400.0
    s.load_degc += (condenser_w - metered_w) * dt / 3.0e4
    return metered_w


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _meter_load(b, heat_w, dt):  # type: ignore[no-untyped-def]
    if heat_w >= 0.0:
        b.tally[TALLY.load_heat_j] += heat_w * dt
        b.spot[CH.load_j] += heat_w * dt
    else:
        b.tally[TALLY.load_reverse_j] -= heat_w * dt


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def warm_house(p, s, outdoor_degc, irradiance_w_m2, dt):  # type: ignore[no-untyped-def]
    """The house gains from people and sun and loses to the air."""
    gain_w = p.house_gain_w + p.house_sun_m2 * irradiance_w_m2 - p.house_w_k * (s.house_degc - outdoor_degc)
    s.house_degc += gain_w * dt / p.house_j_k
