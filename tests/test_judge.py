"""Sensors judged: what is left out, and what must not be."""

import numpy as np
import pytest

from analytics.judge import find_bad, unroll
from analytics.plant import Standing
from analytics.site import FluidMix, HotWater, Loop, Tank
from tests.small_sites import point, site

TEMPERATURES = [point(name, "temperature", "degC") for name in ("in", "out", "top", "bottom")]
SITE = site(
    [*TEMPERATURES, point("flow", "flow", "l/min")],
    fluids={"w": FluidMix(id="w")},
    loops={"l": Loop(id="l", fluid="w", entering="in", leaving="out", flow="flow")},
    tanks={"t": Tank(id="t", volume_l=300, temperatures=("top", "bottom"))},
)
MINUTES = np.arange(0.0, 86400.0, 60.0)


def _bad(*, stuck=None, still=None, **values):
    times = {name: MINUTES[: len(value)] for name, value in values.items()}
    floats = {name: np.asarray(value, float) for name, value in values.items()}
    return find_bad(SITE, times, floats, before=Standing(stuck or {}, still or {}))[:2]


@pytest.mark.parametrize("code", [-127.0, 850.0, -50.1, 250.1])
def test_codes_of_a_broken_wire_are_out_of_range(code):
    bad, faults = _bad(top=[50.0, code, 50.1])
    assert bad["top"].tolist() == [False, True, False]
    assert faults[0].sentence == (
        f"top gave a reading that no such sensor can give (as far as {code:g} degC); left out."
    )


@pytest.mark.parametrize(("point", "value"), [("in", -50.0), ("in", 250.0), ("top", -10.0), ("top", 120.0)])
def test_the_limits_themselves_are_readings(point, value):
    assert _bad(**{point: [value]})[0] == {}


def test_water_in_a_tank_is_never_as_hot_as_a_collector_may_be():
    (fault,) = _bad(top=[50.0, 150.0, 150.0])[1]
    assert (fault.kind, fault.n_readings) == ("range", 2)
    assert _bad(**{"in": [50.0, 150.0, 150.0]})[1] == []


def test_a_jump_and_straight_back_is_a_spike():
    assert _bad(top=[50.0, 85.0, 50.2])[0]["top"].tolist() == [False, True, False]


@pytest.mark.parametrize("values", [[50.0, 79.0, 50.0], [20.0, 120.0, 60.0], [20.0, 60.0, 61.0]])
def test_a_small_jump_a_slug_and_a_step_are_no_spikes(values):
    assert _bad(top=values)[0] == {}


TAPS = site([point("draw", "flow", "l/min", sampling="mean")], hot_water=HotWater(flow="draw"))


def _bursts(*litres_per_minute):
    values = {"draw": np.asarray(litres_per_minute) / 60e3}
    bad, faults, _ = find_bad(TAPS, {"draw": MINUTES[: len(litres_per_minute)]}, values)
    return [litres_per_minute[n] for n in np.flatnonzero(bad.get("draw", []))], [fault.sentence for fault in faults]


def test_a_burst_that_no_draw_of_the_house_comes_near_is_no_draw():
    left_out, (says,) = _bursts(0, 12, 12, 0, 60, 0, 0, 72, 12, 11)
    assert left_out == [60, 72]
    assert says == "draw jumped away and straight back 2 times (as far as 72 l/min); left out."


@pytest.mark.parametrize(
    "flow",
    [
        (0, 4, 4, 0, 15, 0),  # a bath's tap for a moment, after small draws
        (0, 4, 4, 0, 40, 0),  # as much as the pipe passes
        (0, 25, 25, 0, 49, 0),  # not twice what lasts
        (0, 60, 60, 0, 12, 12),  # it lasts
        (0, 60, 0, 0, 12, 0),  # nothing lasts, so nothing tells what the house draws
    ],
)
def test_a_draw_that_a_house_may_make_is_one(flow):
    assert _bursts(*flow) == ([], [])


FLOW = np.where(MINUTES % 7200 < 3600, 1e-4, 0.0)
SWINGING = 30 + 10 * np.sin(MINUTES / 5000)


def test_a_loop_sensor_that_comes_to_stand_still_while_its_partner_moves_is_stuck():
    out = np.where(MINUTES < 7200, 41.0 + MINUTES / 7200, 41.3)
    bad, faults = _bad(**{"in": SWINGING, "out": out, "flow": FLOW})
    assert bad["out"][120:].all()
    assert not bad["out"][:120].any()
    assert "in" not in bad
    assert faults[-1].sentence.startswith("out stood still at 41.3 degC for 22.0 h")


def test_a_loop_sensor_that_was_stuck_the_day_before_is_so_until_it_moves():
    out = np.where(MINUTES < 36_000, 41.3, 38.0 + np.sin(MINUTES))
    bad, _ = _bad(stuck={"out": 41.3}, **{"in": SWINGING, "out": out, "flow": FLOW})
    assert bad["out"].tolist() == (MINUTES < 36_000).tolist()
    assert _bad(stuck={"out": 41.2}, **{"in": SWINGING, "out": out, "flow": FLOW})[0] == {}


def test_a_loop_sensor_that_ceased_to_move_the_day_before_is_stuck_once_its_partner_shows_it():
    day = {"in": SWINGING, "out": np.full(1440, 41.3), "flow": FLOW}
    assert _bad(still={"out": 41.3}, **day)[0]["out"].all()
    assert _bad(still={"out": 41.2}, **day)[0] == {}


def test_what_stands_at_the_days_end_is_handed_on():
    times = dict.fromkeys(("in", "out", "flow"), MINUTES)
    out = np.where(MINUTES < 80_000, 41.0 + MINUTES / 80_000, 41.9)
    _, _, after = find_bad(SITE, times, {"in": SWINGING, "out": out, "flow": FLOW})
    assert (after.stuck, after.still) == ({}, {"out": 41.9})
    stuck = np.where(MINUTES < 7200, out, 41.9)
    _, _, after = find_bad(SITE, times, {"in": SWINGING, "out": stuck, "flow": FLOW})
    assert (after.stuck, after.still) == ({"out": 41.9}, {})


def test_a_loop_sensor_that_never_moved_may_measure_something_steady():
    bad, _ = _bad(**{"in": np.full(1440, 10.0), "out": np.where(FLOW > 0, 4.0, 12.0), "flow": FLOW})
    assert bad == {}


def test_a_partner_that_moves_only_at_rest_or_by_a_spike_proves_nothing():
    out = np.where(MINUTES < 7200, 11.0, 10.0)
    at_rest = np.where(FLOW > 0, 4.0, 20.0)
    spiked = np.where(MINUTES == 43_200, 120.0, 4.0)
    assert _bad(**{"in": at_rest, "out": out, "flow": FLOW})[0] == {}
    assert list(_bad(**{"in": spiked, "out": out, "flow": FLOW})[0]) == ["in"]


def test_a_loop_at_rest_may_stand_still():
    rest = {"in": 30 + 10 * np.sin(MINUTES / 5000), "out": np.full(1440, 20.0), "flow": np.zeros(1440)}
    assert _bad(**rest)[0] == {}


def test_a_tank_at_rest_may_stand_still():
    assert _bad(top=np.full(1440, 55.0), bottom=np.full(1440, 18.0))[0] == {}


def _unrolled(values, *, scale=1.0, quantity="energy"):
    return unroll(60.0 * np.arange(len(values)), np.asarray(values, float), scale=scale, quantity=quantity)


def test_a_counter_that_only_rises_is_left_alone():
    assert _unrolled([5, 6, 6, 7.5], scale=3.6e6).value.tolist() == [0.0, 3.6e6, 3.6e6, 9e6]


def test_a_counter_rolls_over_at_a_round_number():
    result = _unrolled([99_998, 99_999, 1, 3], scale=3.6e6 / 100)
    assert result.value / 36_000 == pytest.approx([0, 1, 3, 5])
    assert result.sentences == ("rolled over from 99999 to 1",)


def test_a_counter_that_begins_again_counts_what_it_has_counted_since():
    result = _unrolled([40_000.0, 40_000.5, 0.2, 0.4], scale=3.6e6)
    assert result.value / 3.6e6 == pytest.approx([0, 0.5, 0.7, 0.9])
    assert "began again at zero" in result.sentences[0]


def test_a_counter_that_steps_back_a_little_does_not_count_its_whole_reading_again():
    result = _unrolled([0.00500, 0.00569, 0.00558, 0.00600], scale=1e9)
    assert result.value / 1e9 == pytest.approx([0, 0.00069, 0.00069, 0.00111])
    assert "was exchanged or set, or stepped back" in result.sentences[0]


@pytest.mark.parametrize("after", [91_000.0, 21_000.0])
def test_an_exchanged_meter_adds_nothing(after):
    result = _unrolled([40_000.0, 40_000.5, after, after + 0.5], scale=3.6e6)
    assert result.value / 3.6e6 == pytest.approx([0, 0.5, 0.5, 1.0])
    assert "was exchanged or set" in result.sentences[0]


def test_a_counter_never_gives_negative_or_huge_energy():
    rng = np.random.default_rng(4)
    values = rng.choice([0.0, 3.0, 1e6, 65_535.0, 12.5], size=200)
    value = _unrolled(values, scale=3.6e6).value
    assert np.all(np.diff(value) >= 0)
    assert value[-1] <= 100e3 * 60 * 200
