"""An irradiance sensor that shows more than a cloudless sky is told itself, and its collector is not blamed."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest

from analytics.detection import Clear, Fault, NotAssessed, Verdict
from analytics.detection.sun_beyond import SunBeyond, days_beyond
from analytics.figures import DayLedger
from analytics.plant import PlantDay
from analytics.trace import Trace, local_day
from ingest.virtual import SCENARIOS, simulate
from ingest.virtual.scenario import site_of
from tests.accounts import account_days
from tests.virtual_days import Traces, virtual_days

_SITE = site_of(SCENARIOS["solar-one-tank"])
_TODAY = date(2026, 5, 20)


@pytest.fixture(scope="module")
def day() -> tuple[PlantDay, DayLedger]:
    run = simulate(SCENARIOS["solar-one-tank"], start=_TODAY, days=1, seed=4)
    (result,) = account_days(run.site, run.traces, [_TODAY])
    return result.plant, result.ledger


def _verdict(day: tuple[PlantDay, DayLedger], parts: Sequence[float], *, clear_kwh_m2: float = 7.0) -> Verdict:
    """Of the days before, oldest first, each with so much of a cloudless sky's sun."""
    plant, ledger = day
    names = ("collector.roof.irradiation_kwh_m2", "collector.roof.ceiling_kwh_m2")
    history = [
        replace(
            ledger,
            day=_TODAY - timedelta(days=len(parts) - n),
            conditions=dict(zip(names, (part * clear_kwh_m2, clear_kwh_m2), strict=True)),
        )
        for n, part in enumerate(parts)
    ]
    return SunBeyond().assess(plant, history, "collector.sun")


def test_two_days_beyond_a_cloudless_sky_are_told_from_the_first_of_them(day: tuple[PlantDay, DayLedger]) -> None:
    verdict = _verdict(day, [0.9, 0.5, 1.4, 0.6, 1.5])
    assert isinstance(verdict, Fault)
    (finding,) = verdict.findings
    assert finding.began_ms == local_day(_TODAY - timedelta(days=3), _SITE.timezone).start_ms
    assert (finding.evidence["days"], finding.evidence["most_percent"]) == (2, 150)
    assert "up to 10.5 kWh/m2 where 7.0 are the most" in finding.summary


@pytest.mark.parametrize(
    ("parts", "clear_kwh_m2"),
    [([0.9, 0.5, 1.4, 0.6], 7.0), ([1.2] * 10, 7.0), ([1.5] * 10, 1.5)],
    ids=["one day", "thin air and snow", "a low sun"],
)
def test_less_is_not_told(day: tuple[PlantDay, DayLedger], parts: Sequence[float], clear_kwh_m2: float) -> None:
    assert not isinstance(_verdict(day, parts, clear_kwh_m2=clear_kwh_m2), Fault)


def test_it_is_over_after_a_week_with_bright_days_that_can_be(day: tuple[PlantDay, DayLedger]) -> None:
    assert isinstance(_verdict(day, [1.5, 1.5, *[0.9] * 8]), Clear)
    assert isinstance(_verdict(day, [1.5, 1.5, *[0.5] * 13]), NotAssessed)  # dull days tell nothing
    assert isinstance(_verdict(day, [1.5, 1.5, *[0.9] * 4]), Fault)


def test_a_sun_sensor_that_reads_half_too_much_is_named_and_its_collector_is_not() -> None:
    start = date(2026, 4, 10)
    from_ms = local_day(start + timedelta(days=26), _SITE.timezone).start_ms

    def spoilt(traces: Traces) -> Traces:
        sun = traces["collector.sun"]
        return {**traces, "collector.sun": Trace(sun.time_ms, sun.value * (1.0 + 0.5 * (sun.time_ms >= from_ms)))}

    outcomes = virtual_days("solar-one-tank", start, days=45, altered=spoilt)
    still = [alert for alert in outcomes[-1].alerts if alert["ended"] is None]
    assert [(alert["kind"], alert["component"]) for alert in still] == [("sensor-offset", "collector.sun")]
    assert not any(alert["kind"] == "stage-below-expected" for each in outcomes for alert in each.alerts)


def test_sound_sensors_never_show_more_than_a_tenth_beyond_it() -> None:
    start = date(2026, 6, 1)
    run = simulate(SCENARIOS["solar-one-tank"], start=start, days=14, seed=6)
    days = [start + timedelta(days=n) for n in range(14)]
    history = [each.ledger for each in account_days(run.site, run.traces, days)]
    assert days_beyond(history, run.site.collectors["roof"], start + timedelta(days=14)) == []
    brightest = max(
        each.conditions["collector.roof.irradiation_kwh_m2"] / each.conditions["collector.roof.ceiling_kwh_m2"]
        for each in history
    )
    assert 0.8 < brightest < 1.1
