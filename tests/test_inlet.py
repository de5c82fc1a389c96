"""Cold water that seems to enter a tank warmer than the tank's foot: told of its sensor, and not of sound houses."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest

from analytics.detection.inlet_days import inlet_record, is_left_warm
from analytics.detection.pair_days import Seen
from analytics.pair_check import PairCheck
from analytics.trace import Trace, local_day
from ingest.virtual import SCENARIOS
from ingest.virtual.scenario import site_of
from tests.ledgers import record
from tests.virtual_days import Traces, virtual_days

_TODAY = date(2026, 3, 20)


def _check(difference_k: float) -> PairCheck:
    return PairCheck(
        component="hot_water", first="tank.bottom", second="cold.temp", method="inlet", difference_k=difference_k,
        u_k=0.15, minutes=6.0, start_s=0.0, end_s=60.0,
    )  # fmt: skip


def _seen(differences_k: Sequence[float | None]) -> list[Seen]:
    """Days up to yesterday; None of a day that told nothing."""
    days = [_TODAY - timedelta(days=len(differences_k) - n) for n in range(len(differences_k))]
    return [(day, _check(each)) for day, each in zip(days, differences_k, strict=True) if each is not None]


@pytest.mark.parametrize(
    ("differences_k", "at_least_k"),
    [
        ([2.3, 2.8, -0.5], 2.3),  # two days show at least the lesser
        ([2.3, None, None, 1.5, 1.2, -1.0], 1.5),
        ([-0.2, -0.4, -1.2], 0.0),
        ([2.3, 2.8, *[-0.2] * 10], 0.0),  # mended
    ],
)
def test_days_tell_how_much_it_is_at_least(differences_k: Sequence[float | None], at_least_k: float) -> None:
    found = inlet_record(_seen(differences_k), _TODAY)
    assert found is not None
    assert found.difference_k == at_least_k


@pytest.mark.parametrize("differences_k", [[2.3, -0.3], [-0.2, None, -0.3], []], ids=["one odd day", "few", "none"])
def test_few_days_tell_nothing(differences_k: Sequence[float | None]) -> None:
    assert inlet_record(_seen(differences_k), _TODAY) is None


@pytest.mark.parametrize(
    ("differences_k", "is_left"), [([2.3, 2.8, -0.9], True), ([2.3, 2.8, -0.2, -0.1, -0.3], False), ([-0.2] * 4, False)]
)
def test_what_was_warm_stays_so_until_days_show_otherwise(differences_k: Sequence[float], is_left: bool) -> None:
    history = record(_TODAY, days=len(differences_k), kwh_per_h=1.2)
    checks = [_check(each) for each in differences_k]
    history = [replace(day, pair_checks=(check,)) for day, check in zip(history, checks, strict=True)]
    assert is_left_warm(history) == is_left


@pytest.mark.parametrize("scenario", ["solar-one-tank", "boiler-backup"])
def test_a_cold_sensor_that_reads_four_kelvin_too_much_is_told(scenario: str) -> None:
    start = date(2026, 1, 5)
    from_ms = local_day(start + timedelta(days=12), site_of(SCENARIOS[scenario]).timezone).start_ms

    def spoilt(traces: Traces) -> Traces:
        cold = traces["cold.temp"]
        return {**traces, "cold.temp": Trace(cold.time_ms, cold.value + 4.0 * (cold.time_ms >= from_ms))}

    outcomes = virtual_days(scenario, start, days=24, altered=spoilt)
    alerts = [each for each in outcomes[-1].alerts if each["kind"] == "sensor-offset"]
    assert [each["component"] for each in alerts] == ["hot_water"]
    (alert,) = alerts
    assert alert["evidence"]["higher"] == "cold.temp"
    assert 1.5 <= alert["evidence"]["difference_k"] <= 4.2  # at least: a foot not flushed hides a part of it
    began, detected = (datetime.fromisoformat(alert[key]) for key in ("began", "detected"))
    assert began.timestamp() * 1000 >= from_ms
    assert detected.timestamp() * 1000 - from_ms <= 8 * 86_400_000
    assert alert["ended"] is None
