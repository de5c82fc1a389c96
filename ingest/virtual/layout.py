"""Where each quantity of the plant stands in the kernel's arrays. Plain integers, because the kernel is compiled."""

from collections import namedtuple

__all__ = ["CH", "CHANNELS", "EFFECTS", "FX", "NEUTRAL", "NODES", "ORIGINS", "STEP_S", "TALLIES", "TALLY"]

STEP_S = 10.0
"""The plant is recorded every ten seconds; its pumps and draws move in shorter steps."""

NODES = 16
"""Layers of each tank, node 0 on top, unless a scenario says otherwise."""

ORIGINS = 6
"""Where heat can come from: up to four stages in the order of the site file, then the room, then carried over."""

CHANNELS = (
    *("cold_degc", "between_degc", "hot_degc", "heated_degc", "mixed_degc", "outdoor_degc", "irradiance_w_m2"),
    *("sun_in_degc", "sun_out_degc", "dsh_in_degc", "dsh_out_degc", "source_in_degc", "source_out_degc"),
    *("load_in_degc", "load_out_degc", "boiler_in_degc", "boiler_out_degc"),
    *("draw_m3_s", "mixed_m3_s", "sun_m3_s", "dsh_m3_s", "source_m3_s", "load_m3_s", "boiler_m3_s"),
    *("sun_pump_w", "dsh_pump_w", "source_pump_w", "load_pump_w", "boiler_pump_w"),
    *("heat_pump_w", "element_w", "passing_w"),
    *("sun_called", "dsh_called", "source_called", "load_called", "boiler_called", "burner_on", "element_called"),
    *("sun_j", "dsh_j", "source_j", "load_j", "boiler_j", "heat_pump_j", "element_j", "passing_j"),
    *("draw_m3", "mixed_m3", "house_degc"),
)
"""What sensors can look at: the plant at the sensors' spots."""

TALLIES = (
    *("sun_heat_j", "dsh_heat_j", "load_heat_j", "boiler_heat_j", "element_heat_j", "passing_heat_j"),
    *("sun_reverse_j", "dsh_reverse_j", "load_reverse_j", "boiler_reverse_j"),
    *("hot_water_j", "draw_m3", "mixed_m3"),
    *("heating_j", "heating_elec_j", "cooling_j", "cooling_elec_j", "heat_pump_elec_j", "dsh_in_heating_j"),
    *("source_j", "heating_s", "cooling_s", "starts", "heating_starts"),
    *("pumps_elec_j", "element_elec_j", "passing_elec_j", "fuel_j"),
    *("loss_0_j", "loss_1_j", "boiler_loss_j"),
)
"""What a day's truth adds up."""

EFFECTS = (
    *("sun_flow", "sun_pump_elec", "dsh_flow", "dsh_pump_elec", "source_flow", "load_flow", "load_pump_elec"),
    *("sun_relay_stuck", "night_flow", "soiling", "element_stuck_on", "element_power", "mixing_hot", "mixing_cold"),
    *("heat_pump_capacity", "heat_pump_elec", "ground_contact", "leak", "tank_ua", "short_cycle", "boiler_power"),
    *("heat_pump_off", "backup_set_degc", "nobody_home"),
)
"""What a fault can change in the plant."""

NEUTRAL = {
    **dict.fromkeys(("sun_flow", "sun_pump_elec", "dsh_flow", "dsh_pump_elec", "source_flow", "load_flow"), 1.0),
    **dict.fromkeys(("load_pump_elec", "soiling", "element_power", "heat_pump_capacity", "heat_pump_elec"), 1.0),
    **dict.fromkeys(("ground_contact", "tank_ua", "boiler_power"), 1.0),
    **dict.fromkeys(("sun_relay_stuck", "night_flow", "element_stuck_on", "mixing_hot", "mixing_cold"), 0.0),
    **dict.fromkeys(("leak", "short_cycle", "heat_pump_off", "backup_set_degc", "nobody_home"), 0.0),
}
"""Each effect in a sound plant."""

# Positions by name. A named tuple of integers is a constant to the compiler: CH.hot_degc costs nothing.
CH = namedtuple("CH", CHANNELS)(*range(len(CHANNELS)))
TALLY = namedtuple("TALLY", TALLIES)(*range(len(TALLIES)))
FX = namedtuple("FX", EFFECTS)(*range(len(EFFECTS)))
