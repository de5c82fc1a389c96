"""
A tank as parcels of water, coldest below: what flows in is a parcel of its own, what flows out takes parcels with it.

Nothing mixes because of a grid. Parcels mix where one is warmer than those above it; heat creeps from each to the one
below; a parcel too small to matter joins its neighbour of nearest temperature. Each carries the heat that it holds of
each origin above the cold water that it once was: mass x enthalpy = mass x cold + sum of heat by origin.
"""

import numpy as np

from analytics.compiled import compiled
from tests.parcels.liquids import WATER_STEP_J_KG, water_by_enthalpy

__all__ = ["Tank"]

_MOST = 240
_FEWEST = 30  # a parcel larger than this part of the tank is cut in two
_LEAST_KG = 1.0
_ALIKE_J_KG = 400.0  # a tenth of a kelvin
_CROSS_M2 = 0.2
_W_MK = 0.8  # water and the tank's wall
_STEP = WATER_STEP_J_KG


class Tank:
    """
    Args:
        kg: Of water.
        origins: The last two are the room and what was in store when the account began.
    """

    def __init__(self, kg: float, *, ua_w_k: float, room_degc: float, origins: int, cold_j_kg: float) -> None:
        self.kg, self.ua_w_k, self.room_degc = kg, ua_w_k, room_degc
        self._table = water_by_enthalpy()
        count = 40
        self._n = np.array([count])
        self._kg = np.zeros(_MOST)
        self._kg[:count] = kg / count
        self._cold, self._heat = np.full(_MOST, cold_j_kg), np.zeros((_MOST, origins))
        self._j_kg = np.full(_MOST, cold_j_kg)
        self._j_kg[:count] += np.linspace(20e3, 120e3, count)
        self.restart()

    @property
    def _parts(self):
        return self._n, self._kg, self._j_kg, self._cold, self._heat

    def restart(self) -> None:
        """Book all heat as carried over."""
        self._heat[:] = 0.0
        self._heat[:, -1] = self._kg * (self._j_kg - self._cold)

    def stored_j(self) -> float:
        n = self._n[0]
        return float(self._kg[:n] @ self._j_kg[:n])

    def degc(self, height: float) -> float:
        return float(_degc(self._table, self._j_kg[_place(self._n, self._kg, height * self.kg)[0]]))

    def profile(self, count: int) -> np.ndarray:
        """Temperatures at the middles of equal parts of the height, top first."""
        out = np.empty(count)
        _profile(self._n, self._kg, self._j_kg, self._table, out)
        return out

    def take(self, height: float, kg: float) -> tuple[float, float, np.ndarray]:
        """Water at a height: its enthalpy and the cold that it once was [J/kg], and its heat by origin [J]."""
        heat = np.zeros(self._heat.shape[1])
        j_kg, cold = _take(*self._parts, height * self.kg, kg, heat)
        return j_kg, cold, heat

    def put(self, height: float, kg: float, j_kg: float, cold: float, heat: np.ndarray) -> None:
        _put(*self._parts, height * self.kg, kg, j_kg, cold, heat)

    def warm(self, low: float, high: float, joules: float, origin: int) -> None:
        """Heat spread evenly over heights, as by a rod along them."""
        _warm(*self._parts, low * self.kg, high * self.kg, joules, origin)
        _settle(*self._parts)

    def coil(
        self, low: float, high: float, w_k: float, fluid_w_k: float, degc: float, dt: float, origin: int
    ) -> tuple[float, float]:
        """A fluid that runs from the upper end of a coil to its lower one: where it ends [degC], the heat given [J]."""
        spans = (low * self.kg, high * self.kg)
        found = _coil(*self._parts, self._table, spans, (w_k, fluid_w_k, degc, dt), origin)
        _settle(*self._parts)
        return found

    def rest(self, dt: float) -> float:
        """What time does: the heat lost to the room. [J]"""
        lost = _lose(*self._parts, self._table, (self.ua_w_k / self.kg, self.room_degc, dt))
        _creep(*self._parts, dt)
        _settle(*self._parts)
        _tidy(*self._parts)
        return float(lost)


@compiled
def _degc(table, j_kg):
    place = max(j_kg / _STEP, 0.0)
    k = min(int(place), len(table) - 2)
    return table[k] + (place - k) * (table[k + 1] - table[k])


@compiled
def _place(n, kg, below_kg):
    """The parcel at a height, and the mass below it."""
    under = 0.0
    for i in range(n[0] - 1):
        if under + kg[i] > below_kg:
            return i, under
        under += kg[i]
    return n[0] - 1, under


@compiled
def _profile(n, kg, j_kg, table, out):
    total = 0.0
    for i in range(n[0]):
        total += kg[i]
    for k in range(len(out)):
        out[k] = _degc(table, j_kg[_place(n, kg, (1.0 - (k + 0.5) / len(out)) * total)[0]])


@compiled
def _insert(n, kg, j_kg, cold, heat, i):
    for k in range(n[0], i, -1):
        kg[k], j_kg[k], cold[k] = kg[k - 1], j_kg[k - 1], cold[k - 1]
        heat[k] = heat[k - 1]
    n[0] += 1


@compiled
def _delete(n, kg, j_kg, cold, heat, i):
    for k in range(i, n[0] - 1):
        kg[k], j_kg[k], cold[k] = kg[k + 1], j_kg[k + 1], cold[k + 1]
        heat[k] = heat[k + 1]
    n[0] -= 1


@compiled
def _take(n, kg, j_kg, cold, heat, below_kg, wanted, out):
    """Take a mass from a height on downward; above it where there is not so much below."""
    i, got, sum_j, sum_cold = _place(n, kg, min(below_kg, 1e12))[0], 0.0, 0.0, 0.0
    while got < wanted - 1e-12:
        part = min(kg[i], wanted - got)
        share = part / kg[i]
        sum_j += part * j_kg[i]
        sum_cold += part * cold[i]
        out += share * heat[i]
        heat[i] *= 1.0 - share
        kg[i] -= part
        got += part
        if kg[i] <= 1e-9:
            _delete(n, kg, j_kg, cold, heat, i)
            i = max(i - 1, 0)
    return sum_j / wanted, sum_cold / wanted


@compiled
def _put(n, kg, j_kg, cold, heat, below_kg, mass, new_j_kg, new_cold, new_heat):
    i, under = _place(n, kg, below_kg)
    part = below_kg - under
    if below_kg <= 0.0:
        i = 0
    elif part >= kg[i] - 1e-9:
        i += 1
    elif part > 1e-9:  # it comes in within a parcel
        _insert(n, kg, j_kg, cold, heat, i)
        share = part / kg[i + 1]
        kg[i], heat[i] = part, heat[i + 1] * share
        kg[i + 1] -= part
        heat[i + 1] *= 1.0 - share
        i += 1
    _insert(n, kg, j_kg, cold, heat, i)
    kg[i], j_kg[i], cold[i] = mass, new_j_kg, new_cold
    heat[i] = new_heat


@compiled
def _warm(n, kg, j_kg, cold, heat, low_kg, high_kg, joules, origin):
    under = 0.0
    for i in range(n[0]):
        inside = min(high_kg, under + kg[i]) - max(low_kg, under)
        under += kg[i]
        if inside > 0.0:
            part = joules * inside / (high_kg - low_kg)
            heat[i, origin] += part
            j_kg[i] += part / kg[i]


@compiled
def _lower(kg, j_kg, heat, i, joules):
    """Take heat out of a parcel, of each origin alike; what there is no more is the room's."""
    held = heat[i].sum()
    if joules > 0.0 and held > joules:
        heat[i] *= 1.0 - joules / held
    else:
        heat[i, heat.shape[1] - 2] -= joules
    j_kg[i] -= joules / kg[i]


@compiled
def _coil(n, kg, j_kg, cold, heat, table, spans, flow, origin):
    low_kg, high_kg = spans
    w_k, fluid_w_k, degc, dt = flow
    over, given = 0.0, 0.0
    for i in range(n[0]):
        over += kg[i]
    for i in range(n[0] - 1, -1, -1):
        over -= kg[i]
        inside = min(high_kg, over + kg[i]) - max(low_kg, over)
        if inside <= 0.0:
            continue
        water = _degc(table, j_kg[i])
        after = water + (degc - water) * np.exp(-w_k * inside / (high_kg - low_kg) / fluid_w_k)
        part = fluid_w_k * (degc - after) * dt
        if part >= 0.0:
            heat[i, origin] += part
            j_kg[i] += part / kg[i]
        else:
            _lower(kg, j_kg, heat, i, -part)
        given += part
        degc = after
    return degc, given


@compiled
def _lose(n, kg, j_kg, cold, heat, table, outside):
    w_kkg, room_degc, dt = outside
    lost = 0.0
    for i in range(n[0]):
        part = w_kkg * kg[i] * (_degc(table, j_kg[i]) - room_degc) * dt
        _lower(kg, j_kg, heat, i, part)
        lost += part
    return lost


@compiled
def _creep(n, kg, j_kg, cold, heat, dt):
    """Heat from each parcel to the colder one below, as through water and wall."""
    for i in range(n[0] - 1):
        apart = j_kg[i + 1] - j_kg[i]
        if apart <= 0.0:
            continue
        metres = (kg[i] + kg[i + 1]) / 2000.0 / _CROSS_M2
        part = min(_W_MK * _CROSS_M2 / metres * apart / 4180.0 * dt, 0.2 * min(kg[i], kg[i + 1]) * apart)
        held = heat[i + 1].sum()
        if held > part:
            moved = heat[i + 1] * (part / held)
            heat[i + 1] -= moved
            heat[i] += moved
            j_kg[i + 1] -= part / kg[i + 1]
            j_kg[i] += part / kg[i]


@compiled
def _settle(n, kg, j_kg, cold, heat):
    """Warmer water rises: parcels that it passes mix with it until all lie in order."""
    i = 0
    while i < n[0] - 1:
        if j_kg[i] <= j_kg[i + 1] + 1.0:
            i += 1
            continue
        first, last = i, i + 1
        mass = kg[i] + kg[i + 1]
        joules = kg[i] * j_kg[i] + kg[i + 1] * j_kg[i + 1]
        while True:
            if first > 0 and j_kg[first - 1] > joules / mass + 1.0:
                first -= 1
                mass, joules = mass + kg[first], joules + kg[first] * j_kg[first]
            elif last < n[0] - 1 and joules / mass > j_kg[last + 1] + 1.0:
                last += 1
                mass, joules = mass + kg[last], joules + kg[last] * j_kg[last]
            else:
                break
        _mix(kg, j_kg, cold, heat, first, last, mass, joules)
        i = last


@compiled
def _mix(kg, j_kg, cold, heat, first, last, mass, joules):
    was_cold, held = 0.0, np.zeros(heat.shape[1])
    for k in range(first, last + 1):
        was_cold += kg[k] * cold[k]
        held += heat[k]
    for k in range(first, last + 1):
        j_kg[k], cold[k] = joules / mass, was_cold / mass
        heat[k] = held * (kg[k] / mass)


@compiled
def _tidy(n, kg, j_kg, cold, heat):
    """Join what is too small, or too like its neighbour, to be a parcel of its own, and cut what is too large."""
    total = 0.0
    for i in range(n[0]):
        total += kg[i]
    i = 0
    while i < n[0] and n[0] > 2:
        above = i + 1 if i + 1 < n[0] else i
        below = i - 1 if i > 0 else i
        other = above
        if above == i or (below != i and abs(j_kg[below] - j_kg[i]) < abs(j_kg[above] - j_kg[i])):
            other = below
        is_alike = abs(j_kg[other] - j_kg[i]) < _ALIKE_J_KG and kg[i] + kg[other] < total / 60.0
        if kg[i] < _LEAST_KG or is_alike or n[0] > _MOST - 40:
            low, high = min(i, other), max(i, other)
            mass = kg[low] + kg[high]
            _mix(kg, j_kg, cold, heat, low, high, mass, kg[low] * j_kg[low] + kg[high] * j_kg[high])
            kg[low] = mass
            heat[low] = heat[low] + heat[high]
            _delete(n, kg, j_kg, cold, heat, high)
            i = max(low - 1, 0)
            continue
        if kg[i] > total / _FEWEST and n[0] < _MOST - 40:
            _insert(n, kg, j_kg, cold, heat, i)
            kg[i], j_kg[i], cold[i] = kg[i + 1] / 2.0, j_kg[i + 1], cold[i + 1]
            heat[i] = heat[i + 1] / 2.0
            kg[i + 1] = kg[i]
            heat[i + 1] = heat[i]
            continue
        i += 1
