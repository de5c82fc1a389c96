"""Colours: one for each origin, readable in grey and on paper."""

import re
from dataclasses import replace
from pathlib import Path

import pytest

import dashboards
from analytics.site import Collector, HeatPump, Site, Stage
from dashboards.colours import CARRIED_OVER, INK, OKABE_ITO, PAPER, QUIET, contrast, line_paints, origin_paints, warmth

STYLE = (Path(dashboards.__file__).parent / "static" / "app.css").read_text()


def _site(n_free: int, n_backup: int) -> Site:
    """The sun, a heat pump and others without a kind, then the backups."""
    loops = ["sun", "pump", *(f"other-{i}" for i in range(2, n_free))][:n_free]
    stages = [Stage(id=loop, loop=loop, tank="t") for loop in loops]
    stages += [Stage(id=f"backup-{i}", heater="h", tank="t", backup=True) for i in range(n_backup)]
    return Site(
        id="s",
        name="S",
        timezone="UTC",
        latitude_deg=0.0,
        longitude_deg=0.0,
        collectors={"roof": Collector(id="roof", loop="sun", area_m2=4.0)},
        heat_pumps={"hp": HeatPump(id="hp", power="p", source_loop="ground", load_loop="pump")},
        stages={stage.id: stage for stage in stages},
    )


# WCAG 2.2, definition of contrast ratio: black on white is 21:1, and #767676 is the lightest grey at 4.5:1 on white
# (W3C, Understanding 1.4.3).
def test_contrast_is_the_published_ratio() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#ffffff") < 4.5


# Okabe and Ito (2008), colour set of 8 with their RGB values.
def test_the_set_is_the_published_one() -> None:
    published = {
        "black": (0, 0, 0),
        "orange": (230, 159, 0),
        "sky blue": (86, 180, 233),
        "bluish green": (0, 158, 115),
        "yellow": (240, 228, 66),
        "blue": (0, 114, 178),
        "vermillion": (213, 94, 0),
        "reddish purple": (204, 121, 167),
    }
    assert {name: tuple(bytes.fromhex(code[1:])) for name, code in OKABE_ITO.items()} == published


@pytest.mark.parametrize(("n_free", "n_backup"), [(1, 0), (2, 1), (3, 2), (5, 2), (6, 2)])
def test_no_two_origins_share_colour_and_pattern(n_free: int, n_backup: int) -> None:
    paints = list(origin_paints(_site(n_free, n_backup)).values())
    assert len(set(paints)) == n_free + n_backup + 1


def test_a_house_of_three_sources_differs_in_pattern_alone_too() -> None:
    paints = origin_paints(_site(2, 1))
    assert len({paint.pattern for paint in paints.values()}) == 4


def test_the_sun_and_the_heat_pump_have_one_colour_in_every_house() -> None:
    for n_free, n_backup in ((1, 0), (2, 1), (5, 2)):
        assert origin_paints(_site(n_free, n_backup))["sun"].colour == OKABE_ITO["orange"]
    turned = _site(3, 1)
    turned = replace(turned, stages=dict(reversed(turned.stages.items())))
    assert origin_paints(turned) == origin_paints(_site(3, 1))
    assert list(origin_paints(turned))[-1] == CARRIED_OVER


def test_lines_of_one_panel_differ_in_colour_and_in_dash() -> None:
    lines = line_paints(12)
    assert len({(line.colour, line.dash) for line in lines}) == 12
    assert len({line.dash for line in lines[:4]}) == 4


@pytest.mark.parametrize("degc", [-20.0, 5.0, 20.0, 45.0, 70.0, 120.0, float("nan")])
def test_ink_can_be_read_on_water_of_every_temperature(degc: float) -> None:
    assert contrast(INK, warmth(degc)) >= 7
    assert contrast(QUIET, warmth(degc)) >= 3


def _variables() -> dict[str, str]:
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", STYLE))


# WCAG 2.2, 1.4.3: 4.5:1 for text; 1.4.11: 3:1 for what is drawn.
@pytest.mark.parametrize("name", ["ink", "quiet", "link", "urgent", "soon", "watch"])
def test_every_text_colour_of_the_style_sheet_stands_out_from_the_paper(name: str) -> None:
    assert contrast(_variables()[name], _variables()["paper"]) >= 4.5


def test_text_on_the_caution_and_on_the_urgent_mark_stands_out() -> None:
    variables = _variables()
    assert contrast(variables["ink"], variables["caution"]) >= 7
    assert contrast("#ffffff", variables["urgent"]) >= 4.5
    assert contrast(variables["caution-edge"], variables["caution"]) >= 3


def test_the_outline_of_every_bar_stands_out_from_its_fill() -> None:
    for paint in origin_paints(_site(5, 1)).values():
        assert contrast(INK, paint.colour) >= 3


def test_the_style_sheet_and_the_charts_share_ink_and_paper() -> None:
    assert (_variables()["ink"], _variables()["paper"]) == (INK, PAPER)
    assert _variables()["quiet"] == QUIET
