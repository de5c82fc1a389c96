"""Faults that can be put into a virtual house: what breaks, when it starts, when it is mended."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from ingest.virtual.layout import EFFECTS, NEUTRAL

__all__ = ["FAULTS", "Fault", "FaultKind", "effects_at", "parse_fault"]

_FOREVER_MS = 2**62


@dataclass(frozen=True)
class FaultKind:
    """
    One way of breaking.

    Args:
        about: One line for a list.
        effects: What it changes in the plant, by name of the effect.
        sensor: What it does to readings: stuck, offset, missing, swapped, silent; "" where the plant itself breaks.
        roles: Stage roles that the house must have for the fault to show; empty where any house will do.
    """

    about: str
    effects: Mapping[str, float] = field(default_factory=dict)
    sensor: str = ""
    roles: Sequence[str] = ()


FAULTS: Mapping[str, FaultKind] = MappingProxyType(
    {
        "collector-pump-dead": FaultKind(
            "the solar circulator is called and does not turn", {"sun_flow": 0.0, "sun_pump_elec": 0.0}, roles=("sun",)
        ),
        "collector-air-lock": FaultKind(
            "air in the solar loop: the pump turns and almost nothing moves",
            {"sun_flow": 0.06, "sun_pump_elec": 0.7},
            roles=("sun",),
        ),
        "collector-pump-always": FaultKind(
            "the solar pump's relay is stuck closed", {"sun_relay_stuck": 1.0}, roles=("sun",)
        ),
        "collector-check-valve-leaks": FaultKind(
            "at night tank heat flows to the roof through the check valve", {"night_flow": 1.2e-5}, roles=("sun",)
        ),
        "collector-soiled": FaultKind("dirt or a grown tree takes 45 % of the sun", {"soiling": 0.55}, roles=("sun",)),
        "collector-fouled": FaultKind("dust takes 20 % of the sun", {"soiling": 0.8}, roles=("sun",)),
        "desuperheater-pump-dead": FaultKind(
            "the desuperheater's circulator does not turn", {"dsh_flow": 0.0, "dsh_pump_elec": 0.0}, roles=("dsh",)
        ),
        "element-stuck-on": FaultKind(
            "the element's contactor is welded: only the cut-out stops it",
            {"element_stuck_on": 1.0},
            roles=("element",),
        ),
        "element-burnt-out": FaultKind(
            "the element, or the heater in passing, is called and gives nothing",
            {"element_power": 0.0},
            roles=("element", "passing"),
        ),
        "mixing-valve-hot": FaultKind("the mixing valve lets tank-hot water through", {"mixing_hot": 1.0}),
        "mixing-valve-cold": FaultKind("the mixing valve is jammed toward cold", {"mixing_cold": 1.0}),
        "heat-pump-low-charge": FaultKind(
            "refrigerant is missing: less heat for nearly the same electricity",
            {"heat_pump_capacity": 0.62, "heat_pump_elec": 0.93},
            roles=("dsh", "load"),
        ),
        "heat-pump-short-cycles": FaultKind(
            "a pressure switch trips the compressor after a few minutes", {"short_cycle": 1.0}, roles=("dsh", "load")
        ),
        "heat-pump-off": FaultKind(
            "the heat pump has tripped: only its controls take power", {"heat_pump_off": 1.0}, roles=("dsh", "load")
        ),
        "ground-loop-weak": FaultKind(
            "glycol has been lost: less flow, less contact with the ground",
            {"ground_contact": 0.35, "source_flow": 0.45},
            roles=("dsh", "load"),
        ),
        "load-pump-dead": FaultKind(
            "the circulator between heat pump and tank does not turn",
            {"load_flow": 0.0, "load_pump_elec": 0.0},
            roles=("load",),
        ),
        "boiler-lockout": FaultKind("the boiler is called and makes no heat", {"boiler_power": 0.0}, roles=("boiler",)),
        "tap-left-running": FaultKind("a tap or a leak runs without pause", {"leak": 0.022}),
        "insulation-wet": FaultKind("the tanks lose four times the heat", {"tank_ua": 4.0}),
        "sensor-stuck": FaultKind("a sensor repeats its last value", sensor="stuck"),
        "sensor-offset": FaultKind("a sensor reads 4 too high", sensor="offset"),
        "sensor-missing": FaultKind("a sensor says nothing", sensor="missing"),
        "sensors-swapped": FaultKind("two sensors have changed places", sensor="swapped"),
        "gateway-silent": FaultKind("nothing leaves the house", sensor="silent"),
    }
)
"""Every fault, by name."""


@dataclass(frozen=True, kw_only=True)
class Fault:
    """
    A fault in one house from `start_ms` to `end_ms` (UTC milliseconds).

    Args:
        points: Whose readings a sensor fault spoils: one point, or two for "sensors-swapped".
    """

    name: str
    start_ms: int
    end_ms: int = _FOREVER_MS
    points: Sequence[str] = ()

    @property
    def kind(self) -> FaultKind:
        return FAULTS[self.name]


def parse_fault(text: str) -> Fault:
    """
    A fault from a command line: NAME@START or NAME@START..END, sensor faults NAME:POINT[,POINT]@START...

    Raises:
        ValueError: With what is wrong and what would be right.
    """
    named, at, when = text.partition("@")
    name, _, points = named.partition(":")
    if name not in FAULTS:
        raise ValueError(f"{name!r} is not a fault; the faults are {', '.join(FAULTS)}")
    if not at:
        raise ValueError(f"fault {text!r} has no start; write {name}@2026-01-05T10:00 or {name}@START..END")
    start, _, end = when.partition("..")
    listed = tuple(point for point in points.split(",") if point)
    needed = {"swapped": 2, "stuck": 1, "offset": 1, "missing": 1}.get(FAULTS[name].sensor, 0)
    if len(listed) != needed:
        raise ValueError(f"{name} wants {needed} point(s), {len(listed)} given; write {name}:POINT@START")
    return Fault(name=name, start_ms=_instant(start), end_ms=_instant(end) if end else _FOREVER_MS, points=listed)


def _instant(text: str) -> int:
    try:
        at = datetime.fromisoformat(text)
    except ValueError as error:
        raise ValueError(f"{text!r} is not an instant; write 2026-01-05T10:00, UTC where it has no offset") from error
    return round((at if at.tzinfo else at.replace(tzinfo=UTC)).timestamp() * 1000)


def effects_at(faults: Sequence[Fault], time_ms: int) -> NDArray[np.float64]:
    """What the faults of an instant change in the plant. (effects,)"""
    changed = dict(NEUTRAL)
    for fault in faults:
        if fault.start_ms <= time_ms < fault.end_ms:
            changed.update(fault.kind.effects)
    return np.array([changed[name] for name in EFFECTS])
