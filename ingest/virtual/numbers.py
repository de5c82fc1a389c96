"""The plant's numbers: what the kernel needs to know of one house. All are floats, flags 0 or 1."""

from dataclasses import dataclass, fields

import numpy as np

__all__ = ["Numbers", "as_record"]


@dataclass(frozen=True, kw_only=True)
class Numbers:
    """
    Defaults are those of an ordinary house, by common practice; the site file overrides what it states.

    Indexes named `_origin` are positions of a stage in the site file, -1 where the house has none. Tanks are counted
    in the order that the water passes them.
    """

    n_tanks: float = 1.0
    tank_0_kg: float = 297.0
    tank_1_kg: float = 297.0
    tank_0_ua_w_k: float = 2.0
    tank_1_ua_w_k: float = 2.0
    tank_conduction_w_k: float = 1.6  # between neighbours of 16 nodes: water and wall of a slim steel tank
    room_degc: float = 18.0
    # solar loop
    has_sun: float = 0.0
    sun_origin: float = -1.0
    sun_tank: float = 0.0
    sun_first_node: float = 12.0
    sun_last_node: float = 15.0
    sun_coil_w_k: float = 420.0
    sun_flow_m3_s: float = 5.5e-5
    sun_pump_w: float = 42.0
    sun_on_k: float = 8.0  # differential controller, guide value 8 / 3 K
    sun_off_k: float = 3.0
    sun_tank_limit_degc: float = 85.0
    area_m2: float = 4.0
    eta0: float = 0.76
    a1: float = 3.6
    a2: float = 0.012
    collector_j_m2k: float = 9000.0
    # heat pump: duty 0 none, 1 the house, 2 the tank
    duty: float = 0.0
    heating_capacity_w: float = 9000.0  # at entering 0, leaving 35 degC
    heating_capacity_per_entering: float = 0.027  # relative to the value above, per K
    heating_capacity_per_leaving: float = -0.006
    heating_power_w: float = 2300.0
    heating_power_per_entering: float = 0.004
    heating_power_per_leaving: float = 0.021
    cooling_capacity_w: float = 11000.0  # at entering 25, leaving 12 degC
    cooling_capacity_per_entering: float = -0.008
    cooling_power_w: float = 2100.0
    cooling_power_per_entering: float = 0.019
    start_up_s: float = 80.0  # time constant of the capacity after a start
    source_flow_m3_s: float = 5.8e-4
    source_pump_w: float = 160.0
    ground_contact_w_k: float = 1500.0  # loop fluid to the soil around the pipes
    soil_w_k: float = 2200.0  # that soil to undisturbed ground
    soil_j_k: float = 2.2e8
    loop_content_j_k: float = 6.0e5
    # desuperheater
    has_dsh: float = 0.0
    dsh_origin: float = -1.0
    dsh_tank: float = 0.0
    dsh_share: float = 0.12  # of the condenser's heat, with 30 degC water
    dsh_gas_degc: float = 72.0
    dsh_limit_degc: float = 58.0
    dsh_flow_m3_s: float = 6.0e-5
    dsh_pump_w: float = 60.0
    # heat pump on the tank
    load_origin: float = -1.0
    load_tank: float = 0.0
    load_first_node: float = 5.0
    load_last_node: float = 15.0
    load_coil_w_k: float = 900.0
    load_flow_m3_s: float = 3.0e-4
    load_pump_w: float = 55.0
    load_set_degc: float = 52.0
    load_hysteresis_k: float = 6.0
    # house
    house_w_k: float = 150.0
    house_j_k: float = 2.2e7
    house_gain_w: float = 500.0
    house_sun_m2: float = 3.2
    heat_below_degc: float = 20.0
    heat_until_degc: float = 21.0
    cool_above_degc: float = 24.6
    cool_until_degc: float = 23.4
    # boiler
    has_boiler: float = 0.0
    boiler_origin: float = -1.0
    boiler_tank: float = 0.0
    boiler_first_node: float = 2.0
    boiler_last_node: float = 7.0
    boiler_coil_w_k: float = 800.0
    boiler_flow_m3_s: float = 2.4e-4
    boiler_pump_w: float = 48.0
    boiler_input_w: float = 18000.0
    boiler_efficiency: float = 0.9
    boiler_j_k: float = 9.0e4
    boiler_loss_w_k: float = 2.0
    boiler_set_degc: float = 54.0
    boiler_hysteresis_k: float = 6.0
    # electric element in a tank
    has_element: float = 0.0
    element_origin: float = -1.0
    element_tank: float = 0.0
    element_node: float = 6.0
    element_w: float = 4500.0
    element_set_degc: float = 52.0
    element_hysteresis_k: float = 6.0
    element_cut_out_degc: float = 88.0
    # heater in passing
    has_passing: float = 0.0
    passing_origin: float = -1.0
    passing_w: float = 18000.0
    passing_set_degc: float = 48.0
    # taps
    has_mixing: float = 1.0
    mixed_set_degc: float = 49.0
    cold_pipe_kg: float = 0.8


def as_record(numbers: Numbers) -> np.ndarray:
    """The numbers as one row of a structured array, as the compiled kernel wants them."""
    row = np.zeros(1, dtype=[(f.name, "f8") for f in fields(numbers)])
    for f in fields(numbers):
        row[f.name] = getattr(numbers, f.name)
    return row
