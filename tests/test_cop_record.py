"""Which days a heat pump is held against: not those that its sensors or meters raised."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from analytics.detection import Clear, Fault, NotAssessed, Verdict
from analytics.detection.cop_record import cop_days, good_days, misread_loop
from analytics.detection.heat_pump_low_cop import HeatPumpLowCop
from analytics.expected.stages import watch_site
from analytics.expected.subjects import subjects_of
from analytics.expected.watching import Watched
from analytics.figures import DayLedger
from analytics.pair_check import PairCheck
from analytics.trace import Trace, local_day
from tests.ledgers import HEALTHY_COP, record, with_conditions
from tests.plants import DAY, changed, healthy_day, house, plant_of
from tests.virtual_days import virtual_days

_PUMP = house().heat_pumps["hp"]
_RAISED_COP = 6.1  # by hand: 3 K more on 3.5 K of rise raise (COP - 1) of 3.8 by 3 / 3.5 = 86 %


def _record(cops: Sequence[float], pair_k: Mapping[int, float]) -> list[DayLedger]:
    """Days of such COPs; on some the ground loop's pair was seen at rest, so far apart."""
    days = with_conditions(record(DAY, days=len(cops), kwh_per_h=0.0), {"heat_pump.hp.heating.run_cop": cops})
    return [
        replace(day, pair_checks=(_seen_apart(pair_k[index]),)) if index in pair_k else day
        for index, day in enumerate(days)
    ]


def _seen_apart(difference_k: float) -> PairCheck:
    return PairCheck(
        component="ground",
        first="ground.entering",
        second="ground.leaving",
        method="rest",
        difference_k=difference_k,
        u_k=0.01,
        minutes=60.0,
        start_s=0.0,
        end_s=3600.0,
    )


def _verdict(history: Sequence[DayLedger], *, ground_leaving_degc: float | None = None) -> Verdict:
    told = {} if ground_leaving_degc is None else {"ground.leaving": [("00:00", "24:00", ground_leaving_degc)]}
    return HeatPumpLowCop().assess(plant_of(house(), changed(healthy_day(), told)), history, "hp")


def test_days_far_above_the_others_never_become_usual() -> None:
    history = _record([HEALTHY_COP] * 15 + [_RAISED_COP] * 40, {})
    assert len(good_days(cop_days(house(), history, _PUMP, "heating", least_kwh=3.0), 0.78)) == 15
    assert isinstance(_verdict(history), Clear)
    assert isinstance(_verdict(history, ground_leaving_degc=4.9), Fault)  # COP 1.9


def test_a_season_that_raises_the_cop_little_by_little_is_followed() -> None:
    rising = [float(cop) for cop in np.linspace(2.6, 4.6, 50)]
    assert good_days(cop_days(house(), _record(rising, {}), _PUMP, "heating", least_kwh=3.0), 0.78)[
        -1
    ].cop == pytest.approx(4.6)


def test_a_pair_seldom_seen_casts_doubt_on_the_days_around_it() -> None:
    history = _record([HEALTHY_COP] * 40, {5: 0.0, 10: -3.0, 20: 0.0})
    # Sound up to the sixth day, off on the eleventh, sound again on the 21st: on the 14 between it may have been off.
    assert len(cop_days(house(), history, _PUMP, "heating", least_kwh=3.0)) == 40 - 14
    assert misread_loop(house(), history, _PUMP, "heating") == ""
    assert (
        len(cop_days(house(), _record([HEALTHY_COP] * 40, {5: 0.0, 10: -0.1}), _PUMP, "heating", least_kwh=3.0)) == 40
    )


def test_until_a_pair_is_seen_sound_again_no_record_speaks() -> None:
    history = _record([_RAISED_COP] * 40, {0: -3.0, 38: -3.0})
    assert misread_loop(house(), history, _PUMP, "heating") == "ground"
    verdict = _verdict(history)
    assert isinstance(verdict, NotAssessed)
    assert "sensors of ground were last seen to disagree" in verdict.reason


def test_first_days_gathered_before_a_pair_was_seen_off_are_forgotten() -> None:
    (subject,) = (each for each in subjects_of(house()) if each.key == "hp.cop")
    name = "heat_pump.hp.heating."
    told = {f"{name}steady_h": 5.0, f"{name}steady_cop": 3.8, f"{name}entering_degc": 6.0, f"{name}steady_elec_w": 2300}
    days = with_conditions(record(DAY, days=8, kwh_per_h=0.0), told)
    watched: Mapping[str, Watched] = {}
    for day in days:
        watched = watch_site([subject], watched, day)
    assert len(watched["hp.cop"].first[""]) == 8
    watched = watch_site([subject], watched, replace(days[-1], pair_checks=(_seen_apart(-0.1),)))
    assert len(watched["hp.cop"].first[""]) == 9
    watched = watch_site([subject], watched, replace(days[-1], pair_checks=(_seen_apart(-3.0),)))
    assert watched["hp.cop"].first == {}


def test_after_a_sensor_that_raised_the_cop_was_mended_a_sound_machine_is_not_told() -> None:
    start, last = date(2026, 1, 5), date(2026, 1, 17)
    until_ms = local_day(last, "America/New_York").start_ms

    def low(traces: Mapping[str, Trace]) -> Mapping[str, Trace]:
        leaving = traces["ground.leaving"]
        return {**traces, "ground.leaving": Trace(leaving.time_ms, leaving.value - 3.0 * (leaving.time_ms < until_ms))}

    outcomes = virtual_days("two-tank", start, days=34, altered=low)
    told = {alert["kind"] for outcome in outcomes for alert in outcome.alerts}
    assert "sensor-offset" in told
    assert "heat-pump-low-cop" not in told
