"""
The maker's sheet of a heat pump, read between its points.

A sheet whose points fill a grid of temperatures is read bilinearly; scattered points by the plane of the triangle in
which the temperatures lie; points on one line by that line. Outside the points the nearest plane is continued, and the
sheet says nothing more than 5 K beyond them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.site import RatingPoint

if TYPE_CHECKING:
    from scipy.spatial import Delaunay

__all__ = ["OUTSIDE_LIMIT_K", "Rated", "rated"]

Array = NDArray[np.float64]

OUTSIDE_LIMIT_K = 5.0
"""How far beyond the maker's points the sheet is still read; common practice."""


@dataclass(frozen=True, slots=True)
class Rated:
    """
    What the sheet promises, NaN where it says nothing. Shapes as the temperatures.

    `outside_k` is the distance to the nearest temperatures that the points enclose, zero within. [K]
    """

    capacity_w: Array
    power_w: Array
    outside_k: Array

    @property
    def cop(self) -> Array:
        """COP in heating, EER (W/W) in cooling."""
        return self.capacity_w / self.power_w


def rated(
    points: Sequence[RatingPoint],
    mode: Literal["heating", "cooling"],
    *,
    entering_degc: ArrayLike,
    leaving_degc: ArrayLike,
) -> Rated:
    """
    Capacity and power at temperatures of the source entering and of the load leaving.

    Args:
        points: The whole sheet; those of the other mode are left out.
        entering_degc, leaving_degc: They broadcast together; NaN gives NaN. [degC]
    """
    entering, leaving = np.broadcast_arrays(np.asarray(entering_degc, float), np.asarray(leaving_degc, float))
    mine = tuple(point for point in points if point.mode == mode)
    if not mine:
        nothing = np.full(entering.shape, np.nan)
        return Rated(nothing, nothing, nothing)
    sheet = _sheet(mine)
    at = np.column_stack((entering.ravel(), leaving.ravel()))
    read, outside = sheet.read(at)
    values = np.where((outside <= OUTSIDE_LIMIT_K)[:, None] & (read > 0), read, np.nan)
    return Rated(
        values[:, 0].reshape(entering.shape), values[:, 1].reshape(entering.shape), outside.reshape(entering.shape)
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Sheet:
    """
    Places (n, 2: entering, leaving) and values (n, 2: capacity, power) of the points, in order of place.

    `axes` where they fill a grid, `triangles` where they are scattered, neither where they lie on one line. `hull` are
    the pieces of straight line around them.
    """

    places: Array
    values: Array
    axes: tuple[Array, Array] | None
    triangles: "Delaunay | None"
    hull: list[tuple[Array, Array]]

    def read(self, at: Array) -> tuple[Array, Array]:
        """Values (n, 2) at places, and their distance to what the points enclose (n,) [K]."""
        if self.axes is not None:
            low, high = self.places[0], self.places[-1]
            return _bilinear(self.axes, self.values, at), self._outside_k(at, ((at >= low) & (at <= high)).all(axis=1))
        if self.triangles is not None:
            values, is_inside = _planes(self.triangles, self.values, at)
            return values, self._outside_k(at, is_inside)
        return _along_line(self.places, self.values, at), self._outside_k(at, np.zeros(len(at), bool))

    def _outside_k(self, at: Array, is_inside: NDArray[np.bool_]) -> Array:
        distance = np.zeros(len(at))
        if not is_inside.all():
            beyond = at[~is_inside]
            distance[~is_inside] = np.min([_to_segment(beyond, start, end) for start, end in self.hull], axis=0)
        return np.where(np.isnan(at[:, 0] + at[:, 1]), np.nan, distance)


@lru_cache(maxsize=128)
def _sheet(points: tuple[RatingPoint, ...]) -> _Sheet:
    by_place = {(p.entering_c, p.leaving_c): (p.capacity_w, p.power_w) for p in points}
    places = np.asarray(sorted(by_place), float)
    values = np.asarray([by_place[place] for place in sorted(by_place)], float)
    entering, leaving = np.unique(places[:, 0]), np.unique(places[:, 1])
    if min(len(entering), len(leaving)) >= 2 and len(places) == len(entering) * len(leaving):
        return _Sheet(places, values, (entering, leaving), None, _around((entering, leaving)))
    if len(places) >= 3 and np.linalg.matrix_rank(places - places[0], tol=0.1) == 2:
        # Its import takes a third of a second, and few sheets are of this kind.
        from scipy.spatial import Delaunay

        joined = Delaunay(places)
        return _Sheet(places, values, None, joined, [(places[a], places[b]) for a, b in joined.convex_hull])
    order = np.argsort(_along(places), kind="stable")
    return _Sheet(places, values, None, None, [(places[order[0]], places[order[-1]])])


def _around(axes: tuple[Array, Array]) -> list[tuple[Array, Array]]:
    (e0, e1), (l0, l1) = ((axis[0], axis[-1]) for axis in axes)
    corners = [np.asarray(c, float) for c in ((e0, l0), (e1, l0), (e1, l1), (e0, l1), (e0, l0))]
    return list(pairwise(corners))


def _to_segment(at: Array, start: Array, end: Array) -> Array:
    """Distance of places to a piece of a straight line. [K]"""
    way = end - start
    length2 = float(way @ way)
    part = np.clip((at - start) @ way / length2, 0.0, 1.0) if length2 > 0 else np.zeros(len(at))
    return np.asarray(np.hypot(*(at - start - part[:, None] * way).T))


def _along(places: Array) -> Array:
    """Position along the line on which places lie. [K]"""
    way = places[-1] - places[0]
    length = float(np.hypot(*way))
    return np.asarray((places - places[0]) @ way / length) if length > 0 else np.zeros(len(places))


def _along_line(places: Array, values: Array, at: Array) -> Array:
    if len(places) == 1:
        return np.where(np.isnan(at.sum(axis=1))[:, None], np.nan, values)
    way = places[-1] - places[0]
    where = (at - places[0]) @ way / float(np.hypot(*way))
    knots = _along(places)
    index = np.clip(np.searchsorted(knots, np.nan_to_num(where)) - 1, 0, len(knots) - 2)
    part = (where - knots[index]) / (knots[index + 1] - knots[index])
    return np.asarray(values[index] + part[:, None] * (values[index + 1] - values[index]))


def _bilinear(axes: tuple[Array, Array], values: Array, at: Array) -> Array:
    entering, leaving = axes
    table = values.reshape(len(entering), len(leaving), 2)
    i, x = _place(entering, at[:, 0])
    j, y = _place(leaving, at[:, 1])
    low = table[i, j] + y[:, None] * (table[i, j + 1] - table[i, j])
    high = table[i + 1, j] + y[:, None] * (table[i + 1, j + 1] - table[i + 1, j])
    return np.asarray(low + x[:, None] * (high - low))


def _place(axis: Array, value: Array) -> tuple[NDArray[np.intp], Array]:
    """The interval of an axis (for what lies beyond, the first or last) and the part of it, outside beyond 0 to 1."""
    index = np.clip(np.searchsorted(axis, np.nan_to_num(value), side="right") - 1, 0, len(axis) - 2)
    return index, (value - axis[index]) / (axis[index + 1] - axis[index])


def _planes(triangles: "Delaunay", values: Array, at: Array) -> tuple[Array, NDArray[np.bool_]]:
    known = np.nan_to_num(at)
    index = triangles.find_simplex(known)
    is_inside = index >= 0
    beyond = np.flatnonzero(~is_inside)
    if len(beyond):
        middles = triangles.points[triangles.simplices].mean(axis=1)
        distance = np.hypot(*(known[beyond, None, :] - middles[None, :, :]).transpose(2, 0, 1))
        index[beyond] = np.argmin(distance, axis=1)
    transform = triangles.transform[index]
    first = np.einsum("nij,nj->ni", transform[:, :2], at - transform[:, 2])
    parts = np.column_stack((first, 1.0 - first.sum(axis=1)))
    return np.einsum("ni,nik->nk", parts, values[triangles.simplices[index]]), is_inside
