"""
A loop's heat in numbers: volume moved × density × specific heat × temperature difference, or a counter's two readings.

The readings are gone through once more here, apart from `analytics.metering`: each end of each piece of time stands
for some seconds, with its flow and its two temperatures.
"""

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from analytics.ends_told import by_means, ends_told, ran_part
from analytics.fluids import Fluid, fluid_of, heat_per_volume
from analytics.frame import DayFrame
from analytics.inputs import is_running
from analytics.moving_fluid import loop_temperatures, loop_temperatures_at_instants
from analytics.plant import LoopDay, PlantDay, Signal
from analytics.segments import Pieces, value_at
from analytics.site import Loop
from analytics.units import kwh_from_j
from analytics.workings.stretches import Counted, bridged, clock, counted, frame_of, gap_remarks
from analytics.workings.written import Number, Step, Working, added, amount, difference, exact, kwh, multiplied

__all__ = ["counter_steps", "loop_working"]

Array = NDArray[np.float64]

_KJ = 1000.0
_LITRE = 1000.0


@dataclass(frozen=True, slots=True)
class _LoopHeat:
    """
    What a loop moved while its heat went one way.

    Args:
        volume_m3: By the flow's meter, or by the assumed flow.
        density_kg_m3: Of the volume, where it is metered.
        capacity_j_kg_k: Enthalpy difference per kelvin, weighted as the heat is.
        entering_degc, leaving_degc: Weighted by mass.
        table_j_kg_k: The fluid table's specific heat at the mean of the two.
        hours: In which it went that way.
        bridged_j: Part of the heat between readings that came late.
    """

    volume_m3: float
    density_kg_m3: float
    capacity_j_kg_k: float
    entering_degc: float
    leaving_degc: float
    table_j_kg_k: float
    hours: float
    heat_j: float
    bridged_j: float


@dataclass(frozen=True, slots=True)
class _LoopSums:
    """Amounts and sums of a loop's heat one way; `bridged_j` of it lie between readings that came late."""

    inputs: list[Number]
    steps: list[Step]
    bridged_j: float


@dataclass(frozen=True, slots=True)
class _Ends:
    """Both ends of each piece: seconds, flow, temperatures in its way, heat per volume. Shape (2, pieces) each"""

    seconds: Array
    flow_m3_s: Array
    entering_degc: Array
    leaving_degc: Array
    meter_degc: Array
    j_per_m3: Array
    known: NDArray[np.bool_]
    bridged: NDArray[np.bool_]


def _counts_heat(plant: PlantDay, loop: Loop) -> Signal | None:
    """The heat meter's counter that a loop's heat is read from, where it has one that spoke."""
    signal = plant.signals.get(loop.energy) if loop.energy else None
    return signal if signal is not None and len(signal.time_s) else None


def _moved(plant: PlantDay, loop: Loop, *, gives: bool) -> _LoopHeat | None:
    """What the loop moved while it gave heat to the fluid, or took it; None where it did not."""
    frame, mix = frame_of(plant), plant.site.fluids[loop.fluid]
    fluid = fluid_of(mix.kind, mix.mass_percent)
    ends = _ends(plant, loop, fluid=fluid, frame=frame)
    if ends is None:
        return None
    sign = 1.0 if gives else -1.0
    rate = sign * np.nan_to_num(ends.flow_m3_s * ends.j_per_m3)
    here = ends.known & (rate > 0) & (ends.seconds > 0)
    if not here.any():
        return None
    volume = (ends.seconds * ends.flow_m3_s)[here]
    heat = (ends.seconds * rate)[here]
    sides = ends.entering_degc[here], ends.leaving_degc[here]
    mass = volume * fluid.density(ends.meter_degc[here])
    entering, leaving = (float(mass @ side / mass.sum()) for side in sides)
    return _LoopHeat(
        volume_m3=float(volume.sum()),
        density_kg_m3=float(mass.sum() / volume.sum()),
        capacity_j_kg_k=float(heat.sum() / (mass.sum() * sign * (leaving - entering))),
        entering_degc=entering,
        leaving_degc=leaving,
        table_j_kg_k=float(fluid.capacity(0.5 * (entering + leaving))),
        hours=float(ends.seconds[here].sum()) / 3600.0,
        heat_j=float(heat.sum()),
        bridged_j=float((ends.seconds * rate)[here & ends.bridged].sum()),
    )


def _ends(plant: PlantDay, loop: Loop, *, fluid: Fluid, frame: DayFrame) -> _Ends | None:
    meter = plant.signals.get(loop.flow or loop.pump or "")
    sensors = [plant.signals.get(point or "") for point in (loop.entering, loop.leaving)]
    if meter is None or len(meter.time_s) == 0 or sensors[0] is None or sensors[1] is None:
        return None
    pieces = _flow_pieces(loop, meter, frame)
    moving = (pieces.first != 0) | (pieces.last != 0)
    flow, sampling = np.stack((pieces.first, pieces.last)), meter.point.sampling
    tell = partial(ends_told, plant.site, loop, plant.signals, pieces, sampling=sampling, frame=frame)
    told = tell(flow) if by_means(sampling, [each for each in sensors if each]) else None
    degc = []
    for sensor in sensors:
        assert sensor is not None
        first, last = (value_at(sensor, at) for at in (pieces.start_s, pieces.end_s))
        if sampling != "instant":
            first[moving], last[moving] = loop_temperatures(sensor, pieces.only(moving))
        elif told is not None:
            ran = ran_part(pieces, told)[moving]
            first[moving], last[moving] = loop_temperatures_at_instants(sensor, pieces.only(moving), ran=ran)
        degc.append(np.stack((first, last)))
    per_m3 = heat_per_volume(degc[0], degc[1], fluid=fluid, flow_side=loop.flow_side)
    rate = np.where(flow != 0, flow * per_m3, 0.0)
    weight = (told or tell(rate)).weight
    seconds = np.stack((1.0 - weight, weight)) * pieces.length_s
    known = pieces.covered(meter.max_gap_s) & ~np.isnan(rate.sum(axis=0))
    both = np.stack((known, known)), np.stack([bridged(meter, pieces)] * 2)
    # Fluid that runs backwards enters where it leaves otherwise.
    turned = flow < 0
    entering, leaving = np.where(turned, degc[1], degc[0]), np.where(turned, degc[0], degc[1])
    at_meter = degc[0] if loop.flow_side == "entering" else degc[1]
    return _Ends(seconds, np.abs(flow), entering, leaving, at_meter, np.where(turned, -per_m3, per_m3), *both)


def _flow_pieces(loop: Loop, meter: Signal, frame: DayFrame) -> Pieces:
    pieces = frame.pieces(meter)
    if loop.flow:
        return pieces
    assumed_m3_s = (loop.assumed_flow_l_per_s or 0.0) / _LITRE
    first, last = (
        is_running(end, loop.pump_power_w, meter.point.quantity) * assumed_m3_s for end in (pieces.first, pieces.last)
    )
    return Pieces(pieces.start_s, pieces.end_s, first, last)


def counter_steps(
    plant: PlantDay, point: str, reading: Counted, *, unit: str, scale: float, digits: int
) -> tuple[list[Number], str]:
    """A counter's two readings as inputs, and their difference as an expression."""
    ends = (("at the start", reading.first, reading.start_s), ("at the end", reading.last, reading.end_s))
    numbers = [
        Number(value * scale, digits, unit, f"Counter {when}, {clock(plant, second)}", point)
        for when, value, second in ends
    ]
    return numbers, added([(1.0, numbers[1]), (-1.0, numbers[0])])


def _loop_sums(plant: PlantDay, loop: Loop, *, gives: bool, what: str) -> _LoopSums | None:
    """The heat that a loop gave to its fluid, or took from it, by its flow; None where it did not."""
    moved = _moved(plant, loop, gives=gives)
    if moved is None:
        return None
    fluid = plant.site.fluids[loop.fluid]
    mix = fluid.kind if fluid.kind == "water" else f"{fluid.kind} {fluid.mass_percent:g} %"
    inputs, steps, volume = _volume(loop, moved)
    leaving = Number(moved.leaving_degc, 3, "°C", "Leaving, mean by mass", loop.leaving or "")
    entering = Number(moved.entering_degc, 3, "°C", "Entering, mean by mass", loop.entering or "")
    sign = 1.0 if gives else -1.0
    rise = Number(sign * (moved.leaving_degc - moved.entering_degc), 3, "K")
    at = f"fluid table, {mix}, at the {loop.flow_side} side"
    density = Number(moved.density_kg_m3 / _LITRE, 5, "kg/l", "Density", at)
    table = (
        f"fluid table, {mix}: enthalpy difference per kelvin ({moved.table_j_kg_k / _KJ:.4f} at the mean temperature)"
    )
    capacity = Number(moved.capacity_j_kg_k / _KJ, 4, "kJ/(kg K)", "Specific heat", table)
    inputs += [density, capacity, leaving, entering]
    between = difference(leaving, entering) if gives else difference(entering, leaving)
    steps.append(Step("Temperature difference", between, rise))
    heat = kwh(kwh_from_j(moved.heat_j))
    steps.append(Step(what, multiplied([volume, density, capacity, rise], [exact(3600, "kJ/kWh")]), heat))
    return _LoopSums(inputs, steps, moved.bridged_j)


def _volume(loop: Loop, moved: _LoopHeat) -> tuple[list[Number], list[Step], Number]:
    """The volume, metered or assumed."""
    volume = _litres(moved.volume_m3 * _LITRE)
    if loop.flow:
        return [_litres(volume.value, f"Volume moved in {moved.hours:.2f} h", loop.flow)], [], volume
    hours = amount(moved.hours, "h", name="Time in which the pump ran", source=loop.pump or "")
    stated = f"site file, assumed_flow_l_per_s of loop {loop.id}"
    flow = exact(loop.assumed_flow_l_per_s or 0.0, "l/s", name="Assumed flow", source=stated)
    return [hours, flow], [Step("Volume moved", multiplied([hours, flow, exact(3600, "s/h")]), volume)], volume


def _litres(litres: float, name: str = "", source: str = "") -> Number:
    if litres > _LITRE:
        return Number(litres, 1, "l", name, source)
    return amount(litres, "l", name=name, source=source)


def loop_working(plant: PlantDay, day: LoopDay, path: str, *, gives: bool) -> Working:
    """The heat that a loop's component gave to the fluid over the day, or the heat that it took back."""
    loop = plant.site.loops[day.loop]
    total = day.heat if gives else day.reverse
    counter = _counts_heat(plant, loop)
    if counter is not None and gives:
        numbers, text = counter_steps(
            plant, loop.energy or "", counted(counter, frame_of(plant)), unit="kWh", scale=kwh_from_j(1.0), digits=3
        )
        step = Step("Heat by the heat meter", text, kwh(kwh_from_j(total.amount)))
        return Working(path, numbers, (), [step], gap_remarks(plant, total.covered, counts=True))
    found = _loop_sums(plant, loop, gives=gives, what="Heat" if gives else "Heat taken")
    if found is None:
        remark = f"It {'gave no heat' if gives else 'took no heat back'} at any time that was read."
        step = Step("Heat" if gives else "Heat taken", "0.000 kWh", kwh(0.0))
        return Working(path, (), (), [step], [remark, *gap_remarks(plant, total.covered)])
    remarks = gap_remarks(plant, total.covered, bridged_j=found.bridged_j)
    return Working(path, found.inputs, (), found.steps, remarks)
