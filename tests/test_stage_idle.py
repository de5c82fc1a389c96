"""A heat pump that no longer runs: told where its backup stands in for it, and while it lasts; else left alone."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest

from analytics.detection import Clear, Fault, NotAssessed, Verdict
from analytics.detection.precedence import explainers
from analytics.detection.stage_below_expected import StageBelowExpected
from analytics.figures import DayLedger, HeatPumpLine, unavailable
from analytics.site import Site
from analytics.site_file import parse_site
from analytics.trace import local_day
from api.days import DayOutcome
from ingest.virtual import Fault as VirtualFault
from tests.ledgers import HEALTHY_COP, record, with_conditions, with_stage_heat
from tests.plants import DAY, changed, healthy_day, house, plant_of
from tests.virtual_days import layout_text, virtual_days

_RESTS = {"hp.power": [("00:00", "24:00", 5.0)]}


def _days(
    ran: Sequence[bool], backup_kwh: Sequence[float], outdoor_degc: Sequence[float] | float = 4.0
) -> list[DayLedger]:
    """Days up to the one before `DAY`."""
    days: list[DayLedger] = []
    for index, (did_run, kwh) in enumerate(zip(ran, backup_kwh, strict=True)):
        after = DAY - timedelta(days=len(ran) - index - 1)
        (day,) = record(after, days=1, kwh_per_h=1.2, run_h=6.0 if did_run else 0.0)
        days += with_stage_heat([day], {"backup": kwh})
    return with_conditions(days, {"outdoor.mean_degc": outdoor_degc})


def _verdict(history: Sequence[DayLedger], *, runs_today: bool = False, until: str = "08:00") -> Verdict:
    courses = healthy_day() if runs_today else changed(healthy_day(), _RESTS)
    return StageBelowExpected().assess(plant_of(house(), courses, until=until), history, "ground")


_TEN, _TWO = [True] * 10, [False] * 2
_DEAD = _days([*_TEN, *_TWO], [0.5] * 10 + [6.0, 7.0])


def test_two_days_without_a_run_and_a_backup_that_stands_in_are_a_fault_in_words() -> None:
    verdict = _verdict(_DEAD)
    assert isinstance(verdict, Fault)
    (finding,) = verdict.findings
    first = local_day(DAY - timedelta(days=2), house().timezone)
    assert (finding.began_ms, finding.is_by_day, finding.severity) == (first.start_ms, True, "soon")
    assert finding.detected_ms == local_day(DAY, house().timezone).start_ms + 600_000
    assert "hp (stage Ground source) has not run since 12 April, on 2 whole days; on 10 of the 10" in finding.summary
    assert "gave 6.5 kWh a day on the last 2 days, where it used to give 0.5 kWh a day" in finding.summary
    assert any("licensed electricians" in check for check in finding.checks)
    # By hand: 6 kWh more at 0.30 a kWh, less what the heat pump would have taken for them.
    assert finding.cost_per_day == pytest.approx(6.0 * 0.30 * (1 - 1 / HEALTHY_COP))


def test_without_a_price_nothing_is_said_of_cost() -> None:
    courses = changed(healthy_day(), _RESTS)
    plain = house(**{'[prices]\ncurrency = "EUR"\nelectricity_per_kwh = 0.30\n': ""})
    verdict = StageBelowExpected().assess(plant_of(plain, courses), _DEAD, "ground")
    assert isinstance(verdict, Fault)
    assert verdict.findings[0].cost_per_day is None


@pytest.mark.parametrize(
    "history",
    [
        _days([*_TEN, False], [0.5] * 10 + [7.0]),  # one day
        _days([*_TEN, *_TWO], [0.5] * 12),  # nobody at home, or the sun carries the house
        _days([*_TEN, *_TWO], [0.5] * 10 + [1.4, 1.4]),  # hardly more
        _days([*_TEN, *_TWO], [1.0, 6.0, 1.0, 9.0, 3.0] * 2 + [8.0, 8.5]),  # as it gave before, now and then
        _days([True, False] * 5 + _TWO, [0.5] * 10 + [6.0, 7.0]),  # it rested on many days before
        _days([True] * 6 + _TWO, [0.5] * 6 + [6.0, 7.0]),  # too few are known
        _days([*_TEN, *_TWO], [0.5] * 10 + [6.0, 7.0], [4.0] * 10 + [4.0, 12.0]),  # rooms want no heat
        _days([False] * 12, [6.0] * 12),  # it never ran
    ],
)
def test_less_than_that_is_none(history: Sequence[DayLedger]) -> None:
    assert isinstance(_verdict(history), NotAssessed)


def test_days_whose_power_is_not_known_count_neither_way() -> None:
    def unknown(line: HeatPumpLine) -> HeatPumpLine:
        return replace(line, heating_run_hours=unavailable("h", "Not heard."))

    days = [replace(each, heat_pumps=[unknown(each.heat_pumps[0])]) for each in _DEAD[-2:]]
    assert isinstance(_verdict([*_DEAD[:-2], *days]), NotAssessed)
    assert isinstance(_verdict([*_DEAD[:-2], days[0], _DEAD[-1]]), NotAssessed)


def test_a_stage_that_gives_heat_has_a_compressor_that_runs_whatever_its_meter_says() -> None:
    given = record(DAY, days=2, kwh_per_h=1.2)
    days = [
        replace(each, stages=[one.stages[0], *each.stages[1:]]) for each, one in zip(_DEAD[-2:], given, strict=True)
    ]
    assert isinstance(_verdict([*_DEAD[:-2], *days]), NotAssessed)


def test_it_lasts_while_the_backup_rests_for_a_day_and_ends_with_the_first_run() -> None:
    rested = _days([*_TEN, *_TWO, False], [0.5] * 10 + [6.0, 7.0, 0.0])
    assert isinstance(_verdict(rested), NotAssessed)
    back = _verdict(rested, runs_today=True)
    assert isinstance(back, Clear)
    start_ms = local_day(DAY, house().timezone).start_ms
    assert start_ms <= back.since_ms <= start_ms + 90 * 60_000  # it runs for the first half of each 90 minutes


@pytest.mark.parametrize(("idle", "kind"), [(29, Fault), (30, Clear), (40, Clear)])
def test_after_thirty_days_that_is_how_the_house_is_run(idle: int, kind: type[Verdict]) -> None:
    verdict = _verdict(_days([*_TEN, *[False] * idle], [0.5] * 10 + [6.0] * idle))
    assert isinstance(verdict, kind)
    if isinstance(verdict, Clear):
        after = DAY - timedelta(days=idle - 30)
        assert verdict.since_ms == local_day(after, house().timezone).start_ms


_NOW_AND_THEN = [True, False, False, True, False, False, False, True, False, True] * 2
_LOADS = {'desuperheater_loop = "desuperheater"': 'load_loop = "desuperheater"'}


def _seldom(backup_kwh: Sequence[float], *, before_kwh: float = 0.0, site: Site | None = None) -> Verdict:
    """Of a pump that loads its tank now and then, and has rested since."""
    history = _days([*_NOW_AND_THEN, *[False] * len(backup_kwh)], [before_kwh] * 20 + list(backup_kwh), 8.0)
    plant = plant_of(site or house(**_LOADS), changed(healthy_day(), _RESTS))
    return StageBelowExpected().assess(plant, history, "ground")


def test_a_pump_that_ran_now_and_then_and_rests_longer_than_ever_while_the_backup_gives_is_told() -> None:
    verdict = _seldom([0.0, 0.0, 2.1, 0.9, 1.3])
    assert isinstance(verdict, Fault)
    summary = verdict.findings[0].summary
    assert "on 5 whole days; on 8 of the 20 days before, it did, and never rested for more than 3 in a row." in summary
    assert "gave 1.4 kWh a day on the last 3 days, where it used to give 0.0 kWh a day" in summary


@pytest.mark.parametrize(
    ("backup_kwh", "before_kwh"),
    [
        ([2.1, 0.9, 1.3], 0.0),  # it has rested for so long before
        ([0.0, 0.0, 0.0, 2.1, 0.9], 0.0),  # two days
        ([0.0, 0.0, 2.1, 0.0, 2.1], 0.0),  # not day after day
        ([0.0, 0.0, 0.5, 0.6, 0.5], 0.0),  # hardly anything
        ([1.4, 1.4, 2.1, 1.6, 1.7], 1.3),  # hardly more than while it rested before
        ([0.0] * 9, 0.0),  # the sun carries the house
    ],
)
def test_less_than_that_is_none_of_a_pump_that_ran_now_and_then(backup_kwh: Sequence[float], before_kwh: float) -> None:
    assert isinstance(_seldom(backup_kwh, before_kwh=before_kwh), NotAssessed)


def test_a_pump_that_heats_rooms_now_and_then_rests_in_spring() -> None:
    assert isinstance(_seldom([0.0, 0.0, 2.1, 0.9, 1.3], site=house()), NotAssessed)


def test_what_explains_it_is_named() -> None:
    told = {(each.kind, each.component) for each in explainers(house(), "stage-below-expected", "ground")}
    assert {("", "hp.power"), ("", "element.power")} <= told
    assert {("heater-always-on", "element"), ("loop-no-flow", "ground")} <= told


def _below(outcomes: Sequence[DayOutcome]) -> list[dict]:  # type: ignore[type-arg]
    """As they were last told; a day hands on only those that may still change."""
    told = [alert for each in outcomes for alert in each.alerts if alert["kind"] == "stage-below-expected"]
    return list({alert["id"]: alert for alert in told}.values())


@pytest.mark.parametrize("scenario", ["two-tank", "energy-counters"])
def test_a_tripped_heat_pump_is_one_alert_within_five_days_to_the_day_it_runs_again(scenario: str) -> None:
    start, broken, days = date(2026, 1, 5), 14, 10
    timezone = parse_site(layout_text(scenario), file=scenario).timezone
    began_ms = local_day(start + timedelta(days=broken), timezone).start_ms + 10 * 3_600_000
    fault = VirtualFault(name="heat-pump-off", start_ms=began_ms, end_ms=began_ms + days * 86_400_000)
    outcomes = virtual_days(scenario, start, days=broken + days + 4, faults=[fault])
    (alert,) = _below(outcomes)
    assert alert["component"] == "ground"
    assert alert["began"][:10] in {(start + timedelta(days=broken + n)).isoformat() for n in (0, 1)}
    assert 2 <= (date.fromisoformat(alert["detected"][:10]) - start).days - broken <= 5
    assert alert["ended"][:10] == (start + timedelta(days=broken + days)).isoformat()
    assert alert["evidence"]["backup_kwh"] > alert["evidence"]["limit_backup_kwh"]


@pytest.mark.parametrize("start", [date(2026, 1, 5), date(2026, 4, 5), date(2026, 7, 1)], ids=str)
@pytest.mark.parametrize("scenario", ["two-tank", "energy-counters"])
def test_a_healthy_house_with_a_heat_pump_stays_quiet(scenario: str, start: date) -> None:
    assert [alert["summary"] for alert in _below(virtual_days(scenario, start, days=30))] == []
