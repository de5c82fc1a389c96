"""
Where water leaves a tank: the outlet's sensor is held against the tank's top and the mixed water, late in draws.

Faults come from virtual houses; what must be named is the sensor that the fault spoils.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import pytest

from analytics.day import account_day, window
from analytics.detection import Alert, advance, assess_day
from analytics.detection.sensor_offset import SensorOffset
from analytics.figures import DayLedger
from analytics.outlet_pairs import PATH, outlet_checks
from analytics.pair_check import PairCheck
from analytics.trace import local_day
from ingest.virtual import SCENARIOS, Fault, simulate
from ingest.virtual.scenario import site_of
from tests.accounts import account_days, day_traces
from tests.means import by_five_minutes
from tests.plants import Change, changed, healthy_day, house, plant_of

_FIRST_BROKEN, _DAYS = 4, 11


@dataclass(frozen=True)
class _Off:
    scenario: str
    start: date
    fault: str
    point: str
    component: str


_WINTER, _SPRING, _SUMMER = date(2026, 1, 5), date(2026, 4, 10), date(2026, 7, 5)
_OFF = [
    _Off("two-tank", _WINTER, "sensor-offset", "hot.temp", "hot_water"),
    _Off("two-tank", _SUMMER, "sensor-offset-low", "hot.temp", "hot_water"),
    _Off("two-tank", _SPRING, "sensor-offset", "preheat.out", "hot_water"),
    _Off("solar-one-tank", _SUMMER, "sensor-offset-low", "tank.top", "store"),
    _Off("heat-pump-tank", _WINTER, "sensor-offset", "tank.top", "store"),
    _Off("energy-counters", _WINTER, "sensor-offset", "mixed.temp", "hot_water"),
    _Off("passing-heater", _WINTER, "sensor-offset", "hot.temp", "hot_water"),
]


def _alerts(case: _Off) -> tuple[Fault, list[Alert]]:
    zone = site_of(SCENARIOS[case.scenario]).timezone
    begin_ms = local_day(case.start + timedelta(days=_FIRST_BROKEN), zone).start_ms
    fault = Fault(name=case.fault, start_ms=begin_ms, points=(case.point,))
    run = simulate(SCENARIOS[case.scenario], start=case.start, days=_DAYS, seed=5, faults=[fault])
    alerts: list[Alert] = []
    history: list[DayLedger] = []
    state = None
    for day in (local_day(case.start + timedelta(days=n), zone) for n in range(_DAYS)):
        result = account_day(run.site, day_traces(run.traces, *window(day)), day, state=state)
        alerts, _ = advance(alerts, assess_day(result.plant, history, detectors=[SensorOffset()]), now_ms=day.end_ms)
        state, history = result.state, [*history, result.ledger]
    return fault, alerts


@pytest.mark.parametrize("case", _OFF, ids=lambda case: f"{case.scenario} {case.point} {case.fault} {case.start:%B}")
def test_the_sensor_that_is_off_by_four_kelvin_is_named_within_six_days(case: _Off) -> None:
    fault, alerts = _alerts(case)
    assert [alert.component for alert in alerts] == [case.component]
    (alert,) = alerts
    assert 0 <= alert.detected_ms - fault.start_ms <= (6 * 86_400 + 1200) * 1000
    evidence = alert.evidence
    assert evidence["calibrate"] == case.point
    assert f"The one that is off is {case.point}: " in alert.summary
    # The interval must reach the truth, four kelvin less or more what both sensors may err by within their classes.
    slack_k = float(evidence["plus_minus_k"] or 0) + float(evidence["limit_k"] or 0)
    assert float(evidence["difference_k"] or 0) == pytest.approx(4.0, abs=slack_k)
    assert float(evidence["offset_new"] or 0) * fault.kind.shift < 0


_HOUSE = house()
# Two long draws, three minutes apart from anything else.
_DRAWS: Mapping[str, Sequence[Change]] = {
    "solar.top": [("00:00", "24:00", (53.9, 54.1))],
    "hot.temp": [("00:00", "24:00", 54.4)],
}


def _checks(changes: Mapping[str, Sequence[Change]]) -> dict[str, PairCheck]:
    found = outlet_checks(plant_of(_HOUSE, changed(healthy_day(), {**_DRAWS, **changes})))
    return {check.method if check.second == "hot.temp" else f"{check.method} {check.second}": check for check in found}


def test_the_least_layered_draw_of_the_day_counts() -> None:
    day = {"hot.temp": [("00:00", "11:00", (57.0, 57.2)), ("11:00", "18:00", (54.4, 54.5)), ("18:00", "24:00", 58.0)]}
    draw = _checks(day)["draw"]
    assert draw.difference_k == pytest.approx(0.42, abs=0.02)
    assert 12 * 3600 < draw.end_s < 12 * 3600 + 300  # the draw at noon
    assert draw.minutes == 6


def test_an_outlet_that_still_warms_up_says_nothing() -> None:
    assert "draw" not in _checks({"hot.temp": [("00:00", "24:00", (20.0, 1500.0))]})


def test_a_reading_from_before_a_gap_is_not_of_the_moment() -> None:
    gaps = [(f"{h:02d}:00", f"{h:02d}:12", None) for h in (7, 12, 19)]
    assert "draw" not in _checks({"hot.temp": gaps})


def test_a_path_without_a_meter_says_nothing() -> None:
    unmetered = house(**{'flow = "draw.flow"\n': ""})
    assert list(outlet_checks(plant_of(unmetered, healthy_day()))) == []


def test_a_trickle_says_nothing() -> None:
    assert _checks({"draw.flow": [("00:00", "24:00", 1.0)]}) == {}


def test_mixed_water_is_compared_only_while_no_cold_is_mixed_in() -> None:
    assert "valve" not in _checks({})  # the mixed water stands at its setting
    tepid = {"hot.temp": [("00:00", "24:00", 44.0)], "mixed.temp": [("00:00", "24:00", 43.8)]}
    assert _checks(tepid)["valve"].difference_k == pytest.approx(0.2, abs=0.01)
    gaps = [("00:00", "24:00", 44.0), *((f"{h:02d}:00", f"{h:02d}:12", None) for h in (7, 12))]
    assert _checks(tepid | {"hot.temp": gaps})["valve"].minutes == 2  # one draw of which both are known


def test_a_heater_between_the_two_sensors_explains_warmer_mixed_water() -> None:
    passing = house(
        **{'name = "Electric element"\ntank = "solar"\nheight = [0.6, 1.0]\n': 'name = "Electric element"\n'}
    )
    warmer = _DRAWS | {"hot.temp": [("00:00", "24:00", 44.0)], "mixed.temp": [("00:00", "24:00", 48.0)]}
    for site, methods in ((_HOUSE, {"draw", "valve"}), (passing, {"draw"})):
        found = outlet_checks(plant_of(site, changed(healthy_day(), warmer)))
        assert {check.method for check in found} == methods


def test_what_a_loop_feeds_in_on_top_may_lie_above_the_top_sensor() -> None:
    """A loop's water at 74 degC beside a top at 54: what leaves may be ten kelvin warmer, and no sensor is off."""
    fed = house(**{'name = "Solar"\ntank = "solar"\n': 'name = "Solar"\ntank = "solar"\nheight = 0.97\n'})
    day = changed(
        healthy_day(),
        _DRAWS | {"hot.temp": [("00:00", "24:00", 56.0)], "collector.leaving": [("12:00", "13:00", 74.0)]},
    )
    u_k = {}
    for name, site in (("coil", _HOUSE), ("fed", fed)):
        u_k[name] = next(check.u_k for check in outlet_checks(plant_of(site, day)) if check.second == "hot.temp")
    assert u_k["coil"] < 3.0
    assert u_k["fed"] == pytest.approx(10.0, abs=0.5)


def test_a_top_far_above_the_sensor_below_it_is_no_witness() -> None:
    assert "layers solar.top" not in _checks({"solar.bottom": [("00:00", "24:00", 30.0)]})
    level = _checks({"solar.bottom": [("00:00", "24:00", 53.8)]})["layers solar.top"]
    assert level.difference_k == pytest.approx(0.2, abs=0.1)


def test_means_of_five_minutes_over_short_draws_do_not_show_sound_sensors_apart() -> None:
    """Such a mean is of pipe at rest for the most part."""
    run = simulate(SCENARIOS["passing-heater"], start=_WINTER, days=3, seed=5)
    days = [_WINTER + timedelta(days=n) for n in range(3)]
    results = account_days(*by_five_minutes(run.site, run.traces), days)
    told = [each for result in results for each in result.ledger.pair_checks if each.component == PATH]
    assert [each for each in told if each.method in ("draw", "circulation") and abs(each.difference_k) > 1.0] == []


@pytest.mark.parametrize(("minutes", "is_told"), [(2, False), (25, True)])
def test_a_mean_tells_of_the_water_where_all_of_it_lies_within_a_draw(minutes: int, is_told: bool) -> None:
    """Warm water from 12:03 on past a pipe at 20 degC, each five minutes told as one mean."""
    warm_min = np.clip(np.arange(2.5, 24 * 60, 5.0) - (12 * 60 + 3), 0, minutes)
    part = np.diff(warm_min, prepend=0.0) / 5.0
    top_degc = np.where(np.arange(len(part)) % 2, 53.98, 54.02)
    means = {"draw.flow": 6.0 * part, "hot.temp": 20.0 + 34.4 * part, "solar.top": top_degc}
    points = {name: replace(_HOUSE.points[name], sampling="mean", interval_s=300.0) for name in means}
    readings = {name: np.repeat(values, 5) for name, values in means.items()}
    plant = plant_of(replace(_HOUSE, points={**_HOUSE.points, **points}), {**healthy_day(), **readings})
    told = [each for each in outlet_checks(plant) if each.second == "hot.temp" and each.method == "draw"]
    assert [each.difference_k for each in told] == ([pytest.approx(0.4, abs=0.05)] if is_told else [])
