"""What stands still beside things that move: water in the taps' path, flows, a compressor's power."""

from itertools import groupby

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.judge import find_bad
from analytics.plant import NOTHING_STANDS, Standing
from analytics.site import FluidMix, HeatPump, HotWater, Loop, Tank
from analytics.stuck import level_rows, stuck_rules
from tests.small_sites import point, site

SITE = site(
    [
        *(point(name, "temperature", "degC") for name in ("in", "out", "top", "cold", "hot", "mixed")),
        point("flow", "flow", "l/min"),
        point("pump", "power", "W"),
        point("draw", "flow", "l/min", sampling="mean"),
        point("hp", "power", "W"),
    ],
    fluids={"w": FluidMix(id="w")},
    loops={"l": Loop(id="l", fluid="w", entering="in", leaving="out", flow="flow", pump="pump")},
    tanks={"t": Tank(id="t", volume_l=300, temperatures=("top",))},
    hot_water=HotWater(tanks=("t",), cold="cold", hot="hot", mixed="mixed", flow="draw"),
    heat_pumps={"hp": HeatPump(id="hp", power="hp", source_loop="l")},
)
MINUTES = np.arange(0.0, 86400.0, 60.0)
LATE = MINUTES >= 8 * 3600
# Six draws of ten minutes at 6 l/min, two hours apart from 09:00 on; two before 08:00.
DRAWS = ((MINUTES >= 5 * 3600) & ((MINUTES - 3600) % 7200 < 600)) * 1e-4
ON = MINUTES % 5400 < 1800


def _pipe(drawn_degc, room_degc=20.0):
    """A pipe that takes the water's temperature in a draw and goes to the room's between draws; rounded to 0.02 K."""
    degc, at = np.empty(len(MINUTES)), room_degc
    for n, flow in enumerate(DRAWS):
        at += (drawn_degc - at) * 0.6 if flow > 0 else (room_degc - at) / 40.0
        degc[n] = at
    return np.round(degc / 0.02) * 0.02


def _house(**changed):
    """A day of the taps and of a heat pump's source loop: it runs half an hour in every ninety minutes."""
    values = {
        "top": np.full(len(MINUTES), 55.0),
        "cold": _pipe(8.0),
        "hot": _pipe(54.0),
        "mixed": _pipe(49.0),
        "draw": DRAWS,
        "in": np.where(ON, 6.0, 12.0) + MINUTES / 86400,
        "out": np.where(ON, 3.0, 12.0) + MINUTES / 86400,
        "flow": np.where(ON, 5e-4, 0.0),
        "pump": np.where(ON, 120.0, 0.0),
        "hp": np.where(ON, 2000.0 + 10 * np.sin(MINUTES), 8.0),
    }
    return {**values, **changed}


def _bad(values, before=NOTHING_STANDS):
    times = dict.fromkeys(values, MINUTES)
    return find_bad(SITE, times, {name: np.asarray(value, float) for name, value in values.items()}, before=before)


def _held(point_id, since=LATE):
    value = _house()[point_id]
    return np.where(since, value[np.argmax(since)], value)


def test_a_sound_house_has_no_stuck_sensor():
    assert _bad(_house())[:2] == ({}, [])


@pytest.mark.parametrize("stuck", ["cold", "hot", "mixed"])
def test_a_sensor_in_the_taps_path_that_stands_still_through_draws_is_stuck(stuck):
    bad, faults, after = _bad(_house(**{stuck: _held(stuck)}))
    assert list(bad) == [stuck]
    assert bad[stuck].tolist() == LATE.tolist()
    # By hand: six hours after 08:00; three draws of 60 l had come by 13:00.
    assert faults[0].proved_s == 14 * 3600.0
    assert list(after.stuck) == [stuck]


def test_what_stood_still_in_the_night_is_stuck_once_the_day_draws_past_it():
    hot = np.full(len(MINUTES), 31.24)
    assert _bad(_house(hot=hot))[0] == {}  # it was never seen to move
    bad, _, _ = _bad(_house(hot=hot), before=Standing({}, {"hot": 31.24}))
    assert bad["hot"].all()


def test_what_moved_in_coarse_steps_only_may_stand_still():
    # Cold water comes as warm as the cellar, to half a degree; before, it once showed the next step.
    cold = np.where(MINUTES < 3600, 12.5, 12.0)
    bad, _, after = _bad(_house(cold=cold))
    assert bad == {}
    assert "cold" not in after.still


def _at_rest(drawn_degc):
    """A pipe that is drawn through until 08:00 and goes to the room's temperature from then on."""
    value = _pipe(drawn_degc)
    start = value[np.argmax(LATE)]
    return np.where(LATE, np.round((20.0 + (start - 20.0) * np.exp(-(MINUTES - 8 * 3600) / 2400)) / 0.02) * 0.02, value)


def test_taps_that_stay_closed_prove_nothing():
    rest = {name: _at_rest(degc) for name, degc in (("cold", 8.0), ("mixed", 49.0))}
    assert _bad(_house(**rest, hot=_held("hot"), draw=np.where(LATE, 0.0, DRAWS)))[0] == {}


def test_a_meter_at_zero_while_cold_and_hot_pipes_tell_of_draws_is_stuck():
    bad, faults, after = _bad(_house(draw=np.where(LATE, 0.0, DRAWS)))
    assert list(bad) == ["draw"]
    # By hand: the last draw before 08:00 ended at 07:09; the fourth after it began at 15:00, and a minute on both
    # pipes had moved far enough.
    assert bad["draw"].tolist() == (MINUTES >= 7 * 3600 + 600).tolist()
    assert faults[0].proved_s == pytest.approx(15 * 3600.0, abs=120)
    assert after.stuck == {"draw": 0.0}
    assert _bad(_house(draw=np.zeros(len(MINUTES))), before=after)[0]["draw"].all()


def test_a_meter_that_never_counted_is_told_by_the_pipes_from_a_houses_first_day_on():
    bad, _, after = _bad(_house(draw=np.zeros(len(MINUTES))))
    assert list(bad) == ["draw"]
    assert bad["draw"].all()
    assert after.stuck == {"draw": 0.0}


@pytest.mark.parametrize(
    "pipes",
    [
        {"hot": np.where(MINUTES % 7200 < 3600, 50.0, 25.0)},  # a pump that sends the hot water round
        {"cold": np.where(MINUTES % 7200 < 3600, 12.0, 20.0)},  # cold water drawn beside the path
    ],
    ids=["hot alone", "cold alone"],
)
def test_one_pipe_alone_that_moves_tells_of_no_draw(pipes):
    rest = {name: _at_rest(degc) for name, degc in (("cold", 8.0), ("hot", 54.0), ("mixed", 49.0))}
    moved = {name: np.where(LATE, value, rest[name]) for name, value in pipes.items()}
    assert _bad(_house(**{**rest, **moved}, draw=np.where(LATE, 0.0, DRAWS)))[0] == {}


def _metered(**meter):
    """The taps' path with another meter."""
    return site(
        [*(point(name, "temperature", "degC") for name in ("top", "cold", "hot", "mixed")), point("draw", **meter)],
        tanks={"t": Tank(id="t", volume_l=300, temperatures=("top",))},
        hot_water=HotWater(
            tanks=("t",),
            cold="cold",
            hot="hot",
            mixed="mixed",
            **{"volume" if meter["quantity"] == "volume" else "flow": "draw"},
        ),
    )


@pytest.mark.parametrize(
    ("meter", "step_m3", "is_stuck"),
    [
        ({"quantity": "volume", "unit": "l", "sampling": "counter"}, 0.001, True),
        ({"quantity": "volume", "unit": "l", "sampling": "counter"}, 0.038, False),  # 10 gal: draws may be smaller
        ({"quantity": "flow", "unit": "l/min", "interval_s": 10}, None, True),
        ({"quantity": "flow", "unit": "l/min", "interval_s": 300}, None, False),  # it may miss every draw
    ],
    ids=["counter", "coarse counter", "instants", "seldom instants"],
)
def test_a_meter_is_judged_as_far_as_it_can_miss_no_draw(meter, step_m3, is_stuck):
    # Seven draws, from 05:00 on, an hour and a half apart.
    drawn = (MINUTES >= 5 * 3600) & ((MINUTES - 5 * 3600) % 5400 < 600)
    pipes = {name: np.where(drawn, degc, 20.0) for name, degc in (("cold", 8.0), ("hot", 54.0), ("mixed", 49.0))}
    early = drawn & (MINUTES < 6 * 3600)
    draw = np.where(early, 1e-4, 0.0) if step_m3 is None else 5.0 + step_m3 * np.cumsum(early)
    values = {"top": np.full(len(MINUTES), 55.0), "draw": draw, **pipes}
    bad, _, _ = find_bad(_metered(**meter), dict.fromkeys(values, MINUTES), values)
    assert list(bad) == (["draw"] if is_stuck else [])


def test_a_flow_that_stays_at_its_running_value_through_its_pumps_rests_is_stuck():
    bad, faults, _ = _bad(_house(flow=np.where(MINUTES >= 5400, 5e-4, _house()["flow"])))
    assert list(bad) == ["flow"]
    assert faults[0].proved_s == 5400 + 4 * 3600.0


def test_a_steady_flow_meter_of_a_pump_that_seldom_stops_is_believed():
    # It shows the same whenever the pump runs, for hours, and nothing at rest.
    on = MINUTES % 28_800 > 1800
    flow, pump = np.where(on, 5e-4, 0.0), np.where(on, 120.0, 0.0)
    assert _bad(_house(flow=flow, pump=pump))[0] == {}


def test_a_flow_that_never_rests_beside_a_resting_pump_is_not_stuck_by_that():
    # A leaking check valve lets the same through all night: while its pump never ran, that is no proof.
    since = MINUTES >= 5400
    pump = np.where(since, 0.0, _house()["pump"])
    assert _bad(_house(flow=np.where(since, 1e-5, _house()["flow"]), pump=pump))[0] == {}


@pytest.mark.parametrize("at_w", [8.0, 2003.0], ids=["at rest", "running"])
def test_a_compressors_power_that_stands_still_while_its_source_starts_and_stops_is_stuck(at_w):
    bad, _, _ = _bad(_house(hp=np.where(LATE, at_w, _house()["hp"])))
    assert bad["hp"][LATE].all()
    assert list(bad) == ["hp"]


def test_an_idle_compressor_whose_source_loop_cools_the_house_by_itself_is_believed():
    cooling = {"out": np.where(ON, 15.0, 20.0), "in": np.where(ON, 12.0, 20.0), "hp": np.full(len(MINUTES), 8.0)}
    assert _bad(_house(**cooling), before=Standing({}, {"hp": 8.0}))[0] == {}


def test_a_tanks_sensor_of_whole_degrees_may_stand_still_while_another_layer_moves():
    # The sun warms the bottom by 9 K, which a fine sensor above must feel; one of whole degrees need not.
    layered = site(
        [point(name, "temperature", "degC") for name in ("top", "bottom")],
        tanks={"t": Tank(id="t", volume_l=300, temperatures=("top", "bottom"))},
    )
    bottom = np.interp(MINUTES, [36_000, 70_000], [21.0, 30.0])
    for step, is_stuck in ((1.0, False), (0.1, True)):
        top = np.where(LATE, 52.0, 52.0 + step)
        bad, _, _ = find_bad(layered, {"top": MINUTES, "bottom": MINUTES}, {"top": top, "bottom": bottom})
        assert ("top" in bad) is is_stuck


def test_a_pump_said_to_rest_while_its_fluid_starts_and_stops_is_stuck_from_the_first_day_on():
    # By hand: the meter tells of a start every ninety minutes from midnight on, the fourth after a rest at 06:00; the
    # compressor, which would tell sooner, is idle.
    idle = {"pump": np.zeros(len(MINUTES)), "hp": np.full(len(MINUTES), 8.0), "out": _house()["in"]}
    bad, faults, after = _bad(_house(**idle))
    assert list(bad) == ["pump"]
    assert faults[0].proved_s == 6 * 3600.0
    assert after.stuck == {"pump": 0.0}


def test_a_pump_said_to_rest_while_fluid_moves_with_the_compressor_is_stuck_after_a_quarter_of_an_hour():
    on = (MINUTES >= 4 * 3600) & (MINUTES < 6 * 3600)  # one long run
    run = {"flow": np.where(on, 5e-4, 0.0), "hp": np.where(on, 2000.0 + 10 * np.sin(MINUTES), 8.0)}
    bad, faults, _ = _bad(_house(pump=np.zeros(len(MINUTES)), **run))
    assert list(bad) == ["pump"]
    assert faults[0].proved_s == 4 * 3600.0 + 900.0


def test_fluid_that_warmth_alone_moves_does_not_tell_of_a_pump():
    # It swells and fades over an hour; no pump makes it.
    flow = np.maximum(np.sin(2 * np.pi * MINUTES / 7200), 0.0) * 2e-5
    idle = {"pump": np.zeros(len(MINUTES)), "hp": np.full(len(MINUTES), 8.0), "out": _house()["in"]}
    assert _bad(_house(flow=flow, **idle))[0] == {}


def test_a_compressor_whose_clamp_was_never_closed_is_told_on_the_first_day():
    bad, _, _ = _bad(_house(hp=np.zeros(len(MINUTES))))
    assert list(bad) == ["hp"]


@given(st.lists(st.tuples(st.sampled_from([0.0, 1e-4, 2e-4]), st.integers(1, 500)), min_size=1, max_size=30))
def test_level_rows_are_all_rows_of_equal_readings_that_last_long_enough(rows):
    value = np.repeat([level for level, _ in rows], [length for _, length in rows])
    time_s = 60.0 * np.arange(len(value))
    rule = next(rule for rule in stuck_rules(SITE) if rule.point == "flow")
    found, start = [], 0
    for level, same in groupby(value.tolist()):
        stop = start + len(list(same))
        if level > rule.above and 60.0 * (stop - 1 - start) >= rule.shortest_s:
            found.append((start, stop))
        start = stop
    assert level_rows(rule, time_s, value) == (found if len(value) > 2 else [])
