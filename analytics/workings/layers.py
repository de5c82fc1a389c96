"""
A tank's heat by origin, so that it can be followed: its account, its layers at both ends, what left it, and the mix
that the day's largest draw took.

The account goes in quarters of an hour (`analytics.origins_tank`); each layer is a sum of kelvins by origin above the
temperature at which its water came from the main. What a draw took of each layer is asked of the same account, with
layers that are told apart.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analytics.layers import LAYERS, Charge, Quiet, Store, Water, follow_ways
from analytics.origins_mixed import MixedCourse
from analytics.origins_state import CARRIED_OVER
from analytics.origins_tank import LayeredCourse
from analytics.origins_water import J_PER_K_KG, KG_PER_M3
from analytics.site import Tank
from analytics.workings.rows import largest_and_rest
from analytics.workings.written import Number, Step, Table, added, amount, exact, kwh, multiplied, written

__all__ = [
    "Taken",
    "TankSums",
    "account_table",
    "layer_sums",
    "layer_tables",
    "left_table",
    "mixed_draw",
    "taken",
    "taken_step",
    "taken_table",
]

Array = NDArray[np.float64]

_KWH_PER_KG_K = J_PER_K_KG / 3.6e6
_SAME_KWH = 5e-4
_LEAST_KG = 5e-4
_LEAST_K = 5e-4
_MUCH_KG_K = 100.0
_LEAST_LEFT_KWH = 5e-5
_LEAST_SHARE = 5e-5
_TAKEN_FROM = (*(f"{k + 1}" for k in range(LAYERS)), "went through")


@dataclass(frozen=True, slots=True)
class TankSums:
    """A tank's sums over the day by origin [kWh]: start + put in + came = passed + lost + end."""

    tank: str
    start: Array
    put_in: Array
    came: Array
    passed: Array
    lost: Array
    end: Array

    @property
    def columns(self) -> tuple[Array, ...]:
        return self.start, self.put_in, self.came, self.passed, self.lost, self.end

    @property
    def present(self) -> list[int]:
        """Origins that have any part in it."""
        return _present(np.stack(self.columns), least=_SAME_KWH)


def _present(rows: Array, *, least: float) -> list[int]:
    """Columns of which any value is as much as can be shown."""
    return np.flatnonzero(np.max(np.abs(rows), axis=0) >= least).tolist()


def account_table(sums: TankSums, origins: Sequence[str]) -> Table:
    """The tank's day by origin."""
    rows = [(origins[k], *(written(float(column[k]), 3) for column in sums.columns)) for k in sums.present]
    rows.append(("together", *(written(float(column.sum()), 3) for column in sums.columns)))
    note = (
        "at the start + put in + came with the water − passed on − lost = at the end, in kWh above the water of the "
        "main as it entered; lost are the walls' loss and what meters and sensors found less than the account, or more."
    )
    columns = ("Origin", "at the start", "put in", "came with the water", "passed on", "lost", "at the end")
    return Table(f"Heat in {sums.tank} by origin, kWh", columns, rows, note)


def layer_tables(tank: str, found: LayeredCourse, sums: TankSums, origins: Sequence[str]) -> list[Table]:
    """The layers at both ends of the day, each temperature as a sum."""
    shown = _shown(found, sums)
    return [
        _layers(f"Layers by origin: {tank} at the {when}", layers, shown, origins)
        for when, layers in (("start", found.start), ("end", found.course.end))
    ]


def _shown(found: LayeredCourse, sums: TankSums) -> list[int]:
    """Origins that have any part in the layers, or in the tank's sums."""
    return sorted({*sums.present, *_present(np.vstack((found.start, found.course.end))[:, :-1], least=_LEAST_K)})


def _layers(title: str, layers: Array, present: Sequence[int], origins: Sequence[str]) -> Table:
    rows = []
    for place, layer in enumerate(layers):
        name = {0: "1, top", len(layers) - 1: f"{len(layers)}, bottom"}.get(place, f"{place + 1}")
        rows.append((name, *(written(float(x), 3) for x in (layer.sum(), layer[-1], *layer[present]))))
    totals = [written(float(layers[:, k].sum()), 3) for k in present]
    rows.append(("sum", "—", "—", *totals))
    note = (
        "°C = main °C + the origins' kelvins; main °C is what the layer's water had when it entered. Heat of an origin "
        "is the sum of its column × the mass of a layer × specific heat."
    )
    return Table(title, ("Layer", "°C", "main °C", *(f"{origins[k]} K" for k in present)), rows, note)


def layer_sums(
    tank: Tank, found: LayeredCourse, sums: TankSums, *, which: Sequence[int], origin: str
) -> tuple[list[Number], list[Step]]:
    """An origin's heat in the tank at both ends, from its column's sum; the amounts that it needs."""
    litres = exact(tank.volume_l, "l", name=f"Volume of {tank.id}", source=f"site file, volume_l of {tank.id}")
    density = Number(KG_PER_M3 / 1e3, 5, "kg/l", "Density of stored water", "fluid table, water at 40 °C")
    capacity = Number(J_PER_K_KG / 1e3, 4, "kJ/(kg K)", "Specific heat of stored water", "fluid table, water at 40 °C")
    layer = amount(found.layer_kg, "kg")
    steps, shown = [], _shown(found, sums)
    for when, layers, heat in (("start", found.start, sums.start), ("end", found.course.end, sums.end)):
        kelvins = [Number(float(layers[:, k].sum()), 3, "K") for k in which if k in shown]
        kelvins = [each for each in kelvins if abs(each.value) >= _LEAST_K]
        if kelvins:
            column = kelvins[0].text if len(kelvins) == 1 else f"({added([(1.0, each) for each in kelvins])})"
            rest = multiplied([layer, capacity], [exact(3600, "kJ/kWh")])
            expression = f"{column} × {rest}"
            steps.append(Step(f"{origin} in {tank.id} at the {when}", expression, kwh(float(heat[list(which)].sum()))))
    if not steps:
        return [], []
    number = exact(LAYERS, "", name="Layers that a tank is followed in", source="account of origins")
    mass = Step(f"Mass of a layer of {tank.id}", multiplied([litres, density], [number]), layer)
    return [litres, number, density, capacity], [mass, *steps]


def left_table(
    sums: TankSums, left_kwh: Array, kg: Array, *, names: Sequence[str], origins: Sequence[str]
) -> Table | None:
    """
    What the water that left a tank carried, quarter hour by quarter hour.

    Args:
        left_kwh: By quarter hours and origins, above the main as the water entered. (blocks, origins)
        kg: Water that moved. (blocks,)
        names: The clock at each quarter hour's start.
    """
    blocks = np.flatnonzero(kg > 0.0)
    if not len(blocks):
        return None
    alone, rest = largest_and_rest([float(kg[block]) for block in blocks])
    groups = [(names[blocks[k]], blocks[[k]]) for k in alone]
    if rest:
        groups.append((f"{len(rest)} smaller", blocks[rest]))
    groups.append(("together", blocks))
    present = _present(np.abs(left_kwh).sum(axis=0, keepdims=True), least=_LEAST_LEFT_KWH)
    rows = [
        (
            name,
            written(float(kg[g].sum()), 2),
            *(written(float(left_kwh[g][:, k].sum()), 4) for k in present),
            written(float(left_kwh[g].sum()), 4),
        )
        for name, g in groups
    ]
    note = "The origins' kWh add up to the last column; together is what the tank passed on."
    columns = ("From", "kg", *(f"{origins[k]} kWh" for k in present), "all kWh")
    return Table(f"Water that left {sums.tank}, by quarters of an hour", columns, rows, note)


@dataclass(frozen=True, slots=True)
class Taken:
    """
    What a quarter hour's water was made of: of both ways in which a tank is followed, with the weight of either.

    Args:
        layers: The layers before it, and the water that entered meanwhile. (LAYERS + 1, columns) [K]
        kg: Of each of them, what left. (LAYERS + 1,)
        plug_part: The weight of plug flow.
    """

    layers: Array
    kg: Array
    plug_part: float


def taken(found: LayeredCourse, step: int) -> Taken:
    """What left a layered tank in a step, and from where."""
    part = found.course.likeness.part
    before = follow_ways(_until(found.store, step), found.start)
    kg, heat = np.zeros(LAYERS + 1), np.zeros((LAYERS + 1, found.start.shape[1]))
    for is_plug, weight in enumerate((1.0 - part, part)):
        end = before[is_plug].end
        mine_kg = weight * found.layer_kg * _parts_taken(found.store, end, step, is_plug=bool(is_plug))
        kg += mine_kg
        heat += mine_kg[:, None] * np.vstack((end, found.store.water.entering[step]))
    layers = np.divide(heat, kg[:, None], out=np.zeros_like(heat), where=kg[:, None] != 0.0)
    return Taken(layers, kg, part)


def _parts_taken(store: Store, before: Array, step: int, *, is_plug: bool) -> Array:
    """What leaves in a step of each layer and of what enters, told apart by columns of their own. (LAYERS + 1,)"""
    water, quiet, told_apart = store.water, store.quiet, np.eye(LAYERS + 1)
    rest = Quiet(
        np.zeros(1, np.bool_),
        0.0,
        0.0,
        np.zeros(1),
        quiet.pull,
        quiet.at_sensor,
        quiet.sensors_degc[:1],
        quiet.around_sensor,
        np.zeros(1),
    )
    entering = np.hstack((water.entering[step], told_apart[-1]))[None]
    probe = Store(Water(water.layers[step : step + 1], entering), (), rest, 0, store.slack_k[:1])
    way = follow_ways(probe, np.hstack((before, told_apart[:-1])))[is_plug]
    return np.asarray(way.leaving[0, before.shape[1] :])


def _until(store: Store, step: int) -> Store:
    """The same tank up to a step."""
    quiet = store.quiet
    water = store.water
    gained_k = None if water.gained_k is None else water.gained_k[:step]
    return Store(
        Water(water.layers[:step], water.entering[:step], gained_k),
        [_charge_until(charge, step) for charge in store.charges],
        replace(
            quiet,
            due=quiet.due[:step],
            room_degc=quiet.room_degc[:step],
            sensors_degc=quiet.sensors_degc[:step],
            renews=None if quiet.renews is None else quiet.renews[:step],
        ),
        store.room,
        store.slack_k[:step],
    )


def _charge_until(charge: Charge, step: int) -> Charge:
    fluid, lift_k, turned = charge.fluid_degc, charge.lift_k, charge.turned
    return replace(
        charge,
        rise_k=charge.rise_k[:step],
        fluid_degc=None if fluid is None else fluid[:step],
        lift_k=None if lift_k is None else lift_k[:step],
        turned=None if turned is None else turned[:step],
    )


def taken_table(found: Taken, *, tank: str, mine_k: Array, cold_degc: float, origin: str) -> Table:
    """
    What a draw's water was made of, layer by layer, and how much of its heat is an origin's.

    Args:
        mine_k: Of each layer, the origin's kelvins above the main of now. (LAYERS + 1,)
        cold_degc: The main of now.
    """
    degc, kg = found.layers.sum(axis=1), _shown_kg(found)
    names, mine, every = _TAKEN_FROM, kg * mine_k, kg * (degc - cold_degc)
    rows = []
    for k in np.flatnonzero(kg):
        of_layer = (written(float(x[k]), 3) for x in (kg, degc, mine_k))
        rows.append((names[int(k)], *of_layer, *_kg_k(mine[k], every[k], of=every.sum())))
    sums = _kg_k(mine.sum(), every.sum(), of=every.sum())
    rows.append(("together", written(float(kg.sum()), 3), "—", "—", *sums))
    note = (
        f"kg × {origin} K = {origin} kg K; kg × (°C − {cold_degc:.3f}) = all kg K, above the main then. Of this "
        f"draw {found.plug_part:.0%} count as from plug flow, in which water keeps its order, and the rest as from a "
        "stirred tank: its sensors tell which it is more like."
    )
    if origin == CARRIED_OVER:
        note += " What the room gave, and what a change of the main's temperature makes, counts as carried over."
    columns = ("Layer", "kg", "°C", f"{origin} K", f"{origin} kg K", "all kg K")
    return Table(f"What the largest draw took from {tank}, layer by layer", columns, rows, note)


def _shown_kg(found: Taken) -> Array:
    """What left of each layer, without what is hardly any."""
    return np.where(found.kg >= _LEAST_KG, found.kg, 0.0)


def _kg_k(mine: float, every: float, *, of: float) -> tuple[str, str]:
    """Kilograms × kelvins of an origin and of all, with more places where all of the draw is little."""
    places = 2 if abs(of) >= _MUCH_KG_K else 5
    return written(float(mine), places), written(float(every), places)


def taken_step(found: Taken, *, mine_k: Array, cold_degc: float, origin: str) -> Step:
    """The origin's share of a draw's heat."""
    kg = _shown_kg(found)
    mine, every = float(kg @ mine_k), float(kg @ (found.layers.sum(axis=1) - cold_degc))
    expression = " ÷ ".join(_kg_k(mine, every, of=every))
    return Step(f"Share of {origin} in the largest draw", expression, Number(mine / every, 4))


def mixed_draw(
    course: MixedCourse, block: int, *, which: Sequence[int], origins: Sequence[str], title: str
) -> tuple[Table, Step]:
    """Of a mixed store, what a quarter hour's water was made of: the mean of the mix before and after."""
    ends = course.mix[block : block + 2]
    mean = ends.mean(axis=0)
    rows = [
        (origins[k], *(written(float(x), 4) for x in (ends[0][k], ends[1][k], mean[k])))
        for k in np.flatnonzero(mean >= _LEAST_SHARE).tolist()
    ]
    table = Table(title, ("Origin", "before", "after", "mean"), rows, "(before + after) ÷ 2 = mean.")
    shares = [(1.0, Number(float(mean[k]), 4)) for k in which if mean[k] >= _LEAST_SHARE]
    share = Number(float(mean[list(which)].sum()), 4)
    return table, Step(f"Share of {origins[which[-1]]} in the largest draw", added(shares), share)
