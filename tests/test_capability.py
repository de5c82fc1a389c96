"""What `heatledger check` promises: in words, and held against the ledger of a day on which every sensor works."""

from collections.abc import Mapping, Sequence
from datetime import date

import pytest

from analytics.capability import Capability, capabilities
from analytics.day import account_day
from analytics.figures import DayLedger, Figure
from analytics.site import Site
from analytics.site_file import parse_site
from analytics.trace import local_day
from tests.cases.sites import GOOD, TWO_TANK, changed
from tests.cases.steady_day import steady_day

Changes = Sequence[tuple[str, str]]
Key = tuple[str, str]

_NO_HOT = ('hot = "hot.temp"\n', "")
_NO_MIXED = ('mixed = "mixed.temp"\nmixed_set_c = 49', "")
_NO_BETWEEN = ('between = ["preheat.out"]\n', "")
_ASSUMED = ('flow = "dsh.flow"', "assumed_flow_l_per_s = 0.08")
_ONE_SENSOR = ('["solar.top", "solar.middle", "solar.bottom"]', '["solar.top"]')
_NO_PREHEAT_SENSOR = ('["preheat.top", "preheat.bottom"]', "[]")
_HEAT_METER = ('flow = "collector.flow"', 'energy = "sun.heat"')
_HEAT_METER_POINT = ("[[fluid]]", '[points."sun.heat"]\nquantity = "energy"\nunit = "kWh"\n\n[[fluid]]')
_BOILER = ('heater = "element"\nbackup = true', 'loop = "boiler"\nbackup = true')
_BOILER_LOOP = (
    "[[heat_pump]]",
    '[[loop]]\nid = "boiler"\nfluid = "water"\nentering = "solar.top"\nleaving = "hot.temp"\nflow = "dsh.flow"\n\n'
    "[[heat_pump]]",
)
_BURNER = (
    "[[heater]]",
    '[[heater]]\nid = "burner"\nkind = "oil"\nstatus = "dsh.pump"\nrated_w = 9000\nefficiency = 0.8\n\n[[heater]]',
)
_ONE_WAY = [
    ('flow = "ground.flow"', 'energy = "sun.heat"'),
    ('entering = "ground.entering"\n', ""),
    _HEAT_METER_POINT,
]
_COUNTERS = [
    (f'{point}"]\nquantity = "power"\nunit = "W"\nsampling = "mean"', f'{point}"]\nquantity = "energy"\nunit = "kWh"')
    for point in ("hp.power", "element.power")
]


def _site(text: str, changes: Changes) -> Site:
    for old, new in changes:
        text = changed(text, old, new)
    return parse_site(text, file="case.toml")


def _by_key(site: Site) -> Mapping[Key, Capability]:
    found = capabilities(site)
    by_key = {(one.figure, one.component): one for one in found}
    assert len(by_key) == len(found)
    return by_key


def _ledger_of_a_steady_day(site: Site) -> DayLedger:
    day = local_day(date(2025, 11, 3), site.timezone)
    before = account_day(site, steady_day(site, day), day)
    return account_day(site, steady_day(site, day), day, state=before.state).ledger


def _figures(site: Site, ledger: DayLedger) -> Mapping[Key, Figure]:
    found: dict[Key, Figure] = {}
    for stage in ledger.stages:
        found |= {("stage heat", stage.stage): stage.heat, ("delivered by origin", stage.stage): stage.delivered}
        if site.stages[stage.stage].loop:
            found["reverse heat", stage.stage] = stage.reverse
    for tank in ledger.tanks:
        found |= {("stored change", tank.tank): tank.stored_change, ("tank loss", tank.tank): tank.loss}
        found["residual", tank.tank] = tank.residual
    for pump in ledger.heat_pumps:
        found |= {("source heat", pump.heat_pump): pump.source_heat, ("heating", pump.heat_pump): pump.heating_heat}
        found |= {("COP in heating", pump.heat_pump): pump.heating_cop, ("cooling", pump.heat_pump): pump.cooling}
        found["COP in cooling", pump.heat_pump] = pump.cooling_cop
    found |= {("backup fraction", "site"): ledger.backup_fraction, ("purchased energy", "site"): ledger.purchased}
    found |= {("hot-water volume", "hot_water"): ledger.hot_water.volume}
    found |= {("hot-water heat", "hot_water"): ledger.hot_water.heat}
    found |= {("delivered backup fraction", "site"): ledger.delivered_backup_fraction}
    found |= {("saved energy", "site"): ledger.saved.energy, ("saved money", "site"): ledger.saved.money}
    return found | {("saved CO2", "site"): ledger.saved.co2}


_LAYOUTS: dict[str, tuple[str, Changes]] = {
    "the two-tank example": (TWO_TANK, []),
    "no cold temperature": (TWO_TANK, [('cold = "cold.temp"\n', "")]),
    "no flow of hot water": (TWO_TANK, [('flow = "draw.flow"\n', "")]),
    "a temperature at the mixing valve only": (TWO_TANK, [_NO_HOT]),
    "no temperature of the water that leaves": (TWO_TANK, [_NO_HOT, _NO_MIXED]),
    "no stage marked as backup": (TWO_TANK, [("backup = true", "")]),
    "no price of electricity": (TWO_TANK, [("electricity_per_kwh = 0.21\n", "")]),
    "no CO2 of electricity": (TWO_TANK, [("electricity_co2_kg_per_kwh = 0.30\n", "")]),
    "a gas baseline and no price of gas": (TWO_TANK, [('kind = "electric-tank"', 'kind = "gas-tank"')]),
    "a tank without its loss": (TWO_TANK, [("ua_w_per_k = 2.4\n", "")]),
    "a last tank without sensors": (TWO_TANK, [(_ONE_SENSOR[0], "[]")]),
    "no temperature between the tanks": (TWO_TANK, [_NO_BETWEEN]),
    "a pump whose power is not stated": (TWO_TANK, [("pump_power_w = 60\n", "")]),
    "a pump that nothing watches but its loop's flow meter": (TWO_TANK, [('pump = "dsh.pump"\n', "")]),
    "a heat meter's counter": (TWO_TANK, [_HEAT_METER, _HEAT_METER_POINT]),
    "a boiler through a loop": (TWO_TANK, [_BOILER, _BOILER_LOOP]),
    "electricity by energy counters": (TWO_TANK, _COUNTERS),
    "an assumed flow in a desuperheater": (
        TWO_TANK,
        [_ASSUMED],
    ),
    "one sensor for a whole tank": (TWO_TANK, [_ONE_SENSOR]),
    "a first tank without any sensor": (
        TWO_TANK,
        [_NO_PREHEAT_SENSOR, _NO_BETWEEN],
    ),
    "a heat meter that counts one way on the source side": (TWO_TANK, _ONE_WAY),
    "the site that uses every field, with an assumed flow in its source loop": (GOOD, []),
}


@pytest.mark.parametrize(
    ("text", "changes"),
    [pytest.param(*case, id=name) for name, case in _LAYOUTS.items()],
)
def test_the_ledger_of_a_day_with_every_sensor_working_keeps_what_was_promised(text, changes):
    site = _site(text, changes)
    promised = _by_key(site)
    figures = _figures(site, _ledger_of_a_steady_day(site))
    assert {key: promised[key].verdict for key in figures} == {key: figure.basis for key, figure in figures.items()}


def test_an_energy_counter_tells_the_same_electricity_and_cop_as_a_power_meter():
    by_power = _ledger_of_a_steady_day(_site(TWO_TANK, []))
    by_counter = _ledger_of_a_steady_day(_site(TWO_TANK, _COUNTERS))
    assert by_counter.electricity.heaters.value == pytest.approx(by_power.electricity.heaters.value, rel=1e-3)
    for one, other in zip(by_counter.heat_pumps, by_power.heat_pumps, strict=True):
        # A day of two heating runs and a cooling one: a minute at each end of each is told apart differently.
        assert one.heating_electricity.value == pytest.approx(other.heating_electricity.value, rel=0.01)
        assert one.heating_cop.value == pytest.approx(other.heating_cop.value, rel=0.01)
        assert one.heating_starts.value == other.heating_starts.value == 2
        assert one.cooling_starts.value == other.cooling_starts.value == 1


@pytest.mark.parametrize(("text", "changes"), list(_LAYOUTS.values()))
def test_every_promise_is_a_whole_sentence_that_says_its_verdict(text, changes):
    for one in capabilities(_site(text, changes)):
        assert one.sentence[0].isupper()
        assert one.sentence.endswith(".")
        assert ".." not in one.sentence
        refuses = any(word in one.sentence for word in ("cannot", "not counted", "does not show"))
        assert refuses == (one.verdict == "unavailable"), one


_SENTENCES: list[tuple[str, Changes, Key, str, str]] = [
    (
        TWO_TANK,
        [_ASSUMED],
        ("stage heat", "ground"),
        "estimated",
        'The heat of "Ground source" will be estimated: there is no flow meter, so 0.08 l/s is assumed while its pump '
        "(dsh.pump) runs. A flow meter in the loop would make it measured.",
    ),
    (
        TWO_TANK,
        [_HEAT_METER, _HEAT_METER_POINT],
        ("reverse heat", "sun"),
        "unavailable",
        'Heat flowing back through "Solar" cannot be seen: a heat meter\'s counter does not count backwards. '
        "Temperatures entering and leaving and a flow point would show it.",
    ),
    (
        GOOD,
        [],
        ("stage heat", "burner"),
        "estimated",
        'The heat of "Gas burner" will be estimated: 18000 W is assumed while gas.on is on. A power meter would make '
        "it measured.",
    ),
    (
        TWO_TANK,
        [('kind = "electric"\n', 'kind = "oil"\nefficiency = 0.8\n')],
        ("stage heat", "backup"),
        "measured",
        'The heat of "Electric element" will be its metered input (element.power) times its stated efficiency of 0.8, '
        "which is only as good as that efficiency. A heat meter would show the heat itself.",
    ),
    (
        TWO_TANK,
        [('cold = "cold.temp"\n', "")],
        ("hot-water heat", "hot_water"),
        "estimated",
        "The hot-water heat will be estimated: there is no cold-water sensor, so 10 degC is assumed. Sensors there "
        "would make it measured.",
    ),
    (
        TWO_TANK,
        [('flow = "draw.flow"\n', ""), _NO_HOT, _NO_MIXED, (_ONE_SENSOR[0], "[]")],
        ("hot-water heat", "hot_water"),
        "unavailable",
        "The hot-water heat cannot be told: [hot_water] has no flow or volume point and no temperature of the water "
        "that leaves (hot).",
    ),
    (
        TWO_TANK,
        [_NO_HOT],
        ("hot-water heat", "hot_water"),
        "measured",
        "The hot-water heat will be measured by draw.flow and the temperatures cold.temp and mixed.temp. It is taken "
        "at the mixing valve, so what the pipe before it loses is not in it.",
    ),
    (
        GOOD,
        [('heated = "heated.temp"\n', "")],
        ("delivered by origin", "burner"),
        "unavailable",
        'What "Gas burner" gave to the taps does not show: it heats in passing, and [hot_water] has no "heated" point '
        "after it.",
    ),
    (
        TWO_TANK,
        [],
        ("heating", "hp"),
        "derived",
        "The heat of hp in heating will be derived: source heat (loop ground) plus the compressor's electricity "
        "(hp.power). A load loop with a meter would make it measured.",
    ),
    (
        TWO_TANK,
        _ONE_WAY,
        ("cooling", "hp"),
        "unavailable",
        "The useful cooling of hp cannot be told: the heat meter of loop ground counts one way, so cooling looks like "
        "heating. Temperatures entering and leaving and a flow point there would tell them apart.",
    ),
    (
        TWO_TANK,
        [(_ONE_SENSOR[0], "[]"), ("ua_w_per_k = 2.4\n", "")],
        ("residual", "solar"),
        "unavailable",
        "The residual of solar cannot be told: it has no temperature point; ua_w_per_k is not given and it has "
        "no temperature point.",
    ),
    (
        TWO_TANK,
        [("pump_power_w = 60\n", "")],
        ("electricity of pumps", "desuperheater"),
        "unavailable",
        "The electricity of the pump of loop desuperheater is not counted: dsh.pump says when it runs, and "
        "pump_power_w is missing.",
    ),
    (
        TWO_TANK,
        [("electricity_per_kwh = 0.21\n", ""), ('kind = "electric-tank"', 'kind = "gas-tank"')],
        ("saved money", "site"),
        "unavailable",
        "Saved money cannot be told: [prices] has no electricity_per_kwh and no gas_per_kwh.",
    ),
    (
        TWO_TANK,
        [_BOILER, _BOILER_LOOP, _BURNER],
        ("purchased energy", "site"),
        "estimated",
        'The energy bought for hot water will be estimated from the fuel of "Electric element", the pump of loop '
        "ground, the pump of loop desuperheater, the pump of loop collector and the share of hp. Estimated in it: the "
        'fuel of "Electric element" and the pump of loop desuperheater. Not in it: the pump of loop boiler, whose '
        "power is not known.",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("text", "changes", "key", "verdict", "sentence"), _SENTENCES)
def test_a_technician_reads_how_a_figure_is_had_or_what_is_missing(text, changes, key, verdict, sentence):
    found = _by_key(_site(text, changes))[key]
    assert (found.verdict, found.sentence) == (verdict, sentence)


def test_a_site_of_nothing_promises_nothing():
    text = 'schema = 1\n[site]\nid = "a"\nname = "A"\ntimezone = "UTC"\nlatitude = 0\nlongitude = 0\n'
    found = capabilities(parse_site(text, file="small.toml"))
    assert {one.verdict for one in found if one.figure.startswith("saved")} == {"unavailable"}
    assert "stage heat" not in {one.figure for one in found}
