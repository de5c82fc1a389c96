"""What a day leaves to the next: each tank's stored heat by origin, whole and by layers, and sensors that are stuck."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from analytics.likeness import UNTOLD, Likeness

__all__ = [
    "CARRIED_OVER",
    "DEFAULT_COLD_DEGC",
    "ROOM",
    "UNHEARD",
    "CarriedState",
    "LayeredHeat",
    "state_from_json",
    "state_to_json",
]

CARRIED_OVER = "carried-over"
DEFAULT_COLD_DEGC = 10.0
"""Of the main, until the first water of an account has moved."""
ROOM = "room"
"""The origin of heat that no stage gave: from the room, or from a change of the main's temperature."""

UNHEARD = "unheard"
"""The origin of heat in a tank that came, or may have come, while nothing was heard of what brought it."""


@dataclass(frozen=True, slots=True)
class LayeredHeat:
    """
    A tank's layers, the first on top.

    Args:
        heat_k: By origin, how much of each layer's temperature it gave. [K]
        cold_degc: What each layer's water had when it entered from the main.
        unheard_m3: Water that may have passed since something of the tank was last heard; None where all was heard.
        likeness: How much the tank is like plug flow, by what its sensors have told.
    """

    heat_k: Mapping[str, Sequence[float]]
    cold_degc: Sequence[float]
    unheard_m3: float | None = None
    likeness: Likeness = UNTOLD


@dataclass(frozen=True, slots=True)
class CarriedState:
    """
    Args:
        parts: By tank, by origin, adding up to one; the room's part counts as carried over.
        cold_degc: The cold water that stored heat was last counted from.
        layers: By tank, where it is followed in layers. A state without them is read as all layers alike.
        stuck: Points judged to stand still at the day's end, with the value that they show. [SI]
        still: Points that stand still there since they ceased to move, and are not judged yet. [SI]
        u_first_j: Of what the tanks still hold of the heat that was in store as the account began: its standard
            uncertainty. [J]
        unsettled_j: By tank, how far all heat that its layers hold may still be off because its account began: by what
            sensors leave open, and nobody metered. [J]
    """

    parts: Mapping[str, Mapping[str, float]]
    cold_degc: float
    layers: Mapping[str, LayeredHeat] = field(default_factory=dict)
    stuck: Mapping[str, float] = field(default_factory=dict)
    still: Mapping[str, float] = field(default_factory=dict)
    u_first_j: float = 0.0
    unsettled_j: Mapping[str, float] = field(default_factory=dict)


def state_to_json(state: CarriedState) -> dict[str, object]:
    """A state as plain JSON data."""
    return {
        "parts": {tank: dict(mix) for tank, mix in state.parts.items()},
        "cold_degc": state.cold_degc,
        "layers": {
            tank: {
                "heat_k": {o: list(k) for o, k in held.heat_k.items()},
                "cold_degc": list(held.cold_degc),
                **({} if held.unheard_m3 is None else {"unheard_m3": held.unheard_m3}),
                "likeness": [held.likeness.off, held.likeness.apart, *map(list, held.likeness.places)],
            }
            for tank, held in state.layers.items()
        },
        "stuck": dict(state.stuck),
        "still": dict(state.still),
        "u_first_j": state.u_first_j,
        "unsettled_j": dict(state.unsettled_j),
    }


def state_from_json(data: Mapping[str, object]) -> CarriedState:
    """The inverse of `state_to_json`; also of states from before tanks were followed in layers."""
    parts, layers = data["parts"], data.get("layers", {})
    stuck, still, unsettled_j = (data.get(key, {}) for key in ("stuck", "still", "unsettled_j"))
    assert isinstance(parts, Mapping)
    assert isinstance(layers, Mapping)
    assert isinstance(stuck, Mapping)
    assert isinstance(still, Mapping)
    assert isinstance(unsettled_j, Mapping)
    return CarriedState(
        {t: {o: float(p) for o, p in mix.items()} for t, mix in parts.items()},
        float(str(data["cold_degc"])),
        {
            tank: LayeredHeat(
                {o: tuple(map(float, k)) for o, k in held["heat_k"].items()},
                tuple(map(float, held["cold_degc"])),
                held.get("unheard_m3"),
                _likeness_from_json(held.get("likeness", (0.0, 0.0))),
            )
            for tank, held in layers.items()
        },
        {point: float(value) for point, value in stuck.items()},
        {point: float(value) for point, value in still.items()},
        float(str(data.get("u_first_j", 0.0))),
        {tank: float(u_j) for tank, u_j in unsettled_j.items()},
    )


def _likeness_from_json(data: Sequence[Any]) -> Likeness:
    off, apart, *places = data
    return Likeness(float(off), float(apart), tuple((float(a), float(s), float(o)) for a, s, o in places))
