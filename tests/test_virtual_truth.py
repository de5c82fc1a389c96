"""The truth of virtual houses: balances close, origins add up, days are local days, and a seed is a seed."""

import subprocess
import sys
from datetime import date
from functools import lru_cache

import numpy as np
import pytest

from analytics.trace import local_day
from ingest.virtual import SCENARIOS, LiveSite, simulate
from ingest.virtual.draws import Household, tapping_cycle
from ingest.virtual.fluid_fits import density, enthalpy, fit_fluid
from ingest.virtual.house import House
from ingest.virtual.layout import CH
from ingest.virtual.scenario import numbers_of, renamed, site_of
from tests.studies.houses import house_of

WINTER, SUMMER = date(2026, 1, 14), date(2026, 7, 14)
LAYOUTS = sorted(SCENARIOS)


@lru_cache
def run_of(layout, start, days=2, perfect=True):
    return simulate(SCENARIOS[layout], start=start, days=days, seed=5, perfect=perfect)


@pytest.mark.parametrize("start", [WINTER, SUMMER])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_heat_in_is_heat_out_stored_and_lost(layout, start):
    for truth in run_of(layout, start).truth:
        heat_in = sum(stage.heat_j - stage.reverse_j for stage in truth.stages.values())
        heat_out = truth.hot_water_j + sum(truth.stored_change_j.values()) + sum(truth.loss_j.values())
        scale = heat_in + sum(abs(v) for v in truth.stored_change_j.values()) + truth.hot_water_j
        assert heat_in - heat_out == pytest.approx(0.0, abs=1e-9 * scale)


def test_the_balance_closes_in_many_thin_layers_with_cold_water_below_the_coil():
    run = simulate(house_of("boiler half way up", seed=1), start=WINTER, days=2, seed=1, perfect=True)
    for truth in run.truth:
        heat_in = sum(stage.heat_j - stage.reverse_j for stage in truth.stages.values())
        heat_out = truth.hot_water_j + sum(truth.stored_change_j.values()) + sum(truth.loss_j.values())
        assert heat_in - heat_out == pytest.approx(0.0, abs=1e-9 * (heat_in + truth.hot_water_j))
        assert truth.stages["oil"].heat_j > 1e6
    bottom, middle = (run.traces[point].value for point in ("tank.bottom", "tank.middle"))
    assert np.median(middle - bottom) > 15.0


@pytest.mark.parametrize("layout", LAYOUTS)
def test_heat_by_origin_makes_up_the_hot_water(layout):
    for truth in run_of(layout, WINTER).truth:
        by_origin = sum(stage.delivered_j for stage in truth.stages.values())
        total = by_origin + truth.room_j + truth.carried_over_j
        assert total == pytest.approx(truth.hot_water_j, rel=1e-9)


def test_what_was_in_store_at_first_is_used_up_in_time():
    truths = run_of("solar-one-tank", WINTER, 9).truth
    assert truths[0].carried_over_j > 0.3 * truths[0].hot_water_j
    assert truths[-1].carried_over_j < 0.02 * truths[-1].hot_water_j


def test_a_heat_pump_gives_in_heating_what_it_takes_from_ground_and_wire():
    for truth in run_of("two-tank", WINTER).truth:
        t = truth.tally
        assert t["heating_j"] > 20 * 3.6e6
        assert t["heating_j"] == pytest.approx(t["source_j"] + t["heating_elec_j"], rel=1e-9)
        assert 2.5 < t["heating_j"] / t["heating_elec_j"] < 6.0


def test_a_heat_pump_rejects_in_cooling_what_it_does_not_give_to_the_tank():
    cooled = [truth.tally for truth in run_of("two-tank", SUMMER, 9).truth if truth.tally["cooling_j"] > 3.6e6]
    assert cooled
    for t in cooled:
        dsh_j = t["dsh_heat_j"] - t["dsh_in_heating_j"]
        assert t["cooling_j"] == pytest.approx(-t["source_j"] + dsh_j - t["cooling_elec_j"], rel=1e-9)


@pytest.mark.parametrize("layout", ["two-tank", "heat-pump-tank", "energy-counters"])
def test_the_map_passes_through_the_rating_points_of_the_sheet(layout):
    n = numbers_of(SCENARIOS[layout])
    pump = next(iter(site_of(SCENARIOS[layout]).heat_pumps.values()))
    for point in (p for p in pump.rating if p.mode == "heating"):
        lift = point.leaving_c - 35.0
        capacity = n.heating_capacity_w * (
            1.0 + n.heating_capacity_per_entering * point.entering_c + n.heating_capacity_per_leaving * lift
        )
        power = n.heating_power_w * (
            1.0 + n.heating_power_per_entering * point.entering_c + n.heating_power_per_leaving * lift
        )
        assert capacity == pytest.approx(point.capacity_w, rel=0.05)
        assert power == pytest.approx(point.power_w, rel=0.05)


@pytest.mark.parametrize(("name", "kwh"), [("S", 2.1), ("M", 5.845), ("L", 11.655), ("XL", 19.07)])
def test_a_tapping_cycle_has_the_published_sum(name, kwh):
    # Regulation (EU) 812/2013, Annex VII, Table 3.
    assert sum(t.energy_j for t in tapping_cycle(name)) / 3.6e6 == pytest.approx(kwh, abs=1e-9)


def test_an_unknown_tapping_cycle_is_refused_by_name():
    with pytest.raises(ValueError, match="'Q' is not one of S, M, L, XL"):
        tapping_cycle("Q")


def test_the_taps_take_a_tapping_cycle_to_the_joule():
    truth = run_of("boiler-backup", WINTER).truth
    assert [t.hot_water_j / 3.6e6 for t in truth] == pytest.approx([11.655] * 2, rel=1e-6)


def test_a_tapping_cycle_is_recovered_from_its_readings():
    run = run_of("boiler-backup", WINTER)
    water = fit_fluid("water")
    flow, mixed, cold = (run.traces[p] for p in ("draw.flow", "mixed.temp", "cold.temp"))
    on = np.flatnonzero(flow.value > 0.0)
    heat_j = sum(
        flow.value[i] / 6e4 * 10.0 * density(water, mixed.value[i])
        * (enthalpy(water, mixed.value[i]) - enthalpy(water, cold.value[i]))
        for i in on
    )  # fmt: skip
    assert heat_j / 3.6e6 == pytest.approx(2 * 11.655, rel=0.01)


def test_meters_at_the_spots_integrate_to_the_truth():
    # By another route than the kernel's sums: recorded temperatures and flow every ten seconds.
    house = House(SCENARIOS["two-tank"], first_day=date(2026, 4, 3), seed=5)
    record = [house.finish_day() for _ in range(3)][-1]
    glycol = fit_fluid("propylene-glycol", 40.0)
    flow, entering, leaving = (record.now[:, c] for c in (CH.sun_m3_s, CH.sun_in_degc, CH.sun_out_degc))
    rate = [
        f * density(glycol, i) * (enthalpy(glycol, o) - enthalpy(glycol, i)) if f > 0 else 0.0
        for f, i, o in zip(flow, entering, leaving, strict=True)
    ]
    truth_j = record.tally[0] - record.tally[6]
    assert truth_j > 3.6e6
    assert np.sum(rate) * 10.0 == pytest.approx(truth_j, rel=0.01)


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 8), 23), (date(2026, 11, 1), 25), (date(2026, 5, 5), 24)])
def test_days_are_as_long_as_the_local_clock_makes_them(day, hours):
    run = simulate(SCENARIOS["two-tank"], start=day, days=1, seed=2, perfect=True)
    whole = local_day(day, "America/New_York")
    times = run.traces["draw.flow"].time_ms
    assert times[0] == whole.start_ms
    assert times[-1] == whole.end_ms
    assert len(times) == hours * 360 + 1


def test_the_same_seed_gives_the_same_bytes_and_another_seed_does_not():
    first, again = (simulate(SCENARIOS["two-tank"], start=WINTER, days=1, seed=9) for _ in range(2))
    other = simulate(SCENARIOS["two-tank"], start=WINTER, days=1, seed=10)
    for point, trace in first.traces.items():
        assert trace.time_ms.tobytes() == again.traces[point].time_ms.tobytes()
        assert trace.value.tobytes() == again.traces[point].value.tobytes()
    assert first.truth == again.truth
    assert first.truth != other.truth


def test_a_house_that_lives_in_short_strides_comes_to_the_same():
    whole = simulate(SCENARIOS["two-tank"], start=WINTER, days=2, seed=4)
    live = LiveSite(SCENARIOS["two-tank"], start=WINTER, seed=4)
    end_ms = local_day(date(2026, 1, 15), "America/New_York").end_ms
    parts = []
    for until_ms in [*range(live.now_ms + 7_777_777, end_ms, 7_777_777), end_ms]:
        parts.append(live.advance(until_ms))
    for point, trace in whole.traces.items():
        np.testing.assert_array_equal(np.concatenate([p[point].value for p in parts]), trace.value)
        np.testing.assert_array_equal(np.concatenate([p[point].time_ms for p in parts]), trace.time_ms)


def test_a_run_goes_on_from_where_it_ended():
    two, one = (simulate(SCENARIOS["passing-heater"], start=WINTER, days=n, seed=4) for n in (2, 1))
    live = one.live()
    again = one.live()
    day = live.finish_day()
    assert day.truth == two.truth[1]
    assert again.finish_day().truth == day.truth


def test_time_does_not_run_backwards():
    live = LiveSite(SCENARIOS["passing-heater"], start=WINTER)
    with pytest.raises(ValueError, match="lies before"):
        live.advance(live.now_ms - 10_000)


def test_a_run_needs_days():
    with pytest.raises(ValueError, match="days must be 1 or more, not 0"):
        simulate(SCENARIOS["two-tank"], start=WINTER, days=0)


def test_a_renamed_house_is_the_same_house_under_another_name():
    other = renamed(
        SCENARIOS["two-tank"], site_id="elm-street-1", site_name="Elm Street 1", household=Household(people=1)
    )
    site = site_of(other)
    assert (site.id, site.name) == ("elm-street-1", "Elm Street 1")
    assert site.points == site_of(SCENARIOS["two-tank"]).points
    assert other.household.people == 1


def test_winter_and_summer_are_on_the_right_sides_of_the_world():
    def mean_outdoor(layout, start):
        return run_of(layout, start).traces["outdoor.temp"].value.mean()

    assert mean_outdoor("two-tank", WINTER) < mean_outdoor("two-tank", SUMMER) - 15.0
    assert mean_outdoor("passing-heater", WINTER) > mean_outdoor("passing-heater", SUMMER) + 5.0


_MANY_THEN_FEW = """
from dataclasses import replace
from datetime import date
from ingest.virtual import SCENARIOS, simulate
for nodes in (48, 16):
    run = simulate(replace(SCENARIOS["two-tank"], nodes=nodes), start=date(2026, 1, 1), days=1, seed=1)
    print(nodes, len(run.truth))
"""


def test_a_plant_of_many_nodes_takes_no_inner_function_of_the_usual_ones_kept_copy():
    """The usual copy is kept by a process that never met another plant; a new process compiles the other one first."""
    run_of("two-tank", WINTER)
    found = subprocess.run([sys.executable, "-c", _MANY_THEN_FEW], capture_output=True, text=True, check=False)
    assert found.stderr == ""
    assert [line.split()[0] for line in found.stdout.splitlines()] == ["48", "16"]
