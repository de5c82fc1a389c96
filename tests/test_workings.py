"""
Every figure of a day is worked out again from what is shown, by a calculator that knows nothing of the program.

The layouts are the virtual houses'; what is shown is taken as rounded as it is (`tests.calculator`). Check values by
hand stand beside their checks.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import date, timedelta
from functools import cache
from math import isnan

import numpy as np
import pytest

from analytics.day import account_day, window
from analytics.doubt import Doubt
from analytics.figure_paths import figures_by_path
from analytics.period import Span, add_up
from analytics.plant import MOVES_M3_S
from analytics.site import TariffBand
from analytics.trace import Trace, local_day
from analytics.workings.day import WorkedDay, working_of
from analytics.workings.interval import interval_of
from analytics.workings.period import period_working
from analytics.workings.written import Step, Table, Working, kwh
from ingest.virtual import SCENARIOS, VirtualRun, simulate
from tests.accounts import day_traces
from tests.calculator import Range, evaluate, numbers_in, shown_range

WINTER, SUMMER = date(2026, 1, 14), date(2026, 7, 8)
SPRING, AUTUMN = date(2026, 3, 8), date(2026, 11, 1)  # clocks change in New York: 23 h and 25 h
# Conversions and the constants of k (`analytics.doubt`), which a reader need not be told where they come from.
PLAIN = {"3600", "1000", "60", "1.2", "1.960", "0.0692", "0.2764"}
# In the columns of the layers' tables: what is not an origin's.
NOT_ORIGINS = {"°C", "main °C", "kg", "all kWh", "all kg K"}


@cache
def run_of(scenario: str, start: date) -> VirtualRun:
    return simulate(SCENARIOS[scenario], start=start, days=2, seed=3)


def without(traces: Mapping[str, Trace], first_ms: int, last_ms: int) -> dict[str, Trace]:
    """The same with nothing read in between."""
    kept = {point: (t.time_ms < first_ms) | (t.time_ms >= last_ms) for point, t in traces.items()}
    return {point: Trace(t.time_ms[kept[point]], t.value[kept[point]]) for point, t in traces.items()}


def worked(scenario: str, start: date, *, gap_h: tuple[float, float] | None = None, until_h: float = 0.0) -> WorkedDay:
    """The second of two days, with the state that the first left; readings may fail for some hours of it."""
    run = run_of(scenario, start)
    first, second = (local_day(start + timedelta(days=n), run.site.timezone) for n in range(2))
    left = account_day(run.site, day_traces(run.traces, *window(first)), first).state
    traces: Mapping[str, Trace] = day_traces(run.traces, *window(second))
    if gap_h is not None:
        traces = without(traces, *(second.start_ms + round(hour * 3.6e6) for hour in gap_h))
    until_ms = second.start_ms + round(until_h * 3.6e6) if until_h else None
    if until_ms is not None:
        traces = without(traces, until_ms, second.end_ms + 10**8)
    result = account_day(run.site, traces, second, state=left, until_ms=until_ms)
    return WorkedDay(result.plant, result.ledger, left)


def workings(day: WorkedDay) -> Iterator[tuple[str, Working]]:
    """Of every figure that is known."""
    for path, figure in figures_by_path(day.ledger).items():
        if not isnan(figure.value):
            working = working_of(day, path)
            assert working is not None
            assert working.steps, path
            yield path, working


def close(value: Range, shown: str) -> bool:
    """Whether a sum comes to what is shown, and rounding leaves it no more than a percent, or 15 Wh, of room."""
    return value.meets(shown_range(shown)) and value.width <= 0.01 * abs(value.high) + 0.015


def exact_of(working: Working) -> set[str]:
    return {number.text.split(" ")[0] for number in working.inputs if number.is_exact}


def wrong_sums(working: Working) -> list[str]:
    exact = exact_of(working)
    return [s.text for s in working.steps if not close(evaluate(s.expression, exact=exact), s.result.text)]


def untold(working: Working) -> list[str]:
    """Numbers in sums that stand neither among the inputs, nor in a table, nor came out of a sum before."""
    known = PLAIN | {number.text.split(" ")[0].lstrip("−") for number in working.inputs}
    known |= {cell.lstrip("−") for table in working.tables for row in table.rows for cell in row}
    found = []
    for step in working.steps:
        if step.expression != step.result.text:
            found += [f"{number} in {step.text}" for number in numbers_in(step.expression) if number not in known]
        known.add(step.result.text.split(" ")[0].lstrip("−"))
    return found


ALL = [(scenario, start) for scenario in SCENARIOS for start in (WINTER, SUMMER)]


@pytest.mark.parametrize(("scenario", "start"), ALL)
def test_every_figure_comes_out_of_a_calculator_that_is_given_what_is_shown(scenario: str, start: date) -> None:
    day = worked(scenario, start)
    figures = figures_by_path(day.ledger)
    assert_all_right(day)
    assert len(list(workings(day))) == sum(not isnan(figure.value) for figure in figures.values())


def assert_all_right(day: WorkedDay) -> None:
    figures = figures_by_path(day.ledger)
    for path, working in workings(day):
        assert wrong_sums(working) == [], path
        assert working.value == pytest.approx(figures[path].value, rel=1e-6, abs=1e-6), path
        assert wrong_rows(working) == [], path


@pytest.mark.parametrize(("scenario", "start"), ALL)
def test_no_number_in_a_sum_falls_from_the_sky(scenario: str, start: date) -> None:
    assert {path: found for path, working in workings(worked(scenario, start)) if (found := untold(working))} == {}


def wrong_rows(working: Working) -> list[str]:
    return [f"{table.title}: {row}" for table in working.tables for row in table.rows if not _row_holds(table, row)]


def _row_holds(table: Table, row: object) -> bool:
    assert isinstance(row, list | tuple)
    rule = next((rule for title, rule in ROWS.items() if table.title.startswith(title)), None)
    if rule is None or "—" in row:
        return rule is not None
    told = zip(table.columns[1:], row[1:], strict=True)
    cells = {column: shown_range(cell) for column, cell in told if re.search(r"\d", cell)}
    wanted = rule(cells)
    return wanted is None or wanted[0].meets(wanted[1])


def _heat(c: dict[str, Range]) -> tuple[Range, Range]:
    return c["kg"] * c["kJ/(kg K)"] * (c["hot °C"] + -c["cold °C"]) / Range(3600, 3600), c["kWh"]


def _layer(c: dict[str, Range]) -> tuple[Range, Range]:
    rise = c["end °C"] + -c["start °C"]
    return c["l"] * c["kg/l"] * c["kJ/(kg K)"] * rise / Range(3600, 3600), c["kWh"]


def _tank(c: dict[str, Range]) -> tuple[Range, Range]:
    came = c["at the start"] + c["put in"] + c["came with the water"]
    return came + -c["passed on"] + -c["lost"], c["at the end"]


def _run(c: dict[str, Range]) -> tuple[Range, Range] | None:
    if "useful kWh" in c:
        names = [name for name in c if name != "useful kWh"]
        cooling = "source kWh" in names and "desuperheater kWh" in names
        total = Range(0.0, 0.0)
        for name in names:
            total = total + (-c[name] if cooling and name == "compressor kWh" else c[name])
        return total, c["useful kWh"]
    if "mean W" in c and c["min"].high > 0:
        return c["min"] * c["mean W"] / Range(60_000, 60_000), c["kWh"]
    return None


def _quarter(c: dict[str, Range]) -> tuple[Range, Range]:
    return c["kWh in all"] * c["share"], c["kWh"]


def _layer_by_origin(c: dict[str, Range]) -> tuple[Range, Range]:
    return _sum_of(c, [name for name in c if name != "°C"]), c["°C"]


def _left(c: dict[str, Range]) -> tuple[Range, Range]:
    return _sum_of(c, [name for name in c if name not in NOT_ORIGINS]), c["all kWh"]


def _sum_of(c: dict[str, Range], names: list[str]) -> Range:
    total = Range(0.0, 0.0)
    for name in names:
        total = total + c[name]
    return total


def _taken(c: dict[str, Range]) -> tuple[Range, Range]:
    if "mean" in c:
        return (c["before"] + c["after"]) / Range(2, 2), c["mean"]
    mine = next(name for name in c if name.endswith(" kg K") and name not in NOT_ORIGINS)
    return c["kg"] * c[mine.replace(" kg K", " K")], c[mine]


def _draw(c: dict[str, Range]) -> tuple[Range, Range] | None:
    return _heat(c) if "kg" in c else None


def _by_temperatures(c: dict[str, Range]) -> tuple[Range, Range] | None:
    is_enough = c["kWh electricity"].low > 0.0
    return (c["kWh useful"] / c["kWh electricity"], c["COP"]) if is_enough else None


ROWS = {
    "By temperatures": _by_temperatures,
    "Draws": _draw,
    "Layers of": _layer,
    "Heat in ": _tank,
    "Layers by origin": _layer_by_origin,
    "Water that left": _left,
    "What the largest draw": _taken,
    "Runs of": _run,
    "Quarters": _quarter,
}


@pytest.mark.parametrize(("start", "hours"), [(SPRING, 23), (AUTUMN, 25)])
def test_days_on_which_the_clock_changes_are_worked_out_whole(start: date, hours: int) -> None:
    day = worked("two-tank", start - timedelta(days=1))
    assert day.plant.day.seconds == hours * 3600
    assert_all_right(day)
    loss = working_of(day, "tanks.solar.loss")
    assert loss is not None
    assert loss.inputs[-1].text == f"{hours}.000 h"


def test_a_day_in_progress_is_worked_out_up_to_now() -> None:
    day = worked("two-tank", WINTER, until_h=15.5)
    assert_all_right(day)
    stored = working_of(day, "tanks.solar.stored_change")
    assert stored is not None
    assert stored.tables[0].title.endswith("00:00 to 15:30")


@pytest.mark.parametrize("scenario", ["two-tank", "boiler-backup", "energy-counters"])
def test_time_without_readings_is_told_with_what_was_done_about_it(scenario: str) -> None:
    day = worked(scenario, WINTER, gap_h=(9.0, 11.0))
    assert_all_right(day)
    told = dict(workings(day))
    stage = next(path for path in told if path.startswith("stages.") and path.endswith(".heat"))
    counts = scenario == "energy-counters"
    said = "The counter went on counting" if counts else "Nothing is filled in for that time"
    assert any(remark.startswith("For 2.0") and said in remark for remark in told[stage].remarks), told[stage].remarks


def test_a_short_gap_is_bridged_and_how_much_lies_in_it_is_said() -> None:
    run = run_of("two-tank", SUMMER)
    day = worked("two-tank", SUMMER)
    sunny_h = float(np.nanargmax(day.plant.loops["collector"].heat_w)) / 60.0
    bridged = worked("two-tank", SUMMER, gap_h=(sunny_h - 0.05, sunny_h + 0.1))
    assert_all_right(bridged)
    working = working_of(bridged, "stages.sun.heat")
    assert working is not None
    assert run.site.points["collector.flow"].interval_s * 5 >= 0.15 * 3600 / 2
    assert any("between readings that came late" in remark for remark in working.remarks)


def test_a_pump_that_only_a_flow_meter_tells_of_is_worked_out_by_the_time_of_flow() -> None:
    run = run_of("two-tank", WINTER)
    watched = run.site.loops["desuperheater"]
    site = replace(run.site, loops={**run.site.loops, watched.id: replace(watched, pump=None, pump_power_w=60.0)})
    day = local_day(WINTER, site.timezone)
    result = account_day(site, day_traces(run.traces, *window(day)), day)
    assert_all_right(WorkedDay(result.plant, result.ledger, None))
    ran_s = float(np.sum(result.plant.loops[watched.id].flow_m3_s > MOVES_M3_S)) * 60.0
    assert ran_s > 3600
    assert result.plant.loops[watched.id].pump_elec.amount == pytest.approx(60.0 * ran_s, rel=0.05)


def test_a_cooling_days_useful_cooling_is_what_was_rejected_less_the_electricity() -> None:
    """By the contract: heat rejected to the source + desuperheater heat − compressor energy."""
    day = worked("two-tank", SUMMER)
    working = working_of(day, "heat_pumps.hp.cooling.cooling")
    assert working is not None
    rejected, taken, used = (number.value for number in working.inputs[-3:])
    assert rejected + taken - used == pytest.approx(day.ledger.heat_pumps[0].cooling.value)
    assert rejected > used > 0.0


@pytest.mark.parametrize("standby_w", [None, 60.0])
def test_prices_by_the_hour_are_shown_price_by_price(standby_w: float | None) -> None:
    """By hand: what was bought in each band times its price, less what the baseline would have bought in it."""
    run = run_of("two-tank", WINTER)
    bands = [
        TariffBand(from_minute=7 * 60, to_minute=21 * 60, per_kwh=0.32),
        TariffBand(from_minute=21 * 60, to_minute=7 * 60, per_kwh=0.12),
    ]
    baseline = replace(run.site.baseline, efficiency=0.95, standby_w=standby_w)
    site = replace(run.site, prices=replace(run.site.prices, electricity_per_kwh=bands), baseline=baseline)
    local = local_day(WINTER, site.timezone)
    result = account_day(site, day_traces(run.traces, *window(local)), local)
    working = working_of(WorkedDay(result.plant, result.ledger, None), "saved.money")
    assert working is not None
    assert wrong_sums(working) == []
    assert untold(working) == []
    bought = next(step for step in working.steps if step.what == "What was bought")
    assert re.findall(r"× (\d\.\d+) ", bought.expression) == ["0.12", "0.32"]
    assert working.value == pytest.approx(result.ledger.saved.money.value)


def test_an_interval_of_one_source_is_1_645_of_its_standard_uncertainty() -> None:
    """JCGM 100, G.2: 95 % of a rectangular distribution lies within 0.95 √3 = 1.645 standard uncertainties."""
    found = interval_of(Doubt({"meter": 0.3 / 3**0.5}), "kWh")
    assert found is not None
    assert found.steps[2].result.value == pytest.approx(0.95 * 3**0.5, abs=1e-3)
    assert found.steps[-1].result.value == pytest.approx(0.95 * 0.3, abs=1e-4)


def test_a_period_adds_its_days_and_names_those_that_are_not_known() -> None:
    day = worked("two-tank", WINTER)
    ledgers = [replace(day.ledger, day=date(2026, 1, 5) + timedelta(days=n)) for n in (0, 1, 3)]
    found = add_up(Span(date(2026, 1, 5), date(2026, 1, 8), "four days"), ledgers, backups=["backup"])
    for path, figure in figures_by_path(found.total).items():
        working = period_working(found, ledgers, path, backups=["backup"])
        assert any("2026-01-07" in remark for remark in working.remarks), path
        if isnan(figure.value):
            assert working.steps == ()
            continue
        assert wrong_sums(working) == [], path
        assert untold(working) == [], path
        assert working.value == pytest.approx(figure.value, rel=1e-9), path
        assert carried_wrongly(working, figure.doubt) == [], path


def carried_wrongly(working: Working, doubt: Doubt) -> list[str]:
    """Sources of which the column's sum, or the root of its squares, is not what is carried."""
    found = []
    for table in working.tables[1:]:
        if table.title.startswith(_AT_ENDS):
            found += _left_wrongly(table)
            continue
        for column, source in enumerate(table.columns[1:], start=1):
            cells = [shown_range(row[column]) for row in table.rows]
            total = Range(0.0, 0.0)
            for cell in cells[:-1]:
                total = total + (cell if source in doubt.steady else cell * cell)
            if source not in doubt.steady:
                total = total.root()
                total, cells[-1] = total, shown_range(table.rows[-1][column].lstrip("−"))
            if not total.meets(cells[-1]):
                found.append(source)
    return found


_AT_ENDS = "Standard uncertainty at the days' ends: "


def _left_wrongly(table: Table) -> list[str]:
    """The source, if what is left of runs of days is not made of their ends, or what is carried not of that."""
    squares, wrong = Range(0.0, 0.0), []
    for first, last, apart, left in ([shown_range(cell) for cell in row[1:]] for row in table.rows[:-1]):
        made = ((first * first + last * last) / Range(2.0, 2.0) * apart).root()
        wrong += [] if made.meets(left) else [table.title]
        squares = squares + left * left
    return wrong if squares.root().meets(shown_range(table.rows[-1][-1])) else [table.title]


def test_a_long_period_is_shown_by_months() -> None:
    day = worked("two-tank", WINTER)
    ledgers = [replace(day.ledger, day=date(2026, 1, 1) + timedelta(days=n)) for n in range(90)]
    found = add_up(Span(date(2026, 1, 1), date(2026, 3, 31), "a winter"), ledgers, backups=["backup"])
    working = period_working(found, ledgers, "hot_water.heat", backups=["backup"])
    assert [row[0] for row in working.tables[0].rows] == ["2026-01", "2026-02", "2026-03", "together"]
    assert wrong_sums(working) == []
    assert carried_wrongly(working, figures_by_path(found.total)["hot_water.heat"].doubt) == []
    path = "tanks.solar.stored_change"
    stored = period_working(found, ledgers, path, backups=["backup"])
    assert [row[0] for table in stored.tables if table.title.startswith(_AT_ENDS) for row in table.rows] != []
    assert carried_wrongly(stored, figures_by_path(found.total)[path].doubt) == []


def test_a_day_worked_out_changes_nothing_in_it() -> None:
    day = worked("two-tank", WINTER)
    before = {path: figure.value for path, figure in figures_by_path(day.ledger).items()}
    list(workings(day))
    assert {path: figure.value for path, figure in figures_by_path(day.ledger).items()} == pytest.approx(
        before, nan_ok=True, rel=0, abs=0
    )


@pytest.mark.parametrize(
    ("expression", "low", "high"),
    [
        ("1842.3 l × 0.98840 kg/l × 4.1800 kJ/(kg K) × 7.420 K ÷ 3600 kJ/kWh", 15.68, 15.70),  # by hand: 15.688
        ("√(0.30² + 0.40²)", 0.49, 0.51),  # 3, 4, 5
        ("2.00 kWh − 0.50 kWh × 2.0 + (−1.00 K)", -0.2, 0.2),
    ],
)
def test_the_calculator_itself_calculates(expression: str, low: float, high: float) -> None:
    found = evaluate(expression)
    assert low <= found.low <= found.high <= high


def test_the_calculator_finds_a_sum_that_is_wrong() -> None:
    assert not close(evaluate("2.000 kWh + 2.000 kWh"), "4.002 kWh")
    assert wrong_sums(Working("x", steps=[Step("s", "1.000 kWh × 2.00", kwh(2.1))])) != []
