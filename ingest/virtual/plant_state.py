"""
The plant's memory and bench: one row of a structured array, which the compiled kernel takes as a single pointer.

It holds what the plant remembers from step to step, and beside it what a step works with: the fluids, the effects of
faults, and the sums of the day. All houses have the same row, so that the kernel is compiled once for all of them.
"""

import numpy as np
from numpy.typing import NDArray

from ingest.virtual.fluid_fits import enthalpy, fit_fluid
from ingest.virtual.layout import CHANNELS, EFFECTS, ORIGINS, TALLIES

__all__ = ["Plant", "fresh_plant", "plant_type", "restart_account"]

Plant = NDArray[np.void]
"""Shape (1,); fields as in _row."""

_SCALARS = (
    *("cold_degc", "house_degc", "loop_degc", "soil_degc", "load_degc", "boiler_degc"),
    *("sun_on", "dsh_on", "mode", "run_s", "rest_s", "load_overrun_s", "burner_on", "boiler_call", "boiler_overrun_s"),
    *("element_on", "draw_kind", "draw_left", "draw_flow_kg_s", "draw_use_degc", "draw_left_s"),
)
_TANKS, _COLLECTOR_NODES = 2, 4
_FIT = (3, 8)


def _row(nodes: int) -> list[tuple[object, ...]]:
    return [
        *((name, "f8") for name in _SCALARS),
        ("h", "f8", (_TANKS, nodes)),  # specific enthalpy of the tanks' nodes [J/kg]
        ("e", "f8", (_TANKS, nodes, ORIGINS)),  # heat in the nodes by origin [J/kg]
        ("cold", "f8", (_TANKS, nodes)),  # enthalpy of the water when it entered from the main [J/kg]
        ("degc", "f8", (_TANKS, nodes)),
        ("node_kg", "f8", (_TANKS,)),
        ("collector", "f8", (_COLLECTOR_NODES,)),  # fluid temperatures along the collector [degC]
        ("spot", "f8", (len(CHANNELS),)),  # last value of every channel, at the sensors' spots
        ("nothing", "f8", (ORIGINS,)),  # zeros: what cold water brings
        *((name, "f8", _FIT) for name in ("water", "sun_fluid", "source_fluid", "load_fluid")),
        ("fx", "f8", (len(EFFECTS),)),
        ("tally", "f8", (len(TALLIES),)),
        ("delivered", "f8", (ORIGINS,)),
    ]


def plant_type(nodes: int) -> np.dtype[np.void]:
    """The row of a plant with so many nodes a tank."""
    return np.dtype(_row(nodes))


def fresh_plant(*, nodes: int, ground_degc: float, outdoor_degc: float, room_degc: float) -> Plant:
    """A plant at rest with tanks at 45 degC; some days of running in make it a natural one."""
    plant = np.zeros(1, dtype=plant_type(nodes))
    for name in ("loop_degc", "soil_degc", "cold_degc"):
        plant[name] = ground_degc
    plant["house_degc"], plant["load_degc"], plant["boiler_degc"] = 21.0, 35.0, room_degc
    plant["rest_s"], plant["collector"] = 3600.0, outdoor_degc
    water = fit_fluid("water")
    plant["h"], plant["cold"] = enthalpy(water, 45.0), enthalpy(water, ground_degc)
    plant["e"][..., -1] = plant["h"] - plant["cold"]
    plant["spot"] = [room_degc if name.endswith("_degc") else 0.0 for name in CHANNELS]
    return plant


def restart_account(plant: Plant) -> Plant:
    """The same plant with all stored heat booked as carried over, as at the start of an account."""
    fresh = plant.copy()
    fresh["e"][..., -1] = plant["e"].sum(axis=-1)
    fresh["e"][..., :-1] = 0.0
    return fresh
