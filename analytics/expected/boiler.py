"""What a boiler takes on a day to heat a tank through its loop, so that the heat can be held against it."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from analytics.boiler_loop import boiler_behind
from analytics.courses import sum_of_known
from analytics.plant import CELL_S, MOVES_M3_S, LoopDay, PlantDay
from analytics.site import Site, Stage

__all__ = ["boiler_sums", "is_fuel_known"]

_LEAST_HEARD = 0.9
_BURNS_W = 100.0
_GIVES_W = 50.0
_BESIDE_CELLS = 10  # a boiler warms up before its loop's pump starts, and burns out after


def is_fuel_known(site: Site, stage: Stage) -> bool:
    """
    Whether what a stage's boiler takes is metered, or told by the contact of an oil burner.

    Oil burners of houses burn at one rate (common practice); what a gas burner takes cannot be told from a contact.
    """
    boiler = boiler_behind(site)
    if boiler is None or boiler[1].id != stage.loop:
        return False
    heater = boiler[0]
    return heater.power is not None or (heater.kind == "oil" and heater.rated_w is not None)


def boiler_sums(plant: PlantDay, stage: Stage) -> Mapping[str, float]:
    """
    The day's fuel, what of it was burned while the loop stood still, how often the burner was lit, and the mean
    temperature of the water that entered; empty where the fuel is not known for nearly all of the day.
    """
    boiler, loop = boiler_behind(plant.site), plant.loops.get(stage.loop or "")
    if boiler is None or loop is None or not is_fuel_known(plant.site, stage) or boiler[0].id not in plant.heaters:
        return {}
    day = plant.heaters[boiler[0].id]
    if day.input.covered < _LEAST_HEARD:
        return {}
    burns, moves = day.input_w >= _BURNS_W, _moves(loop)
    beside = burns & ~_near(moves)
    entering = loop.entering_degc[burns & moves & np.isfinite(loop.entering_degc)]
    return {
        "fuel_kwh": day.input.amount / 3.6e6,
        "beside_kwh": sum_of_known(day.input_w[beside]) * CELL_S / 3.6e6,
        "lit": float(np.count_nonzero(burns[1:] & ~burns[:-1]) + bool(burns[0])),
        "entering_degc": float(entering.mean()) if len(entering) else np.nan,
    }


def _moves(loop: LoopDay) -> NDArray[np.bool_]:
    """By its flow; by its pump, or the heat that it brings, where no flow is known. Shape (cells,)"""
    for known, moves in (
        (loop.flow_m3_s, loop.flow_m3_s > MOVES_M3_S),
        (loop.pump_on, loop.pump_on >= 0.5),
    ):
        if np.isfinite(known).any():
            return np.asarray(moves)
    return np.asarray(loop.heat_w > _GIVES_W)


def _near(moves: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Cells not far before or after some in which the loop moves. Shape as given"""
    return np.asarray(np.convolve(moves, np.ones(2 * _BESIDE_CELLS + 1), "same") > 0.5)
