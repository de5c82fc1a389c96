"""Fluid of a ground loop held against season and load of its own sound days: found, and not over before it is well."""

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import pytest

from analytics.detection import Clear, Fault, NotAssessed, Verdict
from analytics.detection.entering_season import sound_days
from analytics.detection.ground_loop_cold import GroundLoopCold
from analytics.detection.ground_loop_hot import GroundLoopHot
from analytics.figures import DayLedger
from tests.ledgers import record, with_conditions
from tests.plants import DAY, changed, healthy_day, house, plant_of

_RISE_K = 4.0
_SOURCE_W = 2000.0  # the healthy day's runs make some 2 kW of mean load


def _history(mode: str, entering_degc: Sequence[float]) -> list[DayLedger]:
    sign = 1.0 if mode == "heating" else -1.0
    name = f"heat_pump.hp.{mode}."
    loads = [sign * _SOURCE_W * part for part in (0.7, 1.0, 1.2, 0.9, 1.1)]
    told = {f"{name}entering_degc": entering_degc, f"{name}source_mean_w": loads}
    return with_conditions(record(DAY, days=len(entering_degc), kwh_per_h=0.0), told)


def _cooling(entering_degc: float, history: Sequence[DayLedger]) -> Verdict:
    changes = {
        "ground.entering": [("00:00", "24:00", entering_degc)],
        "ground.leaving": [("00:00", "24:00", entering_degc + _RISE_K)],
        "outdoor.temp": [("00:00", "24:00", 30.0)],
    }
    return GroundLoopHot().assess(plant_of(house(), changed(healthy_day(), changes)), history, "ground")


def _heating(entering_degc: float, history: Sequence[DayLedger]) -> Verdict:
    changes = {
        "ground.entering": [("00:00", "24:00", entering_degc)],
        "ground.leaving": [("00:00", "24:00", entering_degc - _RISE_K)],
        "outdoor.temp": [("00:00", "24:00", 2.0)],
    }
    return GroundLoopCold().assess(plant_of(house(), changed(healthy_day(), changes)), history, "ground")


def _usual(mean_degc: float, days: int) -> list[float]:
    return [mean_degc + 0.1 * (n % 3 - 1) for n in range(days)]


def test_fluid_far_hotter_than_on_the_houses_own_summer_days_is_found_below_the_design() -> None:
    history = _history("cooling", _usual(19.0, 40))
    verdict = _cooling(33.0, history)
    assert isinstance(verdict, Fault)
    assert "season and load on its own earlier days would allow" in verdict.findings[0].summary
    assert 21.0 < float(verdict.findings[0].evidence["entering_limit_degc"] or 0.0) < 26.0
    assert isinstance(_cooling(33.0, history[:19]), Clear)  # too short a record, and within the design
    assert isinstance(_cooling(19.5, history), Clear)


@pytest.mark.parametrize("lasts", [1, 5, 20, 35])
def test_a_cold_loop_is_not_well_before_it_is_as_warm_as_its_sound_days(lasts: int) -> None:
    history = _history("heating", [*_usual(6.0, 24), *_usual(2.2, lasts)])
    cold = _heating(2.0, history)
    # Three weeks on, the season alone might have cooled it so far; it is not well for that.
    assert isinstance(cold, Fault if lasts <= 5 else (Fault, NotAssessed))
    assert isinstance(_heating(3.9, history), NotAssessed)
    assert isinstance(_heating(6.0, history), Clear)


def test_days_of_a_fault_are_no_part_of_the_season_and_a_winter_that_comes_is() -> None:
    days = [DAY - timedelta(days=50 - n) for n in range(50)]
    load = np.resize([1500.0, 2000.0, 2500.0], 50)
    broken = np.where(np.arange(50) < 30, 6.0, 2.2)
    told = sound_days(days, broken, load, sign=-1, beyond_k=2.0, first=20)
    assert told.tolist() == [True] * 30 + [False] * 20
    # By hand: two weeks take a kelvin from it, as an autumn does.
    autumn = 8.0 - np.arange(50) / 14.0
    fall = [date(2025, 10, 1) + timedelta(days=n) for n in range(50)]
    assert sound_days(fall, autumn, load, sign=-1, beyond_k=2.0, first=20).all()
    assert sound_days(days, broken, load, sign=1, beyond_k=2.0, first=20).all()  # colder is no fault where it cools


def test_a_drift_that_was_never_told_ends_no_alert_of_cold_fluid() -> None:
    # Between too cold and well nothing is said, whatever the fall within a run may show.
    history = _history("heating", _usual(6.0, 30))
    assert isinstance(_heating(3.9, history), NotAssessed)
