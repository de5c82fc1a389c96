"""A steady COP above Carnot's: told in the figure and as an alert, with the sensor as far as it can be told."""

from collections.abc import Callable, Mapping, Sequence
from datetime import date, timedelta
from math import isnan

import numpy as np
import pytest

from analytics.day import account_day
from analytics.detection import Alert, Clear, Detector, Fault, NotAssessed, advance, assess_day
from analytics.detection.beyond_carnot import BeyondCarnot
from analytics.detection.heat_pump_low_cop import HeatPumpLowCop
from analytics.detection.precedence import explainers
from analytics.detection.sensor_offset import SensorOffset
from analytics.detection.sensor_swapped import SensorSwapped
from analytics.figures import DayLedger
from analytics.period import Span, add_up
from analytics.trace import Trace, local_day
from analytics.workings.period import period_working
from ingest.virtual import SCENARIOS, simulate
from ingest.virtual.scenario import site_of
from tests.accounts import account_days

Traces = Mapping[str, Trace]
_WINTER = date(2026, 1, 5)
_TIMEZONE = site_of(SCENARIOS["heat-pump-tank"]).timezone
_ALL = (BeyondCarnot(), HeatPumpLowCop(), SensorOffset(), SensorSwapped())


def _scaled(
    point: str, factor: float, *, from_ms: float = -np.inf, until_ms: float = np.inf
) -> Callable[[Traces], Traces]:
    def spoil(traces: Traces) -> Traces:
        trace = traces[point]
        is_broken = (trace.time_ms >= from_ms) & (trace.time_ms < until_ms)
        value = np.where(is_broken, trace.value * factor, trace.value)
        return {**traces, point: Trace(trace.time_ms, value)}

    return spoil


def _exchanged(first: str, second: str) -> Callable[[Traces], Traces]:
    return lambda traces: {**traces, first: traces[second], second: traces[first]}


def _shifted(point: str, by_k: float) -> Callable[[Traces], Traces]:
    return lambda traces: {**traces, point: Trace(traces[point].time_ms, traces[point].value + by_k)}


def _watched(
    spoil: Callable[[Traces], Traces] = lambda traces: traces,
    *,
    start: date = _WINTER,
    days: int = 2,
    detectors: Sequence[Detector] = _ALL,
) -> tuple[list[Alert], list[DayLedger]]:
    run = simulate(SCENARIOS["heat-pump-tank"], start=start, days=days, seed=3)
    each_day = [start + timedelta(days=n) for n in range(days)]
    alerts: list[Alert] = []
    ledgers: list[DayLedger] = []
    for result in account_days(run.site, spoil(run.traces), each_day):
        found = assess_day(result.plant, ledgers, detectors=detectors)
        alerts, _ = advance(alerts, found, now_ms=result.plant.day.end_ms)
        ledgers.append(result.ledger)
    return alerts, ledgers


def test_a_power_meter_that_shows_a_seventh_is_named_alone() -> None:
    """An unmetered phase or a wrong current transformer: COP 20 where some 7 is possible."""
    alerts, ledgers = _watched(_scaled("hp.power", 0.15))
    assert [(alert.kind, alert.component, alert.severity) for alert in alerts] == [("sensor-range", "hp", "watch")]
    told = alerts[0]
    assert told.evidence["wrong"] == "hp.power"
    assert "hp.power is wrong" in told.summary
    assert told.likely_causes[0].startswith("power meter")
    assert any("licensed electricians" in check for check in told.checks)
    cop = ledgers[-1].heat_pumps[0].heating_cop
    assert cop.value > 15
    assert "that nature allows at these temperatures (Carnot); hp.power seems to be wrong." in cop.why


def test_the_evidence_is_carnots_own_by_hand() -> None:
    alerts, _ = _watched(_scaled("hp.power", 0.15), days=1)
    told = alerts[0].evidence
    source, load, cop, power_w, heat_w = (
        float(told[name] or 0.0) for name in ("source_degc", "load_degc", "cop", "power_w", "heat_w")
    )
    assert told["carnot_cop"] == pytest.approx((load + 273.15) / (load - source), rel=0.005)
    assert cop == pytest.approx(heat_w / power_w, rel=0.01)
    assert told["of_sheet_power_percent"] == pytest.approx(15.0, abs=2.0)
    assert told["of_sheet_heat_percent"] == pytest.approx(100.0, abs=10.0)


@pytest.mark.parametrize("spoil", [_scaled("load.flow", 3.0), _shifted("load.entering", -9.0)], ids=["flow", "pair"])
def test_too_much_heat_of_the_load_clears_the_power_meter(spoil: Callable[[Traces], Traces]) -> None:
    """The ground's heat and the electricity make a plain COP: what the load's heat is made of is left."""
    alerts, ledgers = _watched(spoil, detectors=[BeyondCarnot()])
    assert [alert.evidence["wrong"] for alert in alerts] == ["load.leaving, load.entering, load.flow"]
    assert "one of load.leaving, load.entering, load.flow is wrong." in ledgers[0].heat_pumps[0].heating_cop.why


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("start", [_WINTER, date(2026, 7, 5)], ids=str)
def test_a_power_meter_that_is_wrong_by_little_is_never_cleared(start: date, seed: int) -> None:
    """At 0.4 of the power the ground's heat and the electricity alone come out just possible, at 0.9 of Carnot's."""
    run = simulate(SCENARIOS["heat-pump-tank"], start=start, days=2, seed=seed)
    days = account_days(run.site, _scaled("hp.power", 0.4)(run.traces), [start, start + timedelta(days=1)])
    verdicts = [BeyondCarnot().assess(day.plant, [], "hp") for day in days]
    named = [str(each.findings[0].evidence["wrong"]) for each in verdicts if isinstance(each, Fault)]
    assert named
    assert all("hp.power" in points for points in named)


def test_without_the_grounds_heat_only_the_sheet_tells_of_the_power_meter() -> None:
    """Half the power is what a compressor with variable speed may take; a seventh is not."""
    for factor, wrong in ((0.15, "hp.power"), (0.3, "load.leaving")):

        def spoil(traces: Traces, factor: float = factor) -> Traces:
            spoiled = _scaled("hp.power", factor)(traces)
            return {point: trace for point, trace in spoiled.items() if point != "ground.flow"}

        alerts, _ = _watched(spoil, days=1, detectors=[BeyondCarnot()])
        assert str(alerts[0].evidence["wrong"]).split(", ")[0] == wrong


def test_it_ends_when_the_cop_is_possible_again() -> None:
    """The tank is heated from 18:24 to 20:10; what is left that evening is too little to tell of health."""
    mended_ms = local_day(_WINTER, _TIMEZONE).start_ms + 19.5 * 3_600_000
    alerts, ledgers = _watched(_scaled("hp.power", 0.15, until_ms=mended_ms), days=3)
    assert [(alert.kind, alert.state) for alert in alerts] == [("sensor-range", "resolved")]
    assert mended_ms <= (alerts[0].ended_ms or 0) < mended_ms + 24 * 3_600_000
    assert ["Carnot" in day.heat_pumps[0].heating_cop.why for day in ledgers] == [True, False, False]


def test_a_month_says_on_which_days_its_cop_cannot_be() -> None:
    """The first of three days: in the COP and in every performance factor that is known, and by name when asked."""
    mended_ms = local_day(_WINTER + timedelta(days=1), _TIMEZONE).start_ms
    _, ledgers = _watched(_scaled("hp.power", 0.15, until_ms=mended_ms), days=3, detectors=[])
    period = add_up(Span(_WINTER, _WINTER + timedelta(days=2), "2026-01"), ledgers, backups=[])
    line = period.total.heat_pumps[0]
    told = [line.heating_cop, *(factor for factor in line.spf.values() if not isnan(factor.value))]
    assert len(told) >= 3
    for figure in told:
        assert "On 1 of 3 days the COP is more than a machine can have; on the last, 2026-01-05:" in figure.why
        assert figure.why.endswith("(Carnot); hp.power seems to be wrong.")
    for path in ("heat_pumps.hp.heating.cop", "heat_pumps.hp.heating.spf.h2"):
        remarks = period_working(period, ledgers, path, backups=[]).remarks
        assert "In it, with a steady COP that no machine can have: 2026-01-05." in remarks
    sound = add_up(Span(_WINTER, _WINTER, "2026-01-06"), ledgers[1:2], backups=[]).total.heat_pumps[0]
    assert "Carnot" not in sound.heating_cop.why + "".join(factor.why for factor in sound.spf.values())


def test_a_meter_that_breaks_in_a_run_is_told_that_day() -> None:
    broken_ms = local_day(_WINTER, _TIMEZONE).start_ms + 19 * 3_600_000
    alerts, _ = _watched(_scaled("hp.power", 0.15, from_ms=broken_ms), days=1)
    assert [alert.kind for alert in alerts] == ["sensor-range"]
    assert broken_ms <= alerts[0].began_ms < alerts[0].detected_ms
    assert float(alerts[0].evidence["cop"] or 0.0) > 15


def test_exchanged_load_sensors_are_told_as_that() -> None:
    """Heat below nothing is not above Carnot's, nor is it health."""
    alerts, ledgers = _watched(_exchanged("load.entering", "load.leaving"), days=3)
    assert [(alert.kind, alert.component) for alert in alerts] == [("sensor-swapped", "load")]
    assert "Carnot" not in ledgers[0].heat_pumps[0].heating_cop.why


def test_a_pair_that_is_known_to_be_off_explains_it() -> None:
    site = site_of(SCENARIOS["heat-pump-tank"])
    told = {(each.kind, each.component) for each in explainers(site, "sensor-range", "hp")}
    assert {("sensor-offset", "load"), ("sensor-swapped", "load"), ("sensor-stuck", "load")} <= told
    assert not explainers(site, "sensor-range", "hp.power")


@pytest.mark.parametrize("start", [date(2026, 1, 5), date(2026, 4, 10), date(2026, 7, 5), date(2026, 10, 5)], ids=str)
def test_a_sound_machine_is_possible(start: date) -> None:
    run = simulate(SCENARIOS["heat-pump-tank"], start=start, days=2, seed=3)
    for result in account_days(run.site, run.traces, [start, start + timedelta(days=1)]):
        verdict = BeyondCarnot().assess(result.plant, [], "hp")
        assert isinstance(verdict, Clear | NotAssessed), verdict
        assert "Carnot" not in result.ledger.heat_pumps[0].heating_cop.why


@pytest.mark.parametrize(
    ("scenario", "said"), [("two-tank", "no metered load loop"), ("energy-counters", "are not all measured")]
)
def test_what_a_house_lacks_is_said(scenario: str, said: str) -> None:
    needs = BeyondCarnot().needs(site_of(SCENARIOS[scenario]))
    assert [said in need.lacking for need in needs] == [True]


def test_a_watcher_raises_it_when_it_says_so() -> None:
    """Of the day so far it is told from the minute on that it names, and not before."""
    run = simulate(SCENARIOS["heat-pump-tank"], start=_WINTER, days=1, seed=3)
    traces = _scaled("hp.power", 0.15)(run.traces)
    day = local_day(_WINTER, run.site.timezone)
    whole = BeyondCarnot().assess(next(iter(account_days(run.site, traces, [_WINTER]))).plant, [], "hp")
    assert isinstance(whole, Fault)
    for minutes, is_told in ((-3, False), (3, True)):
        until_ms = whole.findings[0].detected_ms + minutes * 60_000
        cut = {
            point: Trace(each.time_ms[each.time_ms < until_ms], each.value[each.time_ms < until_ms])
            for point, each in traces.items()
        }
        plant = account_day(run.site, cut, day, until_ms=until_ms).plant
        assert isinstance(BeyondCarnot().assess(plant, [], "hp"), Fault) is is_told
