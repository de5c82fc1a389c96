"""Fluid that runs backwards past a meter that shows it: heat kept apart as reverse, and nothing is called broken."""

from collections.abc import Mapping
from datetime import date, timedelta
from functools import cache
from math import hypot, sqrt

import numpy as np
import pytest

from analytics.day import DayResult, account_day, window
from analytics.doubt import Doubt, over_days
from analytics.fluids import fluid_of
from analytics.trace import Trace, local_day
from analytics.workings.day import WorkedDay, working_of
from ingest.virtual import SCENARIOS, VirtualRun, simulate
from tests.accounts import day_traces
from tests.calculator import evaluate

_DAY = date(2026, 4, 6)
_L_MIN = 0.4


@cache
def _run() -> VirtualRun:
    return simulate(SCENARIOS["two-tank"], start=_DAY, days=1, seed=7, perfect=True)


def _account(flow_l_min: float, *, slug_degc: float = 45.0) -> DayResult:
    """
    The day with the collector's flow set from one to four o'clock, its pipes at 45 and 15 degC meanwhile.

    Args:
        slug_degc: Its leaving temperature at one o'clock, at the first reading of the flow.
    """
    run = _run()
    day = local_day(_DAY, run.site.timezone)
    first_ms, last_ms = (day.start_ms + hour * 3_600_000 for hour in (1, 4))
    changes: Mapping[str, float] = {
        "collector.flow": flow_l_min,
        "collector.leaving": 45.0,
        "collector.entering": 15.0,
    }
    traces = dict(run.traces)
    for point, value in changes.items():
        trace = traces[point]
        inside = (trace.time_ms >= first_ms) & (trace.time_ms < last_ms)
        traces[point] = Trace(trace.time_ms, np.where(inside, value, trace.value))
    leaving = traces["collector.leaving"]
    leaving.value[leaving.time_ms == first_ms] = slug_degc
    return account_day(run.site, day_traces(traces, *window(day)), day)


def _moments_kwh(result: DayResult) -> float:
    """What the moments of reading leave in doubt of the heat that went backwards."""
    doubt = _sun(result).reverse.doubt
    return hypot(doubt.passing["moments of collector.flow"], doubt.steady["slugs of collector.flow"])


def test_a_start_with_warm_fluid_leaves_no_doubt_of_heat_that_went_backwards() -> None:
    assert _moments_kwh(_account(3.0)) == pytest.approx(_moments_kwh(_account(0.0)), abs=1e-6)


def test_a_slug_of_cold_fluid_is_in_doubt_by_all_of_its_minute_and_by_how_much_colder_it_began() -> None:
    plain, slug = _account(3.0), _account(3.0, slug_degc=5.0)
    # By hand: 3 l in the minute before the reading, 10 K too cold at its end and 30 K too warm a minute later, so by
    # the line through both up to 50 K at its start; 10 K in the minute after it. Evenly spread.
    mix = _run().site.fluids[_run().site.loops["collector"].fluid]
    kwh_k = 3.0 * float(fluid_of(mix.kind, mix.mass_percent).heat_j_m3k(15.0)) / 1e3 / 3.6e6
    expected_kwh = kwh_k * np.hypot(50.0, 10.0) / np.sqrt(12.0)
    found_kwh = np.sqrt(_moments_kwh(slug) ** 2 - _moments_kwh(plain) ** 2)
    assert found_kwh == pytest.approx(expected_kwh, rel=0.02)


def test_readings_miss_the_tips_of_slugs_alike_on_all_days_and_moments_of_other_heat_anew() -> None:
    """Half of it adds up over the days, and the rest as squares."""
    sun = _sun(_account(3.0, slug_degc=5.0))
    back, on = (
        over_days([(_DAY + timedelta(days=n), _of_moments(figure.doubt)) for n in range(14)]).u
        / _of_moments(figure.doubt).u
        for figure in (sun.reverse, sun.heat)
    )
    assert on == pytest.approx(sqrt(14.0))
    assert back == pytest.approx(hypot(0.5 * 14.0, sqrt(0.75 * 14.0)))


def _of_moments(doubt: Doubt) -> Doubt:
    steady, passing = (
        {source: c for source, c in kind.items() if source.startswith(("slugs of", "moments of"))}
        for kind in (doubt.steady, doubt.passing)
    )
    return Doubt(steady, passing)


def _sun(result: DayResult):
    return next(line for line in result.ledger.stages if line.stage == "sun")


def test_heat_that_fluid_takes_backwards_is_reverse() -> None:
    still, turned = _account(0.0), _account(-_L_MIN)
    # By hand: 72 l, 30 K; density at the meter, specific heat at the mean.
    mix = _run().site.fluids[_run().site.loops["collector"].fluid]
    fluid = fluid_of(mix.kind, mix.mass_percent)
    heat_kwh = 0.072 * float(fluid.density(15.0)) * float(fluid.capacity(30.0)) * 30.0 / 3.6e6
    assert _sun(turned).reverse.value - _sun(still).reverse.value == pytest.approx(heat_kwh, rel=0.01)
    # How pipes cool tells when the pump started and stopped, and water that ran backwards has its part in that.
    assert _sun(turned).heat.value == pytest.approx(_sun(still).heat.value, rel=2e-4)
    assert turned.plant.sensor_faults == still.plant.sensor_faults


def test_little_below_zero_is_noise_at_rest() -> None:
    assert _sun(_account(-0.1)).reverse == _sun(_account(0.0)).reverse


def test_its_working_shows_positive_litres_and_comes_out() -> None:
    result = _account(-_L_MIN)
    working = working_of(WorkedDay(result.plant, result.ledger, None), "stages.sun.reverse")
    volume = next(number for number in working.inputs if number.unit == "l")
    assert volume.value > 69.0  # and what the loop took back in slugs that day
    last = working.steps[-1]
    assert evaluate(last.expression).meets(evaluate(str(round(_sun(result).reverse.value, 3))))
