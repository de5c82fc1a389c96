"""The drawing of a house, and its swatches: each reading has its place, an old one is set apart, none is a dash."""

from dataclasses import replace
from datetime import timedelta
from xml.etree import ElementTree

from dashboards.colours import Line, Paint
from dashboards.drawing.schematic import draw_schematic
from dashboards.drawing.swatch import swatch
from dashboards.numbers import display_of
from dashboards.readings import read_now
from tests.dashboards_house import NOW, house, site_context

SHOW = display_of(house())


def test_the_drawing_is_well_formed_and_shows_every_reading_of_the_water_path() -> None:
    readings = read_now(house(), site_context().latest, NOW, display=SHOW)
    drawing = ElementTree.fromstring(str(draw_schematic(house(), readings)))
    words = " ".join(drawing.itertext())
    for point in (
        "cold.temp",
        "preheat.out",
        "hot.temp",
        "solar.top",
        "collector.leaving",
        "element.power",
        "hp.power",
    ):
        assert readings[point].text in words


def test_an_old_reading_is_set_apart_in_the_drawing() -> None:
    late = NOW + timedelta(hours=2)
    fresh, old = (
        str(draw_schematic(house(), read_now(house(), site_context().latest, t, display=SHOW))) for t in (NOW, late)
    )
    assert 'class="d-old"' not in fresh
    assert 'class="d-value"' not in old
    assert "d-pump-on" in fresh
    assert "d-pump-on" not in old


def test_a_drawing_without_any_reading_shows_dashes() -> None:
    drawing = str(draw_schematic(house(), {}))
    assert drawing.count(">—<") >= 10
    assert "d-pump-unknown" in drawing


def test_a_house_with_less_installed_is_drawn_as_far_as_it_goes() -> None:
    bare = replace(house(), hot_water=None, stages={}, tanks={})
    assert draw_schematic(bare, {}) == ""
    passing = {s.id: replace(s, tank=None) for s in house().stages.values()}
    assert "Electric element" in draw_schematic(replace(house(), stages=passing), {})


def test_a_swatch_shows_colour_and_pattern() -> None:
    assert 'fill="#E69F00"' in swatch(Paint("#E69F00", "."), "a")
    assert "<pattern" in swatch(Paint("#E69F00", "."), "a")
    assert "stroke-dasharray" in swatch(Line("#0072B2", "dash"), "a")
