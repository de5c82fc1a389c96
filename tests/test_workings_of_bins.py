"""A COP by the temperatures that the machine worked between: rows add up, and the sheet is read as by hand."""

from dataclasses import replace
from datetime import date

import pytest

from analytics.workings.day import WorkedDay, working_of
from analytics.workings.written import Table, Working
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
    part = 100 * float(line["kWh useful"]) / float(line["kWh electricity"]) / by_hand
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
