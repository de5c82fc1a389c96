"""Pipes at rest that a tank keeps warm are no sensors' fault, and an offset beside a tank stays one."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import msgspec
import numpy as np
import pytest

from analytics.detection import Clear, Fault, NotAssessed, Verdict
from analytics.detection.sensor_offset import SensorOffset
from analytics.figures import DayLedger, day_from_json, day_to_record
from analytics.pair_check import PairCheck
from analytics.pair_order import is_beyond_classes
from analytics.quiet_pairs import check_pairs
from analytics.trace import Trace
from tests.ledgers import record
from tests.plants import DAY, Change, changed, healthy_day, house, plant_of
from tests.virtual_days import Traces, virtual_days

# How much warmer a tank's water was at the upper and lower port than a resting pipe, on days of all sorts.
_UPPER_K = [26.0, 24.4, 2.9, 9.6, 24.1, 14.5, 15.6, 15.6, 7.0, 16.3, 22.2, 14.9, 14.1, 14.2]
_LOWER_K = [11.0, 4.4, 1.9, 3.6, 9.1, 2.5, 8.6, 0.6, 1.0, 6.3, 3.2, 9.9, 2.1, 5.2]


def _history(difference_k: Sequence[float], upper_k: Sequence[float] = _UPPER_K) -> list[DayLedger]:
    days = record(DAY, days=len(difference_k), kwh_per_h=1.2)
    return [
        replace(day, pair_checks=(_rest(d, (upper, lower)),))
        for day, d, upper, lower in zip(days, difference_k, upper_k, _LOWER_K, strict=False)
    ]


def _rest(difference_k: float, beside_k: tuple[float, ...]) -> PairCheck:
    return PairCheck(
        component="desuperheater",
        first="dsh.entering",
        second="dsh.leaving",
        method="rest",
        difference_k=difference_k,
        u_k=0.01,
        minutes=118.0,
        start_s=0.0,
        end_s=7080.0,
        beside_k=beside_k,
    )


def _verdict(history: Sequence[DayLedger]) -> Verdict:
    return SensorOffset().assess(plant_of(house(), healthy_day()), history, "desuperheater")


def _warmed_k(upper_part: float, lower_part: float) -> list[float]:
    noise_k = np.random.default_rng(3).normal(0.0, 0.02, len(_UPPER_K))
    return list(upper_part * np.array(_UPPER_K) - lower_part * np.array(_LOWER_K) + noise_k)


@pytest.mark.parametrize("parts", [(0.1, 0.0), (0.1, 0.1), (0.25, 0.05), (0.05, 0.2)])
def test_a_difference_that_follows_the_tank_is_told_on_no_day(parts: tuple[float, float]) -> None:
    warmed = _warmed_k(*parts)
    for days in range(2, len(warmed) + 1):
        assert not isinstance(_verdict(_history(warmed[:days])), Fault), days


def test_pipes_that_happen_to_agree_beside_a_tank_that_is_always_as_warm_wait() -> None:
    assert isinstance(_verdict(_history([2.2, 2.2, 2.2], [22.0, 22.0, 22.0])), NotAssessed)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_an_offset_that_does_not_follow_the_tank_is_told(sign: float) -> None:
    found = _verdict(_history([0.5 * sign + k for k in _warmed_k(0.0, 0.0)]))
    assert isinstance(found, Fault)
    assert found.findings[0].evidence["difference_k"] == pytest.approx(0.5, abs=0.03)


def test_an_offset_upon_warmed_pipes_is_told_by_what_is_left() -> None:
    warmed = [k + 4.0 * (day >= 10) for day, k in enumerate(_warmed_k(0.1, 0.02))]
    assert not isinstance(_verdict(_history(warmed[:10])), Fault)
    assert isinstance(_verdict(_history(warmed)), Fault)


def test_sound_pipes_beside_a_tank_are_well() -> None:
    assert isinstance(_verdict(_history(_warmed_k(0.0, 0.0))), Clear)


def test_what_a_tank_may_have_warmed_is_not_taken_for_misread() -> None:
    assert is_beyond_classes(house(), _rest(2.2, ()))
    assert not is_beyond_classes(house(), _rest(2.2, (22.0, 5.0)))
    assert is_beyond_classes(house(), _rest(9.0, (22.0, 5.0)))


def test_a_rest_keeps_how_warm_its_tank_was() -> None:
    rests: dict[str, list[Change]] = {
        "dsh.flow": [("00:00", "09:00", 0.0)],
        "dsh.pump": [("00:00", "09:00", 0.0)],
        "dsh.entering": [("00:00", "09:00", 20.0)],
        "dsh.leaving": [("00:00", "09:00", 20.1)],
        "preheat.top": [("00:00", "09:00", 42.0)],
        "preheat.bottom": [("00:00", "09:00", 30.0)],
        "hp.power": [("00:00", "09:00", 8.0)],
    }
    (check,) = (
        each
        for each in check_pairs(plant_of(house(), changed(healthy_day(), rests)))
        if (each.component, each.method) == ("desuperheater", "rest")
    )
    assert check.beside_k == pytest.approx((22.0, 10.0), abs=0.1)  # it comes back on top and is taken from the bottom
    assert check.moments[0] >= 6  # half hours until nine, from four hours of rest on
    assert check.moments[1:4] == pytest.approx((0.1, 22.0, 10.0), abs=0.1)
    ledger = replace(record(DAY, days=1, kwh_per_h=1.0)[0], pair_checks=(check,))
    kept = day_to_record(ledger)
    assert day_from_json(ledger.site, kept).pair_checks == (check,)
    assert msgspec.json.decode(msgspec.json.encode(kept)) == kept  # else a day computed again would seem to have moved


def test_a_house_whose_resting_pipe_is_warmed_by_its_tank_stays_quiet() -> None:
    def warmed(traces: Traces) -> Traces:
        leaving, top, flow = (traces[point] for point in ("dsh.leaving", "preheat.top", "dsh.flow"))
        moving_ms = flow.time_ms[flow.value > 0.02]
        since = np.searchsorted(moving_ms, leaving.time_ms, side="right") - 1
        rests = (since < 0) | (leaving.time_ms - moving_ms[np.maximum(since, 0)] > 1_800_000)
        tank_degc = np.interp(leaving.time_ms, top.time_ms, top.value)
        return {
            **traces,
            "dsh.leaving": Trace(leaving.time_ms, leaving.value + 0.1 * rests * (tank_degc - leaving.value)),
        }

    outcomes = virtual_days("two-tank", date(2026, 1, 5), days=14, altered=warmed)
    assert [alert["summary"] for outcome in outcomes for alert in outcome.alerts] == []
    checks = [check for outcome in outcomes for check in (outcome.ledger or {})["pair_checks"]]
    seen_k = [c["difference_k"] for c in checks if (c["component"], c["method"]) == ("desuperheater", "rest")]
    assert max(seen_k) > 2.0
