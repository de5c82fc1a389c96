"""A gateway's clock that jumps by an hour in the bright half of the year: told by when the sun comes on bright days."""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

import numpy as np
import pytest

from analytics.detection import Clear, Fault, NotAssessed, Verdict
from analytics.detection.gateway_clock import GatewayClock
from analytics.expected.sun import clear_sky_in_plane, sun_position
from analytics.expected.sun_shift import sun_shift
from analytics.plant import PlantDay
from analytics.trace import Trace, local_day
from tests.ledgers import record, with_conditions
from tests.plants import DAY, changed, healthy_day, house, plant_of
from tests.virtual_days import virtual_days

_WIDE = -20.0
_BEFORE = [-5.0, 4.0, 0.0, -2.0, 6.0, 1.0]


def _verdict(shifts: Sequence[float], *, widths: Sequence[float] | float = _WIDE, ago: int = 0) -> Verdict:
    """Of bright days, the newest of them so many days ago, and an ordinary day today."""
    name = "collector.roof.sun_"
    told: dict[str, float | Sequence[float]] = {f"{name}shift_min": shifts, f"{name}width_min": widths}
    history = with_conditions(record(DAY - timedelta(days=ago), days=len(shifts), kwh_per_h=1.0), told)
    until_dusk = changed(healthy_day(), {"collector.sun": [("17:20", "20:13", [92, 88])]})
    return GatewayClock().assess(plant_of(house(), until_dusk), history, "collector.sun")


@pytest.mark.parametrize(("jump_min", "says"), [(60.0, "60 min later"), (-60.0, "60 min sooner")])
def test_an_hour_from_one_bright_day_to_the_next_is_a_fault_in_words(jump_min: float, says: str) -> None:
    verdict = _verdict([*_BEFORE, *(jump_min + each for each in (0.0, 3.0, -4.0))])
    assert isinstance(verdict, Fault)
    (finding,) = verdict.findings
    assert says in finding.summary
    assert f"clock seems to be {'fast' if jump_min > 0 else 'slow'} by about" in finding.summary
    assert finding.began_ms == local_day(DAY - timedelta(days=3), house().timezone).start_ms
    assert (finding.evidence["bright_days"], finding.evidence["bright_days_before"]) == (3, 6)


@pytest.mark.parametrize(
    "shifts",
    [
        [*_BEFORE, 60.0, 62.0],  # two days
        [*_BEFORE[:3], 60.0, 62.0, 58.0],  # too few before
        [*_BEFORE, 60.0, 10.0, 62.0],  # one between
        [*_BEFORE, 35.0, 36.0, 34.0],
        [-5.0, 4.0, 45.0, -2.0, 6.0, 1.0, 60.0, 62.0, 58.0],  # once before it was as late
    ],
)
def test_less_than_that_is_none(shifts: Sequence[float]) -> None:
    assert not isinstance(_verdict(shifts), Fault)


def test_mornings_without_sun_are_no_later_sun() -> None:
    """Fog until ten takes two hours of the morning and none of the evening: an hour later on the mean, and narrower."""
    assert not isinstance(_verdict([*_BEFORE, 60.0, 62.0, 58.0], widths=[_WIDE] * 6 + [-140.0] * 3), Fault)


def test_a_clock_that_is_wrong_for_long_is_not_taken_for_right() -> None:
    """By its own light the day goes from dawn to dusk; but the newest bright days are an hour late."""
    assert isinstance(_verdict([61.0] * 8), NotAssessed)
    assert isinstance(_verdict(_BEFORE), Clear)


def test_a_clock_that_steps_back_is_right_again() -> None:
    assert isinstance(_verdict([60.0 + each for each in _BEFORE] + [0.0, 2.0, -1.0]), Clear)


def test_what_lies_far_back_says_nothing() -> None:
    assert not isinstance(_verdict([*_BEFORE, 60.0, 63.0, 56.0], ago=29), Fault)


def _sunny(shift_min: float = 0.0, *, dark_until: int = 0) -> PlantDay:
    """The house on a cloudless day, its stamps so late, without sun until some minute."""
    site, day = house(), local_day(DAY, house().timezone)
    collector = site.collectors["roof"]
    at_ms = day.start_ms + (np.arange(1440) - shift_min) * 60_000.0
    height, azimuth = sun_position(at_ms, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg)
    facing = collector.azimuth_deg or 0.0
    sun = 0.9 * clear_sky_in_plane(height, azimuth, tilt_deg=collector.tilt_deg or 0.0, facing_deg=facing)
    sun[:dark_until] = 0.0
    return plant_of(site, {**healthy_day(), "collector.sun": sun})


@pytest.mark.parametrize("shift_min", [0.0, 60.0, -60.0, 20.0])
def test_the_shift_of_a_cloudless_day_is_that_of_its_stamps(shift_min: float) -> None:
    plant = _sunny(shift_min)
    told = sun_shift(plant, plant.site.collectors["roof"])
    assert told["sun_shift_min"] == pytest.approx(shift_min, abs=3.0)
    assert told["sun_width_min"] == pytest.approx(0.0, abs=5.0)


def test_a_foggy_morning_shows_in_the_width_and_a_dull_day_tells_nothing() -> None:
    """The sun stands at half of its highest at some half past eight; two hours more of dark narrow the day by them."""
    plant = _sunny(dark_until=11 * 60)
    whole, foggy = (sun_shift(each, each.site.collectors["roof"]) for each in (_sunny(), plant))
    assert foggy["sun_width_min"] < whole["sun_width_min"] - 60.0
    dull = plant_of(house(), {**healthy_day(), "collector.sun": np.full(1440, 60.0)})
    assert np.isnan(list(sun_shift(dull, dull.site.collectors["roof"]).values())).all()


def test_an_hour_in_may_is_told_and_a_sound_may_is_not() -> None:
    """The house of which the sun is seen best; its clock is put on by an hour after four weeks."""
    first, days = date(2026, 5, 1), 45
    jump_ms = local_day(first + timedelta(days=28), "America/Denver").start_ms

    def put_on(traces: Mapping[str, Trace]) -> Mapping[str, Trace]:
        return {
            point: Trace(each.time_ms + 3_600_000 * (each.time_ms >= jump_ms), each.value)
            for point, each in traces.items()
        }

    for altered, n_told in ((dict, 0), (put_on, 1)):
        outcomes = virtual_days("assumed-flow", first, days=days, altered=altered)
        told = [alert for alert in outcomes[-1].alerts if alert["kind"] == "gateway-clock"]
        assert len(told) == n_told
        assert all("clock seems to be fast" in alert["summary"] for alert in told)
