"""The stretch of a day that is metered, and the limits of error of the sensors that meter it."""

from dataclasses import dataclass
from math import nan

import numpy as np
from numpy.typing import NDArray

from analytics.accuracy import limit_of_error
from analytics.plant import Course, Signal
from analytics.segments import Pieces, pieces_of

__all__ = ["DayFrame", "relative_limit", "temperature_limit_k", "to_course"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DayFrame:
    """The stretch of time metered: cells from the day's start; what lies after `until_s` has not happened yet."""

    edges_s: Array
    until_s: float

    @property
    def n_cells(self) -> int:
        return len(self.edges_s) - 1

    def unknown(self) -> Course:
        return np.full(self.n_cells, nan)

    def pieces(self, signal: Signal) -> Pieces:
        return pieces_of(signal, start_s=0.0, end_s=self.until_s)


def to_course(frame: DayFrame, amount: Array, covered_s: Array) -> Course:
    """Mean rate of each cell from amounts and covered seconds; NaN where less than half a cell is covered."""
    lengths_s = np.diff(frame.edges_s)
    return np.where(covered_s >= 0.5 * lengths_s, amount / np.maximum(covered_s, 1e-9), nan)


def temperature_limit_k(signal: Signal, at_degc: float) -> float:
    """Half-width of a temperature sensor's limits of error [K] at a temperature."""
    point = signal.point
    return float(limit_of_error(point.accuracy, at_degc, quantity="temperature", unit=point.unit))


def relative_limit(signal: Signal, typical: float) -> float:
    """Half-width of a sensor's limits of error as a part of a typical value, both in SI."""
    point = signal.point
    half = float(limit_of_error(point.accuracy, typical, quantity=point.quantity, unit=point.unit))
    return half / typical if typical > 0 else 0.0
