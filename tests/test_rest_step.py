"""A collector's pair that was level on its nights and no longer is: told, and which of the two moved."""

from collections.abc import Sequence
from dataclasses import replace

import pytest

from analytics.detection import Fault, Verdict
from analytics.detection.sensor_offset import SensorOffset
from analytics.figures import DayLedger, day_from_json, day_to_record
from analytics.pair_check import PairCheck
from analytics.pair_order import is_beyond_classes
from tests.ledgers import record
from tests.plants import DAY, healthy_day, house, plant_of

_ROOM_DEGC = [18.0, 18.3, 17.8, 18.1, 18.0, 17.9, 18.2, 18.1]


def _night(entering_degc: float, leaving_degc: float) -> PairCheck:
    return PairCheck(
        component="collector",
        first="collector.entering",
        second="collector.leaving",
        method="rest",
        difference_k=leaving_degc - entering_degc,
        u_k=0.01,
        minutes=118.0,
        start_s=3600.0,
        end_s=10_680.0,
        first_degc=entering_degc,
    )


def _history(entering_k: Sequence[float], leaving_k: Sequence[float]) -> list[DayLedger]:
    """Nights in a room, each sensor so far off."""
    days = record(DAY, days=len(entering_k), kwh_per_h=1.2)
    return [
        replace(day, pair_checks=(_night(room + first, room + second),))
        for day, room, first, second in zip(days, _ROOM_DEGC, entering_k, leaving_k, strict=True)
    ]


def _verdict(entering_k: Sequence[float], leaving_k: Sequence[float]) -> Verdict:
    return SensorOffset().assess(plant_of(house(), healthy_day()), _history(entering_k, leaving_k), "collector")


_SOUND = [0.0] * 8
_STEPS = [0.0] * 6 + [5.0] * 2


@pytest.mark.parametrize(
    ("entering_k", "leaving_k", "named", "offset"),
    [
        (_SOUND, _STEPS, "collector.leaving", -5.0),
        (_SOUND, [-each for each in _STEPS], "collector.leaving", 5.0),
        (_STEPS, _SOUND, "collector.entering", -5.0),
        ([-each for each in _STEPS], _SOUND, "collector.entering", 5.0),
    ],
)
def test_a_sensor_that_stepped_away_is_named_after_two_nights(
    entering_k: Sequence[float], leaving_k: Sequence[float], named: str, offset: float
) -> None:
    verdict = _verdict(entering_k, leaving_k)
    assert isinstance(verdict, Fault)
    (finding,) = verdict.findings
    assert finding.evidence["calibrate"] == named
    assert finding.evidence["offset_new"] == pytest.approx(offset, abs=0.05)
    assert f"The one that is off is {named}" in finding.summary
    assert "reads at rest what it read on the days before" in finding.summary


@pytest.mark.parametrize(
    "leaving_k",
    [
        [5.0] * 8,  # another room, always
        [0.2, 1.0, 2.0, 2.5, 3.0, 3.5, 5.0, 5.0],  # a room that cools with the weather
        [5.0] * 6 + [9.0] * 2,
        [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 5.0],  # one night
    ],
)
def test_pipes_that_may_stand_in_different_rooms_are_left_alone(leaving_k: Sequence[float]) -> None:
    assert not isinstance(_verdict(_SOUND, leaving_k), Fault)


def test_where_both_moved_neither_is_named() -> None:
    verdict = _verdict([0.0] * 6 + [3.0] * 2, [0.0] * 6 + [8.0] * 2)
    assert isinstance(verdict, Fault)
    assert "cannot be told" in verdict.findings[0].summary


def test_a_night_in_different_rooms_is_not_taken_for_misread_and_comes_back_from_its_record() -> None:
    (day,) = _history([0.0] * 8, [5.0] * 8)[:1]
    assert not is_beyond_classes(house(), day.pair_checks[0])
    assert is_beyond_classes(house(), replace(day.pair_checks[0], difference_k=1.4))
    assert day_from_json(day.site, day_to_record(day)).pair_checks == day.pair_checks
