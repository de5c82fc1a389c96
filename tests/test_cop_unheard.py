"""A COP, and a share, of a day most of which was not heard."""

from dataclasses import replace
from datetime import date, timedelta
from math import isnan

import numpy as np
import pytest

from analytics.figures import ANY_SHARE, Figure, StageLine, unavailable
from analytics.period import add_up, spans
from analytics.trace import Trace
from ingest.virtual import SCENARIOS, simulate
from tests.accounts import account_days
from tests.ledgers import record
from tests.small_sites import DAY, account, constant, stepped, trace
from tests.test_heat_pump_account import HOUR, PUMPED

SHORT_S, PERIOD_S = 300.0, 3600.0


def _cycling() -> dict[str, Trace]:
    """Five minutes of heating in each hour: brine 3 K colder, 1.5 kW."""
    second = np.arange(-60, 25 * 60) * 60.0
    runs = (second % PERIOD_S > 0) & (second % PERIOD_S <= SHORT_S)
    return {
        "ewt": constant(0.0),
        "lwt": constant(-3.0),
        "brine": trace(second, np.where(runs, 0.5, 0.0)),
        "hp": trace(second, np.where(runs, 1500.0, 0.0)),
    }


def _steady() -> dict[str, Trace]:
    on = (2 * HOUR, 22 * HOUR)
    flow, power = stepped(*on, 0.5), stepped(*on, 1500.0)
    return {"ewt": constant(0.0), "lwt": constant(-3.0), "brine": flow, "hp": power}


def _without(readings: dict[str, Trace], from_h: float, to_h: float) -> dict[str, Trace]:
    first, last = (DAY.start_ms + h * HOUR * 1000 for h in (from_h, to_h))
    kept = {name: (each.time_ms <= first) | (each.time_ms > last) for name, each in readings.items()}
    return {name: Trace(each.time_ms[kept[name]], each.value[kept[name]]) for name, each in readings.items()}


def test_short_runs_that_are_heard_whole_have_a_cop():
    cop = account(PUMPED, _cycling()).ledger.heat_pumps[0].heating_cop
    assert cop.value == pytest.approx(4.968, rel=2e-2)


def test_minutes_of_long_runs_tell_no_cop_and_nor_a_performance_factor():
    """Heard for five minutes of each hour of a compressor that runs through."""
    readings = _steady()
    heard = {name: (each.time_ms // 1000) % PERIOD_S <= SHORT_S for name, each in readings.items()}
    scraps = {name: Trace(each.time_ms[heard[name]], each.value[heard[name]]) for name, each in readings.items()}
    line = account(PUMPED, scraps).ledger.heat_pumps[0]
    assert isnan(line.heating_cop.value)
    assert "only a few minutes were heard" in line.heating_cop.why
    assert {figure.why for figure in line.spf.values()} == {line.heating_cop.why}


@pytest.mark.parametrize(("hours", "unheard"), [((6.0, 18.0), 0.5), ((3.0, 21.0), 0.75)])
def test_a_cop_of_a_part_of_the_day_is_as_wide_as_the_rest_may_differ(hours, unheard):
    """By hand: what is not heard is off by 15 % (standard) in its part of the day; the meters' doubt comes on top."""
    whole, part = (
        account(PUMPED, readings).ledger.heat_pumps[0].heating_cop
        for readings in (_steady(), _without(_steady(), *hours))
    )
    assert part.value == pytest.approx(whole.value, rel=1e-2)
    assert part.plus_minus == pytest.approx(np.hypot(whole.plus_minus, 1.96 * 0.15 * unheard * whole.value), rel=0.05)


def test_a_share_of_heat_that_hardly_any_reading_tells_of_is_not_known():
    start = date(2026, 7, 13)
    run = simulate(SCENARIOS["solar-one-tank"], start=start, days=1, seed=3)
    hourly = {name: Trace(each.time_ms[::60], each.value[::60]) for name, each in run.traces.items()}
    (result,) = account_days(run.site, hourly, [start])
    share = result.ledger.backup_fraction
    assert isnan(share.value)
    assert share.why


@pytest.mark.parametrize(("off_kwh", "is_known"), [(0.3, True), (40.0, False)])
def test_a_weeks_share_is_told_as_long_as_it_is_told_apart_from_any_other(off_kwh, is_known):
    start = date(2026, 1, 5)
    none = unavailable("kWh", "Not part of this test.")
    doubt = account(PUMPED, _steady()).ledger.heat_pumps[0].heating_heat.doubt
    off = doubt.times(off_kwh / doubt.half_width)
    stages = [StageLine(name, Figure(2.0, "kWh", off_kwh, doubt=off), none, none) for name in ("rod",)]
    stages.append(StageLine("sun", Figure(6.0, "kWh", 0.0), none, none))
    days = [replace(day, stages=stages) for day in record(start + timedelta(days=7), days=7, kwh_per_h=1.0)]
    (span,) = spans("all", start, start + timedelta(days=6))
    share = add_up(span, days, backups={"rod"}).total.backup_fraction
    if is_known:
        assert (share.value, share.why) == (pytest.approx(0.25), "")
    else:
        assert (share.basis, share.why) == ("unavailable", ANY_SHARE)
