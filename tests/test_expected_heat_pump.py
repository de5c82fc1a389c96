"""A heat pump by its temperatures: steady cells, bins, the maker's sheet, Carnot; conditions of a day."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from analytics.expected.carnot import carnot_check
from analytics.expected.conditions import conditions_of, day_conditions, record_column
from analytics.expected.heat_pump import pump_courses, sheet_cop, temperature_bins
from analytics.expected.limits import heat_limit_w
from analytics.plant import PlantDay
from analytics.site import RatingPoint
from ingest.virtual import SCENARIOS, simulate
from tests.accounts import account_days
from tests.ledgers import record
from tests.plants import DAY, changed, healthy_day, house, plant_of


def _plant(**changes):
    courses = changed(healthy_day(), {name.replace("_", "."): change for name, change in changes.items()})
    return plant_of(house(), courses)


def _virtual_day(scenario: str, day: date) -> PlantDay:
    run = simulate(SCENARIOS[scenario], start=day, days=1, seed=4, perfect=False)
    return next(iter(account_days(run.site, run.traces, [day]))).plant


def test_a_cell_is_steady_ten_minutes_after_the_start():
    """The healthy day runs for 30 minutes in each 90: its cells 10 to 28 or so are steady, those at rest never."""
    courses = pump_courses(_plant(), house().heat_pumps["hp"], "heating")
    of_run = courses.cells % 90
    assert set(of_run[courses.steady]) <= set(range(10, 30))
    assert np.count_nonzero(courses.steady[courses.cells < 90]) >= 18
    assert pump_courses(_plant(), house().heat_pumps["hp"], "cooling") is None


def test_the_courses_are_those_of_the_loops():
    courses = pump_courses(_plant(), house().heat_pumps["hp"], "heating")
    assert np.median(courses.entering_degc) == pytest.approx(6.0, abs=0.05)
    assert np.median(courses.leaving_degc) == pytest.approx(2.5, abs=0.05)
    assert np.isnan(courses.load_leaving_degc).all()
    # 0.1 K each of two sensors at 28 l/min, 2 % of the flow, 1 % of 2.3 kW; by hand with 4.18 MJ/(m3 K).
    by_hand = 28 / 6e4 * 4.18e6 * 0.2 + 0.02 * 6484 + 0.01 * 2300
    assert np.median(courses.most_w - courses.useful_w) == pytest.approx(by_hand, rel=0.02)


def test_limits_of_a_meter_and_of_an_assumed_flow_are_parts_of_the_heat():
    counted = house(**{'flow = "dsh.flow"': "assumed_flow_l_per_s = 0.1"})
    plant = plant_of(counted, healthy_day())
    loop = plant.loops["desuperheater"]
    runs = loop.heat_w > 100
    expected = 0.25 * loop.heat_w[runs] + loop.flow_m3_s[runs] * 4.18e6 * 0.2
    np.testing.assert_allclose(heat_limit_w(plant, loop)[runs], expected, rtol=1e-9)


@pytest.mark.parametrize("scenario", ["two-tank", "heat-pump-tank", "energy-counters"])
def test_the_bins_add_up_to_the_day(scenario):
    plant = _virtual_day(scenario, date(2026, 1, 20))
    pump = plant.site.heat_pumps["hp"]
    day, bins = plant.heat_pumps["hp"], temperature_bins(plant, pump)
    assert sum(each.useful_kwh for each in bins) == pytest.approx(np.nansum(day.useful_w) / 6e4, rel=1e-9)
    assert sum(each.run_h for each in bins) == pytest.approx(np.nansum(day.is_on) / 60, rel=0.02)
    assert sum(each.elec_kwh for each in bins) == pytest.approx(np.nansum(day.elec_w[day.is_on > 0]) / 6e4, rel=0.03)


def test_what_a_machine_takes_at_rest_is_in_no_bin():
    """Sixteen runs of 30 min at 2300 W, to a tenth of a minute each; a crankcase heater takes 60 W all day long."""
    courses = healthy_day()
    courses["hp.power"] = np.where(courses["hp.power"] > 1000, courses["hp.power"], 60.0)
    plant = plant_of(house(), courses)
    pump, bins = plant.heat_pumps["hp"], temperature_bins(plant, house().heat_pumps["hp"])
    assert sum(each.elec_kwh for each in bins) == pytest.approx(16 * 0.5 * 2.3, abs=16 * 2.3 / 60 / 10)
    assert sum(each.useful_kwh for each in bins) == pytest.approx(pump.heating.amount / 3.6e6, rel=1e-9)


def test_bins_part_the_day_by_what_came_from_the_ground():
    plant = _plant(ground_entering=[("12:00", "24:00", 4.0)], ground_leaving=[("12:00", "24:00", 0.5)])
    # Where a run begins, the sensor still comes down from 9 degC: a minute or so in a bin of its own.
    bins = [each for each in temperature_bins(plant, house().heat_pumps["hp"]) if each.run_h > 0.5]
    assert [each.entering_from_degc for each in bins] == [2.5, 5.0]
    assert bins[0].run_h == pytest.approx(bins[1].run_h, rel=0.05)
    assert all(each.useful_kwh / each.elec_kwh == pytest.approx(3.8, abs=0.1) for each in bins)


_SHEET = [RatingPoint(mode="heating", entering_c=e, leaving_c=45.0, capacity_w=c, power_w=2300) for e, c in
          ((0.0, 8000), (10.0, 10000))]  # fmt: skip


def test_without_a_leaving_temperature_the_sheet_is_read_at_45_degc():
    courses = pump_courses(_plant(), house().heat_pumps["hp"], "heating")
    sheet = sheet_cop(_SHEET, courses)
    assert np.nanmedian(sheet.cop) == pytest.approx(9200 / 2300, abs=0.02)
    assert np.isnan(sheet.cop[~courses.steady]).all()
    assert (sheet.doubt, sheet.leaving_is_known) == (pytest.approx(0.10), False)


def test_a_sheet_for_35_degc_is_doubted_by_what_hotter_water_may_cost():
    """2.3 % a kelvin for ten kelvin: the median of 54 brine machines between W36 and W52 (hplib, CC BY 4.0)."""
    courses = pump_courses(_plant(), house().heat_pumps["hp"], "heating")
    cool = [replace(point, leaving_c=35.0) for point in _SHEET]
    assert sheet_cop(cool, courses).doubt == pytest.approx(0.10 + 0.23)
    assert sheet_cop([], courses) is None


def test_a_machine_on_its_sheet_meets_the_sheet():
    """The virtual machine follows its maker's map; steady cells, real sensors: within the sheet's own doubt."""
    plant = _virtual_day("heat-pump-tank", date(2026, 1, 20))
    pump = plant.site.heat_pumps["hp"]
    courses = pump_courses(plant, pump, "heating")
    sheet = sheet_cop(pump.rating, courses)
    known = np.isfinite(sheet.cop) & courses.steady
    part = (courses.useful_w[known] / courses.elec_w[known] / sheet.cop[known]).mean()
    assert part == pytest.approx(1.0, abs=sheet.doubt)
    assert sheet.leaving_is_known
    assert sheet.doubt == pytest.approx(0.10)


def test_what_nature_allows_names_nobody():
    plant = _virtual_day("heat-pump-tank", date(2026, 1, 20))
    found = carnot_check(plant, plant.site.heat_pumps["hp"])
    assert found.samples > 30
    assert 0.3 < found.mean_part < 0.65
    assert (found.impossible, found.sensors) == (0, ())


def test_a_cop_above_carnots_names_the_sensors_that_it_rests_on():
    """Load sensors that show 24 K in place of some 5 K make the heat, and so the COP, several times too large."""
    plant = _virtual_day("heat-pump-tank", date(2026, 1, 20))
    pump = plant.site.heat_pumps["hp"]
    day = plant.heat_pumps["hp"]
    wrong = replace(plant, heat_pumps={"hp": replace(day, useful_w=day.useful_w * 4)})
    found = carnot_check(wrong, pump)
    load = plant.site.loops["load"]
    assert found.impossible == found.samples
    assert found.sensors[:2] == (load.leaving, load.entering)
    assert set(found.sensors) >= {load.flow, "hp.power"}


def test_without_a_load_loop_carnot_is_not_asked():
    assert carnot_check(_plant(), house().heat_pumps["hp"]).samples == 0


def test_conditions_are_what_later_days_are_held_against():
    found = day_conditions(_plant())
    assert found["heat_pump.hp.heating.entering_degc"] == pytest.approx(6.0, abs=0.05)
    assert found["heat_pump.hp.heating.steady_cop"] == pytest.approx(3.82, abs=0.03)
    assert found["heat_pump.hp.heating.desuperheater_entering_degc"] == pytest.approx(25.0, abs=0.1)
    # The healthy day's sun is a half wave of 880 W/m2 over 11 h: 880 x 11 x 2 / pi.
    assert found["collector.roof.irradiation_kwh_m2"] == pytest.approx(0.88 * 11 * 2 / np.pi, rel=0.01)
    assert found["collector.roof.irradiation_kwh_m2"] < found["collector.roof.ceiling_kwh_m2"]
    assert all(np.isfinite(value) for value in found.values())
    assert not any("cooling" in name for name in found)


def test_a_day_without_readings_has_the_sky_alone():
    nothing = plant_of(house(), {point: np.full(1440, np.nan) for point in healthy_day()}, before={})
    known = {name for name, value in day_conditions(nothing).items() if value}
    assert known == {"collector.roof.ceiling_kwh_m2"}


def test_ledgers_from_before_conditions_were_kept_have_none():
    days = [conditions_of(day) for day in record(DAY, days=3, kwh_per_h=1.0)]
    assert np.isnan(record_column(days, "heat_pump.hp.heating.steady_cop")).all()
