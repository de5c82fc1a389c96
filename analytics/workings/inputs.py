"""What was put in, in numbers: heaters' input and heat, and the electricity of circulators and compressors."""

from dataclasses import dataclass
from math import isnan

from analytics.inputs import pump_signal
from analytics.plant import PlantDay, Signal, Total
from analytics.site import Heater, Loop
from analytics.units import kwh_from_j
from analytics.workings.loops import counter_steps
from analytics.workings.stretches import bridged, counted, drawn, frame_of, gap_remarks
from analytics.workings.written import Number, Step, Working, added, amount, exact, kwh, multiplied

__all__ = [
    "Part",
    "compressor_part",
    "electricity_working",
    "heater_part",
    "heater_working",
    "pump_part",
    "sum_working",
]

_KW = exact(1000, "W/kW")


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a sum: its amounts and sums, its energy, and what is to be said of it."""

    inputs: list[Number]
    steps: list[Step]
    energy: Number
    remarks: list[str]


def _by_meter(plant: PlantDay, signal: Signal, total: Total, *, what: str) -> Part:
    """Energy by a power meter, as mean power × hours, or by a counter's two readings."""
    frame, point = frame_of(plant), signal.point.id
    energy = kwh(kwh_from_j(total.amount), name=what, source=point)
    if signal.point.sampling == "counter":
        numbers, text = counter_steps(plant, point, counted(signal, frame), unit="kWh", scale=kwh_from_j(1.0), digits=3)
        return Part(numbers, [Step(what, text, energy)], energy, gap_remarks(plant, total.covered, counts=True))
    found = drawn(signal, frame)
    remarks = gap_remarks(plant, total.covered, bridged_j=found.bridged_j)
    if found.hours == 0.0:
        return Part([], [Step(what, "0.000 kWh", energy)], energy, [f"{point} drew nothing.", *remarks])
    power = amount(found.mean_w, "W", name=f"{what}: mean power while it drew any", source=point)
    hours = amount(found.hours, "h", name=f"{what}: time in which it drew any", source=point)
    return Part([power, hours], [Step(what, multiplied([power, hours], [_KW]), energy)], energy, remarks)


def _by_status(plant: PlantDay, signal: Signal, total: Total, *, rated_w: float, stated: str, what: str) -> Part:
    """Stated power × the time in which a status says on."""
    hours_on = total.amount / rated_w / 3600.0 if rated_w else 0.0
    power = exact(rated_w, "W", name=f"{what}: power while on", source=f"site file, {stated}")
    hours = amount(hours_on, "h", name=f"{what}: time on", source=signal.point.id)
    energy = kwh(kwh_from_j(total.amount), name=what, source=signal.point.id)
    pieces = frame_of(plant).pieces(signal)
    late_j = float(pieces.amount[bridged(signal, pieces)].sum()) * rated_w
    remarks = gap_remarks(plant, total.covered, bridged_j=late_j)
    return Part([power, hours], [Step(what, multiplied([power, hours], [_KW]), energy)], energy, remarks)


def heater_part(plant: PlantDay, heater: Heater, *, what: str = "Energy put in") -> Part:
    """A heater's input: electricity or fuel."""
    signal, total = plant.signals[heater.power or heater.status or ""], plant.heaters[heater.id].input
    if heater.power is not None:
        return _by_meter(plant, signal, total, what=what)
    stated = f"rated_w of heater {heater.id}"
    return _by_status(plant, signal, total, rated_w=heater.rated_w or 0.0, stated=stated, what=what)


def heater_working(plant: PlantDay, heater: Heater, path: str) -> Working:
    """A heater's heat: input × efficiency."""
    part = heater_part(plant, heater)
    efficiency = exact(heater.efficiency, "1", name="Efficiency", source=f"site file, heater {heater.id}")
    heat = kwh(kwh_from_j(plant.heaters[heater.id].heat.amount))
    steps = [*part.steps, Step("Heat", multiplied([part.energy, efficiency]), heat)]
    return Working(path, [*part.inputs, efficiency], (), steps, part.remarks)


def pump_part(plant: PlantDay, loop: Loop) -> Part | None:
    """A circulator's electricity; None where it is not known."""
    total, signal = plant.loops[loop.id].pump_elec, pump_signal(loop, plant.signals)
    if isnan(total.amount) or signal is None:
        return None
    what = f"Pump of loop {loop.id}"
    if signal.point.quantity == "power":
        return _by_meter(plant, signal, total, what=what)
    stated = f"pump_power_w of loop {loop.id}"
    return _by_status(plant, signal, total, rated_w=loop.pump_power_w or 0.0, stated=stated, what=what)


def compressor_part(plant: PlantDay, heat_pump: str) -> Part:
    """All that a heat pump's compressor drew over the day."""
    signal = plant.signals[plant.site.heat_pumps[heat_pump].power]
    return _by_meter(plant, signal, plant.heat_pumps[heat_pump].elec, what=f"Compressor of {heat_pump}")


def electricity_working(plant: PlantDay, path: str) -> Working:
    """`electricity.heaters`, `.heat_pumps` or `.pumps`: each one's, and their sum."""
    kind = path.rpartition(".")[2]
    if kind == "heaters":
        electric = [h for h in plant.site.heaters.values() if h.kind == "electric"]
        return sum_working(path, [heater_part(plant, h, what=f"Heater {h.id}") for h in electric], none="heater")
    if kind == "heat_pumps":
        return sum_working(path, [compressor_part(plant, pump) for pump in plant.heat_pumps], none="heat pump")
    parts = [pump_part(plant, loop) for loop in plant.site.loops.values()]
    return sum_working(path, [part for part in parts if part is not None], none="pump")


def sum_working(path: str, parts: list[Part], *, none: str, what: str = "Together") -> Working:
    """The sum of some parts, each with its own working."""
    if not parts:
        return Working(path, (), (), [Step(what, "0.000 kWh", kwh(0.0))], [f"There is no {none} to count."])
    steps = [step for part in parts for step in part.steps]
    total = kwh(sum(part.energy.value for part in parts))
    steps.append(Step(what, added([(1.0, part.energy) for part in parts]), total))
    remarks = [
        f"{part.energy.name}: {remark}" if len(parts) > 1 else remark for part in parts for remark in part.remarks
    ]
    return Working(path, [number for part in parts for number in part.inputs], (), steps, remarks)
