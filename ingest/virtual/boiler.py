"""A fuel boiler that heats the tank through a loop of its own."""

from numba import njit

from ingest.virtual.fluid_fits import density, enthalpy
from ingest.virtual.layout import CH, FX, TALLY
from ingest.virtual.tank import exchange_coil

__all__ = ["control_boiler", "run_boiler"]

_BURNER_ON_DEGC, _BURNER_OFF_DEGC = 66.0, 76.0
_OVERRUN_S = 150.0


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def control_boiler(b, p, s, dt):  # type: ignore[no-untyped-def]
    """Tank thermostat calls; the burner holds the boiler's water; the pump runs on a little."""
    tank_degc = b.degc[int(p.boiler_tank), int(p.boiler_first_node)]
    off = b.fx[FX.backup_set_degc] if b.fx[FX.backup_set_degc] > 0.0 else p.boiler_set_degc
    limit = off if s.boiler_call > 0.0 else off - p.boiler_hysteresis_k
    s.boiler_call = 1.0 if tank_degc < limit else 0.0
    s.boiler_overrun_s = _OVERRUN_S if s.boiler_call > 0.0 else max(0.0, s.boiler_overrun_s - dt)
    limit = _BURNER_OFF_DEGC if s.burner_on > 0.0 else _BURNER_ON_DEGC
    s.burner_on = 1.0 if s.boiler_call > 0.0 and s.boiler_degc < limit else 0.0


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def run_boiler(b, p, s, dt):  # type: ignore[no-untyped-def]
    """One short step of burner, boiler water and coil."""
    spot = b.spot
    running = 1.0 if s.boiler_overrun_s > 0.0 else 0.0
    flow_m3_s = running * p.boiler_flow_m3_s
    spot[CH.boiler_called], spot[CH.boiler_m3_s], spot[CH.boiler_pump_w] = running, flow_m3_s, running * p.boiler_pump_w
    spot[CH.burner_on] = s.burner_on
    fired_w = s.burner_on * p.boiler_input_w * b.fx[FX.boiler_power]
    b.tally[TALLY.fuel_j] += s.burner_on * p.boiler_input_w * dt
    loss_w = p.boiler_loss_w_k * (s.boiler_degc - p.room_degc)
    b.tally[TALLY.boiler_loss_j] += loss_w * dt
    metered_w = 0.0
    if flow_m3_s > 0.0:
        tank = int(p.boiler_tank)
        kg_s = flow_m3_s * density(b.water, spot[CH.boiler_in_degc])
        coil = (
            int(p.boiler_first_node),
            int(p.boiler_last_node),
            p.boiler_coil_w_k,
            int(p.boiler_origin),
            dt,
            b.node_kg[tank],
        )
        back = exchange_coil(b.h[tank], b.e[tank], b.degc[tank], coil, kg_s, b.water, s.boiler_degc)
        metered_w = kg_s * (enthalpy(b.water, s.boiler_degc) - enthalpy(b.water, back))
        spot[CH.boiler_in_degc], spot[CH.boiler_out_degc] = back, s.boiler_degc
        _meter_boiler(b, metered_w, dt)
    else:
        spot[CH.boiler_in_degc] += (p.room_degc - spot[CH.boiler_in_degc]) * dt / 2400.0
        spot[CH.boiler_out_degc] += (p.room_degc - spot[CH.boiler_out_degc]) * dt / 2400.0
    s.boiler_degc += (fired_w * p.boiler_efficiency - loss_w - metered_w) * dt / p.boiler_j_k


@njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
def _meter_boiler(b, heat_w, dt):  # type: ignore[no-untyped-def]
    if heat_w >= 0.0:
        b.tally[TALLY.boiler_heat_j] += heat_w * dt
        b.spot[CH.boiler_j] += heat_w * dt
    else:
        b.tally[TALLY.boiler_reverse_j] -= heat_w * dt
