"""When a tank's balance is said to have opened: a record of residuals, day after day, by hand."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest

from analytics.detection.balance_open import BalanceOpen
from analytics.detection.findings import Fault
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
