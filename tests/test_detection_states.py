"""From verdicts to alerts: opened, continued over days, acknowledged, ended, opened again."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from analytics.detection import (
    Alert,
    Assessment,
    Clear,
    Fault,
    Finding,
    NotAssessed,
    Transition,
    Verdict,
    acknowledge,
    advance,
    alert_from_json,
    alert_to_json,
    assess_day,
    unsettled,
)
from analytics.detection.precedence import REMEMBERED_DAYS
from analytics.trace import local_day
from tests.plants import DAY, changed, healthy_day, house, plant_of

_ZONE = "Europe/Berlin"
_HOUR_MS = 3_600_000


def _ms(day: date, hour: float) -> int:
    return local_day(day, _ZONE).start_ms + round(hour * _HOUR_MS)


def _finding(
    day: date,
    began_h: float,
    ended_h: float | None,
    *,
    weight_s: float = 600.0,
    text: str = "",
    is_by_day: bool = False,
) -> Finding:
    return Finding(
        began_ms=_ms(day, began_h),
        ended_ms=None if ended_h is None else _ms(day, ended_h),
        detected_ms=_ms(day, began_h + 0.25),
        severity="soon",
        template="Nothing moves since {since}; {text}.",
        evidence={"since": "?", "text": text or day.isoformat()},
        likely_causes=("pump",),
        checks=("look",),
        cost_per_day=0.5,
        weight_s=weight_s,
        is_by_day=is_by_day,
    )


def _day(day: date, verdict: Verdict, *, until_h: float = 24, component: str = "collector") -> Assessment:
    return Assessment(
        site="mill-lane-8",
        timezone=_ZONE,
        kind="loop-no-flow",
        component=component,
        from_ms=_ms(day, 0),
        until_ms=_ms(day, until_h),
        rejoin=timedelta(hours=24),
        verdict=verdict,
    )


def _run(*days: Assessment) -> tuple[list[Alert], list[Transition]]:
    alerts: list[Alert] = []
    transitions: list[Transition] = []
    for each in days:
        alerts, changes = advance(alerts, [each], now_ms=each.until_ms + 5)
        transitions += changes
    return alerts, transitions


_D1, _D2, _D3 = DAY, DAY + timedelta(days=1), DAY + timedelta(days=2)
_OPEN = _day(_D1, Fault((_finding(_D1, 10.2, None),)))


def test_a_fault_opens_an_alert_dated_when_it_began() -> None:
    (alert,), (change,) = _run(_OPEN)
    assert (alert.state, alert.began_ms, alert.ended_ms) == ("open", _ms(_D1, 10.2), None)
    assert (change.before, change.after, change.at_ms) == (None, "open", _ms(_D1, 10.2))
    assert change.noticed_ms == _OPEN.until_ms + 5
    assert alert.summary == "Nothing moves since 10:12 on 14 April; 2026-04-14."


def test_a_fault_that_goes_on_for_days_is_one_alert() -> None:
    second = _day(_D2, Fault((_finding(_D2, 9.0, None),)))
    alerts, changes = _run(_OPEN, _day(_D2, NotAssessed("night"), until_h=3), second)
    assert len(alerts) == 1
    assert len(changes) == 1
    assert alerts[0].began_ms == _ms(_D1, 10.2)


def test_what_is_known_by_the_day_is_told_by_the_day_whoever_tells_it_later() -> None:
    by_day = _day(_D2, Fault((_finding(_D1, 0.0, None, is_by_day=True),)))
    (alert,), _ = _run(by_day)
    assert alert.summary.startswith("Nothing moves since 14 April; ")
    by_the_minute = _day(_D3, Fault((_finding(_D3, 9.0, None, weight_s=900.0),)))
    (alert,), _ = _run(by_day, by_the_minute)
    assert alert.summary == "Nothing moves since 14 April; 2026-04-16."
    (alert,), _ = _run(_OPEN, _day(_D2, Fault((_finding(_D2, 0.0, None, weight_s=900.0, is_by_day=True),))))
    assert alert.summary == "Nothing moves since 10:12 on 14 April; 2026-04-15."


def test_lack_of_evidence_is_no_recovery() -> None:
    alerts, changes = _run(_OPEN, _day(_D2, NotAssessed("The flow is not known.")))
    assert [alert.state for alert in alerts] == ["open"]
    assert len(changes) == 1


def test_a_clear_verdict_ends_it_when_health_was_seen() -> None:
    alerts, changes = _run(_OPEN, _day(_D2, Clear(_ms(_D2, 9.5))))
    assert (alerts[0].state, alerts[0].ended_ms) == ("resolved", _ms(_D2, 9.5))
    assert (changes[-1].after, changes[-1].at_ms) == ("resolved", _ms(_D2, 9.5))


def test_health_before_the_fault_ends_nothing_earlier_than_it_began() -> None:
    alerts, _ = _run(_OPEN, _day(_D1, Clear(_ms(_D1, 2))))
    assert alerts[0].ended_ms == alerts[0].began_ms


def test_the_same_day_twice_changes_nothing() -> None:
    once, _ = _run(_OPEN)
    again, changes = advance(once, [_OPEN], now_ms=1)
    assert again == once
    assert changes == []


def test_a_fault_already_over_is_kept_with_both_its_changes() -> None:
    alerts, changes = _run(_day(_D1, Fault((_finding(_D1, 10, 11),))))
    assert alerts[0].state == "resolved"
    assert [(c.before, c.after, c.at_ms) for c in changes] == [
        (None, "open", _ms(_D1, 10)),
        ("open", "resolved", _ms(_D1, 11)),
    ]


def test_a_fault_that_comes_back_soon_opens_the_same_alert_again() -> None:
    back = _day(_D2, Fault((_finding(_D2, 9, None),)))
    alerts, changes = _run(_OPEN, _day(_D1, Fault((_finding(_D1, 10.2, 15),))), back)
    assert [alert.state for alert in alerts] == ["open"]
    assert [c.after for c in changes] == ["open", "resolved", "open"]
    assert changes[-1].at_ms == _ms(_D2, 9)
    # It has not lasted since its beginning all the way.
    assert alerts[0].summary.startswith("Nothing moves since 10:12 on 14 April; ")
    assert alerts[0].summary.endswith(" It was over from 15:00 on 14 April until 09:00 on 15 April.")
    again, _ = _run(
        _OPEN, _day(_D1, Fault((_finding(_D1, 10.2, 15),))), back, back, _day(_D3, Fault((_finding(_D3, 0, None),)))
    )
    assert again[0].summary.count("It was over") == 1
    assert again[0].evidence["back_since"] == "09:00 on 15 April"


def test_the_last_time_in_which_it_was_over_is_told_and_minutes_are_not() -> None:
    first = _day(_D1, Fault((_finding(_D1, 10.2, 15),)))
    second, third = (
        _day(_D2, Fault((_finding(_D2, 9, 12),))),
        _day(_D3, Fault((_finding(_D3, 11, None, weight_s=60.0),))),
    )
    alerts, _ = _run(first, second, third)
    assert alerts[0].summary.count("It was over") == 1
    assert alerts[0].summary.endswith(" It was over from 12:00 on 15 April until 11:00 on 16 April.")
    soon = _day(_D2, Fault((_finding(_D2, 0.2, None),)))
    alerts, _ = _run(_day(_D1, Fault((_finding(_D1, 10.2, 23.9),))), soon)
    assert "It was over" not in alerts[0].summary


def test_a_fault_that_comes_back_late_is_a_new_alert() -> None:
    late = _day(_D3, Fault((_finding(_D3, 16, None),)))
    alerts, _ = _run(_day(_D1, Fault((_finding(_D1, 10.2, 15),))), _day(_D2, Clear(_ms(_D2, 9))), late)
    assert [alert.state for alert in alerts] == ["resolved", "open"]
    assert len({alert.id for alert in alerts}) == 2


def test_two_faults_of_a_day_far_apart_are_two_alerts_also_when_judged_again() -> None:
    twice = replace(_day(_D1, Fault((_finding(_D1, 2, 3), _finding(_D1, 18, None)))), rejoin=timedelta(hours=2))
    alerts, _ = _run(twice)
    assert [(a.began_ms, a.ended_ms) for a in alerts] == [(_ms(_D1, 2), _ms(_D1, 3)), (_ms(_D1, 18), None)]
    assert advance(alerts, [twice], now_ms=9) == (alerts, [])


def test_health_seen_before_a_new_fault_ends_the_old_one() -> None:
    new = replace(_day(_D2, Fault((_finding(_D2, 18, None),), _ms(_D2, 1))), rejoin=timedelta(hours=2))
    alerts, _ = _run(_OPEN, new)
    assert [(a.state, a.ended_ms) for a in alerts] == [("resolved", _ms(_D2, 1)), ("open", None)]


def test_an_acknowledged_alert_stays_so_until_it_ends() -> None:
    (alert,), _ = _run(_OPEN)
    seen, change = acknowledge(alert, by="Ada", note="pump ordered", now_ms=_ms(_D1, 20))
    assert (change.after, change.by, change.note) == ("acknowledged", "Ada", "pump ordered")
    alerts, changes = advance([seen], [_day(_D2, Fault((_finding(_D2, 9, None),)))], now_ms=1)
    assert (alerts[0].state, alerts[0].acknowledged_by, changes) == ("acknowledged", "Ada", [])
    ended, _ = advance(alerts, [_day(_D3, Clear(_ms(_D3, 9)))], now_ms=1)
    assert ended[0].state == "resolved"


def test_only_an_open_alert_can_be_acknowledged() -> None:
    alerts, _ = _run(_day(_D1, Fault((_finding(_D1, 10, 11),))))
    with pytest.raises(ValueError, match="is resolved; only an open alert can be acknowledged"):
        acknowledge(alerts[0], by="Ada", note="", now_ms=0)


def test_an_old_day_judged_again_can_lengthen_but_not_decide() -> None:
    alerts, _ = _run(_OPEN, _day(_D2, Fault((_finding(_D2, 9, None),))))
    earlier = _day(_D1, Fault((_finding(_D1, 9.5, 12),)))
    after, changes = advance(alerts, [earlier], now_ms=1)
    assert (after[0].id, after[0].began_ms, after[0].state, changes) == (alerts[0].id, _ms(_D1, 9.5), "open", [])


def test_the_day_that_shows_it_best_speaks() -> None:
    strong = _day(_D2, Fault((_finding(_D2, 9, None, weight_s=9000, text="strong"),)))
    weak = _day(_D3, Fault((_finding(_D3, 9, None, weight_s=60, text="weak"),)))
    alerts, _ = _run(_OPEN, strong, weak)
    assert alerts[0].summary == "Nothing moves since 10:12 on 14 April; strong."


def test_alerts_of_other_components_pass_through() -> None:
    alerts, _ = _run(_OPEN)
    other = _day(_D2, Clear(_ms(_D2, 9)), component="ground")
    assert advance(alerts, [other], now_ms=1) == (alerts, [])


def test_what_can_come_back_is_kept_for_the_next_day() -> None:
    alerts, _ = _run(_day(_D1, Fault((_finding(_D1, 10, 11),))))
    assert unsettled(alerts, [_day(_D2, NotAssessed("-"))]) == alerts
    explains_for = timedelta(days=REMEMBERED_DAYS["loop-no-flow"])
    assert unsettled(alerts, [_day(_D1 + explains_for, NotAssessed("-"))]) == alerts
    assert unsettled(alerts, [_day(_D2 + explains_for, NotAssessed("-"))]) == []
    still, _ = _run(_OPEN)
    assert unsettled(still, [_day(_D3, NotAssessed("-"))]) == still


def test_an_alert_comes_back_from_its_json() -> None:
    (alert,), _ = _run(_OPEN)
    seen, _ = acknowledge(alert, by="Ada", note="ordered", now_ms=_ms(_D1, 20) + 123)
    data = alert_to_json(seen, _ZONE)
    assert alert_from_json(data) == seen
    assert data["began"] == "2026-04-14T10:12:00+02:00"
    assert data["acknowledged"]["at"] == "2026-04-14T20:00:00.123+02:00"


def test_instants_are_written_with_the_offset_of_their_own_date() -> None:
    (alert,), _ = _run(_day(date(2026, 1, 5), Fault((_finding(date(2026, 1, 5), 10.2, None),))))
    assert alert_to_json(alert, _ZONE)["began"] == "2026-01-05T10:12:00+01:00"
    assert ZoneInfo(_ZONE).key == _ZONE


_FAULTY = {"collector.flow": [("10:12", "13:00", 0.0)], "mixed.temp": [("07:00", "07:06", 56.0)]}


def _live(step_min: int) -> tuple[list[Alert], list[Transition]]:
    """The day as the watcher sees it: judged again and again while it grows."""
    site, courses = house(), changed(healthy_day(), _FAULTY)
    alerts: list[Alert] = []
    transitions: list[Transition] = []
    for until in [*range(step_min, 1440, step_min), None]:
        clock = None if until is None else f"{until // 60:02d}:{until % 60:02d}"
        alerts, changes = advance(alerts, assess_day(plant_of(site, courses, until=clock), []), now_ms=until or 1440)
        transitions += changes
    return alerts, transitions


def _essence(alerts: Sequence[Alert]) -> set[tuple[str, str, str, int, int | None, str]]:
    return {(a.id, a.kind, a.state, a.began_ms // 60_000, a.ended_ms, a.summary) for a in alerts}


def test_live_and_after_the_fact_give_the_same_alerts() -> None:
    plant = plant_of(house(), changed(healthy_day(), _FAULTY))
    after_the_fact, _ = advance([], assess_day(plant, []), now_ms=0)
    live, transitions = _live(47)
    assert {a.kind for a in live} == {"loop-no-flow", "outlet-too-hot"}
    assert _essence(live) == _essence(after_the_fact)
    for alert in live:
        mine = [t for t in transitions if t.alert_id == alert.id]
        assert [(t.before, t.after) for t in mine] == [(None, "open"), ("open", "resolved")]
        assert all(earlier.at_ms <= later.at_ms for earlier, later in pairwise(mine))


# --- what is told of a fault that outlasts the day that shows it best -----------------------------------------------


def _lost(day: date, kwh: float, *, began_h: float = 0.0, weight_s: float = 600.0) -> Finding:
    sentence = "Nothing moves since {since}; {lost_kwh:.1f} kWh were not collected."
    evidence = {"since": "?", "lost_kwh": kwh}
    base = _finding(day, began_h, None, weight_s=weight_s)
    return replace(base, template=sentence, evidence=evidence, cost_per_day=0.2 * kwh)


def test_numbers_of_one_day_are_told_as_such_once_the_fault_outlasts_it():
    [first], _ = _run(_day(DAY, Fault((_lost(DAY, 5.0, began_h=10),))))
    assert first.summary == "Nothing moves since 10:00 on 14 April; 5.0 kWh were not collected."
    dim = Fault((_lost(DAY + timedelta(days=1), 1.0, weight_s=60),))
    [lasting], _ = _run(_day(DAY, Fault((_lost(DAY, 5.0, began_h=10),))), _day(DAY + timedelta(days=1), dim))
    assert lasting.summary == f"{first.summary} The numbers are those of 14 April."
    assert lasting.evidence["numbers_of"] == "14 April"


def test_the_day_of_the_numbers_follows_the_day_that_shows_it_best():
    bright = Fault((_lost(DAY + timedelta(days=1), 8.0, weight_s=6000),))
    [told], _ = _run(_day(DAY, Fault((_lost(DAY, 5.0, began_h=10),))), _day(DAY + timedelta(days=1), bright))
    assert told.summary == (
        "Nothing moves since 10:00 on 14 April; 8.0 kWh were not collected. The numbers are those of 15 April."
    )


def test_a_sentence_without_numbers_names_no_day():
    days = [DAY + timedelta(days=n) for n in range(3)]
    [told], _ = _run(*[_day(day, Fault((_finding(day, 0, None, text="at all"),))) for day in days])
    assert told.summary == "Nothing moves since 00:00 on 14 April; at all."
    assert "numbers_of" not in told.evidence


def test_what_a_day_costs_is_the_mean_of_the_latest_days_and_not_the_dearest():
    days = [(DAY + timedelta(days=n), kwh) for n, kwh in enumerate([5.0, 1.0, 0.0])]
    [told], _ = _run(*[_day(day, Fault((_lost(day, kwh, weight_s=100 * kwh),))) for day, kwh in days])
    told = replace(told, cost_per_day=round(told.cost_per_day or 0.0, 4))
    assert told.cost_per_day == pytest.approx(0.2 * 2.0)
    assert alert_from_json(alert_to_json(told, _ZONE)) == told


def test_a_day_that_has_just_begun_does_not_make_a_fault_cheaper():
    morning = _day(DAY + timedelta(days=1), Fault((_lost(DAY + timedelta(days=1), 0.1),)), until_h=6)
    [told], _ = _run(_day(DAY, Fault((_lost(DAY, 5.0),))), morning)
    assert told.cost_per_day == pytest.approx(1.0)


def test_a_day_judged_again_counts_once_in_what_a_day_costs():
    whole = _day(DAY, Fault((_lost(DAY, 5.0),)))
    [told], _ = _run(_day(DAY, Fault((_lost(DAY, 1.0),)), until_h=9), whole, whole)
    assert told.cost_per_day == pytest.approx(1.0)
    assert len(told.day_costs) == 1
