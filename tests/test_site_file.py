"""The site file: what a good one means, and the exact sentences for a bad one."""

import re
from datetime import date
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.site import (
    Accuracy,
    Baseline,
    FluidMix,
    Heater,
    HotWater,
    Loop,
    Point,
    Prices,
    Site,
    Stage,
    Tank,
    TariffBand,
)
from analytics.site_file import Fault, SiteFileError, parse_site
from analytics.site_tables import LISTS, POINT_FIELDS, SINGLE, SITE_FIELDS
from tests.cases.sites import GOOD, TWO_TANK, changed

_CASES = yaml.safe_load((Path(__file__).parent / "cases" / "bad_sites" / "faults.yaml").read_text(encoding="utf-8"))
_SMALLEST = """schema = 1
[site]
id = "a"
name = "A"
timezone = "UTC"
latitude = 0
longitude = 0
"""


def _faults(text: str) -> list[Fault]:
    with pytest.raises(SiteFileError, match=r"^bad\.toml: ") as caught:
        parse_site(text, file="bad.toml")
    return list(caught.value.faults)


@pytest.mark.parametrize("case", _CASES, ids=[case["name"] for case in _CASES])
def test_a_bad_file_gets_exactly_these_sentences(case):
    text = GOOD
    for change in case["change"]:
        text = changed(text, change["from"], change["to"])
    assert [str(fault) for fault in _faults(text)] == case["says"]


def test_the_table_of_bad_files_is_long_enough_and_names_each_case_once():
    names = [case["name"] for case in _CASES]
    assert len(set(names)) == len(names) >= 40


def test_the_error_reads_as_one_line_for_each_fault():
    text = changed(GOOD, 'unit = "rpm"', 'unit = "r\\np\\u2028m"\n"o\\ndd" = 1')
    assert [fault.wrong for fault in _faults(text)] == [
        "is not a known field",
        '"r\\np\\u2028m" is not a unit of speed',
    ]
    with pytest.raises(SiteFileError) as caught:
        parse_site(text, file="bad.toml")
    assert len(str(caught.value).splitlines()) == 2


# --- every field of every table -------------------------------------------------------------------------------------


def _keys_by_table(text: str) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    table = ""
    for line in text.splitlines():
        if head := re.match(r"\[+([a-z_]+)", line):
            table = head[1]
        for key in re.findall(r"(?:^|[{,] ?)([a-z_0-9]+) = ", line):
            found.setdefault(table, set()).add(key)
    return found


def test_the_good_file_uses_every_field_of_every_table():
    keys = _keys_by_table(GOOD)
    for table, fields in {"site": SITE_FIELDS, "points": POINT_FIELDS, **LISTS, **SINGLE}.items():
        for field in fields:
            assert field.name in keys[table], (table, field.name)
            assert {row.name for row in field.rows} <= keys[table]


def _lines_with_a_key() -> list[tuple[int, str]]:
    lines = GOOD.splitlines()
    return [(n, found[1]) for n, line in enumerate(lines) if (found := re.match(r"([a-z_0-9]+) = [^\[\n]", line))]


@pytest.mark.parametrize(("n", "key"), _lines_with_a_key())
def test_a_value_of_the_wrong_type_is_named_with_its_field(n, key):
    lines = GOOD.splitlines()
    lines[n] = f"{key} = 1979-05-27T07:32:00Z"
    faults = _faults("\n".join(lines))
    assert key in {fault.field for fault in faults}
    assert all(fault.wrong and fault.right for fault in faults)


def _needed_lines() -> list[tuple[int, str]]:
    table, found = "", []
    fields = {"site": SITE_FIELDS, "points": POINT_FIELDS, **LISTS, **SINGLE}
    needed = {name: {field.name for field in members if field.needed} for name, members in fields.items()}
    for n, line in enumerate(GOOD.splitlines()):
        if head := re.match(r"\[+([a-z_]+)", line):
            table = head[1]
        key = line.split(" = ")[0]
        if key in needed.get(table, set()):
            found.append((n, key))
    return found


@pytest.mark.parametrize(("n", "key"), _needed_lines())
def test_a_needed_field_that_is_left_out_is_named(n, key):
    lines = GOOD.splitlines()
    del lines[n]
    assert (key, "is missing") in {(fault.field, fault.wrong) for fault in _faults("\n".join(lines))}


@pytest.mark.parametrize("table", ["site", "fluid", "tank", "loop", "heat_pump", "collector", "heater", "stage"])
def test_an_unknown_key_is_a_fault_in_every_table(table):
    head = f"[{table}]" if table == "site" else f"[[{table}]]"
    faults = _faults(changed(GOOD, head, f"{head}\nzebra = 1"))
    assert [(fault.field, fault.wrong) for fault in faults] == [("zebra", "is not a known field")]


def test_a_misspelt_key_beside_the_right_one_is_named_with_the_right_one():
    faults = _faults(changed(GOOD, "latitude = 51.5", "latitude = 51.5\nlatitude_deg = 51.5"))
    assert [fault.right for fault in faults] == ["did you mean latitude?"]


# --- what a good file means -----------------------------------------------------------------------------------------


def test_the_two_tank_example_is_read_whole():
    site = parse_site(TWO_TANK, file="two-tank.toml")
    assert (site.id, site.name, site.timezone) == ("quarry-road-3", "Quarry Road 3", "America/New_York")
    assert (site.latitude_deg, site.longitude_deg, site.elevation_m) == (43.2, -71.5, 110.0)
    assert (site.commissioned, site.units) == (date(2025, 9, 15), "us")
    assert len(site.points) == 26
    assert site.points["draw.flow"] == Point(
        id="draw.flow",
        quantity="flow",
        unit="l/min",
        sampling="mean",
        interval_s=10.0,
        accuracy=Accuracy(standard="percent", value=2.0),
    )
    assert site.points["cold.temp"].accuracy == Accuracy(standard="IEC 60751", grade="A")
    assert site.points["dsh.pump"] == Point(id="dsh.pump", quantity="status", unit="1")
    assert site.fluids["collector-glycol"] == FluidMix(
        id="collector-glycol", kind="propylene-glycol", mass_percent=40.0
    )


def test_the_parts_of_the_two_tank_example_are_read_whole():
    site = parse_site(TWO_TANK, file="two-tank.toml")
    three = ("solar.top", "solar.middle", "solar.bottom")
    assert site.tanks["solar"] == Tank(id="solar", volume_l=400.0, temperatures=three, ua_w_per_k=2.4, ambient=18.0)
    assert site.loops["desuperheater"] == Loop(
        id="desuperheater",
        fluid="water",
        entering="dsh.entering",
        leaving="dsh.leaving",
        flow="dsh.flow",
        pump="dsh.pump",
        pump_power_w=60.0,
    )
    assert [(r.mode, r.entering_c, r.power_w) for r in site.heat_pumps["hp"].rating] == [
        ("heating", 0.0, 2330.0),
        ("heating", 10.0, 2420.0),
        ("cooling", 25.0, 2100.0),
    ]
    assert site.heaters["element"] == Heater(id="element", kind="electric", power="element.power", rated_w=4500.0)
    assert site.hot_water == HotWater(
        tanks=("preheat", "solar"),
        cold="cold.temp",
        flow="draw.flow",
        between=("preheat.out",),
        hot="hot.temp",
        mixed="mixed.temp",
        mixed_set_c=49.0,
    )


def test_the_stages_and_prices_of_the_two_tank_example_are_read_whole():
    site = parse_site(TWO_TANK, file="two-tank.toml")
    assert list(site.stages) == ["ground", "sun", "backup"]
    assert site.stages["ground"] == Stage(
        id="ground", name="Ground source", loop="desuperheater", tank="preheat", height=(1.0, 1.0)
    )
    assert site.stages["backup"] == Stage(
        id="backup", name="Electric element", heater="element", tank="solar", height=(0.6, 1.0), backup=True
    )
    assert site.prices == Prices(currency="USD", electricity_per_kwh=0.21, electricity_co2_kg_per_kwh=0.30)
    assert site.baseline == Baseline(kind="electric-tank", efficiency=0.92)


def test_a_stage_without_a_height_has_the_usual_one():
    site = parse_site(GOOD, file="good.toml")
    assert site.stages["sun"].height == (0.0, 0.3)
    assert site.stages["rod"].height == (0.6, 1.0)


def test_an_energy_or_volume_point_without_sampling_is_a_counter():
    text = changed(GOOD, 'unit = "l"\nsampling = "counter"', 'unit = "l"')
    site = parse_site(text, file="good.toml")
    assert site.points["load.heat"].sampling == site.points["draw.volume"].sampling == "counter"
    assert site.points["hp.power"].sampling == "instant"


def test_tariff_bands_take_months_and_days_as_numbers_and_as_names():
    bands = parse_site(GOOD, file="good.toml").prices.electricity_per_kwh
    assert bands == (
        TariffBand(from_minute=1320, to_minute=360, per_kwh=0.19, months=(1, 2, 12), days=(0, 6)),
        TariffBand(from_minute=0, to_minute=1440, per_kwh=0.31),
    )


def test_a_band_may_end_at_midnight_and_times_may_be_toml_times():
    text = changed(GOOD, 'from = "22:00", to = "06:00"', 'from = 22:00:00, to = "00:00"')
    bands = parse_site(text, file="good.toml").prices.electricity_per_kwh
    assert isinstance(bands, tuple)
    assert (bands[0].from_minute, bands[0].to_minute) == (1320, 1440)


@pytest.mark.parametrize("written", ["2025-04-01", '"2025-04-01"'])
def test_a_date_may_stand_bare_or_in_quotes(written):
    site = parse_site(changed(GOOD, "commissioned = 2025-04-01", f"commissioned = {written}"), file="good.toml")
    assert site.commissioned == date(2025, 4, 1)


def test_the_smallest_site_has_nothing_and_is_valid():
    site = parse_site(_SMALLEST, file="small.toml")
    assert (site.points, site.loops, site.hot_water, site.units) == ({}, {}, None, "si")
    assert site.prices.electricity_per_kwh is None


def test_windows_line_ends_and_a_byte_order_mark_do_no_harm():
    text = "\ufeff" + TWO_TANK.replace("\n", "\r\n")
    assert parse_site(text, file="w.toml") == parse_site(TWO_TANK, file="u.toml")


def test_a_loop_with_a_heat_meter_needs_nothing_else():
    text = _SMALLEST + '[points.heat]\nquantity = "energy"\nunit = "MWh"\n[[loop]]\nid = "l"\nenergy = "heat"\n'
    assert parse_site(text, file="small.toml").loops["l"] == Loop(id="l", energy="heat")


def test_a_heat_pump_may_be_metered_by_an_energy_counter():
    text = changed(GOOD, 'quantity = "power"\nunit = "kW"', 'quantity = "energy"\nunit = "kWh"')
    site = parse_site(text, file="good.toml")
    assert site.points[site.heat_pumps["hp"].power].quantity == "energy"


def test_ids_may_be_shared_between_kinds():
    site = parse_site(TWO_TANK, file="two-tank.toml")
    assert "ground" in site.loops
    assert "ground" in site.stages


# --- whatever comes, nothing but a site or its faults ---------------------------------------------------------------

_PIECES = st.sampled_from(
    [
        *("[", "]", "{", "}", '"', "=", "\n", "[[", "'", "1", "nan", "true", "id", "points", "é", "\0", "\u2028"),
        *("[[loop]]", "[site]", "[[points]]", "fluid = 1", "loop = []", "{ x = 1 }", '""', "2025-01-01"),
        *("9" * 5000, "[" * 3000, "1e999", "-1"),
    ]
)


def _outcome(text: str) -> Site | SiteFileError:
    """What comes of a text; any other exception fails the test."""
    try:
        return parse_site(text, file="bad.toml")
    except SiteFileError as error:
        return error


def _check_outcome(text: str) -> None:
    outcome = _outcome(text)
    if isinstance(outcome, Site):
        assert outcome.id
        return
    assert outcome.faults
    assert len(str(outcome).splitlines()) == len(outcome.faults)
    assert all(str(fault).startswith("bad.toml: ") for fault in outcome.faults)


@settings(max_examples=200, deadline=None)
@given(st.integers(0, len(GOOD)), st.integers(0, 40), _PIECES)
def test_a_mutated_file_gives_a_site_or_its_faults(at, removed, piece):
    _check_outcome(GOOD[:at] + piece + GOOD[at + removed :])


@settings(max_examples=100, deadline=None)
@given(st.integers(0, len(GOOD)))
def test_a_truncated_file_gives_a_site_or_its_faults(end):
    _check_outcome(GOOD[:end])


@settings(max_examples=150, deadline=None)
@given(
    st.integers(0, 10**6), st.sampled_from(["1", '"x"', "[]", "{}", "[1]", "[{}]", "true", "-0.5", "1e400", "9" * 400])
)
def test_a_file_with_any_value_anywhere_gives_a_site_or_its_faults(pick, value):
    lines = GOOD.splitlines()
    keyed = [n for n, line in enumerate(lines) if re.match(r"[a-z_0-9]+ = (?!\[$)", line)]
    n = keyed[pick % len(keyed)]
    lines[n] = f"{lines[n].split(' = ')[0]} = {value}"
    _check_outcome("\n".join(lines))


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=200))
def test_any_text_gives_a_site_or_its_faults(text):
    _check_outcome(text)
