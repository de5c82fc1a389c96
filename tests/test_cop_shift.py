"""A heat pump that fades by little is told by its COP, once, at what it costs in electricity."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from analytics.detection.cop_shift import CopShift, tells_of
from analytics.expected.watching import Shift, Watched
from analytics.trace import Trace, local_day
from ingest.virtual import SCENARIOS
from ingest.virtual.scenario import site_of
from tests.virtual_days import Traces, virtual_days

_SITE = site_of(SCENARIOS["heat-pump-tank"])
_PUMP = _SITE.heat_pumps["hp"]
_LOW = Watched(
    low=Shift(total=7.0, since=date(2026, 5, 1), days=8, had=8 * 2.6, expected=8 * 3.0, u_square=8 * 0.01),
    out="low",
    found=date(2026, 5, 8),
)


def test_a_lasting_shift_of_more_than_a_tenth_is_told() -> None:
    assert CopShift().is_told(_SITE, _PUMP, _LOW)


@pytest.mark.parametrize(
    "held",
    [
        replace(_LOW, out=""),
        replace(_LOW, out="high"),
        replace(_LOW, low=replace(_LOW.low, had=8 * 2.75)),  # 8 %
        replace(_LOW, low=replace(_LOW.low, days=2)),
    ],
    ids=["no signal", "better", "too little", "too few days"],
)
def test_less_than_that_is_not(held: Watched) -> None:
    assert not CopShift().is_told(_SITE, _PUMP, held)


def test_only_a_load_that_is_metered_and_heats_a_stage_tells() -> None:
    assert tells_of(_SITE, _PUMP) == "ground"
    two_tank = site_of(SCENARIOS["two-tank"])
    assert tells_of(two_tank, two_tank.heat_pumps["hp"]) == ""
    assert not CopShift().is_told(two_tank, two_tank.heat_pumps["hp"], _LOW)


def test_a_heat_pump_that_fades_is_one_alert_at_the_price_of_its_electricity() -> None:
    start = date(2026, 4, 10)
    from_ms = local_day(start + timedelta(days=22), _SITE.timezone).start_ms

    def fading(traces: Traces) -> Traces:
        flow = traces["load.flow"]
        days = np.maximum(0, (flow.time_ms - from_ms) // 86_400_000)
        return {**traces, "load.flow": Trace(flow.time_ms, flow.value * (1.0 - 0.01 * days))}

    outcomes = virtual_days("heat-pump-tank", start, days=42, altered=fading)
    told = [a for a in outcomes[-1].alerts if a["kind"] in ("heat-pump-low-cop", "stage-below-expected")]
    (alert,) = told
    assert (alert["kind"], alert["component"]) == ("heat-pump-low-cop", "hp")
    assert from_ms < local_day(date.fromisoformat(alert["began"][:10]), _SITE.timezone).start_ms
    evidence = alert["evidence"]
    # The same heat would have taken so much less electricity.
    spared_kwh = evidence["elec_kwh_per_day"] * (1.0 - evidence["cop"] / evidence["expected_cop"])
    assert alert["cost_per_day"] == pytest.approx(spared_kwh * _price(), rel=0.05)


def _price() -> float:
    text = SCENARIOS["heat-pump-tank"].site_toml
    (line,) = (each for each in text.splitlines() if each.startswith("electricity_per_kwh"))
    return float(line.split("=")[1].split("#")[0])
