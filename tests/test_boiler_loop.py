"""A boiler's loop that runs for minutes a day: what its fuel tells of its sensors and of its burner."""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

import numpy as np
import pytest

from analytics.boiler_loop import boiler_behind, fuel_w
from analytics.day import account_day, window
from analytics.detection import Alert, Fault, NotAssessed, advance, assess_day
from analytics.detection.sensor_swapped import SensorSwapped
from analytics.figures import DayLedger
from analytics.pair_check import PairCheck
from analytics.plant import PlantDay
from analytics.trace import Trace, local_day
from ingest.virtual import SCENARIOS, simulate
from tests.accounts import day_traces

_JUNE = date(2026, 6, 1)
_PAIR = ("boiler.entering", "boiler.leaving")
_DAY_MS = 86_400_000


def _house(start: date, days: int) -> Mapping[str, Trace]:
    return simulate(SCENARIOS["boiler-backup"], start=start, days=days, seed=5).traces


def _exchanged(traces: Mapping[str, Trace], from_ms: int) -> dict[str, Trace]:
    """The two sensors of the loop in each other's place from an instant on."""
    entering, leaving = (traces[point] for point in _PAIR)

    def until_then(before: Trace, after: Trace) -> Trace:
        early, late = before.time_ms < from_ms, after.time_ms >= from_ms
        time_ms = np.concatenate((before.time_ms[early], after.time_ms[late]))
        return Trace(time_ms, np.concatenate((before.value[early], after.value[late])))

    return {**traces, _PAIR[0]: until_then(entering, leaving), _PAIR[1]: until_then(leaving, entering)}


def _day(traces: Mapping[str, Trace], day: date) -> tuple[PlantDay, DayLedger]:
    site = simulate(SCENARIOS["boiler-backup"], start=_JUNE, days=1, seed=5).site
    at = local_day(day, site.timezone)
    result = account_day(site, day_traces(traces, *window(at)), at)
    return result.plant, result.ledger


def _order(ledger: DayLedger) -> Sequence[PairCheck]:
    return [check for check in ledger.pair_checks if check.method == "order" and check.component == "boiler"]


def test_the_boiler_is_the_heater_that_is_no_stage() -> None:
    plant, _ = _day(_house(_JUNE, 1), _JUNE)
    boiler = boiler_behind(plant.site)
    assert boiler is not None
    assert (boiler[0].id, boiler[1].id) == ("burner", "boiler")
    taken_w = fuel_w(plant, "boiler")
    assert taken_w is not None
    assert float(np.nansum(taken_w)) * 60 / 3.6e6 == pytest.approx(3.7, abs=0.3)  # some 13 minutes of 18 kW
    assert fuel_w(plant, "collector") is None


def test_minutes_of_burning_tell_which_pipe_is_the_warmer_one() -> None:
    traces = _house(_JUNE, 1)
    (sound,), (turned,) = (_order(_day(each, _JUNE)[1]) for each in (traces, _exchanged(traces, 0)))
    assert 3 <= sound.minutes < 20
    assert sound.difference_k > 5
    assert turned.difference_k == pytest.approx(-sound.difference_k)
    assert (sound.wrong_part, turned.wrong_part) == (0.0, 1.0)


def test_without_its_burner_so_short_a_run_tells_nothing() -> None:
    traces = {point: trace for point, trace in _house(_JUNE, 1).items() if point != "burner.on"}
    assert _order(_day(traces, _JUNE)[1]) == []


def test_sensors_exchanged_in_june_are_told_after_two_days_on_which_it_burned() -> None:
    site = simulate(SCENARIOS["boiler-backup"], start=_JUNE, days=1, seed=5).site
    turned = local_day(date(2026, 6, 9), site.timezone)  # it burns for a quarter of an hour then, and longer next day
    traces = _exchanged(_house(_JUNE, 12), turned.start_ms)
    alerts: list[Alert] = []
    history: list[DayLedger] = []
    state, told = None, []
    for day in (local_day(_JUNE + timedelta(days=n), site.timezone) for n in range(12)):
        result = account_day(site, day_traces(traces, *window(day)), day, state=state)
        found = assess_day(result.plant, history, detectors=[SensorSwapped()])
        told += [each.verdict for each in found if each.component == "boiler"]
        alerts, _ = advance(alerts, found, now_ms=day.end_ms)
        state, history = result.state, [*history, result.ledger]
    (alert,) = alerts
    assert (alert.kind, alert.component, alert.ended_ms) == ("sensor-swapped", "boiler", None)
    assert turned.start_ms <= alert.began_ms < turned.end_ms
    assert alert.detected_ms < turned.start_ms + 2 * _DAY_MS + 3_600_000
    assert isinstance(told[9], NotAssessed)
    assert isinstance(told[10], Fault)
