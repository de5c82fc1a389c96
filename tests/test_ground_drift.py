"""A ground loop that passes on heat ever less well: how far its fluid falls within a run, and the alert of it."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from analytics.detection import Clear, Fault, NotAssessed, Verdict
from analytics.detection.ground_loop_cold import GroundLoopCold
from analytics.detection.precedence import explainers
from analytics.expected.experience import experience_of
from analytics.expected.ground import fall_in_runs
from analytics.expected.watching import Shift, Watched
from analytics.figures import DayLedger
from analytics.trace import local_day
from ingest.virtual import Fault as VirtualFault
from tests.ledgers import record, with_conditions
from tests.plants import DAY, changed, healthy_day, house, plant_of
from tests.virtual_days import virtual_days

_TAU_MIN, _DEPTH_K, _TAKEN_W = 6.0, 4.5, 6000.0


def _run(ground_degc: float, length: int = 40) -> np.ndarray:
    """A run's entering temperature, minute by minute: it falls toward 4.5 K below the ground, for 6 kW."""
    minutes = np.arange(length) + 0.5
    return ground_degc - _DEPTH_K * (1 - np.exp(-minutes / _TAU_MIN))


def _of_runs(*starts: tuple[int, float], length: int = 40) -> float:
    cells = np.concatenate([np.arange(start, start + length) for start, _ in starts])
    entering = np.concatenate([_run(ground, length) for _, ground in starts])
    return fall_in_runs(cells, entering, np.full(len(cells), _TAKEN_W))


def test_a_fall_is_of_the_run_and_not_of_the_season() -> None:
    # By hand: minutes 2 to 4 against minutes 17 to 22 of an exponential with a time constant of six minutes.
    early, late = np.exp(-np.arange(1.5, 4) / _TAU_MIN).mean(), np.exp(-np.arange(16.5, 22) / _TAU_MIN).mean()
    by_hand = _DEPTH_K * (early - late) / (_TAKEN_W / 1000)
    for ground_degc in (-2.0, 4.0, 11.0):
        assert _of_runs((60, ground_degc), (400, ground_degc + 0.3)) == pytest.approx(by_hand, rel=1e-9)


def test_a_run_that_is_short_or_follows_another_at_once_tells_nothing() -> None:
    assert np.isnan(_of_runs((60, 5.0), length=21))
    assert np.isnan(_of_runs((5, 5.0)))  # it may have begun the day before
    alone = _of_runs((60, 5.0))
    assert _of_runs((60, 5.0), (110, 2.0)) == pytest.approx(alone)  # ten minutes after the first: not level yet


_SINCE = DAY - timedelta(days=20)
_MODEL = {"": experience_of([(0.42 + 0.01 * (n % 3),) for n in range(25)], least_u=0.02)}
_COOL = {"outdoor.temp": [("00:00", "24:00", 2.0)]}


def _watched(**fields: object) -> Watched:
    high = Shift(8.0, _SINCE, 10, 5.4, 4.3, 0.004)
    usual = Watched(experience=_MODEL, high=high, out="high", found=DAY, judged=DAY - timedelta(days=1), judged_z=3.0)
    return replace(usual, **fields)  # type: ignore[arg-type]


def _verdict(watched: Watched, *, runs: bool = True) -> Verdict:
    still = {} if runs else {point: [("00:00", "24:00", 0.0)] for point in ("hp.power", "ground.flow", "ground.pump")}
    detector = GroundLoopCold(watched={"ground.fall": watched})
    return detector.assess(plant_of(house(), changed(healthy_day(), _COOL | still)), [], "ground")


def test_a_lasting_rise_of_the_fall_is_a_fault_in_words() -> None:
    verdict = _verdict(_watched())
    assert isinstance(verdict, Fault)
    (finding,) = verdict.findings
    assert finding.began_ms == local_day(_SINCE, house().timezone).start_ms
    assert "falls by 0.54 K for each kW taken from it, 26 % more than the 0.43 ± 0.01 K" in finding.summary
    assert finding.evidence["least_more_percent"] == 15.0


def test_little_more_or_few_days_or_less_is_no_fault() -> None:
    slight = _watched(high=Shift(8.0, _SINCE, 10, 4.8, 4.3, 0.004))
    assert isinstance(_verdict(slight), NotAssessed)
    assert isinstance(_verdict(_watched(high=Shift(8.0, _SINCE, 4, 2.2, 1.7, 0.004))), NotAssessed)
    assert not isinstance(_verdict(_watched(out="low", low=Shift(8.0, _SINCE, 10, 3.4, 4.3, 0.004))), Fault)


def _record(taken_after: float, fall_after: float) -> list[DayLedger]:
    """Fourteen sound days and ten since: 6 kW while it ran, and the fall for each kW."""
    name = "heat_pump.hp.heating."
    told = {
        f"{name}fall_k_per_kw": [0.43] * 14 + [fall_after] * 10,
        f"{name}source_mean_w": [1500.0] * 14 + [taken_after] * 10,
        f"{name}run_h": 6.0,
    }
    return with_conditions(record(DAY, days=24, kwh_per_h=0.0), told)


@pytest.mark.parametrize(("taken_w", "names_sensor"), [(1200.0, True), (1480.0, False)])
def test_less_metered_heat_beside_an_old_fall_is_a_sensor_and_not_the_ground(
    taken_w: float, names_sensor: bool
) -> None:
    # By hand: 0.54 x 1200 is what 0.43 x 1500 was; with 1480 W the fluid itself falls by a quarter more.
    high = Shift(8.0, DAY - timedelta(days=10), 10, 5.4, 4.3, 0.004)
    detector = GroundLoopCold(watched={"ground.fall": _watched(high=high)})
    plant = plant_of(house(), changed(healthy_day(), _COOL))
    verdict = detector.assess(plant, _record(taken_w, 0.54), "ground")
    assert isinstance(verdict, Fault)
    (finding,) = verdict.findings
    assert finding.summary.startswith("Less heat is metered" if names_sensor else "The ground loop brings")
    assert ("sensor" in finding.likely_causes[0]) == names_sensor
    assert finding.is_by_day


def test_it_is_explained_by_an_offset_of_its_pair() -> None:
    told = explainers(house(), "ground-loop-cold", "ground")
    assert ("sensor-offset", "ground", True) in {(each.kind, each.component, each.by_day) for each in told}


def test_a_mended_loop_ends_its_alert_even_on_a_day_without_a_run() -> None:
    level = Shift()
    well = _watched(out="", high=level, well_since=DAY - timedelta(days=3))
    assert isinstance(_verdict(well, runs=False), Clear)
    assert isinstance(_verdict(_watched(out="", high=level, judged=DAY - timedelta(days=30)), runs=False), NotAssessed)


def test_a_loop_that_loses_fluid_over_ninety_days_is_found_within_forty_five() -> None:
    start, broken, days = date(2025, 10, 1), 25, 72
    began_ms = local_day(start + timedelta(days=broken), "America/Halifax").start_ms
    outcomes = virtual_days(
        "heat-pump-tank", start, days=days, faults=[VirtualFault(name="ground-loop-drifts", start_ms=began_ms)]
    )
    told = [outcome.task.day for outcome in outcomes if any(a["component"] == "ground" for a in outcome.alerts)]
    (alert,) = [a for a in outcomes[-1].alerts if a["component"] == "ground"]
    assert alert["kind"] == "ground-loop-cold"
    assert 10 <= (date.fromisoformat(told[0]) - start).days - broken <= 45
    assert "in whatever season" in alert["summary"]
    assert 15 <= alert["evidence"]["more_percent"] <= 40  # half of the ninety days have passed
    # The alert itself does not stop the judgement that it rests on.
    assert outcomes[-1].state is not None
    assert outcomes[-1].state["expected"]["ground.fall"]["judged"] >= outcomes[-4].task.day
