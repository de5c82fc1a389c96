"""A heat pump that gives ever less: found against its first good weeks, with a colder source and a hotter load."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest

from analytics.detection import Fault, NotAssessed, Verdict
from analytics.detection.cop_fade import anchor_of
from analytics.detection.heat_pump_low_cop import HeatPumpLowCop
from analytics.expected.experience import experience_of
from analytics.expected.watching import Watched
from analytics.trace import local_day
from tests.ledgers import HEALTHY_COP, with_cops
from tests.plants import DAY, changed, healthy_day, house, plant_of
from tests.virtual_days import virtual_days

_FIRST = [(6.0 + 0.1 * (n % 5 - 2), 2.3 + 0.01 * (n % 3 - 1), HEALTHY_COP) for n in range(21)]
_MODEL = Watched(experience={"": experience_of(_FIRST, least_u=0.1)})
_RISE_K, _ENTERING_DEGC, _POWER_W = 3.5, 6.0, 2300.0  # of the healthy day


def _verdict(
    cops: Sequence[float],
    *,
    today: float,
    watched: Watched = _MODEL,
    entering_degc: float = _ENTERING_DEGC,
    power_w: float = _POWER_W,
    hours: float = 5.0,
) -> Verdict:
    # COP = (source heat + power) / power, and the healthy day's source heat belongs to 3.5 K and 2.3 kW.
    rise_k = _RISE_K * (today - 1) / (HEALTHY_COP - 1) * power_w / _POWER_W
    courses = healthy_day()
    runs = courses["hp.power"] > 100
    courses["hp.power"][runs] = power_w
    courses["ground.entering"][runs] = entering_degc
    courses["ground.leaving"][runs] = entering_degc - rise_k
    plant = plant_of(house(), changed(courses, {"outdoor.temp": [("00:00", "24:00", 2.0)]}))
    history = with_cops(DAY, cops, entering_degc=entering_degc, power_w=power_w, hours=hours, run_kwh=18.0)
    return HeatPumpLowCop(watched={"hp.cop": watched}).assess(plant, history, "hp")


def test_days_in_a_row_below_the_first_weeks_are_a_fault_in_words() -> None:
    verdict = _verdict([3.5, 3.1, 3.1, 3.1, 3.1, 3.1], today=3.1)
    assert isinstance(verdict, Fault)
    (finding,) = verdict.findings
    assert finding.began_ms == local_day(DAY - timedelta(days=5), house().timezone).start_ms
    assert "has given 3.1 kWh of heat for a kWh of electricity on 5 days in a row since 9 April" in finding.summary
    assert "expect 3.8 with as cold a source and as hot a load (82 %)" in finding.summary
    assert finding.cost_per_day == pytest.approx(18.0 * (1 - 3.1 / 3.8) * 0.30, rel=0.02)


def test_few_days_or_a_day_between_or_a_good_day_now_are_none() -> None:
    few = _verdict([3.6, 3.1, 3.1, 3.1, 3.1], today=3.1)
    assert isinstance(few, NotAssessed)  # nor is such a day well
    assert not isinstance(_verdict([3.1, 3.1, 3.1, 3.6, 3.1, 3.1], today=3.1), Fault)
    assert not isinstance(_verdict([3.1] * 8, today=3.6), Fault)
    assert not isinstance(_verdict([3.1] * 8, today=3.1, hours=0.5), Fault)
    assert not isinstance(_verdict([3.3] * 8, today=3.3), Fault)  # 87 %


def test_a_colder_source_and_a_hotter_load_are_allowed_for() -> None:
    # By hand: 8 K colder take 18 % of 3.8; a load of 10 K more shows in a tenth more power and takes 23 %.
    assert not isinstance(_verdict([3.0] * 8, today=3.0, entering_degc=-2.0), Fault)
    assert isinstance(_verdict([2.5] * 8, today=2.5, entering_degc=-2.0), Fault)
    assert not isinstance(_verdict([2.9] * 8, today=2.9, power_w=1.1 * _POWER_W), Fault)
    assert isinstance(_verdict([2.4] * 8, today=2.4, power_w=1.1 * _POWER_W), Fault)


def test_the_first_ten_days_stand_in_until_there_is_a_model_and_those_after_them_do_not() -> None:
    worn = [(6.0, 2.3, 2.9)] * 5
    begun = Watched(first={"": tuple(tuple(day) for day in [*_FIRST[:10], *worn])})
    found = anchor_of(begun)
    assert found is not None
    assert (found.days, found.cop) == (10, pytest.approx(HEALTHY_COP))
    assert isinstance(_verdict([2.88] * 5, today=2.88, watched=begun), Fault)  # 76 %, after ten days of record
    assert anchor_of(replace(begun, first={"": tuple(tuple(day) for day in _FIRST[:6])})) is None


def test_a_model_tells_its_days_means() -> None:
    found = anchor_of(_MODEL)
    assert found is not None
    assert found.cop == pytest.approx(HEALTHY_COP)
    assert found.entering_degc == pytest.approx(sum(day[0] for day in _FIRST) / 21)
    assert found.power_w == pytest.approx(1000 * sum(day[1] for day in _FIRST) / 21)


def test_a_winter_with_a_house_that_is_well_has_no_fade() -> None:
    outcomes = virtual_days("two-tank", date(2025, 10, 20), days=45)
    assert [alert["summary"] for alert in outcomes[-1].alerts if alert["kind"] == "heat-pump-low-cop"] == []
    assert outcomes[-1].state is not None
    assert any(key.endswith(".cop") for key in outcomes[-1].state["expected"])
