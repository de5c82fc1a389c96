"""
Heat by origin is followed with what is shown: each tank's account closes, its layers add up, and the largest draw's
share is that of the layers it took.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from analytics.day import account_day, window
from analytics.figure_paths import figures_by_path
from analytics.layers import LAYERS
from analytics.trace import local_day
from analytics.workings.day import WorkedDay, working_of
from analytics.workings.layers import taken
from analytics.workings.origins import follow_origins
from analytics.workings.written import Table, Working
from tests.accounts import day_traces
from tests.calculator import Range, evaluate, shown_range
from tests.test_workings import ALL, SUMMER, WINTER, run_of, untold, worked, wrong_rows, wrong_sums


def delivered(day: WorkedDay) -> Iterator[tuple[str, Working]]:
    """The workings of heat at the taps by origin."""
    for path, figure in figures_by_path(day.ledger).items():
        is_of_origin = path.endswith(".delivered") or path == "hot_water.carried_over"
        if is_of_origin and figure.value > 0.0:
            working = working_of(day, path)
            assert working is not None
            if working.tables:  # a heater in passing gives nothing to a tank
                yield path, working


def tables(working: Working, title: str) -> list[Table]:
    return [table for table in working.tables if table.title.startswith(title)]


def column(table: Table, name: str) -> list[str]:
    return [row[list(table.columns).index(name)] for row in table.rows]


def total(cells: list[str]) -> Range:
    found = Range(0.0, 0.0)
    for cell in cells:
        found = found + shown_range(cell)
    return found


@pytest.mark.parametrize(("scenario", "start"), ALL)
def test_the_columns_of_every_table_add_up_to_their_last_row(scenario: str, start: date) -> None:
    for path, working in delivered(worked(scenario, start)):
        added_up = [t for t in working.tables if t.rows[-1][0] in ("together", "sum")]
        assert len(added_up) >= 5, path
        for table in added_up:
            for name in table.columns[1:]:
                cells = column(table, name)
                assert cells[-1] == "—" or total(cells[:-1]).meets(slack(shown_range(cells[-1]))), (path, table.title)


def slack(shown: Range) -> Range:
    """What is too little to be shown at all, in a layer or of an origin, is not in the rows."""
    return Range(shown.low - 0.002, shown.high + 0.002)


@pytest.mark.parametrize(("scenario", "start"), ALL)
def test_what_a_tank_passed_on_is_what_its_water_carried_quarter_by_quarter(scenario: str, start: date) -> None:
    for path, working in delivered(worked(scenario, start)):
        for account in tables(working, "Heat in "):
            tank = account.title.removeprefix("Heat in ").partition(" by ")[0]
            (left,) = tables(working, f"Water that left {tank},")
            passed = {row[0]: shown_range(row[4]) for row in account.rows}
            for name in left.columns[2:]:
                origin = "together" if name == "all kWh" else name.removesuffix(" kWh")
                if origin in passed:
                    assert shown_range(column(left, name)[-1]).meets(passed[origin]), (path, tank, origin)


@pytest.mark.parametrize(("scenario", "start"), ALL)
def test_the_largest_draws_share_is_that_of_the_layers_that_it_took(scenario: str, start: date) -> None:
    """Two routes: the layers' parts here, the account's own columns in the table of quarters."""
    for path, working in delivered(worked(scenario, start)):
        (quarters,), (draw,) = tables(working, "Quarters"), tables(working, "What the largest draw")
        (step,) = [step for step in working.steps if step.what.startswith("Share of ")]
        largest = max(quarters.rows[:12], key=lambda row: float(row[1]) if "smaller" not in row[0] else 0.0)
        assert f"from {largest[0]}," in draw.title
        assert evaluate(step.expression).meets(shown_range(largest[2])), path


@pytest.mark.parametrize("scenario", ["two-tank", "heat-pump-tank", "boiler-backup"])
def test_what_is_taken_of_each_layer_makes_up_what_left(scenario: str) -> None:
    """Over every quarter with a draw: the layers told apart, times what they held, are the account's own sum."""
    day = worked(scenario, WINTER)
    followed = follow_origins(day.plant, day.before)
    for tank, course in followed.layered.items():
        for step in np.flatnonzero(followed.moved.kg > 0):
            found = taken(course, int(step))
            assert found.kg.sum() == pytest.approx(followed.moved.kg[step], rel=1e-9), tank
            assert found.kg @ found.layers == pytest.approx(course.course.leaving[step] * course.layer_kg, rel=1e-8)
            assert len(found.layers) == LAYERS + 1


def test_a_mixed_store_shows_the_mix_before_and_after_its_largest_draw() -> None:
    run = run_of("solar-one-tank", SUMMER)
    (tank,) = run.site.tanks.values()
    site = replace(run.site, tanks={tank.id: replace(tank, temperatures=tank.temperatures[:1])})
    local = local_day(SUMMER + timedelta(days=1), site.timezone)
    result = account_day(site, day_traces(run.traces, *window(local)), local)
    day = WorkedDay(result.plant, result.ledger, None)
    for path, working in delivered(day):
        assert tables(working, "Layers by origin") == [], path
        (mix,) = tables(working, "What the largest draw")
        assert mix.columns == ("Origin", "before", "after", "mean")
        assert (wrong_sums(working), wrong_rows(working), untold(working)) == ([], [], []), path
