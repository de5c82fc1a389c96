"""A COP that rose for good is told as a meter that reads too much, by name where the flow rose with the heat."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime, timedelta
from types import MappingProxyType

import pytest

from analytics.detection import Clear, Fault, NotAssessed, Verdict
from analytics.detection.cop_rise import CopRise
from analytics.expected.experience import experience_of
from analytics.expected.watching import Shift, Watched
from analytics.figures import DayLedger
from analytics.plant import PlantDay
from analytics.trace import Trace, local_day
from ingest.virtual import SCENARIOS, simulate
from ingest.virtual.scenario import site_of
from tests.accounts import account_days
from tests.virtual_days import Traces, virtual_days

_SITE = site_of(SCENARIOS["two-tank"])
_START, _SINCE, _TODAY = date(2026, 2, 1), date(2026, 2, 24), date(2026, 3, 4)
_DAYS = (_TODAY - _SINCE).days
_POWER_W, _FIRST_L_MIN = 2400.0, 30.0


@pytest.fixture(scope="module")
def day() -> tuple[PlantDay, DayLedger]:
    run = simulate(SCENARIOS["two-tank"], start=_TODAY, days=1, seed=4)
    (result,) = account_days(run.site, run.traces, [_TODAY])
    return result.plant, result.ledger


def _held(cop: float, *, out: str = "high") -> Watched:
    """First weeks with a COP of 3 at one power, and what followed."""
    model = experience_of([(8.0 + n % 3, _POWER_W / 1000 + 0.01 * (n % 2), 3.0) for n in range(21)], least_u=0.1)
    risen = Shift(total=9.0, since=_SINCE, days=_DAYS, had=_DAYS * cop, expected=_DAYS * 3.0, u_square=_DAYS * 0.01)
    return Watched(
        experience=MappingProxyType({"": model}),
        high=risen if out == "high" else Shift(),
        out="high" if out == "high" else "",
        found=_SINCE + timedelta(days=3),
        judged=_TODAY - timedelta(days=1),
        judged_z=4.0 if out == "high" else 0.3,
    )


def _verdict(
    day: tuple[PlantDay, DayLedger], held: Watched, *, flow_l_min: float = _FIRST_L_MIN, power_w: float = _POWER_W
) -> Verdict:
    plant, ledger = day
    flow: Mapping[str, float] = {
        "loop.ground.flow_l_min": flow_l_min,
        "loop.ground.flow_evenness": 0.98,
        "loop.ground.flow_h": 9.0,
        "heat_pump.hp.heating.steady_elec_w": power_w,
    }
    history = [replace(ledger, day=_SINCE + timedelta(days=n), conditions=flow) for n in range(_DAYS)]
    first = Watched(first={"first": tuple((float(_START.toordinal() + n), _FIRST_L_MIN, 0.98) for n in range(10))})
    return CopRise(watched={"hp.cop": held, "ground.flow": first}).assess(plant, history, "hp")


def test_a_flow_that_rose_with_the_heat_names_its_meter(day: tuple[PlantDay, DayLedger]) -> None:
    verdict = _verdict(day, _held(1 + 2 * 1.4), flow_l_min=1.4 * _FIRST_L_MIN)  # the compressor's own kWh stays
    assert isinstance(verdict, Fault)
    (finding,) = verdict.findings
    assert finding.evidence["wrong"] == "ground.flow"
    assert finding.evidence["flow_rise_percent"] == finding.evidence["heat_rise_percent"] == pytest.approx(40.0)
    assert "ground.flow reads too much" in finding.summary


def test_a_pump_set_faster_moves_more_and_brings_no_more_heat(day: tuple[PlantDay, DayLedger]) -> None:
    assert isinstance(_verdict(day, _held(3.4), flow_l_min=1.4 * _FIRST_L_MIN), NotAssessed)


def test_with_the_same_flow_and_power_one_of_the_sensors_is_wrong(day: tuple[PlantDay, DayLedger]) -> None:
    verdict = _verdict(day, _held(3.8))
    assert isinstance(verdict, Fault)
    wrong = str(verdict.findings[0].evidence["wrong"])
    assert {"ground.entering", "ground.leaving", "hp.power"} <= set(wrong.split(", "))


@pytest.mark.parametrize(
    ("cop", "power_w"),
    [(3.8, 0.9 * _POWER_W), (3.5, _POWER_W), (3.2, _POWER_W)],
    ids=["a cooler load", "a sixth", "a fifteenth"],
)
def test_what_a_cooler_load_may_do_is_not_told(day: tuple[PlantDay, DayLedger], cop: float, power_w: float) -> None:
    assert isinstance(_verdict(day, _held(cop), power_w=power_w), NotAssessed)


def test_a_cop_that_is_back_within_its_model_is_clear(day: tuple[PlantDay, DayLedger]) -> None:
    assert isinstance(_verdict(day, _held(3.0, out="")), Clear)


def test_a_loops_own_pair_that_disagrees_explains_it(day: tuple[PlantDay, DayLedger]) -> None:
    verdict = _verdict(day, _held(3.8))
    assert isinstance(verdict, Fault)
    told = {(each.kind, each.component) for each in verdict.findings[0].explained_by}
    assert {("sensor-offset", "ground"), ("sensor-swapped", "ground"), ("sensor-range", "hp")} <= told


def test_a_ground_flow_meter_that_reads_two_fifths_too_much_is_told_and_ends() -> None:
    start = date(2026, 1, 5)
    from_ms, until_ms = (local_day(start + timedelta(days=n), _SITE.timezone).start_ms for n in (26, 34))

    def spoilt(traces: Traces) -> Traces:
        flow = traces["ground.flow"]
        is_wrong = (flow.time_ms >= from_ms) & (flow.time_ms < until_ms)
        return {**traces, "ground.flow": Trace(flow.time_ms, flow.value * (1.0 + 0.4 * is_wrong))}

    outcomes = virtual_days("two-tank", start, days=44, altered=spoilt)
    (alert,) = (each for each in outcomes[-1].alerts if each["component"] in ("hp", "ground"))
    assert (alert["kind"], alert["component"], alert["evidence"]["wrong"]) == ("sensor-offset", "hp", "ground.flow")
    began, detected, ended = (datetime.fromisoformat(alert[key]) for key in ("began", "detected", "ended"))
    assert began.timestamp() * 1000 == from_ms
    assert detected - began <= timedelta(days=4)
    assert abs(ended.timestamp() * 1000 - until_ms) <= 86_400_000
