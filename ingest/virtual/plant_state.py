"""Everything that the plant remembers from one step to the next."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.virtual.fluid_fits import enthalpy, fit_fluid
from ingest.virtual.layout import CHANNELS, NODES

__all__ = ["COLLECTOR_NODES", "PlantState", "copy_state", "fresh_state", "restart_account"]

COLLECTOR_NODES = 4

_SCALARS = (
    *("cold_degc", "house_degc", "loop_degc", "soil_degc", "load_degc", "boiler_degc"),
    *("sun_on", "dsh_on", "mode", "run_s", "rest_s", "load_overrun_s", "burner_on", "boiler_call", "boiler_overrun_s"),
    *("element_on", "draw_kind", "draw_left", "draw_flow_kg_s", "draw_use_degc", "draw_left_s", "dsh_j_kg", "cycle_s"),
)


class PlantState(NamedTuple):
    """
    Args:
        scalars: One row of named floats.
        h: Specific enthalpy of the tanks' nodes. [J/kg] (tanks, nodes)
        e: Heat in the nodes by origin; the last two origins are the room and what was carried over. [J/kg]
        cold: Enthalpy of the water when it entered from the main. [J/kg]
        collector: Fluid temperatures along the collector. [degC]
        spot: Last value of every channel, at the sensors' spots. (channels,)
    """

    scalars: NDArray[np.void]
    h: NDArray[np.float64]
    e: NDArray[np.float64]
    cold: NDArray[np.float64]
    collector: NDArray[np.float64]
    spot: NDArray[np.float64]


def fresh_state(*, origins: int, ground_degc: float, outdoor_degc: float, room_degc: float) -> PlantState:
    """A plant at rest with tanks at 45 degC; some days of running in make it a natural one."""
    scalars = np.zeros(1, dtype=[(name, "f8") for name in _SCALARS])
    for name in ("loop_degc", "soil_degc", "cold_degc"):
        scalars[name] = ground_degc
    scalars["house_degc"], scalars["load_degc"], scalars["boiler_degc"] = 21.0, 35.0, room_degc
    scalars["rest_s"] = 3600.0
    water = fit_fluid("water")
    h = np.full((2, NODES), enthalpy(water, 45.0))
    cold = np.full((2, NODES), enthalpy(water, ground_degc))
    e = np.zeros((2, NODES, origins))
    e[:, :, -1] = h - cold
    spot = np.zeros(len(CHANNELS))
    for i, name in enumerate(CHANNELS):
        if name.endswith("_degc"):
            spot[i] = room_degc
    return PlantState(scalars, h, e, cold, np.full(COLLECTOR_NODES, outdoor_degc), spot)


def copy_state(state: PlantState) -> PlantState:
    """An independent copy, so that a run can be continued twice."""
    return PlantState(*(part.copy() for part in state))


def restart_account(state: PlantState) -> PlantState:
    """The same plant with all stored heat booked as carried over, as at the start of an account."""
    fresh = copy_state(state)
    fresh.e[:, :, -1] = state.e.sum(axis=2)
    fresh.e[:, :, :-1] = 0.0
    return fresh
