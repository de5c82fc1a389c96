"""Each fault changes what it should, from when it starts until it is mended."""

from datetime import date
from functools import lru_cache

import numpy as np
import pytest

from analytics.trace import local_day
from ingest.virtual import FAULTS, SCENARIOS, Fault, parse_fault, simulate
from ingest.virtual.run import LiveSite
from ingest.virtual.scenario import site_of

JANUARY, APRIL, JULY = date(2026, 1, 20), date(2026, 4, 20), date(2026, 7, 14)
HOUR_MS = 3_600_000


@lru_cache
def run_of(layout, start, name="", points=()):
    """Two days; the fault begins at 06:00 of the first and is never mended."""
    begin_ms = local_day(start, site_of(SCENARIOS[layout]).timezone).start_ms + 6 * HOUR_MS
    faults = (Fault(name=name, start_ms=begin_ms, points=points),) if name else ()
    return simulate(SCENARIOS[layout], start=start, days=2, seed=21, perfect=True, faults=faults)


def tally(run, name):
    return run.truth[1].tally[name]


def last_part(run, point, from_hour=12):
    """Values of a point from that hour of the first day on, well after the fault began."""
    trace = run.traces[point]
    return trace.value[trace.time_ms >= trace.time_ms[0] + from_hour * HOUR_MS]


def grows(name, by_j=1e6):
    """The second day's sum is larger with the fault, by so much at least."""
    return lambda sound, broken: tally(broken, name) > tally(sound, name) + by_j


def shrinks(name, to_part=0.1):
    """The second day's sum is at most this part of what it would be."""
    return lambda sound, broken: tally(sound, name) > 1e5 and tally(broken, name) <= to_part * tally(sound, name)


def reads(point, holds):
    """What the last thirty-six hours of a point's readings show, sound and broken."""
    return lambda sound, broken: holds(last_part(sound, point), last_part(broken, point))


# Fault, layout, start, what must hold.
PLANT_FAULTS = [
    ("collector-pump-dead", "two-tank", APRIL, shrinks("sun_heat_j")),
    ("collector-pump-dead", "two-tank", APRIL, reads("collector.leaving", lambda s, b: b.max() > s.max() + 20.0)),
    ("collector-pump-burnt", "two-tank", APRIL, reads("collector.pump", lambda s, b: b.max() == 0.0 < s.max())),
    ("collector-never-called", "solar-one-tank", APRIL, reads("collector.pump", lambda s, b: b.max() == 0.0 < s.max())),
    ("collector-never-called", "solar-one-tank", APRIL, shrinks("sun_heat_j", 0.0)),
    ("collector-air-lock", "two-tank", APRIL, reads("collector.flow", lambda s, b: 0.0 < b.max() < 0.1 * s.max())),
    ("collector-air-lock", "two-tank", APRIL, reads("collector.pump", lambda s, b: b.max() > 20.0)),
    ("collector-flow-low", "two-tank", APRIL, reads("collector.flow", lambda s, b: 0.5 < b.max() / s.max() < 0.7)),
    ("collector-pump-always", "two-tank", APRIL, reads("collector.pump", lambda s, b: b.min() > 30.0 > s.min())),
    ("collector-pump-always", "two-tank", APRIL, grows("sun_reverse_j")),
    ("collector-check-valve-leaks", "two-tank", APRIL, grows("sun_reverse_j")),
    ("collector-soiled", "two-tank", APRIL, shrinks("sun_heat_j", 0.8)),
    ("collector-fouled", "two-tank", APRIL, shrinks("sun_heat_j", 0.95)),
    ("desuperheater-pump-dead", "two-tank", JANUARY, shrinks("dsh_heat_j", 0.0)),
    ("desuperheater-pump-dead", "two-tank", JANUARY, reads("dsh.pump", lambda s, b: b.max() == 1.0)),
    ("desuperheater-flow-low", "two-tank", JANUARY, reads("dsh.flow", lambda s, b: 0.5 < b.max() / s.max() < 0.7)),
    ("element-stuck-on", "solar-one-tank", JANUARY, reads("tank.top", lambda s, b: b.max() > 80.0 > s.max())),
    ("element-stuck-on", "solar-one-tank", JANUARY, grows("element_elec_j")),
    ("backup-set-high", "solar-one-tank", JANUARY, grows("element_elec_j")),
    ("backup-set-high", "solar-one-tank", JANUARY, reads("tank.top", lambda s, b: b.max() > 67.0)),
    ("backup-set-high", "boiler-backup", JANUARY, grows("boiler_heat_j")),
    ("backup-set-low", "solar-one-tank", JANUARY, shrinks("element_elec_j", 0.5)),
    ("backup-set-low", "boiler-backup", JANUARY, reads("tank.top", lambda s, b: b.min() < s.min() - 10.0)),
    ("nobody-home", "two-tank", JULY, shrinks("hot_water_j", 0.0)),
    ("nobody-home", "solar-one-tank", JULY, reads("draw.flow", lambda s, b: b.max() == 0.0 < s.max())),
    ("element-burnt-out", "solar-one-tank", JANUARY, shrinks("element_elec_j", 0.0)),
    ("element-burnt-out", "passing-heater", JULY, shrinks("passing_elec_j", 0.0)),
    ("mixing-valve-hot", "two-tank", APRIL, reads("mixed.temp", lambda s, b: b.max() > 52.0 > s.max())),
    ("mixing-valve-cold", "two-tank", APRIL, reads("mixed.temp", lambda s, b: b.max() < 40.0 < s.max())),
    ("heat-pump-low-charge", "two-tank", JANUARY, lambda s, b: cop(b) < 0.8 * cop(s)),
    ("heat-pump-short-cycles", "two-tank", JANUARY, lambda s, b: tally(b, "starts") > 3.0 * tally(s, "starts")),
    ("ground-loop-weak", "two-tank", JANUARY, lambda s, b: coldest_entering(b) < coldest_entering(s) - 1.0),
    # Of ninety days' loss two are there by the end: a three-hundredth of the flow.
    ("ground-loop-drifts", "two-tank", JANUARY, reads("ground.flow", lambda s, b: 0.99 * s.max() < b.max() < s.max())),
    ("heat-pump-off", "heat-pump-tank", JANUARY, shrinks("load_heat_j")),
    ("load-pump-dead", "heat-pump-tank", JANUARY, shrinks("load_heat_j")),
    ("boiler-lockout", "boiler-backup", JANUARY, shrinks("boiler_heat_j")),
    ("boiler-fouled", "boiler-backup", JANUARY, lambda s, b: per_fuel(b) < 0.75 * per_fuel(s)),
    ("tap-left-running", "two-tank", APRIL, reads("draw.flow", lambda s, b: b.min() > 0.3 > s.min())),
    ("insulation-wet", "two-tank", APRIL, lambda s, b: loss(b) > 2.0 * loss(s)),
]


def loss(run):
    return sum(run.truth[1].loss_j.values())


def per_fuel(run):
    return tally(run, "boiler_heat_j") / tally(run, "fuel_j")


def cop(run):
    return tally(run, "heating_j") / tally(run, "heating_elec_j")


def coldest_entering(run):
    """Of the fluid from the ground, while the heat pump runs."""
    return run.traces["ground.entering"].value[run.traces["ground.pump"].value > 50.0].min()


@pytest.mark.parametrize(("name", "layout", "start", "holds"), PLANT_FAULTS)
def test_a_fault_shows_where_it_should(name, layout, start, holds):
    assert holds(run_of(layout, start), run_of(layout, start, name))


def test_every_fault_of_the_plant_is_tried():
    tried = {name for name, *_ in PLANT_FAULTS}
    assert tried == {name for name, kind in FAULTS.items() if not kind.sensor}
    assert len(FAULTS) >= 12


def test_before_its_start_a_fault_changes_nothing():
    sound, broken = run_of("two-tank", APRIL), run_of("two-tank", APRIL, "element-stuck-on")
    begin_ms = local_day(APRIL, "America/New_York").start_ms + 6 * HOUR_MS
    for point, trace in sound.traces.items():
        early = trace.time_ms <= begin_ms
        np.testing.assert_array_equal(trace.value[early], broken.traces[point].value[early])


def test_a_mended_fault_is_gone():
    begin_ms = local_day(JANUARY, "America/New_York").start_ms + 6 * HOUR_MS
    fault = Fault(name="desuperheater-pump-dead", start_ms=begin_ms, end_ms=begin_ms + 6 * HOUR_MS)
    run = simulate(SCENARIOS["two-tank"], start=JANUARY, days=2, seed=21, perfect=True, faults=[fault])
    flow = run.traces["dsh.flow"]
    assert flow.value[(flow.time_ms > fault.start_ms) & (flow.time_ms <= fault.end_ms)].max() == 0.0
    assert flow.value[flow.time_ms > fault.end_ms].max() > 1.0


def test_a_fault_that_comes_on_little_by_little_is_the_same_whatever_the_strides():
    begin_ms = local_day(JANUARY, "America/New_York").start_ms + 6 * HOUR_MS
    fault = Fault(name="ground-loop-drifts", start_ms=begin_ms)
    assert [fault.part_at(begin_ms + days * 24 * HOUR_MS) for days in (0, 44, 89, 400)] == pytest.approx(
        [1 / 90, 0.5, 1.0, 1.0]
    )
    whole = run_of("two-tank", JANUARY, "ground-loop-drifts").traces["ground.entering"].value
    live = LiveSite(SCENARIOS["two-tank"], start=JANUARY, seed=21, perfect=True, faults=[fault])
    strides = [live.advance(begin_ms + hours * HOUR_MS)["ground.entering"].value for hours in (1, 5, 23, 25, 40)]
    parts = np.concatenate(strides)
    np.testing.assert_array_equal(parts, whole[: len(parts)])


def test_a_sensor_reads_as_much_too_little_as_its_fault_says():
    sound, broken = run_of("two-tank", APRIL), run_of("two-tank", APRIL, "sensor-offset-low", ("hot.temp",))
    np.testing.assert_allclose(during(broken, "hot.temp") - during(sound, "hot.temp"), -4.0)


def during(run, point):
    begin_ms = local_day(APRIL, "America/New_York").start_ms + 6 * HOUR_MS
    return run.traces[point].value[run.traces[point].time_ms >= begin_ms]


def test_a_stuck_sensor_repeats_its_last_value_even_on_the_next_day():
    sound, broken = run_of("two-tank", APRIL), run_of("two-tank", APRIL, "sensor-stuck", ("solar.top",))
    assert np.unique(during(broken, "solar.top")).size == 1
    assert during(broken, "solar.top")[0] == pytest.approx(during(sound, "solar.top")[0], abs=0.5)
    assert np.unique(during(sound, "solar.top")).size > 100


def test_an_offset_sensor_is_off_by_its_offset():
    sound, broken = run_of("two-tank", APRIL), run_of("two-tank", APRIL, "sensor-offset", ("hot.temp",))
    np.testing.assert_allclose(during(broken, "hot.temp") - during(sound, "hot.temp"), 4.0)


def test_a_missing_sensor_says_nothing_and_the_others_go_on():
    broken = run_of("two-tank", APRIL, "sensor-missing", ("hot.temp",))
    assert during(broken, "hot.temp").size == 0
    assert during(broken, "cold.temp").size > 10_000


def test_swapped_sensors_show_each_other():
    pair = ("collector.entering", "collector.leaving")
    sound, broken = run_of("two-tank", APRIL), run_of("two-tank", APRIL, "sensors-swapped", pair)
    np.testing.assert_array_equal(during(broken, pair[0]), during(sound, pair[1]))
    np.testing.assert_array_equal(during(broken, pair[1]), during(sound, pair[0]))


def test_a_silent_gateway_sends_nothing_at_all():
    broken = run_of("two-tank", APRIL, "gateway-silent")
    assert all(during(broken, point).size == 0 for point in broken.traces)


def test_a_fault_is_read_from_a_line():
    fault = parse_fault("sensor-stuck:tank.top@2026-01-05T10:00+01:00..2026-01-06")
    assert (fault.name, fault.points) == ("sensor-stuck", ("tank.top",))
    assert (fault.start_ms, fault.end_ms) == (1767603600000, 1767657600000)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "pump-broken@2026-01-05",
            r"'pump-broken' is not a fault; it may be [a-z, -]+; `heatledger virtual list` names them all",
        ),
        ("element-stuck-on", "has no start; write element-stuck-on@2026-01-05T10:00"),
        ("element-stuck-on@yesterday", "'yesterday' is not an instant"),
        ("sensor-stuck@2026-01-05", r"sensor-stuck wants 1 point, 0 given"),
        ("sensors-swapped:a.b@2026-01-05", r"sensors-swapped wants 2 points, 1 given"),
    ],
)
def test_a_wrong_fault_gets_a_sentence(text, sentence):
    with pytest.raises(ValueError, match=sentence):
        parse_fault(text)
