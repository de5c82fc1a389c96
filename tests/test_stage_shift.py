"""A stage's lasting want of heat: when it is an alert, what it shows, and that healthy houses are left alone."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest

from analytics.detection import Clear, Fault, NotAssessed, Verdict
from analytics.detection.stage_below_expected import StageBelowExpected
from analytics.detection.stage_shift import StageShift
from analytics.expected.experience import experience_of
from analytics.expected.watching import Shift, Watched, _added
from analytics.figures import DayLedger
from analytics.trace import local_day
from api.days import DayOutcome
from ingest.virtual import Fault as VirtualFault
from tests.ledgers import record, with_residuals
from tests.plants import DAY, changed, healthy_day, house, plant_of
from tests.virtual_days import virtual_days

_EXPERIENCE = {"": experience_of([(float(n % 5), 1.3) for n in range(25)], least_u=0.05)}
_SINCE = DAY - timedelta(days=6)


def _watched(*, had: float = 40.0, expected: float = 50.0, days: int = 5, **fields: object) -> Watched:
    low = Shift(7.5, _SINCE, days, had, expected, 4.0)
    usual = Watched(
        experience=_EXPERIENCE, low=low, out="low", found=DAY, judged=DAY - timedelta(days=1), judged_z=-3.0
    )
    return replace(usual, **fields)  # type: ignore[arg-type]


def _verdict(
    watched: Watched, *, is_dull: bool = True, shift: StageShift | None = None, history: Sequence[DayLedger] = ()
) -> Verdict:
    """Of the house's sun stage, on a day that tells nothing by itself or on a sunny one."""
    courses = changed(healthy_day(), {"collector.sun": [("00:00", "24:00", 300.0)]} if is_dull else {})
    detector = StageBelowExpected(watched={"sun.heat": watched}, shift=shift or StageShift())
    return detector.assess(plant_of(house(), courses), history, "sun")


def test_a_lasting_shift_is_a_fault_dated_from_the_day_it_began_with():
    verdict = _verdict(_watched())
    assert isinstance(verdict, Fault)
    (finding,) = verdict.findings
    assert finding.began_ms == local_day(_SINCE, house().timezone).start_ms
    assert finding.severity == "soon"
    assert "20 % less since 8 April than" in finding.summary  # found by comparing days, so no clock time of it is told
    assert "40.0 kWh on 5 days" in finding.summary
    assert "50.0 ± 4.0 kWh" in finding.summary


def test_its_evidence_holds_every_number_that_it_used():
    verdict = _verdict(_watched())
    assert isinstance(verdict, Fault)
    evidence = verdict.findings[0].evidence
    told = {"cusum_sd": 7.5, "cusum_limit_sd": 5.0, "short_percent": 20.0, "fit_days": 25, "least_short_percent": 10.0}
    assert {name: evidence[name] for name in told} == told
    # (50 - 40) kWh on 5 days, each of which is known to sqrt(4 / 5) kWh.
    assert evidence["shift_sd"] == pytest.approx(2.0 / (4.0 / 5) ** 0.5, abs=0.01)
    assert evidence["days_to_find"] > 1  # type: ignore[operator]
    assert evidence["days_between_false_signals"] > 365  # type: ignore[operator]


def test_a_sunny_day_that_looks_well_does_not_end_a_lasting_shift():
    assert isinstance(_verdict(_watched(), is_dull=False), Fault)


@pytest.mark.parametrize(("least", "is_fault"), [(0.19, True), (0.2, True), (0.21, False)])
def test_so_little_is_no_call_worth(least: float, is_fault: bool):
    verdict = _verdict(_watched(), shift=StageShift(least_part=least - 1e-9))
    assert isinstance(verdict, Fault if is_fault else NotAssessed)


@pytest.mark.parametrize(("least", "is_fault"), [(4, True), (5, True), (6, False)])
def test_so_few_days_are_not_enough(least: int, is_fault: bool):
    assert isinstance(_verdict(_watched(), shift=StageShift(least_days=least)), Fault if is_fault else NotAssessed)


def test_health_seen_the_day_before_ends_what_was_said():
    well = _watched(out="", low=Shift(), judged_z=0.3)
    verdict = _verdict(well)
    assert isinstance(verdict, Clear)
    assert verdict.since_ms == local_day(DAY - timedelta(days=1), house().timezone).start_ms
    long_ago = replace(well, judged=DAY - timedelta(days=9))
    assert isinstance(_verdict(long_ago), NotAssessed)
    assert isinstance(_verdict(replace(well, judged_z=-2.5)), NotAssessed)


@pytest.mark.parametrize(
    ("before", "since", "is_fault"),
    [
        (0.1, -1.9, False),  # 2 kWh a day are missed, and found
        (0.1, -1.0, True),  # only half of them
        (0.1, -0.2, True),  # the balance closes: the sun gave less
        (-1.9, -1.9, True),  # it stood open like this before
        (0.1, 1.9, True),  # heat is lost besides
    ],
)
@pytest.mark.parametrize("is_dull", [True, False])
def test_heat_that_the_tank_holds_is_no_want_of_its_stage(
    before: float, since: float, is_fault: bool, is_dull: bool
) -> None:
    """The house's sun stage lacks 10 kWh on 5 days; its meters read too little where its tank holds them."""
    residuals = [(before, 0.5)] * 10 + [(since, 0.5)] * 6
    history = with_residuals(record(DAY, days=16, kwh_per_h=0.5), "solar", residuals)
    verdict = _verdict(_watched(), history=history, is_dull=is_dull)
    assert isinstance(verdict, Fault if is_fault else Clear)


@pytest.mark.parametrize(("n_before", "n_open"), [(2, 6), (10, 2)])
def test_heat_found_on_too_few_days_or_beside_too_few_excuses_no_stage(n_before: int, n_open: int) -> None:
    residuals = [(0.1, 0.5)] * (n_before + 6 - n_open) + [(-1.9, 0.5)] * n_open
    history = with_residuals(record(DAY, days=16, kwh_per_h=0.5), "solar", residuals)
    assert isinstance(_verdict(_watched(), history=history), Fault)


def _below(outcomes: Sequence[DayOutcome]) -> dict[str, dict]:  # type: ignore[type-arg]
    return {
        alert["component"]: alert
        for each in outcomes
        for alert in each.alerts
        if alert["kind"] == "stage-below-expected"
    }


def test_dust_that_takes_a_fifth_is_found_within_a_week_whatever_the_jobs():
    """Too little for one day's proof (a collector is held to three quarters and its doubt): only days added up show."""
    start, broken, days = date(2026, 3, 20), 34, 46
    began_ms = local_day(start + timedelta(days=broken), site_timezone := "Europe/Madrid").start_ms
    fault = VirtualFault(name="collector-fouled", start_ms=began_ms)
    outcomes = virtual_days("solar-one-tank", start, days=days, faults=[fault])
    alert = _below(outcomes)["sun"]
    found_ms = local_day(date.fromisoformat(alert["detected"][:10]), site_timezone).start_ms
    assert 0 < found_ms - began_ms <= 7 * 86_400_000
    assert abs((date.fromisoformat(alert["began"][:10]) - start).days - broken) <= 2
    assert alert["is_by_day"]
    assert ":" not in alert["evidence"]["since"]
    assert alert["evidence"]["short_percent"] == pytest.approx(20, abs=8)
    assert not _below(outcomes[: broken + 1])
    again = virtual_days("solar-one-tank", start, days=days, faults=[fault], jobs=[9, 30, 37])
    assert [each.state for each in again] == [each.state for each in outcomes]
    assert [each.alerts for each in again] == [each.alerts for each in outcomes]


def test_a_boiler_that_wastes_its_fuel_is_found_within_days_with_what_that_costs():
    start, first = date(2026, 1, 5), 26
    began_ms = local_day(start + timedelta(days=first), "Europe/Berlin").start_ms
    outcomes = virtual_days(
        "boiler-backup", start, days=34, faults=[VirtualFault(name="boiler-fouled", start_ms=began_ms)]
    )
    (alert,) = _below(outcomes).values()
    assert (alert["component"], alert["severity"]) == ("oil", "soon")
    assert 0 <= (date.fromisoformat(alert["began"][:10]) - start).days - first <= 1
    assert (date.fromisoformat(alert["detected"][:10]) - start).days - first <= 5
    assert alert["evidence"]["short_percent"] == pytest.approx(33, abs=6)  # what the boiler keeps is lost as before
    assert "of the fuel that its boiler took" in alert["summary"]
    assert any("flue gas" in check for check in alert["checks"])
    short_kwh = (alert["evidence"]["expected_kwh"] - alert["evidence"]["had_kwh"]) / alert["evidence"]["days"]
    assert 0.08 * short_kwh < alert["cost_per_day"] < 0.2 * short_kwh  # oil, not electricity


@pytest.mark.parametrize("start", [date(2026, 2, 10), date(2026, 9, 10)], ids=str)
def test_a_sound_boiler_stays_quiet_while_the_season_turns(start: date):
    outcomes = virtual_days("boiler-backup", start, days=60)
    assert _below(outcomes) == {}
    assert outcomes[-1].state["expected"]["oil.heat"]["experience"]


def test_a_healthy_house_stays_quiet_while_the_season_turns():
    outcomes = virtual_days("two-tank", date(2026, 9, 20), days=60)
    assert _below(outcomes) == {}
    watched = outcomes[-1].state["expected"]  # type: ignore[index]
    assert {watched[key]["judged"] is not None for key in ("sun.heat", "ground.heat")} == {True}


def _after(days_sd: Sequence[float], beyond_sd: Sequence[float] = ()) -> Watched:
    """
    What is kept after days that were off by so many standard deviations of 1 kWh, from 10 kWh to be expected.

    `beyond_sd` are days after them that are unlike any that the model knows.
    """
    held = Watched()
    for n, z in enumerate([*days_sd, *beyond_sd]):
        known = n < len(days_sd)
        held = _added(held, date(2026, 6, 1) + timedelta(days=n), (10.0 + z, 10.0, 1.0), z=z, is_known=known)
    return held


@pytest.mark.parametrize(
    ("then_sd", "is_over"),
    [
        ([-0.5, 0.5, -0.2], True),
        ([-1.8, -1.7, -1.9], False),  # each within two standard deviations, and all of them as the shift was
        ([2.7, 3.4, 2.9], True),  # cleaned: more than the model, which learned on the first dusty days
        ([0.0, -3.0, 0.0, 0.0], False),  # not in a row
    ],
)
def test_a_shift_is_over_when_days_in_a_row_lie_nearer_to_none_than_to_it(
    then_sd: Sequence[float], is_over: bool
) -> None:
    short = [-2.5] * 8
    assert _after(short).out == "low"
    assert (_after([*short, *then_sd]).out != "low") is is_over


def test_days_beyond_the_model_end_a_shift_once_they_undo_its_sum() -> None:
    short = [-2.5] * 8
    assert _after(short, [0.1] * 5).out == "low"
    assert _after(short, [0.1] * 9).out == ""
    assert _after(short, [-2.0] * 9).out == "low"
