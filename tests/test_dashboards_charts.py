"""Charts: what they draw is what the ledger and the plant's day say, and what they do not know stays open."""

import json
import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from analytics.figures import DayLedger, Figure, unavailable
from analytics.plant import CELL_S, PlantDay, Signal
from analytics.trace import local_day
from dashboards.charts.around import around_chart
from dashboards.charts.course import gaps_h, last_known
from dashboards.charts.day import day_charts, draws_chart, heat_chart, tanks_chart
from dashboards.charts.evidence import evidence_charts, limits_of
from dashboards.charts.frame import Chart, chart_json, clock_labels, day_axis
from dashboards.charts.history import Span, backup_chart, cop_chart, delivered_chart
from dashboards.charts.month import month_bar
from dashboards.charts.runs import runs_chart, strips_of
from dashboards.colours import origin_paints
from dashboards.numbers import UNKNOWN, Display, display_of
from tests.dashboards_house import DAY, NOW, alert, alert_context, days, house

SHOW = display_of(house())
SI = Display("si", "America/New_York", "USD")
SPAN = Span(DAY - timedelta(days=11), DAY, DAY)


def _plant() -> PlantDay:
    return days()[-2].plant


def _ledgers() -> list[DayLedger]:
    return [result.ledger for result in days()]


def test_stacked_bars_are_the_ledgers_delivered_heat() -> None:
    chart = delivered_chart(house(), _ledgers(), SPAN, display=SHOW)
    assert chart is not None
    by_name = {trace.name: list(trace.y) for trace in chart.figure.data}
    for i, stage in enumerate(house().stages.values()):
        wanted = [ledger.stages[i].delivered.value for ledger in _ledgers()]
        assert by_name[stage.name] == pytest.approx(wanted, abs=0.005)


def test_the_stack_is_as_high_as_the_hot_water_heat() -> None:
    chart = delivered_chart(house(), _ledgers(), SPAN, display=SHOW)
    assert chart is not None
    heights = np.sum([trace.y for trace in chart.figure.data], axis=0)
    assert heights == pytest.approx([ledger.hot_water.heat.value for ledger in _ledgers()], abs=0.02)


def test_an_origin_has_the_same_colour_in_every_chart() -> None:
    paints = origin_paints(house())
    history, month = delivered_chart(house(), _ledgers(), SPAN, display=SHOW), month_bar(house(), _sums(), SHOW)
    today = heat_chart(_plant(), SHOW)
    assert history is not None
    assert month is not None
    assert today is not None
    for stage in house().stages.values():
        bars = [t.marker.color for chart in (history, month) for t in chart.figure.data if t.name == stage.name]
        lines = [t.line.color for t in today.figure.data if t.name == stage.name]
        assert set(bars + lines) == {paints[stage.id].colour}


def _sums() -> dict[str, Figure]:
    ledger = _ledgers()[-2]
    return {line.stage: line.delivered for line in ledger.stages}


def test_a_day_without_a_ledger_is_shaded_and_has_no_bar() -> None:
    kept = [ledger for ledger in _ledgers() if ledger.day != DAY - timedelta(days=3)]
    chart = delivered_chart(house(), kept, SPAN, display=SHOW)
    assert chart is not None
    assert (DAY - timedelta(days=3)).isoformat() not in chart.figure.data[0].x
    assert [shape.x0[:10] for shape in chart.figure.layout.shapes] == [(DAY - timedelta(days=4)).isoformat()]


def test_days_to_come_are_not_called_missing() -> None:
    ahead = Span(SPAN.first, DAY + timedelta(days=10), DAY)
    chart = delivered_chart(house(), _ledgers(), ahead, display=SHOW)
    assert chart is not None
    assert chart.figure.layout.shapes == ()


def test_an_unknown_figure_breaks_the_line_and_is_a_dash_in_the_table() -> None:
    ledgers = _ledgers()
    ledgers[4] = replace(ledgers[4], backup_fraction=unavailable("1", "no stage was metered"))
    chart = backup_chart(ledgers, SPAN, SHOW)
    assert chart is not None
    assert chart.figure.data[0].y[4] is None
    assert chart.figure.data[0].y[5] == pytest.approx(ledgers[5].backup_fraction.value * 100, abs=0.005)
    assert not chart.figure.data[0].connectgaps


def test_whiskers_are_the_figures_intervals() -> None:
    chart = cop_chart(house(), _ledgers(), SPAN, display=SHOW)
    assert chart is not None
    cooling = chart.figure.data[0]
    spreads = [ledger.heat_pumps[0].cooling_cop.plus_minus for ledger in _ledgers()]
    assert cooling.error_y.array == pytest.approx([0.0 if math.isnan(s) else s for s in spreads], abs=0.005)


def test_no_chart_is_drawn_of_what_no_day_knows() -> None:
    lost = unavailable("1", "no meter")
    ledgers = [replace(ledger, backup_fraction=lost) for ledger in _ledgers()]
    assert backup_chart(ledgers, SPAN, SHOW) is None
    assert delivered_chart(house(), [], SPAN, display=SHOW) is None
    assert month_bar(house(), {"sun": unavailable("kWh", "no meter")}, SHOW) is None


def test_the_lines_of_a_day_are_the_plants_courses_in_display_units() -> None:
    plant = _plant()
    chart = tanks_chart(plant, SHOW)
    assert chart is not None
    top = plant.tanks["preheat"].sensors_degc[0]
    assert np.asarray(chart.figure.data[0].y, float) == pytest.approx(top * 9 / 5 + 32, abs=0.006)
    assert len(chart.figure.data[0].y) == plant.day.seconds / CELL_S


def _with_course(signal: Signal, course: np.ndarray) -> Signal:
    """A signal whose readings say what a course does, at the middle of each cell that is known."""
    middle_s = (np.arange(len(course)) + 0.5) * CELL_S
    known = ~np.isnan(course)
    return replace(signal, time_s=middle_s[known], value=course[known], max_gap_s=10 * CELL_S)


def test_a_gap_in_a_course_stays_a_gap() -> None:
    plant = _plant()
    signals = dict(plant.signals)
    for point in ("preheat.top", "preheat.bottom", "solar.top", "solar.middle", "solar.bottom"):
        holed = signals[point].course.copy()
        holed[300:360] = np.nan
        signals[point] = _with_course(signals[point], holed)
    plant = replace(plant, signals=signals)
    chart = tanks_chart(plant, SHOW)
    assert chart is not None
    assert set(chart.figure.data[0].y[300:360]) == {None}
    assert [(s.x0, s.x1) for s in chart.figure.layout.shapes] == [(5.0, 6.0)]
    assert chart.table.rows[5][1:] == [UNKNOWN] * 5


def test_gaps_count_only_up_to_now_and_from_a_quarter_of_an_hour_on() -> None:
    course = np.full(60, 1.0)
    course[5:15], course[30:45] = np.nan, np.nan
    assert gaps_h([course], 3600.0) == [(0.5, 0.75)]
    assert gaps_h([course], 2400.0) == []
    assert math.isnan(last_known(np.full(3, np.nan)))


# The clocks of New York go forward on 8 March 2026 and back on 1 November 2026 (tz database).
@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 8), 23), (date(2026, 3, 9), 24), (date(2026, 11, 1), 25)])
def test_the_axis_is_as_long_as_the_day_and_labelled_with_local_time(day: date, hours: int) -> None:
    local = local_day(day, "America/New_York")
    axis = day_axis([local], SI)
    assert axis["range"] == [0, hours]
    noon = dict(zip(axis["ticktext"], axis["tickvals"], strict=True))["12:00"]
    assert noon == 12 + (hours - 24)
    assert len(clock_labels([local], SI)) == hours * 60
    assert clock_labels([local], SI)[-1] == "23:59"


def test_a_key_tells_the_present_value_only_on_a_day_in_progress() -> None:
    past, today = (tanks_chart(result.plant, SHOW) for result in days()[-2:])
    assert past is not None
    assert today is not None
    assert {key.value for key in past.keys} == {""}
    assert all(key.value.endswith("°F") for key in today.keys)


def test_run_time_is_the_sum_of_the_runs() -> None:
    plant = _plant()
    strips = {strip.label: strip for strip in strips_of(plant)}
    assert strips["Ground loop pump"].run_s == np.nansum(plant.loops["ground"].pump_on > 0.5) * CELL_S
    assert len(strips["Ground loop pump"].runs) == 4


def test_draws_are_told_as_the_ledger_tells_them() -> None:
    chart = draws_chart(_plant(), SI)
    assert chart is not None
    assert chart.summary.startswith(f"{len(_plant().hot_water.draws)} draws, ")
    # A flow given as the mean of the minute that ends at its time began to flow a minute before its first reading.
    assert [row[0] for row in chart.table.rows] == ["06:59", "07:29", "12:29", "17:59"]


def test_every_chart_has_words_and_a_table_twin() -> None:
    charts = [*day_charts(_plant(), SHOW), *evidence_charts(alert_context(), SHOW)]
    assert len(charts) >= 12
    for chart in charts:
        assert chart.title.endswith("?")
        assert chart.summary
        assert all(len(row) == len(chart.table.header) for row in chart.table.rows)
        assert chart.table.rows


def test_ids_of_charts_are_unique_on_a_page() -> None:
    charts = day_charts(_plant(), SHOW)
    history = [delivered_chart(house(), _ledgers(), SPAN, display=SHOW), backup_chart(_ledgers(), SPAN, SHOW)]
    ids = [chart.id for chart in (*charts, *history) if chart is not None]
    assert len(set(ids)) == len(ids)


def test_json_of_a_chart_cannot_end_its_script() -> None:
    chart = delivered_chart(house(), _ledgers(), SPAN, display=SHOW)
    assert chart is not None
    chart.figure.data[0].name = "</script><b>&"
    text = chart_json(chart)
    assert "<" not in text
    assert json.loads(text)["data"][0]["name"] == "</script><b>&"


def test_limits_of_the_evidence_are_drawn_in_the_panel_of_their_unit() -> None:
    charts = {chart.title: chart for chart in evidence_charts(alert_context(), SI)}
    flow = charts["Did anything flow in the collector loop?"]
    assert [s.y0 for s in flow.figure.layout.shapes if s.y0 == s.y1] == [1.0]
    warmth = charts["How warm was the collector loop, and the tank?"]
    assert [s for s in warmth.figure.layout.shapes if s.y0 == s.y1] == []


def test_labels_of_limits_that_lie_close_together_stand_apart() -> None:
    hot = alert(component="", evidence={"any_limit_degc": 53.2, "sustained_limit_degc": 52.2})
    warmth = evidence_charts(alert_context(alert=hot), SI)[0]
    assert {a.text: a.yanchor for a in warmth.figure.layout.annotations if "limit" in (a.text or "")} == {
        "limit for any draw": "bottom",
        "limit for a draw that lasts": "top",
    }


def test_only_finite_limits_of_the_right_unit_count() -> None:
    evidence = {"flow_limit_l_min": 1.0, "any_limit_degc": 52, "limit_w": math.nan, "flow_l_min": 3.0, "limit": "x"}
    assert limits_of(evidence, "l/min") == {"flow_limit_l_min": 1.0}
    assert limits_of(evidence, "degC") == {"any_limit_degc": 52.0}
    assert limits_of(evidence, "W") == {}


def test_the_time_of_the_alert_is_shaded_from_its_beginning() -> None:
    chart = evidence_charts(alert_context(), SI)[0]
    shade = next(s for s in chart.figure.layout.shapes if s.type == "rect")
    assert shade.x0 == 24 + 9  # began at 9:00 local; the axis opens with the day before
    assert shade.x1 == chart.figure.layout.xaxis.range[1]


def test_a_panel_says_of_how_much_of_a_long_alert_it_speaks() -> None:
    short, long = (evidence_charts(alert_context(now=NOW + later), SI)[0] for later in (timedelta(), timedelta(days=4)))
    assert short.summary.startswith("While it lasted: ")
    assert short.summary.removeprefix("While it lasted") == long.summary.removeprefix("In its first 15 h")


def test_the_last_reading_before_a_silence_is_not_what_went_on() -> None:
    day = days()[-1].plant
    began = datetime.fromtimestamp(day.day.start_ms / 1000, UTC) + timedelta(hours=9)
    silent = alert(kind="site-silent", component="mill-lane-7", began=began)
    charts = evidence_charts(alert_context(alert=silent, plants=[_cut_short(day, 9 * 60 + 1)]), SI)
    assert [chart.summary for chart in charts] == ["While it lasted, none of these was known."] * len(charts)
    assert charts


def _cut_short(plant: PlantDay, cells: int) -> PlantDay:
    """The plant of a day after so many cells of which nothing more was heard."""
    water = plant.hot_water
    assert water is not None
    sensors = {}
    for place, signal in water.sensors.items():
        heard = signal.time_s < cells * CELL_S
        sensors[place] = replace(signal, time_s=signal.time_s[heard], value=signal.value[heard])
    flow = np.where(np.arange(len(water.flow_m3_s)) < cells, water.flow_m3_s, np.nan)
    return replace(plant, hot_water=replace(water, flow_m3_s=flow, sensors=sensors))


@pytest.mark.parametrize("component", ["sun", "element", "hp", "solar", "hot.temp", "", "no-such-thing"])
def test_evidence_is_drawn_for_every_kind_of_component(component: str) -> None:
    context = alert_context(alert=alert(component=component))
    charts = evidence_charts(context, SHOW)
    assert charts
    assert all(len(chart.figure.data) for chart in charts)


def test_an_alert_without_readings_draws_nothing() -> None:
    assert evidence_charts(alert_context(plants=[]), SHOW) == []
    assert around_chart(alert_context(ledgers=[]), SHOW) is None


def test_a_house_that_fell_silent_is_shown_no_energy_of_that_time() -> None:
    assert around_chart(alert_context(alert=alert(kind="site-silent", component="")), SHOW) is None


def test_before_and_after_shows_the_stage_that_the_alert_is_about() -> None:
    chart = around_chart(alert_context(), SHOW)
    assert isinstance(chart, Chart)
    sun = [next(s.heat.value for s in ledger.stages if s.stage == "sun") for ledger in _ledgers()]
    assert list(chart.figure.data[0].y) == pytest.approx(sun, abs=0.005)
    assert "while it lasted" in chart.summary


def test_a_day_without_an_account_breaks_the_line_of_the_days_around_it() -> None:
    ledgers = _ledgers()
    chart = backup_chart([*ledgers[:3], *ledgers[4:]], SPAN, SHOW)
    assert chart is not None
    line = dict(zip(chart.figure.data[0].x, chart.figure.data[0].y, strict=True))
    assert line[ledgers[3].day.isoformat()] is None
    assert line[ledgers[2].day.isoformat()] is not None


def test_each_machines_runs_lie_in_its_own_row_below_its_name() -> None:
    chart = runs_chart(_plant(), SHOW)
    assert chart is not None
    # Bars of several traces step aside for one another unless they may lie over each other.
    assert chart.figure.layout.barmode == "overlay"
    names = {note.text: note.y for note in chart.figure.layout.annotations}
    for bar in chart.figure.data:
        assert all(row - bar.width / 2 - 0.1 < names[bar.name] < row for row in bar.y)


def test_one_day_is_a_day_and_not_days() -> None:
    chart = delivered_chart(house(), _ledgers()[-2:-1], SPAN, display=SHOW)
    assert chart is not None
    assert " over 1 day: " in chart.summary
