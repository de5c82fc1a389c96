"""Cool water behind a mixing valve, from a tank that is less warm than the valve is set to: virtual houses."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest

from analytics.detection import Alert, advance, assess_day
from analytics.detection.outlet_too_cool import OutletTooCool
from analytics.figures import DayLedger
from analytics.trace import local_day
from ingest.virtual import SCENARIOS, Fault, simulate
from ingest.virtual.scenario import site_of
from tests.accounts import account_days

_START, _DAYS, _SET_C = date(2026, 1, 5), 4, 75.0


def _alerts(fault: str) -> list[Alert]:
    """Of a house whose valve is said to be set to more than its tank ever reaches."""
    begins_ms = local_day(_START + timedelta(days=1), site_of(SCENARIOS["two-tank"]).timezone).start_ms
    faults: Sequence[Fault] = [Fault(name=fault, start_ms=begins_ms, end_ms=begins_ms + 10**9)] if fault else []
    run = simulate(SCENARIOS["two-tank"], start=_START, days=_DAYS, seed=3, faults=faults)
    assert run.site.hot_water is not None
    assert max(run.traces[run.site.hot_water.hot or ""].value) < _SET_C
    site = replace(run.site, hot_water=replace(run.site.hot_water, mixed_set_c=_SET_C))
    alerts: list[Alert] = []
    history: list[DayLedger] = []
    for result in account_days(site, run.traces, [_START + timedelta(days=n) for n in range(_DAYS)]):
        found = assess_day(result.plant, history, detectors=[OutletTooCool()])
        alerts, _ = advance(alerts, found, now_ms=result.plant.day.end_ms)
        history.append(result.ledger)
    return alerts


def test_a_valve_jammed_toward_cold_is_told_although_the_tank_is_cooler_than_its_setting() -> None:
    (alert,) = _alerts("mixing-valve-cold")
    assert "mixing valve is too cool" in alert.summary
    assert alert.ended_ms is None


@pytest.mark.parametrize("fault", ["", "element-burnt-out"])
def test_a_valve_that_passes_on_what_the_tank_gives_is_not_blamed(fault: str) -> None:
    assert not [alert for alert in _alerts(fault) if "mixing valve" in alert.summary]
