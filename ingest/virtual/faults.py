"""Faults that can be put into a virtual house: what breaks, when it starts, when it is mended."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from difflib import get_close_matches
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from ingest.virtual.layout import EFFECTS, NEUTRAL

__all__ = ["FAULTS", "Fault", "FaultKind", "effects_at", "parse_fault"]

_FOREVER_MS = 2**62
_DAY_MS = 86_400_000


@dataclass(frozen=True)
class FaultKind:
    """
    One way of breaking.

    Args:
        about: One line for a list.
        effects: What it changes in the plant, by name of the effect.
        sensor: What it does to readings: stuck, offset, missing, swapped, silent; "" where the plant itself breaks.
        over_days: Days in which it comes on little by little, in steps of a day; 0 where it is there at once.
        shift: By how much an offset sensor reads too much, in its point's unit.
        roles: Stage roles that the house must have for the fault to show; empty where any house will do.
    """

    about: str
    effects: Mapping[str, float] = field(default_factory=dict)
    sensor: str = ""
    over_days: float = 0.0
    shift: float = 0.0
    roles: Sequence[str] = ()


FAULTS: Mapping[str, FaultKind] = MappingProxyType(
    {
        "collector-pump-dead": FaultKind(
            "the solar circulator is called and draws power, and its rotor is stuck",
            {"sun_flow": 0.0, "sun_pump_elec": 0.9},
            roles=("sun",),
        ),
        "collector-pump-burnt": FaultKind(
            "the solar circulator is called and draws nothing", {"sun_flow": 0.0, "sun_pump_elec": 0.0}, roles=("sun",)
        ),
        "collector-never-called": FaultKind(
            "the solar controller never starts its pump", {"sun_relay_stuck": -1.0}, roles=("sun",)
        ),
        "collector-air-lock": FaultKind(
            "air in the solar loop: the pump turns and almost nothing moves",
            {"sun_flow": 0.06, "sun_pump_elec": 0.7},
            roles=("sun",),
        ),
        "collector-flow-low": FaultKind(
            "a clogged strainer leaves three fifths of the solar loop's flow", {"sun_flow": 0.6}, roles=("sun",)
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
        "desuperheater-flow-low": FaultKind(
            "a half closed valve leaves three fifths of the desuperheater's flow", {"dsh_flow": 0.6}, roles=("dsh",)
        ),
        "element-stuck-on": FaultKind(
            "the element's contactor is welded: only the cut-out stops it",
            {"element_stuck_on": 1.0},
            roles=("element",),
        ),
        "backup-set-high": FaultKind(
            "the backup's thermostat is turned up to 68 degC: the tank is hot before the sun or the heat pump comes",
            {"backup_set_degc": 68.0},
            roles=("element", "boiler"),
        ),
        "backup-set-low": FaultKind(
            "the backup's thermostat is turned down to 35 degC, as before a journey: the tank stays lukewarm",
            {"backup_set_degc": 35.0},
            roles=("element", "boiler"),
        ),
        "nobody-home": FaultKind(
            "no water is drawn: in a sunny time the tank is full, and the collector stagnates", {"nobody_home": 1.0}
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
        "ground-loop-drifts": FaultKind(
            "over 90 days the ground loop loses fluid and contact with the ground",
            {"ground_contact": 0.6, "source_flow": 0.85},
            over_days=90.0,
            roles=("dsh", "load"),
        ),
        "load-pump-dead": FaultKind(
            "the circulator between heat pump and tank does not turn",
            {"load_flow": 0.0, "load_pump_elec": 0.0},
            roles=("load",),
        ),
        "boiler-lockout": FaultKind("the boiler is called and makes no heat", {"boiler_power": 0.0}, roles=("boiler",)),
        "boiler-fouled": FaultKind(
            "soot, and a nozzle that is worn: three tenths of the fuel give no heat",
            {"boiler_power": 0.7},
            roles=("boiler",),
        ),
        "tap-left-running": FaultKind("a tap or a leak runs without pause", {"leak": 0.022}),
        "insulation-wet": FaultKind("the tanks lose four times the heat", {"tank_ua": 4.0}),
        "sensor-stuck": FaultKind("a sensor repeats its last value", sensor="stuck"),
        "sensor-offset": FaultKind(
            "a sensor reads too high by 4 of its unit, a thermometer by 4 K", sensor="offset", shift=4.0
        ),
        "sensor-offset-low": FaultKind(
            "a sensor reads too low by 4 of its unit, a thermometer by 4 K", sensor="offset", shift=-4.0
        ),
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

    def part_at(self, time_ms: int) -> float:
        """How much of it is there, 0 to 1: all at once, or a day's step more each day."""
        over_days = self.kind.over_days
        return min(1.0, ((time_ms - self.start_ms) // _DAY_MS + 1) / over_days) if over_days else 1.0

    def steps_ms(self, start_ms: int, end_ms: int) -> Sequence[int]:
        """Instants of a stretch of at most a day at which it changes."""
        edges = [self.start_ms, self.end_ms]
        if self.kind.over_days:
            edges.append(end_ms - (end_ms - self.start_ms) % _DAY_MS)
        return [edge for edge in edges if start_ms <= edge < end_ms]


def parse_fault(text: str) -> Fault:
    """
    A fault from a command line: NAME@START or NAME@START..END, sensor faults NAME:POINT[,POINT]@START...

    Raises:
        ValueError: With what is wrong and what would be right.
    """
    named, at, when = text.partition("@")
    name, _, points = named.partition(":")
    if name not in FAULTS:
        near = get_close_matches(name, FAULTS, n=3, cutoff=0.5)
        meant = f"; it may be {', '.join(near)}" if near else ""
        raise ValueError(f"{name!r} is not a fault{meant}; `heatledger virtual list` names them all")
    if not at:
        raise ValueError(f"fault {text!r} has no start; write {name}@2026-01-05T10:00 or {name}@START..END")
    start, _, end = when.partition("..")
    listed = tuple(point for point in points.split(",") if point)
    needed = {"swapped": 2, "stuck": 1, "offset": 1, "missing": 1}.get(FAULTS[name].sensor, 0)
    if len(listed) != needed:
        many = "" if needed == 1 else "s"
        raise ValueError(f"{name} wants {needed} point{many}, {len(listed)} given; write {name}:POINT@START")
    found = Fault(name=name, start_ms=_instant(start), end_ms=_instant(end) if end else _FOREVER_MS, points=listed)
    if found.end_ms <= found.start_ms:
        raise ValueError(f"fault {text!r} ends before it begins; write {name}@START..END")
    return found


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
            part = fault.part_at(time_ms)
            changed.update(
                {name: NEUTRAL[name] + part * (to - NEUTRAL[name]) for name, to in fault.kind.effects.items()}
            )
    return np.array([changed[name] for name in EFFECTS])
