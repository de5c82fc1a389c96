"""The numbers that an alert was judged by, in words: the end of an evidence's name tells its unit."""

import math
import re
from collections.abc import Mapping
from typing import Any

from dashboards.numbers import (
    UNKNOWN,
    Display,
    free_places,
    show_number,
    show_quantity,
    show_span,
    unit_name,
)
from dashboards.rewording import in_readers_units

__all__ = ["evidence_line", "evidence_name"]

# Endings of evidence names and the unit and scale that they stand for; the longer ones first.
_ENDINGS: Mapping[str, tuple[str, float]] = {
    "_w_k": ("W per kelvin", 1),  # as in the sentences, in both unit systems
    "_k_per_kw": ("K/kW", 1),
    "_kwh_per_day": ("kWh", 1),
    "_kwh_day": ("kWh", 1),
    "_l_day": ("l", 1),
    "_l_min_m2": ("l/(min m2)", 1),
    "_deg": ("°", 1),
    "_w_per_m2": ("W/m2", 1),
    "_w_m2": ("W/m2", 1),
    "_degc": ("degC", 1),
    "_l_per_min": ("l/min", 1),
    "_l_min": ("l/min", 1),
    "_m3_s": ("l/min", 60_000),
    "_kwh": ("kWh", 1),
    "_litres": ("l", 1),
    "_l": ("l", 1),
    "_kw": ("W", 1000),
    "_w": ("W", 1),
    "_k": ("K", 1),
}
_SPANS = {"_seconds": 1, "_s": 1, "_minutes": 60, "_min": 60, "_hours": 3600, "_h": 3600, "_days": 86400}
_BY_DAY = "by_day"


def evidence_line(name: str, value: Any, display: Display) -> tuple[str, str]:
    """One value of the evidence as words and as text."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return evidence_name(name), UNKNOWN
    if name.startswith(_BY_DAY):
        return _day_by_day(name), str(value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return evidence_name(name), in_readers_units(str(value), display)
    if name.endswith("_percent"):
        return evidence_name(name), f"{show_number(value, 1)} %"
    for ending, (unit, scale) in _ENDINGS.items():
        if name.endswith(ending):
            a_day = " a day" if ending.endswith("_day") else ""
            return evidence_name(name), show_quantity(value * scale, unit, display) + a_day
    for ending, seconds in _SPANS.items():
        if name.endswith(ending):
            return evidence_name(name), show_span(value * seconds)
    places = 0 if value == round(value) else free_places(value)
    return evidence_name(name), show_number(value, places, units=display.units)


def _day_by_day(name: str) -> str:
    """A list of days is told in the unit in which it was judged."""
    unit = next((unit for ending, (unit, _) in _ENDINGS.items() if name == _BY_DAY + ending), "")
    return f"Day by day, {unit_name(unit, Display())}".rstrip(", ")


# Names that people would not guess from those of the judgement.
_NAMED = {
    "against": "Held against",
    "allowed_cop": "Carnot's COP, the sensors' limits in its favour",
    "any_limit": "Limit for any draw",
    "backup": "Backup",
    "burn": "Skin burns within",
    "called": "Called for",
    "carnot_cop": "Carnot's COP",
    "cold_limit": "Should heat below",
    "cop": "COP",
    "cool": "Too cool for",
    "counted": "Counted over",
    "cusum_allowance_sd": "Left out of it each day",
    "cusum_limit_sd": "It speaks beyond",
    "cusum_sd": "CUSUM, in standard deviations",
    "damage": "Does damage from",
    "days_between_false_signals": "Days between false signals, on average",
    "days_to_find": "Days to find such a shift, on average",
    "draws_hot": "Draws that were too hot",
    "fit": "The model was made of",
    "fit_cv_rmse": "CV(RMSE) of the model",
    "fit_nmbe": "NMBE of the model",
    "had": "Given",
    "hot_l": "Too hot water drawn",
    "hot_s": "Too hot for",
    "hot_time": "Too hot for",
    "idle": "Gave no heat for",
    "ignored": "Not started for",
    "impossible": "Of it above Carnot's COP",
    "lately": "Must have heated within the last",
    "least": "Counts as running from",
    "least_cop": "COP, with all limits of error taken off",
    "least_short": "Told of from",
    "lowest_water": "Hottest water, at its coldest",
    "min_days": "Days, at least",
    "min_kwh": "Heat, at least",
    "min_sustained": "A draw lasts from",
    "needless": "Without need",
    "of_sheet_heat": "Heat, of the maker's sheet",
    "of_sheet_power": "Power, of the maker's sheet",
    "over": "From the first to the last draw",
    "plus_minus": "± at 95 %",
    "set": "Set to",
    "shift_sd": "A day's shift, in standard deviations",
    "short": "Too little by",
    "shortest": "Told of from",
    "silent_within_day": "Silent within the day judged",
    "all_silent_within_day": "Of it together with all others",
    "stuck": "Stood still for",
    "still_flow": "Counts as standing up to",
    "sustained_limit": "Limit for a draw that lasts",
    "unused_limit": "Should heat below, while nobody draws",
    "useless": "Ran without gain for",
    "want": "Cold for",
    "wrong": "May be wrong",
}


def evidence_name(name: str) -> str:
    """What a value of the evidence is, as words."""
    endings = (*_ENDINGS, *_SPANS, "_percent")
    bare = name.removesuffix(next((ending for ending in endings if name.endswith(ending)), ""))
    for known in (name, bare):
        if known in _NAMED:
            return _NAMED[known]
    if bare.startswith("min_"):
        bare = f"{bare.removeprefix('min_')}, at least"
    text = re.sub(r"\bcop\b", "COP", bare.replace("_", " ").replace(".", " ").strip())
    return text[:1].upper() + text[1:]
