"""A tank in numbers: stored heat layer by layer, loss through its walls, and what its balance leaves unexplained."""

from math import isnan

import numpy as np

from analytics.fluids import water
from analytics.layers import LAYERS
from analytics.origins_tank import LayeredCourse
from analytics.origins_water import J_PER_K_KG, KG_PER_M3
from analytics.plant import CELL_S, PlantDay
from analytics.segments import value_at
from analytics.site import Stage, Tank
from analytics.units import kwh_from_j
from analytics.workings.inputs import Part
from analytics.workings.stretches import clock, gap_remarks
from analytics.workings.water import left_part
from analytics.workings.written import (
    Number,
    Step,
    Table,
    Working,
    added,
    amount,
    difference,
    exact,
    kwh,
    multiplied,
    written,
)

__all__ = ["loss_working", "residual_working", "stored_working"]

_LITRE = 1000.0
_KJ = 1000.0


def stored_working(plant: PlantDay, tank: Tank, path: str, followed: LayeredCourse | None) -> Working:
    """
    Change of stored heat, layer by layer.

    Args:
        followed: The tank's layers, where the figure is theirs; else each sensor stands for its part of the tank.
    """
    if followed is not None:
        return _followed_working(plant, tank, path, followed)
    ends_s = np.array([0.0, plant.until_s])
    layers = np.array([value_at(plant.signals[point], ends_s) for point in tank.temperatures])
    litres = tank.volume_l / len(layers)
    rows, terms = [], []
    for point, (start, end) in zip(tank.temperatures, layers, strict=True):
        middle = 0.5 * (start + end)
        row, change = _layer(point, litres, (start, end), _water_at(middle), places=3)
        rows.append(row)
        terms.append((1.0, change))
    table = Table(
        f"Layers of {tank.id}: {tank.volume_l:g} l in {len(layers)} equal parts, a sensor in each, {_times(plant)}",
        ("Sensor", *_LAYER_COLUMNS),
        rows,
        f"{_LAYER_SUM}; density and specific heat of water by the fluid table at the mean of the two.",
    )
    total = kwh(kwh_from_j(plant.tanks[tank.id].stored_change.amount))
    return Working(path, (), [table], [Step("Change of stored heat", added(terms), total)])


_LAYER_COLUMNS = ("l", "kg/l", "kJ/(kg K)", "start °C", "end °C", "kWh")
_LAYER_SUM = "l × kg/l × kJ/(kg K) × (end − start) ÷ 3600 = kWh"


def _followed_working(plant: PlantDay, tank: Tank, path: str, followed: LayeredCourse) -> Working:
    """The layers that the account by origin follows."""
    rows, terms = [], []
    ends = zip(followed.start.sum(axis=1).tolist(), followed.course.end.sum(axis=1).tolist(), strict=True)
    for place, degc in enumerate(ends):
        name = {0: "1, top", LAYERS - 1: f"{LAYERS}, bottom"}.get(place, f"{place + 1}")
        row, change = _layer(name, tank.volume_l / LAYERS, degc, (KG_PER_M3, J_PER_K_KG), places=4)
        rows.append(row)
        terms.append((1.0, change))
    table = Table(
        f"Layers of {tank.id}: {tank.volume_l:g} l in {LAYERS} equal layers, {_times(plant)}",
        ("Layer", *_LAYER_COLUMNS),
        rows,
        f"{_LAYER_SUM}; water at 40 °C by the fluid table. The layers are followed with the water and the heat that "
        "went in and out; every two hours the sensors are held against them. Where the water is layered sharply, a "
        "sensor that may stand a little higher or lower says less.",
    )
    total = kwh(kwh_from_j(followed.change_j))
    return Working(path, (), [table], [Step("Change of stored heat", added(terms), total)])


def _layer(
    name: str, litres: float, degc: tuple[float, float], water_at: tuple[float, float], *, places: int
) -> tuple[tuple[str, ...], Number]:
    """A layer's row, and its change."""
    (start, end), (density, capacity) = degc, water_at
    change = Number(kwh_from_j(litres / _LITRE * density * capacity * (end - start)), places, "kWh")
    shown = (amount(litres, "").text, written(density / _LITRE, 5), written(capacity / _KJ, 4))
    return (name, *shown, written(start, places), written(end, places), written(change.value, places)), change


def _water_at(degc: float) -> tuple[float, float]:
    return float(water().density(degc)), float(water().capacity(degc))


def _times(plant: PlantDay) -> str:
    return f"{clock(plant, 0.0)} to {clock(plant, plant.until_s)}"


def loss_working(plant: PlantDay, tank: Tank, path: str) -> Working:
    """Loss by the stated coefficient over the time that the tank's and the room's temperature are known."""
    day = plant.tanks[tank.id]
    known = ~np.isnan(day.loss_w)
    mean, room = (float(course[known].mean()) for course in (day.mean_degc, day.ambient_degc))
    ua = exact(tank.ua_w_per_k or 0.0, "W/K", name="Loss coefficient", source=f"site file, ua_w_per_k of {tank.id}")
    inside = Number(mean, 3, "°C", "Mean of its sensors", ", ".join(tank.temperatures))
    stated = not isinstance(tank.ambient, str)
    outside = (
        exact(room, "°C", name="Room", source=f"site file, ambient of {tank.id}")
        if stated
        else Number(room, 3, "°C", "Room", str(tank.ambient))
    )
    above = Number(mean - room, 3, "K")
    hours = amount(float(known.sum()) * CELL_S / 3600.0, "h", name="Time for which both are known")
    heat = kwh(kwh_from_j(day.loss.amount))
    steps = [
        Step("Above the room", difference(inside, outside), above),
        Step("Loss", multiplied([ua, above, hours], [exact(1000, "W/kW")]), heat),
    ]
    return Working(path, [ua, inside, outside, hours], (), steps, gap_remarks(plant, day.loss.covered))


def residual_working(plant: PlantDay, tank: Tank, path: str, stored_kwh: float) -> Working:
    """
    Heat in − heat out − stored change − loss.

    Args:
        stored_kwh: The ledger's change of stored heat.
    """
    day, name = plant.tanks[tank.id], f"tanks.{tank.id}"
    terms: list[tuple[float, Number]] = []
    for stage in plant.site.stages.values():
        if stage.tank == tank.id:
            terms += _stage_terms(plant, stage)
    parts = _water_parts(plant, tank)
    terms += [(sign, part.energy) for sign, part in parts]
    terms += [
        (-1.0, kwh(stored_kwh, name="Change of stored heat", source=f"{name}.stored_change")),
        (-1.0, kwh(kwh_from_j(day.loss.amount), name="Lost through the walls", source=f"{name}.loss")),
    ]
    total = kwh(sum(sign * number.value for sign, number in terms))
    inputs = [number for _, number in terms if not number.name.startswith("Heat with")]
    steps = [step for _, part in parts for step in part.steps]
    step = Step("Unexplained: in − out − stored change − loss", added(terms), total)
    return Working(path, [*inputs, *(n for _, part in parts for n in part.inputs)], (), [*steps, step])


def _stage_terms(plant: PlantDay, stage: Stage) -> list[tuple[float, Number]]:
    """Heat that a stage put in, and that its loop took back."""
    name = f"stages.{stage.id}"
    if stage.heater:
        heat = plant.heaters[stage.heater].heat.amount
        return [(1.0, kwh(kwh_from_j(heat), name=f"Put in by {stage.id}", source=f"{name}.heat"))]
    loop = plant.loops[stage.loop or ""]
    put_in = kwh(kwh_from_j(loop.heat.amount), name=f"Put in by {stage.id}", source=f"{name}.heat")
    if isnan(loop.reverse.amount):
        return [(1.0, put_in)]
    taken = kwh(kwh_from_j(loop.reverse.amount), name=f"Taken back by {stage.id}", source=f"{name}.reverse")
    return [(1.0, put_in), (-1.0, taken)]


def _water_parts(plant: PlantDay, tank: Tank) -> list[tuple[float, Part]]:
    """Heat with the water that came from the tank before, and that left this one."""
    path = plant.site.hot_water
    if path is None or tank.id not in path.tanks:
        return []
    index = list(path.tanks).index(tank.id)
    before = [(1.0, left_part(plant, path.tanks[index - 1]))] if index else []
    return [*before, (-1.0, left_part(plant, tank.id))]
