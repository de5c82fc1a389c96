"""Draws: from the main through the tanks, the heater in passing and the mixing valve to the tap."""

from numba import njit

from ingest.virtual.fluid_fits import density, enthalpy, temperature
from ingest.virtual.layout import CH, FX, TALLY
from ingest.virtual.tank import flow_up

__all__ = ["BY_ENERGY", "BY_VOLUME", "open_tap", "rest_spots", "run_draw"]

BY_ENERGY, BY_VOLUME = 1.0, 2.0
_LONGEST_DRAW_S = 1800.0
_FAILED_COLD_DEGC = 31.0  # a valve jammed toward cold still passes some hot water


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def open_tap(s, event):  # type: ignore[no-untyped-def]
    """Begin a draw: (start s, kind, J or kg wanted, kg/s at the tap, use temperature degC)."""
    s.draw_kind, s.draw_left, s.draw_flow_kg_s, s.draw_use_degc = event[1], event[2], event[3], event[4]
    s.draw_left_s = _LONGEST_DRAW_S


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def run_draw(b, p, s, main_degc, dt):  # type: ignore[no-untyped-def]
    """One short step of a draw. The last step of a draw is shortened in flow so that it takes just what was wanted."""
    last = int(p.n_tanks) - 1
    h_cold, h_hot = enthalpy(b.water, s.cold_degc), b.h[last, 0]
    wanted = s.draw_flow_kg_s if s.draw_kind > 0.0 else 0.0
    h_use = enthalpy(b.water, s.draw_use_degc) if s.draw_kind == BY_VOLUME else 1e9
    leak = b.fx[FX.leak]
    h_heated, passing_w, h_mixed, tap_kg_s, tank_kg_s = h_hot, 0.0, h_hot, 0.0, 0.0
    scale = 1.0
    for attempt in range(3):  # the flow, the heater in passing and the valve depend on each other
        passing_w = _passing_power(b, p, h_hot, tank_kg_s) if attempt > 0 else 0.0
        h_heated = h_hot + (passing_w / tank_kg_s if tank_kg_s > 0.0 else 0.0)
        h_mixed, valve_share = _mix(b, p, h_heated, h_cold)
        use_share = min(1.0, (h_use - h_cold) / max(1.0, h_mixed - h_cold)) if s.draw_kind == BY_VOLUME else 1.0
        per_s = wanted if s.draw_kind == BY_VOLUME else wanted * (h_mixed - h_cold)
        scale = min(1.0, s.draw_left / (per_s * dt)) if per_s * dt > 0.0 else 1.0
        tap_kg_s = wanted * scale * max(0.0, use_share) + leak
        tank_kg_s = tap_kg_s * valve_share
    if s.draw_kind > 0.0:
        s.draw_left -= scale * (wanted if s.draw_kind == BY_VOLUME else wanted * (h_mixed - h_cold)) * dt
        s.draw_left_s -= dt
        if s.draw_left <= 1e-9 or s.draw_left_s <= 0.0:
            s.draw_kind = 0.0
    if tank_kg_s > 0.0:
        passing_w = min(passing_w, tank_kg_s * (h_heated - h_hot))
        _deliver(b, p, s, (h_cold, h_hot, h_heated, h_mixed), (tank_kg_s, tap_kg_s, passing_w), dt)
        s.cold_degc += (main_degc - s.cold_degc) * min(1.0, tank_kg_s * dt / p.cold_pipe_kg)
    else:
        _no_flow(b)


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _passing_power(b, p, h_hot, tank_kg_s):  # type: ignore[no-untyped-def]
    if p.has_passing <= 0.0 or tank_kg_s <= 0.0:
        return 0.0
    wanted_w = tank_kg_s * (enthalpy(b.water, p.passing_set_degc) - h_hot)
    return min(max(0.0, wanted_w), p.passing_w * b.fx[FX.element_power])


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _mix(b, p, h_heated, h_cold):  # type: ignore[no-untyped-def]
    """Enthalpy after the mixing valve and the share of its water that comes from the tanks."""
    set_degc = _FAILED_COLD_DEGC if b.fx[FX.mixing_cold] > 0.0 else p.mixed_set_degc
    h_set = enthalpy(b.water, set_degc)
    if p.has_mixing <= 0.0 or b.fx[FX.mixing_hot] > 0.0 or h_heated <= h_set or h_heated - h_cold < 1.0:
        return h_heated, 1.0
    return h_set, (h_set - h_cold) / (h_heated - h_cold)


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _deliver(b, p, s, enthalpies, flows, dt):  # type: ignore[no-untyped-def]
    """Water moves through the tanks; heat arrives at the tap by origin, relative to the cold water of now."""
    h_cold, h_hot, h_heated, h_mixed = enthalpies
    tank_kg_s, tap_kg_s, passing_w = flows
    last = int(p.n_tanks) - 1
    kg = tank_kg_s * dt
    spot, tally = b.spot, b.tally
    origins = b.delivered.shape[0]
    for o in range(origins):
        b.delivered[o] += kg * b.e[last, 0, o]
    b.delivered[origins - 2] += kg * (b.cold[last, 0] - h_cold)
    if p.has_passing > 0.0:
        b.delivered[int(p.passing_origin)] += passing_w * dt
        tally[TALLY.passing_heat_j] += passing_w * dt
        tally[TALLY.passing_elec_j] += passing_w * dt
        spot[CH.passing_j] += passing_w * dt
    tally[TALLY.hot_water_j] += kg * (h_heated - h_cold)
    spot[CH.draw_m3_s] = tank_kg_s / density(b.water, s.cold_degc)
    tally[TALLY.draw_m3] += spot[CH.draw_m3_s] * dt
    spot[CH.draw_m3] += spot[CH.draw_m3_s] * dt
    spot[CH.cold_degc], spot[CH.hot_degc] = s.cold_degc, temperature(b.water, h_hot)
    spot[CH.heated_degc], spot[CH.mixed_degc] = temperature(b.water, h_heated), temperature(b.water, h_mixed)
    spot[CH.mixed_m3_s] = tap_kg_s / density(b.water, spot[CH.mixed_degc])
    tally[TALLY.mixed_m3] += spot[CH.mixed_m3_s] * dt
    spot[CH.mixed_m3] += spot[CH.mixed_m3_s] * dt
    spot[CH.passing_w] = passing_w
    if last == 1:
        spot[CH.between_degc] = temperature(b.water, b.h[0, 0])
        flow_up(b.h[1], b.e[1], b.cold[1], kg / b.node_kg[1], b.h[0, 0], b.e[0, 0], b.cold[0, 0])
    flow_up(b.h[0], b.e[0], b.cold[0], kg / b.node_kg[0], h_cold, b.nothing, h_cold)


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _no_flow(b):  # type: ignore[no-untyped-def]
    b.spot[CH.draw_m3_s] = 0.0
    b.spot[CH.mixed_m3_s] = 0.0
    b.spot[CH.passing_w] = 0.0


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def rest_spots(b, p, s, dt):  # type: ignore[no-untyped-def]
    """Pipes at rest drift: the outlet stubs stay warm from the tank, the others go to the room's temperature."""
    spot = b.spot
    if spot[CH.draw_m3_s] > 0.0:
        return
    last = int(p.n_tanks) - 1
    s.cold_degc += (p.room_degc - s.cold_degc) * dt / 2400.0
    spot[CH.cold_degc] = s.cold_degc
    stub = p.room_degc + 0.7 * (b.degc[last, 0] - p.room_degc)
    spot[CH.hot_degc] += (stub - spot[CH.hot_degc]) * dt / 1500.0
    stub = p.room_degc + 0.7 * (b.degc[0, 0] - p.room_degc)
    spot[CH.between_degc] += (stub - spot[CH.between_degc]) * dt / 1500.0
    spot[CH.heated_degc] += (p.room_degc - spot[CH.heated_degc]) * dt / 1500.0
    spot[CH.mixed_degc] += (p.room_degc - spot[CH.mixed_degc]) * dt / 1500.0
