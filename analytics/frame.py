"""The stretch of a day that is metered, and the limits of error of the sensors that meter it."""

from dataclasses import dataclass, field
from math import nan

import numpy as np
from numpy.typing import NDArray

from analytics.accuracy import limit_at
from analytics.derived import stated
from analytics.plant import CELL_S, Course, Signal
from analytics.segments import Pieces, cells_of, covered_cells, pieces_of

__all__ = ["DayFrame", "relative_limit", "temperature_limit_k", "to_course"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DayFrame:
    """The stretch of time metered: cells from the day's start; what lies after `until_s` has not happened yet."""

    edges_s: Array
    until_s: float
    _pieces: dict[str, Pieces] = field(default_factory=dict, repr=False, compare=False)

    @property
    def n_cells(self) -> int:
        return len(self.edges_s) - 1

    def unknown(self) -> Course:
        return np.full(self.n_cells, nan)

    def pieces(self, signal: Signal) -> Pieces:
        """A signal's pieces over the stretch, worked out once."""
        point = signal.point.id
        if point not in self._pieces:
            self._pieces[point] = pieces_of(signal, start_s=0.0, end_s=self.until_s)
        return self._pieces[point]

    def course(self, pieces: Pieces, amount: Array, covered: NDArray[np.bool_]) -> Course:
        """
        Mean rate of each cell from amounts per piece; NaN where less than half of the cell is covered.

        Args:
            amount: Shape (pieces,) or (k, pieces)
            covered: Pieces that count as covered. Shape (pieces,)
        Returns:
            Shape (cells,) or (k, cells)
        """
        cells = cells_of(pieces, amount, self.edges_s)
        if len(covered) and pieces.spans(self.edges_s[0], self.edges_s[-1]) and np.logical_and.reduce(covered):
            return cells / CELL_S
        return to_course(cells, covered_cells(pieces, covered, self.edges_s))


def to_course(amount: Array, covered_s: Array) -> Course:
    """Mean rate of each cell from amounts and covered seconds; NaN where less than half a cell is covered."""
    return np.where(covered_s >= 0.5 * CELL_S, amount / np.maximum(covered_s, 1e-9), nan)


def temperature_limit_k(signal: Signal, at_degc: float) -> float:
    """Half-width of a temperature sensor's limits of error [K] at a temperature."""
    return stated(limit_at(signal.point, at_degc), "K", point=signal.point, at=at_degc)


def relative_limit(signal: Signal, typical: float) -> float:
    """Half-width of a sensor's limits of error as a part of a typical value, both in SI."""
    point = signal.point
    return stated(limit_at(point, typical) / typical if typical > 0 else 0.0, point=point, at=typical)
