"""A heat pump that runs for minutes on some days: found by its own first runs, at its own lift."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import pytest

from analytics.detection import Clear, Fault, NotAssessed, Verdict
from analytics.detection.heat_pump_low_cop import HeatPumpLowCop
from analytics.figures import DayLedger
from analytics.trace import local_day
from tests.ledgers import with_checks, with_cops
from tests.plants import DAY, changed, healthy_day, house, plant_of

_LOADS = {'desuperheater_loop = "desuperheater"': 'load_loop = "desuperheater"'}
_WELL = [2.5, 2.46, 2.44, 2.47, 2.42, 2.45, 2.46, 2.45, 2.46, 2.44]


def _history(
    cops: Sequence[float],
    *,
    hours: float = 0.2,
    source_degc: Sequence[float] | float = 5.0,
    load_degc: Sequence[float] | float = 53.0,
    elec_w: Sequence[float] | float = 1850.0,
) -> list[DayLedger]:
    return with_cops(
        DAY, cops, entering_degc=source_degc, power_w=elec_w, hours=hours, run_kwh=0.7, load_degc=load_degc
    )


def _verdict(history: Sequence[DayLedger]) -> Verdict:
    rests = changed(healthy_day(), {"hp.power": [("00:00", "24:00", 5.0)]})
    return HeatPumpLowCop().assess(plant_of(house(**_LOADS), rests), history, "hp")


_FADED = _history([*_WELL, 2.05, 2.0, 1.7])


def test_three_short_days_below_the_first_ones_are_a_fault_in_words() -> None:
    verdict = _verdict(_FADED)
    assert isinstance(verdict, Fault)
    (finding,) = verdict.findings
    assert finding.summary == (
        "The heat pump hp runs little, but gives too little heat when it does: 1.9 kWh for a kWh of electricity on the "
        "last 3 days with a run, since 11 April, where its first 10 days on record lead one to expect 2.5 at these "
        "temperatures (78 %), by the same sensors."
    )
    assert (finding.severity, finding.is_by_day) == ("soon", True)
    assert finding.began_ms == local_day(DAY - timedelta(days=3), house().timezone).start_ms
    # By hand: 0.7 kWh a day at 0.30, of which 1 - (2.05 + 2.0 + 1.7) / 3 / 2.455 were for nothing.
    assert finding.cost_per_day == pytest.approx(0.7 * 0.30 * (1 - 1.9167 / 2.455), rel=1e-3)


@pytest.mark.parametrize(
    "history",
    [
        _history([*_WELL, 2.05, 2.0]),  # two days
        _history([*_WELL, 2.05, 2.15, 1.7]),  # one of them is hardly low
        _history([*_WELL[:6], 2.05, 2.0, 1.7]),  # too few before
        _history([*_WELL, 2.05, 2.0, 1.7], hours=0.12),  # minutes
        _history([*_WELL, 2.05, 2.0, 1.7], load_degc=[53.0] * 10 + [61.0] * 3),  # a legionella week
        _history([*_WELL, 2.05, 2.0, 1.7], source_degc=[5.0] * 10 + [-4.0] * 3),
        _history([*_WELL, 2.05, 2.0, 1.7], elec_w=[1850.0] * 10 + [2500.0] * 3),  # a compressor turned up
        with_checks(  # a pair that disagrees
            _FADED,
            {
                "component": "desuperheater",
                "first": "dsh.entering",
                "second": "dsh.leaving",
                "method": "rest",
                "difference_k": -1.0,
            },
            days=3,
        ),
    ],
)
def test_less_than_that_is_none(history: Sequence[DayLedger]) -> None:
    assert isinstance(_verdict(history), NotAssessed)


def test_days_that_are_long_enough_are_judged_one_by_one() -> None:
    assert isinstance(_verdict(_history([*_WELL, 2.05, 2.0, 1.7], hours=0.8)), NotAssessed)


def test_three_short_days_as_good_as_the_first_ones_are_well_again() -> None:
    assert isinstance(_verdict(_history([*_WELL, 1.7, 1.7, 1.7, 2.4, 2.45, 2.4])), Clear)


def test_what_lies_far_back_says_nothing() -> None:
    late = [replace(each, day=each.day - timedelta(days=15)) for each in _FADED]
    assert isinstance(_verdict(late), NotAssessed)
