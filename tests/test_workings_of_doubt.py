"""
Every ± of a day is worked out again from what is shown: each source of doubt from its own sum, and ± from them all.

The sums' numbers are held against another route where there is one: readings moved by a kelvin, or by a percent, and
the day accounted anew.
"""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import date, timedelta
from functools import cache

import pytest
from uncertainties import ufloat

from analytics.day import account_day, window
from analytics.derived import Derived, derivations_kept, quotient, root_of_squares, stated, within_limits
from analytics.doubt import Doubt, combined
from analytics.figure_paths import figures_by_path
from analytics.figures import Figure
from analytics.period import Span, add_up
from analytics.site import Site
from analytics.trace import Trace, local_day
from analytics.workings.day import WorkedDay, working_of
from analytics.workings.doubts import derivation_of
from analytics.workings.interval import Interval, Source, interval_of
from analytics.workings.period import period_working
from ingest.virtual import SCENARIOS
from tests.accounts import day_traces
from tests.any_house import FIRST_DAYS, any_site, any_traces
from tests.calculator import evaluate, shown_range, typed_in
from tests.test_workings import ALL, SUMMER, WINTER, run_of, worked, wrong_rows


@cache
def recorded(scenario: str, start: date) -> WorkedDay:
    with derivations_kept():
        return worked(scenario, start)


def intervals(day: WorkedDay) -> Iterator[tuple[str, Figure, Interval]]:
    """Of every figure that has one."""
    yield from intervals_of(figures_by_path(day.ledger))


def intervals_of(figures: Mapping[str, Figure]) -> Iterator[tuple[str, Figure, Interval]]:
    for path, figure in figures.items():
        found = interval_of(figure.doubt, figure.unit)
        if found is not None:
            yield path, figure, found


def wrong_sources(found: Interval) -> list[str]:
    """Sources whose sum, typed in as shown, is not what is shown, but for its last digit."""
    wrong = []
    for source in found.sources:
        last_digit = 10.0**-source.u.places
        within = evaluate(source.expression).meets(shown_range(source.u.text))
        if not within or abs(typed_in(source.expression) - float(source.u.text.split(" ")[0])) > last_digit:
            wrong.append(f"{source.name}: {source.expression} = {source.u.text}")
    return wrong


def assert_all_derived(day: WorkedDay) -> int:
    count = 0
    for path, figure, found in intervals(day):
        assert all(source.expression and source.because for source in found.sources), path
        assert wrong_sources(found) == [], path
        for step in (*found.quotients, *found.steps):
            assert evaluate(step.expression).meets(shown_range(step.result.text)), (path, step.text)
        assert found.steps[-1].result.value == pytest.approx(figure.plus_minus)
        assert sum(source.part for source in found.sources) == pytest.approx(1.0, abs=1e-4)
        count += len(found.sources)
    return count


@pytest.mark.parametrize(("scenario", "start"), ALL)
def test_every_source_of_doubt_comes_out_of_a_calculator_and_the_interval_out_of_them(
    scenario: str, start: date
) -> None:
    assert assert_all_derived(recorded(scenario, start)) > 50


@pytest.mark.parametrize(("scenario", "start"), ALL[::3])
def test_figures_and_doubts_are_the_same_to_the_bit_whether_derivations_are_kept_or_not(
    scenario: str, start: date
) -> None:
    kept, plain = (figures_by_path(day.ledger) for day in (recorded(scenario, start), worked(scenario, start)))
    for path, figure in plain.items():
        assert repr(kept[path].value) == repr(figure.value), path
        assert {**kept[path].doubt.steady} == {**figure.doubt.steady}, path
        assert {**kept[path].doubt.passing} == {**figure.doubt.passing}, path
        assert not any(isinstance(u, Derived) for u in {**figure.doubt.steady, **figure.doubt.passing}.values()), path


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_sources_of_a_day_with_gaps_come_out_too(scenario: str) -> None:
    with derivations_kept():
        day = worked(scenario, WINTER, gap_h=(9.0, 11.0))
    assert_all_derived(day)


def without_sensors_in_the_water(site: Site) -> Site:
    assert site.hot_water is not None
    return replace(site, hot_water=replace(site.hot_water, cold=None, hot=None, heated=None, mixed=None, between=()))


def with_one_sensor_a_tank(site: Site) -> Site:
    tanks = {name: replace(tank, temperatures=tank.temperatures[:1]) for name, tank in site.tanks.items()}
    return replace(site, tanks=tanks)


def without_heaters(site: Site) -> Site:
    return replace(site, heaters={})


@pytest.mark.parametrize(
    ("scenario", "change", "source"),
    [
        ("two-tank", without_sensors_in_the_water, "assumed cold water"),
        ("two-tank", without_sensors_in_the_water, "top of solar for its outlet"),
        ("two-tank", with_one_sensor_a_tank, "layers of solar"),
        ("boiler-backup", without_heaters, "assumed efficiency of the boiler"),
    ],
)
def test_what_stands_in_for_a_sensor_comes_out_too(scenario: str, change: Callable[[Site], Site], source: str) -> None:
    run = run_of(scenario, WINTER)
    local = local_day(WINTER + timedelta(days=1), run.site.timezone)
    with derivations_kept():
        result = account_day(change(run.site), day_traces(run.traces, *window(local)), local)
    day = WorkedDay(result.plant, result.ledger, None)
    assert_all_derived(day)
    assert source in {each.name for _, _, found in intervals(day) for each in found.sources}


def test_a_loop_that_is_silent_beside_its_compressor_comes_out_too() -> None:
    run = run_of("heat-pump-tank", WINTER)
    local = local_day(WINTER + timedelta(days=1), run.site.timezone)
    traces = day_traces(run.traces, *window(local))
    (pump,) = run.site.heat_pumps.values()
    loop = run.site.loops[pump.load_loop or pump.source_loop]
    flow = traces[loop.flow or loop.energy or ""]
    noon_ms = local.start_ms + 12 * 3_600_000
    heard = (flow.time_ms < local.start_ms + 5 * 3_600_000) | (flow.time_ms >= noon_ms)
    traces[loop.flow or loop.energy or ""] = Trace(flow.time_ms[heard], flow.value[heard])
    with derivations_kept():
        result = account_day(run.site, traces, local)
    day = WorkedDay(result.plant, result.ledger, None)
    assert_all_derived(day)
    source = source_of(day, f"heat_pumps.{pump.id}.heating.cop", "gaps beside the compressor")
    assert source.expression.startswith("15 % × ")


@pytest.mark.parametrize("seed", [10, 36, 40, 69, 138])  # each of them once showed too few digits, or a wrong sum
def test_of_any_house_every_source_comes_out(seed: int) -> None:
    site = any_site(seed)
    local = local_day(FIRST_DAYS[seed % len(FIRST_DAYS)], site.timezone)
    with derivations_kept():
        result = account_day(site, any_traces(site, local, seed=seed), local)
    day = WorkedDay(result.plant, result.ledger, None)
    assert assert_all_derived(day) > 5
    for path in figures_by_path(day.ledger):
        working = working_of(day, path) if path.endswith((".delivered", "carried_over")) else None
        assert working is None or wrong_rows(working) == [], path


def test_every_number_with_a_name_in_a_sum_is_worked_out_below() -> None:
    """What is shown per kWh, or as energy beside it, is the result of a sum of its own."""
    for path, _, found in intervals(recorded("two-tank", WINTER)):
        told = {step.result.text for step in found.quotients}
        for source in found.sources:
            per_kwh = [part for part in source.expression.split(" × ") if "per kWh" in part]
            assert {part.partition(" + ")[0].partition(" − ")[0] for part in per_kwh} <= told, path


def moved(day: WorkedDay, scenario: str, start: date, *, point: str, by: float = 0.0, times: float = 1.0) -> WorkedDay:
    """The same day with one sensor's readings moved."""
    run = run_of(scenario, start)
    local = local_day(start + timedelta(days=1), run.site.timezone)
    traces = day_traces(run.traces, *window(local))
    trace = traces[point]
    result = account_day(
        run.site, {**traces, point: Trace(trace.time_ms, trace.value * times + by)}, local, state=day.before
    )
    return WorkedDay(result.plant, result.ledger, day.before)


def source_of(day: WorkedDay, path: str, name: str) -> Source:
    figure = figures_by_path(day.ledger)[path]
    found = interval_of(figure.doubt, figure.unit)
    assert found is not None
    return next(source for source in found.sources if source.name == name)


@pytest.mark.parametrize(
    ("path", "point"),
    [
        ("stages.sun.heat", "collector.leaving"),
        ("stages.sun.heat", "collector.entering"),
        ("hot_water.heat", "hot.temp"),
        ("hot_water.heat", "cold.temp"),
        ("tanks.solar.loss", "solar.middle"),
    ],
)
def test_the_number_per_kelvin_is_what_a_figure_moves_by_when_a_sensor_reads_otherwise(path: str, point: str) -> None:
    """By another route than the code: the sensor's readings a tenth of a kelvin higher, and the day accounted anew."""
    day = recorded("two-tank", SUMMER)
    other = moved(day, "two-tank", SUMMER, point=point, by=0.1)
    amounts = re.search(r"([\d.]+) (?:l|kg|h) × ([\d.]+) kWh/\((?:l|kg|h) K\)$", source_of(day, path, point).expression)
    assert amounts
    by_route = (figures_by_path(other.ledger)[path].value - figures_by_path(day.ledger)[path].value) / 0.1
    assert abs(by_route) == pytest.approx(float(amounts[1]) * float(amounts[2]), rel=0.02)


@pytest.mark.parametrize(
    ("path", "point"),
    [("stages.ground.heat", "dsh.flow"), ("heat_pumps.hp.heating.cop", "hp.power"), ("saved.money", "draw.flow")],
)
def test_a_meters_limit_of_one_percent_is_what_a_figure_moves_by_when_it_reads_that_much_more(
    path: str, point: str
) -> None:
    """By another route than the code: the meter's readings one percent higher, and the day accounted anew."""
    day = recorded("two-tank", WINTER)
    other = moved(day, "two-tank", WINTER, point=point, times=1.01)
    source = source_of(day, path, point)
    percent = re.match(r"−?([\d.]+) %", source.expression)
    assert percent
    by_route = figures_by_path(other.ledger)[path].value - figures_by_path(day.ledger)[path].value
    assert abs(by_route) == pytest.approx(source.u.value * 3**0.5 / float(percent[1]), rel=0.02)


def test_what_a_kilowatt_hour_more_makes_of_a_cop_is_that_of_the_uncertainties_package() -> None:
    """uncertainties 3 (E. O. Lebigot): the partial derivatives of heat ÷ electricity."""
    day = recorded("two-tank", WINTER)
    figures = figures_by_path(day.ledger)
    heat, used = (ufloat(figures[f"heat_pumps.hp.heating.{name}"].value, 1.0) for name in ("heat", "electricity"))
    cop = figures["heat_pumps.hp.heating.cop"]
    found = interval_of(cop.doubt, cop.unit)
    assert found is not None
    shown = {step.what.partition(",")[0]: step.result.value for step in found.quotients}
    derivatives = (heat / used).derivatives
    assert shown["What 1 kWh more heat adds to the COP"] == pytest.approx(derivatives[heat], rel=1e-3)
    assert shown["What 1 kWh more electricity takes from the COP"] == pytest.approx(-derivatives[used], rel=1e-3)


def test_a_sum_remembers_its_terms_only_while_they_are_asked_for() -> None:
    """By hand: 0.3 K ÷ √3 × 2 kWh/K = 0.34641 kWh; over 4 kWh it is 0.0866."""
    assert not isinstance(within_limits(stated(0.3, "K")), Derived)
    with derivations_kept():
        heat = Doubt({"top": within_limits(stated(0.3, "K")) * 2.0, "other": 0.0})
        ratio = combined([(quotient(1.0, 4.0, "1 ÷ electricity", units=("1", "kWh")), heat), (0.0, Doubt())])
    found = interval_of(ratio, "1")
    assert found is not None
    (source,) = found.sources
    assert source.expression == "0.3 K ÷ √3 × 2.0000 kWh/K × 0.25 per kWh"
    assert [step.text for step in found.quotients] == ["1 ÷ electricity: 1 ÷ 4 kWh = 0.25 per kWh"]
    assert source.u.text == "0.08660"
    assert isinstance(heat.steady["top"], Derived)
    assert not isinstance(within_limits(stated(0.3, "K")), Derived)


def test_a_counter_that_adds_to_the_backup_and_to_all_heat_takes_the_one_from_the_other() -> None:
    """Of a backup's share; nothing passed at the day's edges, so that of its moments only the whole steps are left."""
    with derivations_kept():
        moments = root_of_squares([(0.0, 12), (0.0139, 6)])
        u = moments * quotient(1.0, 7.1, "more of the backup") - moments * quotient(0.34, 7.1, "more of all heat")
    found = derivation_of(u, "")
    assert found is not None
    assert typed_in(found.expression) == pytest.approx(0.0139 / 6**0.5 * 0.66 / 7.1, rel=1e-3)


def test_the_sum_of_a_source_that_is_wrong_is_found() -> None:
    with derivations_kept():
        doubt = Doubt({"meter": Derived.of(0.2, within_limits(stated(0.02)).terms)})  # type: ignore[attr-defined]
    found = interval_of(doubt, "kWh")
    assert found is not None
    assert wrong_sources(found) == ["meter: 2 % ÷ √3 × 1.0000 kWh = 0.2000 kWh"]


def test_over_days_every_source_that_is_named_has_its_column_or_table() -> None:
    day = worked("two-tank", WINTER)
    ledgers = [replace(day.ledger, day=date(2026, 1, 5) + timedelta(days=n)) for n in range(4)]
    found = add_up(Span(date(2026, 1, 5), date(2026, 1, 8), "four days"), ledgers, backups=["backup"])
    for path, figure, shown in intervals_of(figures_by_path(found.total)):
        working = period_working(found, ledgers, path, backups=["backup"])
        columns = {column for table in working.tables[1:] for column in table.columns[1:]}
        columns |= {table.title.partition("ends: ")[2] for table in working.tables[1:]}
        named = [source for source in shown.sources if not source.expression]
        assert {source.name for source in named} <= columns, path
        assert all("in the table" in source.because for source in named), path
        assert shown.steps[-1].result.value == pytest.approx(figure.plus_minus)
