"""A tank's lower sensor that reads more than the one above it for hours is off: water does not lie like that."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest

from analytics.detection import Clear, Fault, NotAssessed, Verdict
from analytics.detection.sensor_offset import SensorOffset
from analytics.pair_check import PairCheck
from analytics.quiet_pairs import check_pairs
from analytics.trace import Trace, local_day
from tests.ledgers import record
from tests.plants import DAY, Change, changed, healthy_day, house, plant_of
from tests.virtual_days import Traces, virtual_days


def _checks(bottom: Sequence[Change]) -> list[PairCheck]:
    changes: dict[str, Sequence[Change]] = {"solar.top": [("00:00", "24:00", (50.0, 52.0))], "solar.bottom": bottom}
    plant = plant_of(house(), changed(healthy_day(), changes))
    return [check for check in check_pairs(plant) if (check.component, check.method) == ("solar", "inverted")]


def test_a_lower_sensor_above_the_top_for_hours_is_kept_by_its_high_end() -> None:
    (check,) = _checks([("00:00", "20:00", (30.0, 49.0)), ("20:00", "24:00", (54.0, 57.0))])
    assert (check.first, check.second) == ("solar.top", "solar.bottom")
    assert check.difference_k == pytest.approx(4.8, abs=0.15)  # it grows from 2.3 to 5 K
    assert check.minutes == pytest.approx(240, abs=10)


def test_an_hour_or_what_the_classes_allow_tells_nothing() -> None:
    assert _checks([("00:00", "22:30", (30.0, 49.0)), ("22:30", "24:00", (54.0, 57.0))]) == []
    assert _checks([("00:00", "24:00", (51.0, 53.2))]) == []


def _verdict(inverted_k: Sequence[float | None]) -> Verdict:
    days = record(DAY, days=len(inverted_k), kwh_per_h=1.2)
    history = [
        day if k is None else replace(day, pair_checks=(_inverted(k),)) for day, k in zip(days, inverted_k, strict=True)
    ]
    return SensorOffset().assess(plant_of(house(), healthy_day()), history, "solar")


def _inverted(difference_k: float) -> PairCheck:
    return PairCheck(
        component="solar",
        first="solar.top",
        second="solar.bottom",
        method="inverted",
        difference_k=difference_k,
        u_k=0.3,
        minutes=600.0,
        start_s=0.0,
        end_s=36_000.0,
    )


def test_three_days_of_it_are_told_and_fewer_are_not() -> None:
    verdict = _verdict([None] * 5 + [5.0, 4.8, 5.1])
    assert isinstance(verdict, Fault)
    summary = verdict.findings[0].summary
    assert "solar.bottom reads at least 4.97 K more than solar.top for hours of each day" in summary
    assert isinstance(_verdict([None] * 6 + [5.0, 4.8]), NotAssessed)


def test_it_is_over_after_three_days_on_which_water_lay_as_it_should() -> None:
    assert isinstance(_verdict([5.0, 4.8, 5.1, None, None]), Fault)
    verdict = _verdict([5.0, 4.8, 5.1, None, None, None])
    assert isinstance(verdict, Clear)
    assert verdict.since_ms == local_day(DAY - timedelta(days=4), house().timezone).start_ms


def test_in_a_house_a_middle_sensor_five_kelvin_above_the_top_is_told_in_days() -> None:
    start = date(2026, 4, 10)
    from_ms = local_day(start + timedelta(days=3), "Europe/Berlin").start_ms

    def risen(traces: Traces) -> Traces:
        top, middle = traces["tank.top"], traces["tank.middle"]
        is_off = middle.time_ms >= from_ms
        value = middle.value.copy()
        value[is_off] = top.value[top.time_ms.searchsorted(middle.time_ms[is_off]).clip(max=len(top.value) - 1)] + 5.0
        return {**traces, "tank.middle": Trace(middle.time_ms, value)}

    outcomes = virtual_days("boiler-backup", start, days=8, altered=risen)
    told = [alert for alert in outcomes[-1].alerts if alert["kind"].startswith("sensor-")]
    assert [(alert["kind"], alert["component"]) for alert in told] == [("sensor-offset", "store")]
    assert told[0]["evidence"]["higher"] == "tank.middle"
    assert told[0]["detected"] < "2026-04-17"


def _turned(difference_k: float) -> PairCheck:
    return replace(_inverted(difference_k), method="mixed", u_k=0.01)


def _lately(checks: Sequence[Sequence[PairCheck]]) -> Verdict:
    """Of the days before, oldest first, each with what it told; an outlet beside the tank's top is always sound."""
    draw = replace(_inverted(0.1), component="hot_water", second="hot.temp", method="draw", u_k=0.2)
    days = record(DAY, days=len(checks), kwh_per_h=1.2)
    history = [replace(day, pair_checks=(*told, draw)) for day, told in zip(days, checks, strict=True)]
    return SensorOffset().assess(plant_of(house(), healthy_day()), history, "solar")


def test_while_a_coil_turns_the_water_over_too_seldom_layers_upside_down_go_on_telling() -> None:
    often, seldom = [_turned(5.4), _inverted(5.4)], [_inverted(5.4)]
    assert isinstance(_lately([often] * 4), Fault)
    verdict = _lately([*[often] * 4, *[seldom] * 9])
    assert isinstance(verdict, Fault)
    assert verdict.findings[0].evidence["when"] == "for hours of each day, though it stands below it in the tank"


def test_sound_neighbours_do_not_clear_a_pair_that_was_last_seen_apart() -> None:
    apart, nothing = [_turned(2.0)], []
    assert isinstance(_lately([*[apart] * 4, *[nothing] * 9]), NotAssessed)
    assert isinstance(_lately([*[apart] * 4, *[nothing] * 5, *[[_turned(0.1)]] * 4]), Clear)  # mended
    assert isinstance(_lately([*[nothing] * 13]), Clear)
