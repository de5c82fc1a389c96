"""One cause, one alert: the more specific kind speaks, and the other one neither opens nor ends an alert beside it."""

from dataclasses import replace
from datetime import timedelta
from graphlib import TopologicalSorter

import pytest

from analytics.detection import (
    DETECTORS,
    Assessment,
    Clear,
    Fault,
    Finding,
    NotAssessed,
    advance,
    assess_day,
    unsettled,
)
from analytics.detection.constant_draw import ConstantDraw
from analytics.detection.precedence import ANY, TABLE, explainers
from analytics.trace import local_day
from tests.ledgers import record, with_conditions, with_stage_heat
from tests.plants import DAY, changed, healthy_day, house, plant_of

_HOUSE = house()
_DAY_MS = 86_400_000
_START_MS = local_day(DAY, "Europe/Berlin").start_ms


def _finding(began_h: float, ended_h: float | None) -> Finding:
    began_ms = _START_MS + round(began_h * 3.6e6)
    return Finding(
        began_ms=began_ms,
        ended_ms=None if ended_h is None else _START_MS + round(ended_h * 3.6e6),
        detected_ms=began_ms,
        severity="soon",
        template="Since {since}.",
        evidence={"since": "?"},
        likely_causes=(),
        checks=(),
        cost_per_day=None,
        weight_s=600.0,
    )


def _assessment(
    kind: str,
    *spans: tuple[float, float | None],
    days: int = 0,
    of: str = "collector",
    is_by_day: bool = False,
) -> Assessment:
    found = tuple(replace(_finding(*span), is_by_day=is_by_day) for span in spans)
    verdict = Fault(found) if spans else Clear(_START_MS + days * _DAY_MS)
    return Assessment(
        site="mill-lane-8",
        timezone="Europe/Berlin",
        kind=kind,
        component=of,
        from_ms=_START_MS + days * _DAY_MS,
        until_ms=_START_MS + (days + 1) * _DAY_MS,
        rejoin=timedelta(hours=24),
        verdict=verdict,
        explained_by=explainers(_HOUSE, kind, of),
    )


def _kinds(*days: list[Assessment]) -> list[tuple[str, str]]:
    alerts = []
    for day in days:
        alerts, _ = advance(alerts, day, now_ms=0)
    return [(alert.kind, alert.state) for alert in alerts]


def test_two_kinds_that_see_one_stretch_make_one_alert_whatever_their_order() -> None:
    both = [_assessment("loop-low-flow", (9, 12)), _assessment("loop-no-flow", (8, 12))]
    assert _kinds(both) == _kinds(both[::-1]) == [("loop-no-flow", "resolved")]


def test_a_stage_is_not_told_beside_another_that_stood_for_weeks_nor_soon_after() -> None:
    stood = _assessment("loop-no-flow", (0, 24), of="desuperheater")
    below = [_assessment("stage-below-expected", (12, None), days=days, of="sun", is_by_day=True) for days in (8, 16)]
    assert _kinds([stood], below[:1]) == [("loop-no-flow", "resolved")]
    assert _kinds([stood], below[1:]) == [("loop-no-flow", "resolved"), ("stage-below-expected", "open")]
    # What begins after the repair is its own.
    later = _assessment("stage-below-expected", (72, None), days=8, of="sun", is_by_day=True)
    assert _kinds([stood], [later])[1:] == [("stage-below-expected", "open")]


def test_a_pump_that_its_tank_does_not_call_since_an_element_keeps_it_hot_is_not_told() -> None:
    on = _assessment("heater-always-on", (6, None), of="element")
    waits = [_assessment("loop-never-called", (11, None), of=loop) for loop in ("collector", "desuperheater")]
    assert _kinds([on, waits[0]]) == [("heater-always-on", "open")]
    assert len(_kinds([on, waits[1]])) == 2  # another tank's


def test_what_the_more_specific_kind_does_not_cover_is_told() -> None:
    both = [_assessment("loop-no-flow", (8, 10)), _assessment("loop-low-flow", (9, 10), (12, 13))]
    assert sorted(_kinds(both)) == [("loop-low-flow", "resolved"), ("loop-no-flow", "resolved")]


def test_while_the_more_specific_alert_lasts_the_other_does_not_open() -> None:
    later = [_assessment("loop-low-flow", (30, None), days=1)]
    assert _kinds([_assessment("loop-no-flow", (8, None))], later) == [("loop-no-flow", "open")]


def test_after_the_more_specific_alert_the_other_opens() -> None:
    later = [_assessment("loop-no-flow", days=1), _assessment("loop-low-flow", (30, None), days=1)]
    assert ("loop-low-flow", "open") in _kinds([_assessment("loop-no-flow", (8, 20))], later)


def test_other_components_and_sites_are_told_for_themselves() -> None:
    no_flow = _assessment("loop-no-flow", (8, None))
    low_flow = _assessment("loop-low-flow", (8, None))
    for other in (_assessment("loop-low-flow", (8, None), of="ground"), replace(low_flow, site="mill-lane-9")):
        assert len(_kinds([no_flow, other])) == 2


@pytest.mark.parametrize(("until", "is_leak"), [("12:00", False), ("23:30", True)])
def test_water_that_runs_while_people_wait_for_warm_water_is_no_leak(until: str, is_leak: bool) -> None:
    # They wait by day only: what runs into the night is a leak all the same.
    plant = plant_of(house(), changed(healthy_day(), {"draw.flow": [("05:00", until, 4.0)]}))
    (runs,) = assess_day(plant, [], detectors=[ConstantDraw()])
    backup = next(stage.heater or "" for stage in house().stages.values() if stage.backup)
    dead = _assessment("heater-no-output", (0, None), of=backup)
    told = [kind for kind, _ in _kinds([dead, runs])]
    assert told == ["heater-no-output", *(["constant-draw"] if is_leak else [])]
    assert [kind for kind, _ in _kinds([runs])] == ["constant-draw"]  # with a backup that heats, water that runs is odd


def test_the_table_names_kinds_that_exist_and_never_goes_round() -> None:
    kinds = {detector.kind for detector in DETECTORS}
    above: dict[str, set[str]] = {}
    for row in TABLE:
        assert {row.kind, *row.by} - {ANY} <= kinds
        above.setdefault(row.kind, set()).update(set(row.by) - {ANY})
    assert list(TopologicalSorter(above).static_order())  # raises where kinds explain each other


@pytest.mark.parametrize("flow_l_min", [0.0, 0.1])
def test_a_pump_that_runs_all_day_without_flow_is_one_alert(flow_l_min: float) -> None:
    changes = {
        "collector.pump": [("00:00", "24:00", 38)],
        "collector.flow": [("00:00", "24:00", flow_l_min)],
        "collector.leaving": [("00:00", "24:00", 30)],
    }
    found = assess_day(plant_of(house(), changed(healthy_day(), changes)), [])
    by_kind = {each.kind: each.verdict for each in found if each.component == "collector"}
    assert isinstance(by_kind["loop-no-flow"], Fault)
    assert isinstance(by_kind["loop-always-on"], NotAssessed)


def test_a_hot_collector_whose_pump_moves_nothing_is_told_as_a_loop_without_flow() -> None:
    changes = {
        "collector.flow": [("10:00", "17:30", 0.0)],
        "collector.leaving": [("10:00", "11:00", (40.0, 150.0)), ("11:00", "16:00", 150.0)],
    }
    found = assess_day(plant_of(house(), changed(healthy_day(), changes)), [])
    hot = {"loop-no-flow", "collector-stagnation"}
    assert hot <= {each.kind for each in found if isinstance(each.verdict, Fault)}
    alerts, _ = advance([], found, now_ms=0)
    assert [alert.kind for alert in alerts if alert.kind in hot] == ["loop-no-flow"]


def test_a_collector_that_stagnates_beside_a_pump_never_called_is_one_alert() -> None:
    changes = {
        "collector.pump": [("09:00", "17:30", 0.0)],
        "collector.flow": [("09:00", "17:30", 0.0)],
        "collector.leaving": [("09:00", "11:00", (20.0, 150.0)), ("11:00", "16:00", 150.0)],
    }
    found = assess_day(plant_of(house(), changed(healthy_day(), changes)), [])
    hot = {"loop-never-called", "collector-stagnation"}
    assert hot <= {each.kind for each in found if isinstance(each.verdict, Fault)}
    alerts, _ = advance([], found, now_ms=0)
    assert [alert.kind for alert in alerts if alert.kind in {*hot, "loop-no-flow"}] == ["loop-never-called"]


def test_a_tank_filled_by_its_element_is_told_and_not_the_collector_that_waits_beside_it() -> None:
    changes = {
        "element.power": [("06:00", "18:00", 4500.0)],
        "solar.top": [("06:00", "09:00", (60.0, 91.0)), ("09:00", "18:00", (91.0, 92.0))],
        "collector.flow": [("10:00", "17:30", 0.0)],
        "collector.pump": [("10:00", "17:30", 0.0)],
        "collector.leaving": [("10:00", "11:00", (40.0, 185.0)), ("11:00", "16:00", 185.0)],
    }
    found = assess_day(plant_of(house(), changed(healthy_day(), changes)), [])
    hot = {"heater-always-on", "collector-stagnation"}
    assert hot <= {each.kind for each in found if isinstance(each.verdict, Fault)}
    alerts, _ = advance([], found, now_ms=0)
    assert [alert.kind for alert in alerts if alert.kind in hot] == ["heater-always-on"]


@pytest.mark.parametrize(("backup_kwh", "told"), [(7.0, "heater-preempts"), (0.2, "collector-stagnation")])
def test_a_collector_shut_out_by_the_backup_is_told_by_what_shuts_it_out(backup_kwh: float, told: str) -> None:
    """Where the backup rests, as in a hot spell or a holiday, nothing explains the collector."""
    name, worked, stood = "collector.roof.", [0, 1, 2, 3, 4], 7
    history = with_conditions(
        record(DAY, days=12, kwh_per_h=1.2),
        {
            "backup.backup.kwh": [1.0] * len(worked) + [backup_kwh] * stood,
            "backup.backup.beyond_kwh": 0.0,
            "backup.backup.heated_to_degc": 55.0,
            f"{name}running_allowed_kwh": [6.0] * len(worked) + [0.0] * stood,
            f"{name}cold_allowed_kwh": 12.0,
            f"{name}stagnant_h": [0.0] * len(worked) + [5.0] * stood,
            f"{name}beside_hot_tank_h": [0.0] * len(worked) + [5.0] * stood,
            f"{name}hot_tank_degc": 84.0,
        },
    )
    history = with_stage_heat(history, {"sun": [6.0] * len(worked) + [0.0] * stood})
    changes = {
        "element.power": [("00:00", "24:00", 0.0)],
        "solar.top": [("00:00", "24:00", (86.0, 80.0))],
        "collector.flow": [("08:00", "17:30", 0.0)],
        "collector.pump": [("08:00", "17:30", 0.0)],
        "collector.leaving": [("10:00", "11:00", (40.0, 150.0)), ("11:00", "16:00", 150.0)],
    }
    found = assess_day(plant_of(house(), changed(healthy_day(), changes)), history)
    kinds = {"heater-preempts", "collector-stagnation"}
    assert "collector-stagnation" in {each.kind for each in found if isinstance(each.verdict, Fault)}
    alerts, _ = advance([], found, now_ms=0)
    assert [alert.kind for alert in alerts if alert.kind in kinds] == [told]
    # An alert of the effect that was there before does not keep the cause from being told.
    stagnates = [each for each in found if each.kind == "collector-stagnation"]
    before, _ = advance(
        [], [replace(stagnates[0], verdict=replace(stagnates[0].verdict, findings=(_finding(0, None),)))], now_ms=0
    )  # type: ignore[arg-type]
    after, _ = advance(before, found, now_ms=0)
    assert told in {alert.kind for alert in after}


def test_a_tank_that_loses_heat_is_not_told_as_an_open_balance() -> None:
    both = [_assessment("balance-open", (0, None)), _assessment("tank-losing-heat", (24, None))]
    assert _kinds(both) == [("tank-losing-heat", "open")]


def test_a_noisy_sensor_of_a_tank_makes_no_standby_loss() -> None:
    losing = _assessment("tank-losing-heat", (24, None), of="solar", is_by_day=True)
    for point in _HOUSE.tanks["solar"].temperatures:
        assert _kinds([losing, _assessment("sensor-noisy", (2, None), of=point)]) == [("sensor-noisy", "open")]
    for other in (_assessment("sensor-noisy", (2, None), of="hot.temp"), _assessment("sensor-noisy", of="solar.top")):
        assert ("tank-losing-heat", "open") in _kinds([losing, other])


def test_an_outlet_is_not_told_off_while_sensors_of_a_tank_are_exchanged() -> None:
    swapped = _assessment("sensor-swapped", (8, None), of="solar")
    outlet = _assessment("sensor-offset", (0, None), of="hot_water")
    assert _kinds([outlet, swapped]) == [("sensor-swapped", "open")]
    assert ("sensor-offset", "open") in _kinds([_assessment("sensor-offset", (0, None), of="ground"), swapped])


def test_exchanged_cold_and_hot_are_not_told_as_open_balances_of_tanks() -> None:
    swapped = _assessment("sensor-swapped", (8, None), of="hot_water")
    assert _kinds([_assessment("balance-open", (0, None)), swapped]) == [("sensor-swapped", "open")]


def test_what_another_kind_of_a_parts_alerts_explains_is_left_out_from_when_it_began() -> None:
    losing = _assessment("tank-losing-heat", (30, None), days=1, of="solar")
    assert _kinds([_assessment("loop-night-loss", (8, None))], [losing]) == [("loop-night-loss", "open")]
    # Over before the loss began, or another kind: it explains nothing.
    for other in (_assessment("loop-night-loss", (8, 20)), _assessment("loop-low-flow", (8, None))):
        assert ("tank-losing-heat", "open") in _kinds([other], [losing])


def test_a_stage_of_a_poor_compressor_is_told_by_its_heat_pump_and_a_while_beyond_its_end() -> None:
    shift = _assessment("stage-below-expected", (0, None), days=3, of="ground", is_by_day=True)
    poor = _assessment("heat-pump-low-cop", (8, 20), of="hp")
    assert _kinds([poor], [shift]) == [("heat-pump-low-cop", "resolved")]
    later = _assessment("stage-below-expected", (0, None), days=20, of="ground", is_by_day=True)
    assert ("stage-below-expected", "open") in _kinds([poor], [later])
    assert ("stage-below-expected", "open") in _kinds([_assessment("heat-pump-low-cop", of="hp")], [shift])


def test_a_stage_whose_pump_moves_nothing_is_told_by_its_loop() -> None:
    below = _assessment("stage-below-expected", (9, None), of="sun")
    assert _kinds([below, _assessment("loop-no-flow", (8, None))]) == [("loop-no-flow", "open")]
    assert ("stage-below-expected", "open") in _kinds([below, _assessment("loop-no-flow", (8, None), of="ground")])


def test_an_alert_that_may_explain_a_balance_is_handed_on_for_its_days() -> None:
    alerts, _ = advance([], [_assessment("loop-always-on", (8, 20))], now_ms=0)
    for days, kept in ((7, 1), (9, 0)):
        assert len(unsettled(alerts, [_assessment("loop-always-on", days=days)])) == kept
