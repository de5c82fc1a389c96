"""Sensors that belong together on made days: what quiet hours tell of them, and what they do not."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from analytics.detection.pair_days import judged_record
from analytics.figures import day_from_json, day_to_json, day_to_record
from analytics.pair_check import PairCheck
from analytics.quiet_pairs import check_pairs
from tests.ledgers import record, with_checks
from tests.plants import DAY, Change, changed, healthy_day, house, plant_of

_HOUSE = house()
_STILL: Mapping[str, Sequence[Change]] = {
    "hp.power": [("00:00", "09:00", 8.0)],
    "ground.flow": [("00:00", "09:00", 0.0)],
    "ground.pump": [("00:00", "09:00", 0.0)],
}


def _checks(changes: Mapping[str, Sequence[Change]], component: str, method: str) -> list[PairCheck]:
    plant = plant_of(_HOUSE, changed(healthy_day(), changes))
    return [check for check in check_pairs(plant) if (check.component, check.method) == (component, method)]


def test_two_pipes_after_a_long_rest_show_what_their_sensors_differ_by() -> None:
    level = {"ground.entering": [("00:00", "09:00", 18.0)], "ground.leaving": [("00:00", "09:00", 18.3)]}
    (check,) = _checks({**_STILL, **level}, "ground", "rest")
    assert (check.first, check.second) == ("ground.entering", "ground.leaving")
    assert check.difference_k == pytest.approx(0.3, abs=0.01)
    assert check.u_k < 0.02
    assert (check.start_s, check.end_s) == (7 * 3600.0 - 60.0, 9 * 3600.0 - 180.0)


def test_the_days_flow_tells_what_a_kelvin_is_worth() -> None:
    level = {"ground.entering": [("00:00", "09:00", 18.0)], "ground.leaving": [("00:00", "09:00", 18.3)]}
    (check,) = _checks({**_STILL, **level}, "ground", "rest")
    # By hand: 28 l/min for 30 of 90 minutes from 09:00 on, 5 h in 10 runs; 25 % brine at 30 degC: 1.014 kg/l and
    # 3.92 kJ/(kg K), from memory; both to 2 %.
    by_hand = 28.0 * 60 * 5.0 * 1.014 * 3.92 / 3600
    assert check.kwh_per_k == pytest.approx(by_hand, rel=0.05)


@pytest.mark.parametrize(
    "changes",
    [
        {"ground.flow": [("01:30", "09:00", 28.0)]},
        {"ground.leaving": [("00:00", "09:00", (24.0, 18.3))]},
        {"ground.leaving": [("07:00", "07:30", None)]},
    ],
    ids=["too short", "not level yet", "a gap"],
)
def test_a_rest_that_is_short_or_not_level_or_not_known_tells_nothing(changes: Mapping[str, Sequence[Change]]) -> None:
    level = {"ground.entering": [("00:00", "09:00", 18.0)], "ground.leaving": [("00:00", "09:00", 18.3)]}
    assert _checks({**_STILL, **level, **changes}, "ground", "rest") == []


def test_water_that_passes_both_with_the_compressor_off_is_compared_after_the_transit() -> None:
    changes = {
        **_STILL,
        "ground.flow": [("00:00", "09:00", 0.0), ("02:00", "03:00", 28.0)],
        "ground.entering": [("00:00", "09:00", 12.0)],
        "ground.leaving": [("00:00", "02:08", 15.0), ("02:08", "09:00", 12.4)],
    }
    (check,) = _checks(changes, "ground", "circulation")
    assert check.difference_k == pytest.approx(0.4, abs=0.02)
    assert check.minutes == pytest.approx(48, abs=2)  # an hour less the transit and the edges


_NIGHT: Mapping[str, Sequence[Change]] = {
    "collector.entering": [("00:00", "08:20", 18.0)],
    "collector.leaving": [("00:00", "08:20", 18.3)],
}


def test_a_collectors_two_pipes_indoors_are_compared_at_the_nights_end() -> None:
    # The sun rises at 06:30 and the pump starts at 08:20; until then the morning did not warm the outlet sensor.
    (check,) = _checks(_NIGHT, "collector", "rest")
    assert check.difference_k == pytest.approx(0.3, abs=0.01)
    assert check.end_s <= 6.6 * 3600


@pytest.mark.parametrize(
    "changes",
    [
        {"collector.leaving": [("00:00", "06:30", 18.3), ("06:30", "08:20", (18.3, 40.0))]},
        {"collector.leaving": [("00:00", "08:20", (19.2, 17.2))]},
        {"collector.sun": [("00:00", "24:00", 0.0)]},
        {"collector.sun": [("00:00", "24:00", None)]},
    ],
    ids=["on the roof", "it cools with the night", "no morning", "the sun is not known"],
)
def test_a_collectors_pair_at_rest_is_not_compared_where_one_may_stand_outside(
    changes: Mapping[str, Sequence[Change]],
) -> None:
    assert _checks({**_NIGHT, **changes}, "collector", "rest") == []


def test_a_dark_collectors_own_loss_is_taken_off() -> None:
    # By hand: 5 m2 x (3.6 x 5 K + 0.012 x 25 K2) = 91.5 W; 5 l/min of brine takes 330 W/K: 0.28 K colder.
    night: Mapping[str, Sequence[Change]] = {
        "collector.flow": [("01:00", "03:00", 5.0)],
        "outdoor.temp": [("00:00", "04:00", 15.0)],
        "collector.entering": [("00:00", "04:00", 20.0)],
        "collector.leaving": [("00:00", "04:00", 20.0 - 0.28 + 0.3)],
    }
    (check,) = _checks(night, "collector", "circulation")
    assert check.difference_k == pytest.approx(0.3, abs=0.03)
    assert check.u_k >= 0.3 * 0.27


_RISES: Mapping[str, Sequence[Change]] = {
    "solar.top": [("08:30", "11:30", (40.8, 50.8))],
    "solar.bottom": [("08:30", "11:30", (40.0, 50.0))],
    "collector.entering": [("08:20", "12:00", 45.0)],
    "collector.leaving": [("08:20", "12:00", 55.0)],
}


def test_neighbours_in_a_tank_are_compared_while_a_coil_below_turns_it_over() -> None:
    (check,) = _checks(_RISES, "solar", "mixed")
    assert check.difference_k == pytest.approx(-0.8, abs=0.03)


@pytest.mark.parametrize(
    "changes",
    [
        {"solar.top": [("08:30", "11:30", 50.8)]},
        {
            "draw.flow": [
                ("09:00", "09:05", 8.0),
                ("09:40", "09:45", 8.0),
                ("10:20", "10:25", 8.0),
                ("11:00", "11:05", 8.0),
            ]
        },
        {"element.power": [("08:30", "11:30", 4500.0)]},
        {"collector.leaving": [("08:20", "12:00", 45.1)]},
    ],
    ids=["the top stays", "water is drawn", "the element heats", "the coil gives nothing"],
)
def test_a_tank_that_is_not_turned_over_tells_nothing(changes: Mapping[str, Sequence[Change]]) -> None:
    assert _checks({**_RISES, **changes}, "solar", "mixed") == []


def test_the_sign_of_each_loop_is_told_by_other_evidence_than_its_pair() -> None:
    (collector,) = _checks({}, "collector", "order")
    assert collector.difference_k > 1
    assert collector.wrong_part < 0.01
    cold = {"outdoor.temp": [("00:00", "24:00", 2.0)]}
    (ground,) = _checks(cold, "ground", "order")  # heating: the fluid leaves the heat pump colder
    assert ground.difference_k == pytest.approx(3.5, abs=0.1)
    assert _checks({"outdoor.temp": [("00:00", "24:00", 18.0)]}, "ground", "order") == []


def test_a_day_without_readings_tells_nothing() -> None:
    nothing = {point: np.full(1440, np.nan) for point in healthy_day()}
    assert check_pairs(plant_of(_HOUSE, nothing, before={})) == ()


@pytest.mark.parametrize("day", [date(2026, 3, 29), date(2026, 10, 25)], ids=["23 hours", "25 hours"])
def test_days_on_which_the_clock_changes_are_compared(day: date) -> None:
    plant = plant_of(_HOUSE, changed(healthy_day(), _RISES), day=day)
    assert any(check.method == "mixed" for check in check_pairs(plant))


def test_a_ledger_keeps_its_checks_and_an_older_one_has_none() -> None:
    told = {"component": "ground", "first": "a", "second": "b", "method": "rest", "difference_k": 0.25}
    (ledger,) = with_checks(record(DAY, days=1, kwh_per_h=1.0), told, days=1)
    data = day_to_record(ledger)
    assert day_from_json(ledger.site, data).pair_checks == ledger.pair_checks
    assert "pair_checks" not in day_to_json(ledger)  # the contract's JSON stays as it is
    del data["pair_checks"]
    assert day_from_json(ledger.site, data).pair_checks == ()


def _check(difference_k: float, u_k: float) -> PairCheck:
    return PairCheck(
        component="ground",
        first="a",
        second="b",
        method="order",
        difference_k=difference_k,
        u_k=u_k,
        minutes=120,
        start_s=0,
        end_s=7200,
    )


def test_days_are_combined_by_weight_and_by_the_larger_of_two_doubts() -> None:
    differences, doubts = np.array([0.30, 0.36, 0.27, 0.33]), np.array([0.01, 0.02, 0.015, 0.01])
    days = [date(2026, 4, n) for n in range(1, 5)]
    seen = [(day, _check(d, u)) for day, d, u in zip(days, differences, doubts, strict=True)]
    found = judged_record(seen, date(2026, 4, 5))
    assert found is not None
    # numpy's weighted mean; scale factor of the Particle Data Group's averages (Review of Particle Physics,
    # introduction, section 5.2: sqrt(chi2 / (N - 1)) where above one), from memory.
    mean, total = np.average(differences, weights=doubts**-2, returned=True)
    scale = np.sqrt(np.sum(((differences - mean) / doubts) ** 2) / 3)
    assert scale > 1
    assert found.difference_k == pytest.approx(mean)
    assert found.u_k == pytest.approx(scale / np.sqrt(total))


def test_only_days_that_agree_with_the_newest_are_combined() -> None:
    days = [date(2026, 4, n) for n in range(1, 9)]
    seen = [(day, _check(0.3 if day.day > 4 else 0.0, 0.01)) for day in days]
    found = judged_record(seen, date(2026, 4, 9))
    assert found is not None
    assert [day.day for day, _ in found.days] == [5, 6, 7, 8]
    assert found.difference_k == pytest.approx(0.3)


def test_a_sensor_that_stepped_is_judged_by_the_days_since() -> None:
    days = [(3, 0.10), (6, 0.40), (8, 0.41)]
    seen = [(date(2026, 4, n), _check(difference_k, 0.02)) for n, difference_k in days]
    found = judged_record(seen, date(2026, 4, 9))
    assert found is not None
    assert found.difference_k == pytest.approx(0.405, abs=1e-6)
    assert found.days[0][0] == date(2026, 4, 6)
    assert found.u_k < 0.04
    unsure = [(day, replace(check, u_k=0.04)) for day, check in seen]
    assert (record_of := judged_record(unsure, date(2026, 4, 9))) is not None
    assert len(record_of.days) == 3


@pytest.mark.parametrize(("method", "n_days"), [("rest", 3), ("draw", 8)])
def test_a_loops_newest_days_that_are_torn_are_joined_by_none(method: str, n_days: int) -> None:
    """On the day after an offset is mended the newest three agree with nothing; a draw's days may lie so far apart."""
    told = [0.0, 0.0, 0.0, 0.0, 0.0, 3.0, 3.0, 0.0]
    seen = [(date(2026, 4, n + 1), replace(_check(k, 0.01), method=method)) for n, k in enumerate(told)]
    found = judged_record(seen, date(2026, 4, 9))
    assert found is not None
    assert len(found.days) == n_days


def test_fewer_than_three_days_or_old_ones_give_no_record() -> None:
    seen = [(date(2026, 4, n), _check(0.3, 0.01)) for n in (1, 2, 3)]
    assert judged_record(seen[:2], date(2026, 4, 4)) is None
    assert judged_record(seen, date(2026, 4, 12)) is None
    assert judged_record([(day, replace(check, u_k=0.02)) for day, check in seen], date(2026, 4, 4)) is not None
