"""Heat that leaves through a resting loop whose meter counts one way: its pipe stays warm, and its tank cools fast."""

from collections.abc import Sequence
from dataclasses import replace

import pytest

from analytics.detection import assess_day
from analytics.detection.findings import Clear, Fault, NotAssessed, Verdict
from analytics.detection.loop_night_loss import LoopNightLoss
from analytics.detection.states import advance
from analytics.expected.rest_warmth import rest_warmth
from analytics.figures import DayLedger
from tests.ledgers import record, with_standby
from tests.plants import DAY, changed, healthy_day, house, plant_of

_LOSES, _TIGHT = 20.0, 2.0


def _history(warm_parts: Sequence[float], w_k: Sequence[float]) -> list[DayLedger]:
    """Days with six hours at rest beside a warm tank of ten, of which the pipe stayed warm for a part."""
    days = with_standby(record(DAY, days=len(w_k), kwh_per_h=1.2), "preheat", w_k, above_room_k=20.0)
    told = [
        {f"loop.desuperheater.{name}": hours for name, hours in (("rest_h", 12.0), ("late_h", 6.0), ("warm_h", 6 * p))}
        for p in warm_parts
    ]
    return [replace(day, conditions={**day.conditions, **each}) for day, each in zip(days, told, strict=True)]


def _verdict(warm_parts: Sequence[float], w_k: Sequence[float]) -> Verdict:
    plant = plant_of(house(), changed(healthy_day(), {}))
    return LoopNightLoss().assess(plant, _history(warm_parts, w_k), "desuperheater")


def test_a_pipe_that_stays_warm_beside_a_tank_that_loses_heat_is_told_and_the_tank_is_not() -> None:
    history = _history([0.0] * 9 + [0.6, 1.0], [_TIGHT] * 9 + [_LOSES] * 2)
    plant = plant_of(house(), healthy_day())
    told, _ = advance([], assess_day(plant, history), now_ms=0)
    (alert,) = [each for each in told if each.kind in ("loop-night-loss", "tank-losing-heat")]
    assert (alert.kind, alert.component, alert.is_by_day) == ("loop-night-loss", "desuperheater", True)
    # By hand: 18 W/K x 20 K x 12 h of rest are 4.3 kWh; it began on the day of which a part was warm.
    assert "about 4.3 kWh a day" in alert.summary
    assert "since 12 April" in alert.summary


@pytest.mark.parametrize(
    ("warm_parts", "w_k", "kind"),
    [
        ([0.0] * 11, [_TIGHT] * 9 + [_LOSES] * 2, Clear),  # wet insulation: the pipe cools
        ([1.0] * 11, [_TIGHT] * 9 + [_LOSES] * 2, NotAssessed),  # a sensor beside the tank always stayed warm
        ([0.0] * 9 + [1.0] * 2, [_TIGHT] * 11, NotAssessed),  # warm, and the tank loses no more than it did
        ([0.0] * 9 + [0.5] * 2, [_TIGHT] * 9 + [_LOSES] * 2, NotAssessed),
        ([0.0] * 9 + [1.0] * 2, [_TIGHT] * 9 + [_LOSES] * 2, Fault),
        ([0.0] * 8 + [1.0] * 2 + [0.0], [_TIGHT] * 8 + [_LOSES] * 2 + [_TIGHT], Clear),  # mended
    ],
)
def test_what_is_told_of_it(warm_parts: Sequence[float], w_k: Sequence[float], kind: type[Verdict]) -> None:
    assert isinstance(_verdict(warm_parts, w_k), kind)


@pytest.mark.parametrize(
    ("leaving_degc", "warm_h"),
    [
        (44.0, 10.0),  # as the tank: 45 degC beside a room of 20
        (30.0, 0.0),  # it has cooled
        (60.0, 0.0),  # something else warms it
    ],
)
def test_a_day_keeps_how_long_a_pipe_stayed_as_warm_as_its_tank(leaving_degc: float, warm_h: float) -> None:
    whole = ("00:00", "12:00")
    courses = {
        "dsh.pump": [(*whole, 0.0)],
        "dsh.flow": [(*whole, 0.0)],
        "hp.power": [(*whole, 8.0)],
        "ground.pump": [(*whole, 0.0)],
        "ground.flow": [(*whole, 0.0)],
        "dsh.leaving": [(*whole, (leaving_degc + 0.5, leaving_degc - 0.5))],
        "preheat.top": [("00:00", "24:00", (46.0, 44.0))],
        "preheat.bottom": [("00:00", "24:00", (46.0, 44.0))],
    }
    told = rest_warmth(plant_of(house(), changed(healthy_day(), courses)))
    assert told["loop.desuperheater.late_h"] == pytest.approx(10.0, abs=0.1)
    assert told["loop.desuperheater.warm_h"] == pytest.approx(warm_h, abs=0.1)
    assert not [name for name in told if name.startswith(("loop.collector", "loop.ground"))]
