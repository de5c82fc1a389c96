"""
The tables of a site file: which fields each has, and how they become the parts of a `Site`.

This is the contract's list of fields, in code. Limits are those of the physical range or, where they only catch a
slip of the pen (92 for 0.92), of what is built; such limits are common practice.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from analytics.accuracy import ACCURACY_FORMS, parse_accuracy
from analytics.site import (
    Accuracy,
    Baseline,
    Collector,
    FluidMix,
    Heater,
    HeatPump,
    HotWater,
    Loop,
    Point,
    Prices,
    RatingPoint,
    Stage,
    Tank,
    TariffBand,
)
from analytics.site_fields import (
    Field,
    WrongValueError,
    choice,
    day_number,
    false_or_true,
    identifier,
    iso_date,
    list_of,
    minute_of_day,
    month_number,
    number,
    number_or_text,
    quoted,
    text,
    timezone_name,
)

__all__ = [
    "LISTS",
    "POINT_FIELDS",
    "SINGLE",
    "SITE_FIELDS",
    "TOP_LEVEL",
    "make_baseline",
    "make_hot_water",
    "make_point",
    "make_prices",
    "maker",
]

_ID_HINT = 'use lower-case letters, digits, "-" and "_", such as'


def _id(example: str) -> Field:
    return Field("id", identifier(), f'{_ID_HINT} "{example}"', needed=True)


def _point(name: str, quantities: Sequence[str], what: str, *, needed: bool = False) -> Field:
    measured = " or ".join(quantities)
    hint = f"name the {measured} point {what}"
    return Field(name, text, hint, needed, refers="points", quantities=quantities)


def _options(name: str, options: Sequence[str], *, needed: bool = False) -> Field:
    shown = ", ".join(f'"{option}"' for option in options[:-1]) + f' or "{options[-1]}"'
    return Field(name, choice(*options), f"use {shown}", needed)


def _accuracy(raw: object) -> Accuracy:
    if isinstance(raw, bool) or not isinstance(raw, str | int | float):
        raise WrongValueError(f"{quoted(raw)} is not an accuracy")
    try:
        return parse_accuracy(raw if isinstance(raw, str) else number(low=0)(raw))
    except WrongValueError:
        raise
    except ValueError as error:
        raise WrongValueError(f"{quoted(raw)} is not an accuracy") from error


TOP_LEVEL: Sequence[str] = (
    *("schema", "site", "points", "fluid", "tank", "loop", "heat_pump", "collector", "heater"),
    *("hot_water", "stage", "prices", "baseline"),
)

SITE_FIELDS = (
    _id("quarry-road-3"),
    Field("name", text, "give the name that people call the house by", needed=True),
    Field("timezone", timezone_name, 'use an IANA name such as "Europe/Berlin"', needed=True),
    Field("latitude", number(low=-90, high=90), "give degrees, north positive, -90 to 90", needed=True),
    Field("longitude", number(low=-180, high=180), "give degrees, east positive, -180 to 180", needed=True),
    Field("elevation_m", number(low=-500, high=9000), "give metres above sea level, -500 to 9000"),
    Field("commissioned", iso_date, "write a date such as 2025-09-15"),
    _options("units", ("si", "us")),
    Field(
        "outdoor",
        text,
        "name the temperature point of the outdoor air",
        refers="points",
        quantities=("temperature",),
    ),
)

QUANTITIES = ("temperature", "flow", "power", "energy", "volume", "status", "irradiance", "speed")
POINT_FIELDS = (
    _options("quantity", QUANTITIES, needed=True),
    Field("unit", text, "give the unit that the readings come in", needed=True),
    _options("sampling", ("instant", "mean", "counter")),
    Field("interval_s", number(above=0, high=86400), "give the usual seconds from reading to reading, up to 86400"),
    Field("accuracy", _accuracy, ACCURACY_FORMS),
    Field("offset", number(), "give what is to be added to a reading, in the point's unit"),
    Field("gain", number(nonzero=True), "give the factor on a reading, 1 for none"),
    Field("topic", text, "give the MQTT topic on which the gateway publishes this value"),
    Field("field", text, 'give the path to the value in the JSON payload, such as "sensors.top"'),
)

_FLUIDS = ("water", "propylene-glycol", "ethylene-glycol", "methanol", "ethanol")
_FLUID_FIELDS = (
    _id("ground-glycol"),
    _options("kind", _FLUIDS, needed=True),
    Field("mass_percent", number(low=0, high=60), "give the percent by mass that is not water, 0 to 60"),
)


def _tank_litres(raw: object) -> float:
    litres = number(low=0, high=100_000)(raw)
    if 0 < litres < 1:
        raise WrongValueError(f"{quoted(raw)} l is a cup and no tank", f"if m3 are meant, write {litres * 1000:g}")
    return number(low=1)(raw)


_TEMPERATURE = ("temperature",)
_TANK_FIELDS = (
    _id("preheat"),
    Field("volume_l", _tank_litres, "give the water content in litres, 1 to 100000", needed=True),
    Field(
        "temperatures",
        list_of(text),
        "list the temperature points from top to bottom, or []",
        refers="points",
        quantities=_TEMPERATURE,
    ),
    Field("ua_w_per_k", number(low=0, high=100), "give the heat loss in W per kelvin, 0 to 100"),
    Field(
        "ambient",
        number_or_text(number(low=-40, high=60)),
        "give the temperature around the tank in degC (-40 to 60), or name the temperature point there",
        refers="points",
        quantities=_TEMPERATURE,
    ),
)

_LOOP_FIELDS = (
    _id("ground"),
    Field("fluid", text, "name the [[fluid]] in the loop", refers="fluid"),
    _point("entering", _TEMPERATURE, "where the fluid enters the component"),
    _point("leaving", _TEMPERATURE, "where the fluid leaves the component"),
    _point("flow", ("flow",), "of the loop"),
    Field("assumed_flow_l_per_s", number(above=0, high=20), "give litres per second, such as 0.08, up to 20"),
    _point("energy", ("energy",), "of the loop's heat meter"),
    _options("flow_side", ("entering", "leaving")),
    _point("pump", ("status", "power"), "of the loop's pump"),
    Field("pump_power_w", number(low=0, high=10_000), "give the pump's power in W, 0 to 10000"),
)

_INPUT = ("power", "energy")  # an energy counter tells input better than power read now and then
_DEGC_LIMITS = number(low=-60, high=150)
_RATING_FIELDS = (
    _options("mode", ("heating", "cooling"), needed=True),
    Field("entering_c", _DEGC_LIMITS, "give degC entering on the source side, -60 to 150", needed=True),
    Field("leaving_c", _DEGC_LIMITS, "give degC leaving on the load side, -60 to 150", needed=True),
    Field("capacity_w", number(above=0, high=1e6), "give the heat or cooling in W, up to 1000000", needed=True),
    Field("power_w", number(above=0, high=1e6), "give the electric power in W, up to 1000000", needed=True),
)


def _rows_only(raw: object) -> Any:
    raise WrongValueError(f"{quoted(raw)} is not a list of tables")


_HEAT_PUMP_FIELDS = (
    _id("hp"),
    _point("power", _INPUT, "of the compressor and controls", needed=True),
    Field("source_loop", text, "name the [[loop]] on the source side", needed=True, refers="loop"),
    Field("load_loop", text, "name the [[loop]] that carries the heat to the house", refers="loop"),
    Field("desuperheater_loop", text, "name the [[loop]] of the desuperheater", refers="loop"),
    Field(
        "rating",
        _rows_only,
        'list { mode = "heating", entering_c, leaving_c, capacity_w, power_w } from the maker\'s sheet',
        rows=_RATING_FIELDS,
    ),
)

_COLLECTOR_FIELDS = (
    _id("roof"),
    Field("loop", text, "name the [[loop]] that passes the collector", needed=True, refers="loop"),
    Field("area_m2", number(above=0, high=10_000), "give the area of its data sheet in m2, up to 10000", needed=True),
    Field("eta0", number(above=0, high=1), "give the data sheet's peak efficiency, 0 to 1"),
    Field("a1", number(low=0, high=30), "give the data sheet's a1 in W/(m2 K), 0 to 30"),
    Field("a2", number(low=0, high=1), "give the data sheet's a2 in W/(m2 K2), 0 to 1"),
    Field("tilt_deg", number(low=0, high=90), "give degrees from level (0) to upright (90)"),
    Field("azimuth_deg", number(low=0, high=360), "give degrees from north by east, 180 for south, 0 to 360"),
    _point("irradiance", ("irradiance",), "in the collector's plane"),
    _point("outdoor", _TEMPERATURE, "of the outdoor air"),
)

_HEATER_FIELDS = (
    _id("element"),
    _options("kind", ("electric", "gas", "propane", "oil"), needed=True),
    _point("power", _INPUT, "of the heater's input"),
    _point("status", ("status",), "that says whether the heater is on"),
    Field("rated_w", number(above=0, high=1e6), "give the input power of its name plate in W, up to 1000000"),
    Field("efficiency", number(above=0, high=1.2), "give heat made to energy put in, 0.9 for 90 %, up to 1.2"),
)

_HOT_WATER_FIELDS = (
    Field(
        "tanks",
        list_of(text),
        "list the [[tank]] ids in the order that the water passes them",
        needed=True,
        refers="tank",
    ),
    _point("cold", _TEMPERATURE, "of the cold water that comes in"),
    _point("flow", ("flow",), "of the hot-water path"),
    _point("volume", ("volume",), "of the hot-water path's meter"),
    Field(
        "between",
        list_of(text),
        "list the temperature points of the water leaving tank 1, tank 2 ...",
        refers="points",
        quantities=_TEMPERATURE,
    ),
    _point("hot", _TEMPERATURE, "of the water leaving the last tank"),
    _point("heated", _TEMPERATURE, "after the heater in passing"),
    _point("mixed", _TEMPERATURE, "after the mixing valve"),
    Field("mixed_set_c", number(low=30, high=70), "give the mixing valve's setting in degC, 30 to 70"),
    _options("flow_at", ("cold", "mixed")),
)


def _height(raw: object) -> tuple[float, float]:
    part = number(low=0, high=1)
    if not isinstance(raw, list):
        level = part(raw)
        return level, level
    if len(raw) != 2:
        raise WrongValueError(f"a list of {len(raw)} numbers is not a range")
    low, high = part(raw[0]), part(raw[1])
    if low > high:
        raise WrongValueError(f"{low:g} is above {high:g}", f"write the lower end first: [{high:g}, {low:g}]")
    return low, high


_STAGE_FIELDS = (
    _id("sun"),
    Field("name", text, "give the name that people call this heat source by", needed=True),
    Field("loop", text, "name the [[loop]] that brings the heat", refers="loop"),
    Field("heater", text, "name the [[heater]] that brings the heat", refers="heater"),
    Field("tank", text, "name the [[tank]] that it heats", refers="tank"),
    Field("height", _height, "give where the heat enters, 0 (bottom) to 1 (top): a number or [from, to]"),
    Field("backup", false_or_true, "write backup = true for the purchased last resort"),
)


def _currency(raw: object) -> str:
    found = text(raw)
    if not (len(found) == 3 and found.isascii() and found.isupper()):
        raise WrongValueError(f"{quoted(raw)} is not a currency code")
    return found


_PRICE = number(low=-10, high=1000)  # a tariff by the hour may fall below zero
_BAND_FIELDS = (
    Field("from", minute_of_day, 'write a local time as "HH:MM", such as "07:00"', needed=True),
    Field("to", minute_of_day, 'write a local time as "HH:MM", up to "24:00"', needed=True),
    Field("per_kwh", _PRICE, "give the price of a kWh, -10 to 1000", needed=True),
    Field("months", list_of(month_number, empty=False), 'list months as 1 to 12 or "Jan" to "Dec"'),
    Field("days", list_of(day_number, empty=False), 'list days as 1 (Monday) to 7 or "Mon" to "Sun"'),
)
_PRICE_FIELDS = (
    Field("currency", _currency, 'use a code of three capitals, such as "USD"', needed=True),
    Field(
        "electricity_per_kwh",
        _PRICE,
        "give a number, -10 to 1000, or a list of { from, to, per_kwh }",
        rows=_BAND_FIELDS,
    ),
    Field("gas_per_kwh", number(low=0, high=1000), "give the price of a kWh of gas, 0 to 1000"),
    Field("propane_per_litre", number(low=0, high=1000), "give the price of a litre of propane, 0 to 1000"),
    Field("oil_per_litre", number(low=0, high=1000), "give the price of a litre of oil, 0 to 1000"),
    Field("electricity_co2_kg_per_kwh", number(low=0, high=3), "give kg of CO2 per kWh of electricity, 0 to 3"),
)

_BASELINES = ("electric-tank", "gas-tank", "propane-tank", "oil-tank", "heat-pump-tank")
_BASELINE_FIELDS = (
    _options("kind", _BASELINES),
    Field("efficiency", number(above=0, high=6), "give heat delivered to energy bought, such as 0.92, up to 6"),
    Field("standby_w", number(low=0, high=500), "give the heat in W that its tank would lose, such as 60, up to 500"),
)

LISTS = {
    "fluid": _FLUID_FIELDS,
    "tank": _TANK_FIELDS,
    "loop": _LOOP_FIELDS,
    "heat_pump": _HEAT_PUMP_FIELDS,
    "collector": _COLLECTOR_FIELDS,
    "heater": _HEATER_FIELDS,
    "stage": _STAGE_FIELDS,
}
SINGLE = {"hot_water": _HOT_WATER_FIELDS, "prices": _PRICE_FIELDS, "baseline": _BASELINE_FIELDS}


def make_point(id: str, values: Mapping[str, Any]) -> Point:
    """A point; where nothing is said, an energy or a volume point is a counter, for it can be nothing else."""
    counter = values["quantity"] in ("energy", "volume")
    return Point(**{"id": id, "sampling": "counter" if counter else "instant", **values})


def _make_heat_pump(values: Mapping[str, Any]) -> HeatPump:
    rating = tuple(RatingPoint(**row) for row in values.get("rating", ()))
    return HeatPump(**{**values, "rating": rating})


def _make_stage(values: Mapping[str, Any]) -> Stage:
    # A heater's rod sits in the upper half, a loop's coil at the bottom: the contract's defaults.
    height = (0.6, 1.0) if "heater" in values else (0.0, 0.3)
    return Stage(**{"height": height, **values})


_MAKERS: dict[str, Callable[[Mapping[str, Any]], Any]] = {
    "fluid": lambda values: FluidMix(**values),
    "tank": lambda values: Tank(**values),
    "loop": lambda values: Loop(**values),
    "heat_pump": _make_heat_pump,
    "collector": lambda values: Collector(**values),
    "heater": lambda values: Heater(**values),
    "stage": _make_stage,
}


def maker(kind: str) -> Callable[[Mapping[str, Any]], Any]:
    """What turns the checked values of a `[[kind]]` table into its part of the site."""
    return _MAKERS[kind]


def _make_band(row: Mapping[str, Any]) -> TariffBand:
    end = row["to"] or 1440  # "00:00" as an end is the midnight that follows
    rest = {name: row[name] for name in ("per_kwh", "months", "days") if name in row}
    return TariffBand(from_minute=row["from"], to_minute=end, **rest)


def make_prices(values: Mapping[str, Any]) -> Prices:
    """Prices; a list of tables becomes tariff bands."""
    electricity = values.get("electricity_per_kwh")
    if isinstance(electricity, list):
        electricity = tuple(_make_band(row) for row in electricity)
    return Prices(**{**values, "electricity_per_kwh": electricity})


def make_hot_water(values: Mapping[str, Any]) -> HotWater:
    return HotWater(**values)


def make_baseline(values: Mapping[str, Any]) -> Baseline:
    return Baseline(**values)
