"""When a tank's balance is said to have opened: a record of residuals, day after day, by hand."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest

from analytics.detection.balance_open import BalanceOpen
from analytics.detection.findings import Fault, NotAssessed
from analytics.figures import DayLedger
from analytics.trace import local_day
from ingest.virtual import SCENARIOS, simulate
from tests.accounts import account_days

_FIRST = date(2026, 3, 2)
_DOUBT_KWH = 1.0


def _record(residuals_kwh: Sequence[float], ledger: DayLedger) -> list[DayLedger]:
    """Days with these residuals of the preheat tank, each known to a kilowatt hour."""
    days = []
    for n, value in enumerate(residuals_kwh):
        tanks = [
            replace(line, residual=replace(line.residual, value=value, plus_minus=_DOUBT_KWH))
            if line.tank == "preheat"
            else line
            for line in ledger.tanks
        ]
        days.append(replace(ledger, day=_FIRST + timedelta(days=n), tanks=tanks))
    return days


@pytest.mark.parametrize(
    ("residuals_kwh", "opened"),
    [
        # A day that happened to lie beyond its doubt is not where it began.
        ([-1.3, 0.2, -0.1, 0.4, 0.1, -20.0, -22.0, -21.0], 5),
        ([-1.3, 0.2, -0.1, 0.4, 0.1, -20.0, -22.0], 5),
        # Three days of a small one among others: as far back as most are open.
        ([0.6, 2.2, 0.9, 2.3, 1.9, 1.9, 1.9], 1),
        # What a house leaves open by about its doubt, on some days beyond it, is not where a fault of forty began.
        ([1.1, 1.2, 1.1, 0.9, 35.0, 41.0, 42.0], 4),
        ([1.1, 1.2, 1.1, 1.1, 35.0, 41.0, 42.0], 4),
        # But two kilowatt-hours a day were open before it got worse.
        ([2.2, 2.3, 2.2, 2.1, 6.0, 6.1, 6.2], 0),
    ],
)
def test_a_balance_opened_where_from_then_on_most_days_are_open(residuals_kwh, opened):
    run = simulate(SCENARIOS["two-tank"], start=_FIRST, days=1, seed=3)
    result = next(iter(account_days(run.site, run.traces, [_FIRST])))
    today = local_day(_FIRST + timedelta(days=len(residuals_kwh)), run.site.timezone)
    plant = replace(result.plant, day=today)
    verdict = BalanceOpen().assess(plant, _record(residuals_kwh, result.ledger), "preheat")
    assert isinstance(verdict, Fault)
    (finding,) = verdict.findings
    since = local_day(_FIRST + timedelta(days=opened), run.site.timezone)
    assert finding.began_ms == since.start_ms
    assert finding.evidence["days"] == len(residuals_kwh) - opened
    told = residuals_kwh[opened:]
    assert finding.evidence["open_kwh"] == pytest.approx(abs(sum(told) / len(told)), abs=0.005)


def test_one_odd_day_after_days_open_by_about_their_doubt_is_none():
    run = simulate(SCENARIOS["two-tank"], start=_FIRST, days=1, seed=3)
    result = next(iter(account_days(run.site, run.traces, [_FIRST])))
    plant = replace(result.plant, day=local_day(_FIRST + timedelta(days=7), run.site.timezone))
    verdict = BalanceOpen().assess(plant, _record([1.1, 1.2, 1.1, 1.1, 1.2, 1.1, 35.0], result.ledger), "preheat")
    assert isinstance(verdict, NotAssessed)
    assert verdict.reason == "The balance of tank preheat has opened on 1 days so far."


def _verdict_of_heated_tank(residual_kwh: float, given_kwh: float):
    """Of three days with so much missing in the tank that the element heats, which by its power gave so much."""
    run = simulate(SCENARIOS["two-tank"], start=_FIRST, days=1, seed=3)
    (stage,) = (each for each in run.site.stages.values() if each.heater)
    result = next(iter(account_days(run.site, run.traces, [_FIRST])))
    tanks = [
        replace(line, residual=replace(line.residual, value=residual_kwh, plus_minus=_DOUBT_KWH))
        for line in result.ledger.tanks
    ]
    stages = [
        replace(line, heat=replace(line.heat, value=given_kwh)) if line.stage == stage.id else line
        for line in result.ledger.stages
    ]
    days = [replace(result.ledger, day=_FIRST + timedelta(days=n), tanks=tanks, stages=stages) for n in range(3)]
    plant = replace(result.plant, day=local_day(_FIRST + timedelta(days=3), run.site.timezone))
    return BalanceOpen().assess(plant, days, stage.tank), run.site


def test_as_much_missing_as_a_heater_gives_is_paid_for_in_vain():
    verdict, site = _verdict_of_heated_tank(19.0, 20.0)
    assert isinstance(verdict, Fault)
    (finding,) = verdict.findings
    assert finding.severity == "soon"
    assert "gives this tank 20.00 kWh a day: most of that seems not to reach the water." in finding.summary
    # By hand: what is missing beyond doubt, at the price of electricity.
    assert finding.cost_per_day == pytest.approx(18.0 * site.prices.electricity_per_kwh)
    assert any("licensed electricians" in check for check in finding.checks)


@pytest.mark.parametrize(("residual_kwh", "given_kwh"), [(8.0, 20.0), (19.0, 6.0), (-19.0, 20.0)])
def test_what_no_heater_explains_costs_nothing_that_is_known(residual_kwh, given_kwh):
    verdict, _ = _verdict_of_heated_tank(residual_kwh, given_kwh)
    assert isinstance(verdict, Fault)
    assert (verdict.findings[0].severity, verdict.findings[0].cost_per_day) == ("watch", None)
