"""Values of a valid site file that are hardly meant: each has its sentence, and usual ones have none."""

from datetime import date
from pathlib import Path

import pytest
import yaml

from analytics.odd_values import odd_values
from analytics.site_file import parse_site
from tests.cases.sites import GOOD, TWO_TANK, changed

_CASES = yaml.safe_load((Path(__file__).parent / "cases" / "bad_sites" / "odd_values.yaml").read_text(encoding="utf-8"))
_FILES = {"good": GOOD, "two_tank": TWO_TANK}
_TODAY = date(2026, 3, 1)
_LAYOUTS = sorted((Path(__file__).parents[1] / "ingest" / "virtual" / "sites").glob("*.toml"))


def _said(text: str) -> list[str]:
    return odd_values(parse_site(text, file="case.toml"), today=_TODAY)


@pytest.mark.parametrize("case", _CASES, ids=[case["name"] for case in _CASES])
def test_a_value_that_is_hardly_meant_gets_exactly_these_sentences(case):
    assert _said(changed(_FILES[case["of"]], case["from"], case["to"])) == case["says"]
    assert case["says"]


@pytest.mark.parametrize("path", _LAYOUTS, ids=[path.stem for path in _LAYOUTS])
def test_the_layouts_hold_no_odd_value(path):
    assert _said(path.read_text(encoding="utf-8")) == []


def test_usual_files_hold_no_odd_value():
    assert _said(GOOD) == _said(TWO_TANK) == []


# Longitude, latitude and clock of towns whose clock is furthest from the sun, and of the southern half.
@pytest.mark.parametrize(
    ("timezone", "latitude", "longitude"),
    [
        ("Asia/Shanghai", 39.5, 76.0),
        ("Europe/Madrid", 42.9, -9.3),
        ("Atlantic/Reykjavik", 64.1, -21.9),
        ("America/Nome", 64.5, -165.4),
        ("America/Argentina/Mendoza", -32.9, -68.8),
        ("Pacific/Auckland", -36.8, 174.8),
        ("America/Santiago", -33.4, -70.7),
        ("Asia/Kolkata", 8.5, 76.9),
        ("Europe/Dublin", 53.3, -6.3),
        ("Pacific/Fiji", -17.7, -178.8),
    ],
)
def test_a_town_whose_clock_is_beside_the_sun_is_believed(timezone, latitude, longitude):
    text = changed(GOOD, "Europe/Berlin", timezone)
    text = changed(text, "latitude = 51.5\nlongitude = 9.9", f"latitude = {latitude}\nlongitude = {longitude}")
    assert [sentence for sentence in _said(text) if "azimuth" not in sentence] == []


@pytest.mark.parametrize(("currency", "n_doubts"), [("EUR", 1), ("JPY", 0)])
def test_a_dear_kwh_is_dear_in_the_money_that_it_is_told_in(currency, n_doubts):
    text = changed(changed(GOOD, '"EUR"', f'"{currency}"'), "per_kwh = 0.31", "per_kwh = 34")
    assert len(_said(text)) == n_doubts
