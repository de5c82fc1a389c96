"""A collector's sensor that steps away: told by its own nights and the tank's balance, never by one of the two."""

from collections.abc import Sequence
from datetime import timedelta

import numpy as np
import pytest

from analytics.detection import Clear, Fault, NotAssessed, Verdict
from analytics.detection.sensor_offset import SensorOffset
from analytics.figures import DayLedger
from analytics.pair_check import PairCheck, pair_checks_from_json, pair_checks_to_json
from analytics.quiet_pairs import check_pairs
from analytics.trace import local_day
from tests.ledgers import record, with_checks, with_residuals
from tests.plants import DAY, changed, healthy_day, house, plant_of

_KWH_PER_K = 2.0
_ROOM_DEGC, _AIR_DEGC = 20.0, 8.0
_SKY_K = [-0.5, -3.0, -1.0, -2.0, -0.2, -2.5]  # what a clear sky takes of a roof


def _history(
    *,
    roof_k: Sequence[float] = (0.0, 0.0, 0.0),
    room_k: Sequence[float] = (),
    opened_kwh: Sequence[float] = (0.0, 0.0, 0.0),
    before_kwh: float = 0.1,
) -> list[DayLedger]:
    """Six plain days, then some with a roof and a room that read so much more, and a balance that moved."""
    sky_k = [*_SKY_K, *(-1.5 + each for each in roof_k)]
    room_degc = [_ROOM_DEGC + each for each in [*[0.2, -0.1, 0.1, 0.0, -0.2, 0.1], *(room_k or [0.0] * len(roof_k))]]
    days = len(sky_k)
    checks = {
        "component": "collector",
        "first": "collector.entering",
        "second": "collector.leaving",
        "method": "roof",
        "first_degc": room_degc,
        "air_degc": _AIR_DEGC,
        "difference_k": [_AIR_DEGC + sky - room for sky, room in zip(sky_k, room_degc, strict=True)],
        "kwh_per_k": _KWH_PER_K,
    }
    residuals = [(before_kwh, 0.9)] * 6 + [(before_kwh + each, 0.9) for each in opened_kwh]
    ledgers = with_residuals(record(DAY, days=days, kwh_per_h=1.2), "solar", residuals)
    return with_checks(ledgers, checks, days=days)


def _verdict(history: Sequence[DayLedger]) -> Verdict:
    return SensorOffset().assess(plant_of(house(), healthy_day()), history, "collector")


@pytest.mark.parametrize(
    ("told", "point", "offset"),
    [
        ({"roof_k": (5.0, 4.0, 5.5), "opened_kwh": (9.5, 9.0, 10.0)}, "collector.leaving", -5.0),
        ({"room_k": (5.0, 5.1, 4.9), "opened_kwh": (-9.5, -9.0, -10.0)}, "collector.entering", -5.0),
        ({"room_k": (-4.0, -4.1, -3.9), "opened_kwh": (8.5, 7.5, 8.0)}, "collector.entering", 4.0),
    ],
)
def test_a_sensor_whose_nights_and_heat_tell_the_same_is_named(told, point, offset) -> None:
    verdict = _verdict(_history(**told))
    assert isinstance(verdict, Fault)
    (finding,) = verdict.findings
    assert finding.summary.endswith(f"The one that is off is {point}.")
    assert finding.began_ms == local_day(DAY - timedelta(days=3), house().timezone).start_ms
    assert (finding.evidence["nights"], finding.evidence["nights_before"]) == (3, 6)
    assert finding.evidence["offset_new"] == pytest.approx(offset, abs=1.0)
    assert float(finding.evidence["heat_kwh"] or 0) == pytest.approx(_KWH_PER_K * abs(offset), abs=2.0)


@pytest.mark.parametrize(
    "told",
    [
        {"roof_k": (5.0, 4.0, 5.5)},  # the air's sensor moved, or the weather: no heat is missing
        {"opened_kwh": (9.5, 9.0, 10.0)},  # heat is missing, and both sensors are as ever
        {"roof_k": (5.0, 4.0, 5.5), "opened_kwh": (2.0, 2.2, 2.1)},  # a warm roof by night, and what the tank lost
        {"roof_k": (5.0, 4.0, 5.5), "opened_kwh": (-9.5, -9.0, -10.0)},  # the wrong way
        {"roof_k": (5.0, 4.0, 5.5), "room_k": (5.0, 4.0, 5.5), "opened_kwh": (9.5, 9.0, 10.0)},  # both pipes warmed
        {"roof_k": (5.0, 0.5, 5.5), "opened_kwh": (9.5, 9.0, 10.0)},  # a night between
        {"roof_k": (1.9, 1.8, 1.9), "opened_kwh": (3.6, 3.4, 3.8)},
    ],
)
def test_less_than_both_is_none(told) -> None:
    assert isinstance(_verdict(_history(**told)), NotAssessed)


def test_days_later_it_is_told_of_the_same_night() -> None:
    verdict = _verdict(_history(roof_k=(5.0, 4.0, 5.5, 5.2, 4.8), opened_kwh=(9.5, 9.0, 10.0, 9.7, 9.9)))
    assert isinstance(verdict, Fault)
    assert verdict.findings[0].began_ms == local_day(DAY - timedelta(days=5), house().timezone).start_ms


def test_a_sensor_that_steps_back_into_a_closed_balance_is_well_again() -> None:
    verdict = _verdict(_history(roof_k=(-5.0, -4.0, -5.5), opened_kwh=(-9.5, -9.5, -9.5), before_kwh=9.6))
    assert isinstance(verdict, Clear)
    assert verdict.since_ms == local_day(DAY - timedelta(days=3), house().timezone).start_ms


def _roof(change: dict[str, list[tuple[str, str, float | list[float] | None]]]) -> list[PairCheck]:
    courses = changed(healthy_day(), {"outdoor.temp": [("00:00", "24:00", 12.0)], **change})
    return [each for each in check_pairs(plant_of(house(), courses)) if each.method == "roof"]


def test_a_nights_end_is_read_from_its_last_hour() -> None:
    """By hand: at rest the pair reads 20 and 16 degC, the air 12 degC; the sun is up from 06:30 on."""
    (found,) = _roof({})
    assert (found.first_degc, found.air_degc) == (pytest.approx(20.0, abs=0.05), pytest.approx(12.0, abs=0.05))
    assert found.difference_k == pytest.approx(-4.0, abs=0.05)
    assert found.kwh_per_k > 0
    assert 6.3 <= found.end_s / 3600 <= 6.6
    assert pair_checks_from_json(pair_checks_to_json([found])) == (found,)


@pytest.mark.parametrize(
    "change",
    [
        {"outdoor.temp": [("00:00", "24:00", None)]},
        {"collector.flow": [("05:00", "05:10", 5.0)], "collector.pump": [("05:00", "05:10", 38.0)]},  # frost protection
        {"collector.leaving": [("05:20", "06:40", [40.0, 16.0])]},  # it cools still
    ],
)
def test_a_night_that_is_no_rest_tells_nothing(change) -> None:
    assert _roof(change) == []


def test_all_nights_of_a_sound_week_are_within_the_range_of_the_others() -> None:
    assert np.ptp(_SKY_K) > 2.0  # more than the step that is told: the range counts, not the mean
    assert isinstance(_verdict(_history(roof_k=(-1.4, -1.0, 1.2))), NotAssessed)
