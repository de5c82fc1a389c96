"""A sensor that speaks now and then: its alert tells what is true of the whole time, not that it said nothing."""

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from analytics.detection import Alert, Fault, advance, assess_day
from analytics.detection.sensor_missing import SensorMissing
from tests.ledgers import record
from tests.plants import DAY, healthy_day, house, plant_of

POINT = "solar.top"
ALL_DAY = [(0, 24)]
Courses = dict[str, NDArray[np.float64]]


def _silent(hours: Sequence[tuple[float, float]]) -> Courses:
    courses = healthy_day()
    for start, end in hours:
        courses[POINT][round(start * 60) : round(end * 60)] = np.nan
    return courses


def _hourly(minutes: int = 1) -> Courses:
    """It speaks at twenty past each hour, for some minutes, although its interval is a minute."""
    courses = healthy_day()
    courses[POINT][~((np.arange(1440) % 60 >= 20) & (np.arange(1440) % 60 < 20 + minutes))] = np.nan
    return courses


def _alert_after(days: Sequence[Courses], *, until: str | None = None) -> Alert:
    alerts: list[Alert] = []
    earlier = healthy_day()
    for n, courses in enumerate(days):
        day: date = DAY + timedelta(days=n)
        plant = plant_of(house(), courses, day=day, before=earlier, until=until if n == len(days) - 1 else None)
        every = assess_day(plant, record(day, days=12, kwh_per_h=1.2))
        mine = [each for each in every if (each.kind, each.component) == (SensorMissing.kind, POINT)]
        alerts, _ = advance(alerts, mine, now_ms=mine[0].until_ms)
        earlier = courses
    (alert,) = alerts
    return alert


def _on(n: int) -> str:
    day = DAY + timedelta(days=n)
    return f"{day.day} {day:%B}"


def test_a_sensor_that_speaks_once_an_hour_is_not_said_to_have_said_nothing() -> None:
    """One minute of sixty is 1.7 %; 23 silences lie within the day, one begins before it and one ends after it."""
    alert = _alert_after([_hourly(), _hourly(), _hourly()])
    assert f"has come and gone since 00:20 on {_on(0)}: on {_on(2)} it was silent 25 times" in alert.summary
    assert "said nothing" not in alert.summary
    assert alert.evidence["heard_percent"] == 1.7


def test_while_it_is_silent_again_the_sentence_tells_when_it_was_last_heard() -> None:
    alert = _alert_after([_hourly(minutes=15), _hourly(minutes=15)], until="18:10")
    assert alert.state == "open"
    assert f"% of the time, last at 17:34 on {_on(1)}. It is used by: " in alert.summary
    # A quarter of each hour, of eighteen hours and ten minutes.
    assert 23 < alert.evidence["heard_percent"] < 27


def test_a_lasting_silence_is_told_from_its_own_beginning_though_the_sensor_failed_before() -> None:
    alert = _alert_after([_silent([(14, 16)]), _silent([(12, 24)]), _silent(ALL_DAY), _silent(ALL_DAY)])
    assert alert.summary.startswith(f"The sensor {POINT} has said nothing since 11:59 on {_on(1)} while others")
    assert alert.evidence["since"] == f"13:59 on {_on(0)}"


def test_a_silence_of_days_that_ends_is_told_from_its_beginning_to_its_end() -> None:
    alert = _alert_after([_silent([(14, 24)]), _silent(ALL_DAY), _silent([(0, 9)])])
    assert alert.state == "resolved"
    assert f"said nothing from 13:59 on {_on(0)} until 09:00 on {_on(2)} while others" in alert.summary


def test_two_silences_of_a_day_are_two_findings_and_the_second_tells_of_both() -> None:
    plant = plant_of(house(), _silent([(2, 3), (14, 16)]))
    verdict = SensorMissing().assess(plant, record(DAY, days=12, kwh_per_h=1.2), POINT)
    assert isinstance(verdict, Fault)
    first, second = verdict.findings
    assert "said nothing from 01:59" in first.summary
    assert "was silent 2 times for longer than 30 min" in second.summary
    assert second.evidence["heard_percent"] == 87.5
