"""Given beside expected, day by day, with the deviations added up below."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import plotly.graph_objects as go

from analytics.expected.stages import Expectation
from analytics.expected.watching import SCHEME, Judged
from analytics.figures import Figure
from analytics.site import Site
from dashboards.charts.frame import Chart, Key, Table, days_axis, frame, plain, unit_note, value_axis
from dashboards.charts.history import Span
from dashboards.colours import GRID, OKABE_ITO, QUIET, Line
from dashboards.expected_words import cusum_sentence, drivers_sentence, fit_sentences, part_name, state_sentence
from dashboards.numbers import Display, show_day, show_figure, show_number, to_display, unit_name

__all__ = ["ExpectedChart", "expected_charts", "is_drawn"]

_STRIP_TOP = 0.27  # the strip of what is added up takes the lowest quarter of the panel
_GIVEN = Line(OKABE_ITO["blue"], "solid")
_EXPECTED = Line(OKABE_ITO["black"], "dash")
_LESS = Line(OKABE_ITO["vermillion"], "solid")
_MORE = Line(OKABE_ITO["bluish green"], "dot")


@dataclass(frozen=True, slots=True)
class ExpectedChart:
    """A part's chart, and how its expectation is known, in sentences."""

    chart: Chart
    how: Sequence[str]


def expected_charts(
    site: Site, expected: Sequence[Expectation], span: Span, *, display: Display
) -> list[ExpectedChart]:
    """A chart for each part of which something was expected on these days; those that shifted first."""
    drawn = sorted((each for each in expected if is_drawn(each, span)), key=lambda each: not each.watched.out)
    return [
        ExpectedChart(
            _chart(site, each, span, days=_within(each, span), display=display),
            (drivers_sentence(each.subject), *fit_sentences(each, display), cusum_sentence()),
        )
        for each in drawn
    ]


def is_drawn(found: Expectation, span: Span) -> bool:
    """Whether anything was expected of a part on these days."""
    return any(np.isfinite(found.days[place].expected) for place in _within(found, span))


def _within(found: Expectation, span: Span) -> list[int]:
    return [place for place, day in enumerate(found.days) if span.first <= day.day <= span.last]


def _chart(site: Site, found: Expectation, span: Span, *, days: Sequence[int], display: Display) -> Chart:
    name = part_name(site, found.subject)
    ending = {"cop": "be", "entering": "be", "fall": "be"}.get(found.subject.quantity, "have given")
    return Chart(
        id=f"expected-{found.subject.component}-{found.subject.quantity}",
        title=f"{name}: what should it {ending}?",
        summary=state_sentence(site, found, display),
        figure=_figure(found, span, days=days, display=display),
        keys=[
            Key("Given" if ending == "have given" else "Measured", _GIVEN),
            Key("Expected, with its 95 % interval", _EXPECTED),
            Key("Too little, added up", _LESS),
            Key("Too much, added up", _MORE),
        ],
        table=_table(found, days, display),
    )


def _figure(found: Expectation, span: Span, *, days: Sequence[int], display: Display) -> go.Figure:
    unit = found.subject.unit
    judged, shown = [found.days[place] for place in days], display
    x = [day.day.isoformat() for day in judged]
    value, expected, half = _columns(judged, unit, shown)
    axis = days_axis(span.first, span.last, display) | {"anchor": "y2"}
    zero = "tozero" if found.subject.quantity == "heat" else "normal"
    figure = go.Figure(
        layout=frame(
            300,
            unit=unit_name(unit, display),
            xaxis=axis,
            yaxis=value_axis(domain=[0.42, 1.0], rangemode=zero),
            yaxis2=value_axis(domain=[0.0, _STRIP_TOP], range=[0, 2.1 * SCHEME.limit], nticks=3, anchor="x"),
        )
    )
    figure.add_traces(_band(x, expected, half))
    figure.add_trace(_line("Expected", x, expected, line=_EXPECTED))
    figure.add_trace(_line("Given", x, value, line=_GIVEN, marker={"size": 5, "color": _GIVEN.colour}))
    for label, sums, line in (("Too little", found.lower, _LESS), ("Too much", found.upper, _MORE)):
        figure.add_trace(_line(label, x, [sums[place] for place in days], line=line, yaxis="y2"))
    figure.add_shape(
        type="line", xref="paper", x0=0, x1=1, yref="y2", y0=SCHEME.limit, y1=SCHEME.limit,
        line={"color": QUIET, "width": 1, "dash": "dot"},
    )  # fmt: skip
    figure.add_annotation(unit_note("apart, added up [standard deviations]", y=_STRIP_TOP))
    figure.add_annotation(
        xref="paper", x=1, yref="y2", y=SCHEME.limit, text="limit", showarrow=False, xanchor="right", yanchor="bottom",
        font={"size": 12, "color": QUIET},
    )  # fmt: skip
    return figure


def _columns(judged: Sequence[Judged], unit: str, display: Display) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    value, expected, half = (
        np.asarray([getattr(day, name) for day in judged], float) for name in ("value", "expected", "half_width")
    )
    low = to_display(expected - half, unit, display)
    middle = to_display(expected, unit, display)
    return to_display(value, unit, display), middle, middle - low


def _band(x: Sequence[str], expected: np.ndarray, half: np.ndarray) -> list[go.Scatter]:
    """The 95 % interval, parted where nothing is expected."""
    traces = []
    for run in _runs(np.isfinite(expected)):
        inside = [x[place] for place in run]
        edge = [*(expected + half)[run], *(expected - half)[run][::-1]]
        traces.append(
            go.Scatter(
                x=[*inside, *inside[::-1]],
                y=plain(edge),
                fill="toself",
                fillcolor=GRID,
                line={"width": 0},
                mode="lines",
                hoverinfo="skip",
            )
        )
    return traces


def _runs(known: np.ndarray) -> list[np.ndarray]:
    places = np.flatnonzero(known)
    return [run for run in np.split(places, np.flatnonzero(np.diff(places) > 1) + 1) if len(run)]


def _line(
    name: str, x: Sequence[str], y: Sequence[float] | np.ndarray, *, line: Line, marker: object = None, yaxis: str = "y"
) -> go.Scatter:
    return go.Scatter(
        name=name,
        **_broken(x, plain(y)),
        yaxis=yaxis,
        mode="lines+markers" if marker else "lines",
        marker=marker,
        line={"color": line.colour, "dash": line.dash, "width": 1.5},
        connectgaps=not marker and yaxis == "y2",
        hovertemplate="%{y:.3~g}",
    )


def _broken(x: Sequence[str], y: Sequence[float | None]) -> dict[str, Sequence[object]]:
    """A line's places, with a break in it where days are missing."""
    days, values = [], []
    for day, value in zip(x, y, strict=True):
        if days and date.fromisoformat(day) - date.fromisoformat(days[-1]) > timedelta(days=1):
            days.append((date.fromisoformat(day) - timedelta(days=1)).isoformat())
            values.append(None)
        days.append(day)
        values.append(value)
    return {"x": days, "y": values}


def _table(found: Expectation, days: Sequence[int], display: Display) -> Table:
    rows = []
    for place in reversed(days):
        day, unit = found.days[place], found.subject.unit
        rows.append(
            [
                show_day(day.day, display),
                show_figure(Figure(day.value, unit), display),
                show_figure(Figure(day.expected, unit, day.half_width), display),
                show_number(day.z, 1, units=display.units),
                show_number(found.lower[place], 1, units=display.units),
                show_number(found.upper[place], 1, units=display.units),
                day.why,
            ]
        )
    header = ["Day", "Given", "Expected", "Apart (standard deviations)", "Too little, added up", "Too much, added up"]
    return Table([*header, "Why not judged"], rows)
