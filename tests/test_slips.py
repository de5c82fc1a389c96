"""Plausible slips in a valid site file: each is named in a sentence, and a good file has none."""

from collections.abc import Sequence
from datetime import date

import pytest

from analytics.site import Site
from analytics.site_file import parse_site
from analytics.slips import slips
from tests.cases.sites import GOOD, TWO_TANK, changed

Changes = Sequence[tuple[str, str]]

_TODAY = date(2026, 3, 1)
_SPARE_POINT = ("[[fluid]]", '[points."spare.heat"]\nquantity = "energy"\nunit = "kWh"\n\n[[fluid]]')


def _site(text: str, changes: Changes) -> Site:
    for old, new in changes:
        text = changed(text, old, new)
    return parse_site(text, file="case.toml")


def test_the_examples_hold_no_slip():
    assert slips(_site(TWO_TANK, []), today=_TODAY) == []
    assert slips(_site(GOOD, []), today=_TODAY) == [
        "No part of the site uses fan; such readings are kept and shown, and count for nothing."
    ]


_SLIPS: list[tuple[str, Changes, str]] = [
    (
        TWO_TANK,
        [('tanks = ["preheat", "solar"]', 'tanks = ["solar", "preheat"]')],
        'Stage "Ground source" stands before "Solar", but the cold water meets solar first; look at the order of '
        "[[stage]] and of tanks in [hot_water].",
    ),
    (
        TWO_TANK,
        [("backup = true", ""), ('loop = "collector"\n\n[[stage]]', 'loop = "collector"\nbackup = true\n\n[[stage]]')],
        'The backup "Solar" is not the last stage; the last resort usually is.',
    ),
    (
        TWO_TANK,
        [('cold = "cold.temp"\n', "")],
        "[hot_water] has no cold temperature, so 10 degC is assumed for all that the taps take.",
    ),
    (
        TWO_TANK,
        [('hot = "hot.temp"\n', "")],
        "Only the mixed water's temperature is known, so draw.flow has to count the cold water to the mixing valve, "
        'too (state flow_at = "mixed" where it stands behind the valve). In the tank\'s own feed it counts less, and '
        "the hot-water heat comes out too low.",
    ),
    (
        GOOD,
        [('heated = "heated.temp"\n', "")],
        '"Gas burner" heats in passing, and no "heated" point is named; the hot-water heat lacks it.',
    ),
    (
        TWO_TANK,
        [('mixed = "mixed.temp"', 'heated = "mixed.temp"')],
        'mixed.temp is named as "heated", but no stage heats in passing (a stage without a tank).',
    ),
    (
        TWO_TANK,
        [('hot = "hot.temp"', 'hot = "mixed.temp"')],
        "mixed.temp is named 2 times in [hot_water]; each place on the path has its own temperature.",
    ),
    (
        TWO_TANK,
        [('["preheat.top", "preheat.bottom"]', '["preheat.bottom", "preheat.top"]')],
        "The temperatures of preheat run from top to bottom; preheat.bottom stands first. Is it the top?",
    ),
    (
        TWO_TANK,
        [('["preheat.top", "preheat.bottom"]', '["preheat.top", "preheat.top"]')],
        "preheat.top stands 2 times in the temperatures of preheat.",
    ),
    (
        TWO_TANK,
        [("[[loop]]", '[[tank]]\nid = "spare"\nvolume_l = 100\n\n[[loop]]')],
        "Tank spare is on no hot-water path and no stage heats it.",
    ),
    (
        TWO_TANK,
        [("backup = true", "backup = false")],
        "No stage is marked backup = true, so the backup fraction is 0 on every day.",
    ),
    (
        TWO_TANK,
        [('height = 1.0\nloop = "desuperheater"', 'height = 1.0\nloop = "ground"')],
        'Stage "Ground source" takes its heat from ground, the source side of a heat pump; is its desuperheater_loop '
        "or load_loop meant?",
    ),
    (
        TWO_TANK,
        [('flow = "dsh.flow"', 'flow = "dsh.flow"\nassumed_flow_l_per_s = 0.1')],
        "Loop desuperheater has a flow point, so its assumed_flow_l_per_s is not used.",
    ),
    (
        TWO_TANK,
        [("[[heat_pump]]", '[[loop]]\nid = "spare"\nenergy = "spare.heat"\n\n[[heat_pump]]'), _SPARE_POINT],
        "Loop spare belongs to no stage, heat pump or collector; its heat goes nowhere in the ledger.",
    ),
    (
        TWO_TANK,
        [('irradiance = "collector.sun"\n', "")],
        "Collector roof has no irradiance, so no yield can be expected of it.",
    ),
    (
        GOOD,
        [("eta0 = 0.76\n", ""), ("a1 = 3.5\n", "")],
        "Collector roof has no eta0, no a1, so no yield can be expected of it.",
    ),
    (
        TWO_TANK,
        [("electricity_per_kwh = 0.21\n", "")],
        "There is no electricity_per_kwh in [prices], so nothing is told in money.",
    ),
    (
        TWO_TANK,
        [("efficiency = 0.92", "")],
        "[baseline] has no efficiency, so a usual one for electric-tank is taken.",
    ),
    (
        TWO_TANK,
        [('unit = "1"', 'unit = "1"\ntopic = "a/b"'), ('accuracy = "1 %"', 'accuracy = "1 %"\ntopic = "a/b"')],
        "2 points read the same value (a/b).",
    ),
    (
        TWO_TANK,
        [("accuracy = 0.3", 'accuracy = "1 %"')],
        "The accuracy of preheat.top is a percentage, and a temperature has no true zero; give kelvins.",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("text", "changes", "sentence"), _SLIPS)
def test_a_plausible_slip_is_named(text, changes, sentence):
    assert sentence in slips(_site(text, changes), today=_TODAY)


def test_a_site_without_hot_water_and_a_heat_pump_without_its_sheet_are_named():
    start = TWO_TANK.index("[hot_water]")
    text = TWO_TANK[:start] + TWO_TANK[TWO_TANK.index("[[stage]]") :]
    rating = text[text.index("rating = [") : text.index("[[collector]]")]
    found = slips(_site(text, [(rating, "\n")]), today=_TODAY)
    assert "There is no [hot_water], so the ledger says nothing of what the taps took." in found
    assert "Heat pump hp has no rating from its maker's sheet to hold its COP against." in found
