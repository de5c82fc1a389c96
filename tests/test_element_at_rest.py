"""An element whose meter stands at rest: told where the water beside it grows warmer of itself, again and again."""

from collections.abc import Mapping
from dataclasses import replace
from math import inf

import numpy as np
import pytest

from analytics.element_at_rest import ElementAtRest, elements_at_rest
from analytics.heard import Heard
from analytics.site import Point
from api.sites import parsed
from tests.virtual_days import layout_text

_HOUR = 3600.0
_TIME_S = np.arange(0.0, 12 * _HOUR, 60.0)
_SPAN = (0.0, 12 * _HOUR)
_NOISE = np.random.default_rng(4).normal(size=len(_TIME_S))


def _point(name: str, quantity: str) -> Point:
    return Point(id=name, quantity=quantity, unit="1")  # type: ignore[arg-type]


_RULE = ElementAtRest(
    _point("element", "power"), ("top",), (_point("pump", "status"), _point("flow", "flow")), _point("draw", "flow")
)


def _top(*climbs: tuple[float, float]) -> np.ndarray:
    """A top that cools by 0.5 K/h, and climbs so far within ten minutes at some hours."""
    top = 55.0 - 0.5 * _TIME_S / _HOUR
    for hour, climb_k in climbs:
        top += climb_k * np.clip((_TIME_S - hour * _HOUR) / 600.0, 0.0, 1.0)
    return top


def _heard(**changed: np.ndarray) -> Heard:
    """The element's power says nothing, the collector rests, the taps are closed; the top climbs twice."""
    still = np.zeros(len(_TIME_S))
    values: Mapping[str, np.ndarray] = {
        "element": still,
        "pump": still,
        "flow": still,
        "draw": still,
        "top": _top((3.0, 2.5), (8.0, 2.5)),
    } | changed
    return Heard(dict.fromkeys(values, _TIME_S), values, doubted=values)


def _at(start_h: float, stop_h: float, value: float) -> np.ndarray:
    return np.where((start_h * _HOUR <= _TIME_S) & (stop_h * _HOUR > _TIME_S), value, 0.0)


def test_two_climbs_of_four_kelvin_in_all_prove_it() -> None:
    # A draw and the half hour after a stage keep the two climbs apart; the second one is through after 8 h 10 min.
    assert _RULE.proved_s(_heard(draw=_at(5.0, 5.1, 1e-4)), _SPAN) == pytest.approx(8 * _HOUR + 600.0, abs=301.0)


@pytest.mark.parametrize(
    "changed",
    [
        {"top": _top((3.0, 5.0))},
        {"top": _top((3.0, 1.5), (8.0, 1.5))},
        {"top": _top()},
        {"pump": _at(2.8, 8.5, 1.0)},
        {"flow": _at(2.8, 8.5, 1e-4)},
        {"flow": np.full(len(_TIME_S), np.nan)},
        {"pump": _at(2.0, 2.9, 1.0), "top": _top((3.0, 5.0))},
        {"draw": _at(3.0, 3.2, 1e-4) + _at(8.0, 8.2, 1e-4)},
        {"element": np.full(len(_TIME_S), 3000.0)},
        {"top": _top() + 0.5 * (np.arange(len(_TIME_S)) % 2)},
        {"top": _top() + 1.5 * _NOISE},
    ],
    ids=[
        "one climb",
        "small climbs",
        "cools",
        "stage on",
        "fluid moves though its pump says no",
        "not known whether fluid moves",
        "just after a stage",
        "warms with draws",
        "element on",
        "a coarse sensor between two steps",
        "a noisy sensor",
    ],
)
def test_what_proves_nothing(changed: Mapping[str, np.ndarray]) -> None:
    assert _RULE.proved_s(_heard(**({"draw": _at(5.0, 5.1, 1e-4)} | changed)), _SPAN) == inf


def test_climbs_beyond_what_a_sensor_scatters_prove_it_all_the_same() -> None:
    climbs = _top((3.0, 5.0), (8.0, 5.0)) + 0.3 * _NOISE
    assert _RULE.proved_s(_heard(top=climbs, draw=_at(5.0, 5.1, 1e-4)), _SPAN) < inf


def test_a_counter_of_the_taps_tells_of_draws_too() -> None:
    counted = np.cumsum(_at(3.0, 3.2, 1e-4) + _at(8.0, 8.2, 1e-4))
    rule = replace(_RULE, meter=replace(_point("draw", "volume"), sampling="counter"))
    assert rule.proved_s(_heard(draw=counted), _SPAN) == inf
    assert rule.proved_s(_heard(draw=np.cumsum(_at(5.0, 5.1, 1e-4))), _SPAN) < inf


def test_an_element_is_judged_by_the_sensors_at_its_height_and_the_tanks_other_stages() -> None:
    (rule,) = elements_at_rest(parsed(layout_text("two-tank")))
    assert rule.point == "element.power"
    assert rule.beside == ("solar.top",)
    assert {point.id for point in rule.others} == {"collector.pump", "collector.flow"}
