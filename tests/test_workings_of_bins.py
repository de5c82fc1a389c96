"""A COP by the temperatures that the machine worked between: rows add up, and the sheet is read as by hand."""

import re
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from analytics.expected.heat_pump import temperature_bins
from analytics.trace import Trace
from analytics.workings.day import WorkedDay, working_of
from analytics.workings.written import Table, Working
from ingest.virtual import SCENARIOS, simulate
from tests.accounts import account_days
from tests.ledgers import HEALTHY_COP
from tests.plants import healthy_day, house, plant_of
from tests.test_workings import SUMMER, WINTER, worked

PATH = "heat_pumps.hp.heating.cop"


def _of(day: WorkedDay, path: str = PATH) -> tuple[Working, Table]:
    working = working_of(day, path)
    assert working is not None
    (table,) = [table for table in working.tables if table.title == "By temperatures"]
    return working, table


def _column(table: Table, name: str) -> list[str]:
    place = list(table.columns).index(name)
    return [row[place] for row in table.rows]


def _line(table: Table, name: str) -> dict[str, str]:
    (row,) = [row for row in table.rows if row[0] == name]
    return dict(zip(table.columns, row, strict=True))


@pytest.mark.parametrize(
    ("scenario", "start", "way", "gap_h"),
    [
        ("two-tank", WINTER, "heating", None),
        ("two-tank", SUMMER, "cooling", None),
        ("two-tank", WINTER, "heating", (6.0, 9.0)),
        ("heat-pump-tank", WINTER, "heating", None),
    ],
)
def test_the_rows_add_up_to_what_the_days_cop_is_made_of(
    scenario: str, start: date, way: str, gap_h: tuple[float, float] | None
) -> None:
    working, table = _of(worked(scenario, start, gap_h=gap_h), f"heat_pumps.hp.{way}.cop")
    heat, elec = (number.text.removesuffix(" kWh") for number in working.inputs)
    whole = _line(table, "together")
    assert (whole["kWh useful"], whole["kWh electricity"]) == (heat, elec)
    assert float(whole["COP"]) == pytest.approx(working.value, abs=0.005)
    n_bins = _column(table, "Source entering °C").index("together")
    for name in ("h", "kWh useful", "kWh electricity"):
        rows = [float(cell.replace("−", "-")) for cell in _column(table, name)[:n_bins]]
        assert sum(rows) == pytest.approx(float(whole[name]), abs=0.0005 * (n_bins + 1))


def test_the_sheet_is_read_between_its_points_as_by_hand() -> None:
    """The sheet at 35 degC: 9100 W by 2330 W at 0 degC, 11600 W by 2420 W at 10 degC; both on straight lines."""
    _, table = _of(worked("two-tank", WINTER))
    line = _line(table, "0.0 to 2.5")
    entering = float(line["sheet °C"].split(" / ")[0])
    by_hand = (9100 + 250 * entering) / (2330 + 9 * entering)
    assert float(line["sheet COP"]) == pytest.approx(by_hand, abs=0.015)
    part = 100 * float(line["kWh useful, steady"]) / float(line["kWh electricity, steady"]) / by_hand
    assert float(line["% of sheet"]) == pytest.approx(part, abs=1.0)


def test_where_nobody_measures_the_leaving_water_the_sheet_is_read_at_a_named_stand_in() -> None:
    _, table = _of(worked("two-tank", WINTER))
    assert set(_column(table, "Load leaving °C")[:-1]) == {"not measured"}
    assert "Nobody measures the leaving water: 35.0 °C stand in for it" in table.note
    assert _line(table, "0.0 to 2.5")["sheet °C"].endswith(" / 35.0")


def test_a_machine_on_its_sheet_has_nearly_all_of_it_and_a_dash_where_the_sheet_tells_nothing() -> None:
    """It follows its map; the sheet begins at 45 degC, so 33 degC is more than 5 K below it."""
    _, table = _of(worked("heat-pump-tank", WINTER))
    by_leaving = dict(zip(_column(table, "Load leaving °C"), _column(table, "% of sheet"), strict=True))
    assert by_leaving["32.5 to 35.0"] == "—"
    told = [float(cell) for leaving, cell in by_leaving.items() if leaving and cell != "—"]
    assert len(told) >= 5
    assert told == pytest.approx([98.0] * len(told), abs=4.0)
    assert float(_line(table, "where the sheet tells")["% of sheet"]) == pytest.approx(98.0, abs=2.0)
    assert _line(table, "together")["sheet COP"] == "—"


def test_starts_that_bring_little_take_nothing_from_the_part_of_the_sheet() -> None:
    """Each run of 30 min gives nothing of the ground in its first nine; from the tenth on all is as ever, COP 3.8."""
    courses = healthy_day()
    is_start = (np.arange(1440) % 90 < 9) & (courses["hp.power"] > 1000)
    courses["ground.leaving"] = np.where(is_start, courses["ground.entering"], courses["ground.leaving"])
    plant = plant_of(house(), courses)
    bins = temperature_bins(plant, plant.site.heat_pumps["hp"])
    steady, whole = (
        sum(getattr(each, f"{which}useful_kwh") for each in bins)
        / sum(getattr(each, f"{which}elec_kwh") for each in bins)
        for which in ("steady_", "")
    )
    assert steady == pytest.approx(HEALTHY_COP, abs=0.1)
    assert whole == pytest.approx(1 + (HEALTHY_COP - 1) * 21 / 30, abs=0.2)


@pytest.mark.parametrize(("factor", "is_said"), [(1.0, False), (0.6, True)])
def test_a_cop_far_above_the_sheet_is_said_where_the_meters_leave_no_room(factor: float, is_said: bool) -> None:
    """Its power meter at six tenths: COP 1.67 times the sheet's, still below Carnot's."""
    run = simulate(SCENARIOS["heat-pump-tank"], start=WINTER, days=1, seed=4)
    power = run.traces["hp.power"]
    traces = {**run.traces, "hp.power": Trace(power.time_ms, power.value * factor)}
    (result,) = account_days(run.site, traces, [WINTER])
    working, table = _of(WorkedDay(result.plant, result.ledger, None))
    said = [remark for remark in working.remarks if "maker's sheet" in remark]
    assert len(said) == is_said
    assert "Carnot" not in result.ledger.heat_pumps[0].heating_cop.why
    if said:
        cop, sheet = (float(each) for each in re.findall(r"(?:COP of|above the) (\d+\.\d+)", said[0]))
        assert 100 * cop / sheet == pytest.approx(float(_line(table, "where the sheet tells")["% of sheet"]), abs=2.0)
        assert factor * cop / sheet == pytest.approx(0.97, abs=0.05)


def test_without_a_sheet_there_is_nothing_to_hold_it_against() -> None:
    day = worked("two-tank", WINTER)
    machine = day.plant.site.heat_pumps["hp"]
    site = replace(day.plant.site, heat_pumps={"hp": replace(machine, rating=())})
    _, table = _of(replace(day, plant=replace(day.plant, site=site)))
    assert list(table.columns)[-1] == "COP"
    assert "no `rating` in heating" in table.note


def test_a_heat_meter_that_gives_no_temperatures_leaves_the_sheet_unread() -> None:
    _, table = _of(worked("energy-counters", WINTER))
    (row,) = table.rows
    assert row[:2] == ("not measured", "not measured")
    assert "so the maker's sheet cannot be read" in table.note
