"""What stands behind a source of doubt, as a sentence; the numbers stand in its sum."""

import re
from collections.abc import Mapping, Sequence
from typing import Literal

from analytics.accuracy import accuracy_in_words, limit_in_words
from analytics.derived import Term
from analytics.doubt import OVER_COLD
from analytics.site import Point
from analytics.units import to_si

__all__ = ["Errs", "because", "carried", "hints"]

_ONE_SENSOR = "One sensor stands for the whole tank, whose mean may move apart from it, common practice."
_SOURCES = {
    "moments of the hot water": "Between two readings the water may have been as at the first or as at the second: "
    "what that makes in a step, as a root mean square, × the root of the number of steps ÷ 12.",
    "moments of": "Between two readings a change may have come at any moment: what that makes in a step, as a root "
    "mean square, × the root of the number of steps ÷ 12. Of heat that went the other way than most of the day's, a "
    "step counts up to where the lines through the readings beside it come.",
    "slugs of": "Heat goes the other way in slugs, of which readings miss the tips: of what the moments of reading "
    "leave in doubt of them, what is alike every day, as seen over fortnights in virtual houses.",
    "gaps of the temperatures": "Heat of the water that passed while its temperatures were not known, at a fifth above "
    "the mean of the rest, evenly spread.",
    "gaps beside the compressor": "What the heat pump did while its loops were not heard may differ from the rest.",
    "gaps beside": "What a tank may have lost while its temperatures were not read: a fifth above the mean of the "
    "rest, evenly spread.",
    "gaps of": "What may have passed while nothing was read: a fifth above the mean of the rest, as at the gap's "
    "edges, or in all but its first quarter of an hour as much as the part can give, whichever is most, and no more "
    "than its tank had room for, or taps than the largest household takes on a day, evenly spread.",
    "properties of": "Density and specific heat by the fluid table, as a standard uncertainty.",
    "assumed flow of": "The flow is not metered: standard uncertainty of a circulator's nominal flow, common practice.",
    "steps of": "Half of the smallest step of a power meter, evenly spread, over the time that it showed any.",
    "pump_power_w of": "Limits of a pump's stated power, common practice, evenly spread.",
    "unmetered pump of": "What a usual circulator draws, common practice, evenly spread, over the time that fluid ran.",
    "rated_w": "Limits of a heater's rated power, common practice, evenly spread.",
    "ua_w_per_k of": "Standard uncertainty of a stated loss coefficient, common practice.",
    "room of": "Standard uncertainty of the room's temperature, common practice.",
    "readings of": "Noise and rounding of one reading, common practice; the number per kelvin is √2 (both ends of the "
    "day) × the root of the sum of the layers' squares.",
    "layers of": "Between two sensors the water may be as at the one or as at the other: a part, as seen in virtual "
    "tanks, × the root of the sum of the squares of the steps from sensor to sensor, and from the lowest to the water "
    "that enters, at both ends of the day × a layer's heat per kelvin ÷ the number of layers.",
    "followed layers of": "How far the change of the mean of the followed layers may be off from one end of the day to "
    "the other, as seen in virtual tanks; kWh/K is all of the tank's water.",
    "moved layers of": "Where warm water ends is the less sure the more of it came or went: a part, as seen in virtual "
    "tanks, × by how much the followed layers changed over the day, as a root mean square, ÷ the number of sensors; "
    "kWh/K is all of the tank's water.",
    "heat in store at first": "How far what the tanks still held of the heat in store as the account began may be off: "
    "a part, as seen in virtual tanks, of what lies between two sensors, less what the taps had of it on days before; "
    "× the part that they got today, × the root of what else there was to get.",
    "beginning of": "What the account still finds out of the heat that the tank held as it began, where its sensors "
    "left open how much was warm: a fifth a day of what is left of that, as seen over fortnights in virtual tanks.",
    "warm front of": "By how much the heat of the followed layers changed otherwise than that between the sensors, × "
    "what such differences came to in virtual tanks.",
    "mean of": "How far a tank's water may be from the mean of its sensors: a part, as seen in virtual tanks, × the "
    "root of the sum of the squares of the steps from sensor to sensor, and from the lowest to the water that enters × "
    "the time × the loss coefficient ÷ the square of the number of sensors.",
    "places in": "Where a sensor stands within its part of the height: three tenths of that part from its middle at "
    "most, common practice, evenly spread × the root of the sum of the squares of how much the water differs across "
    "the parts × the time × the loss coefficient ÷ the number of sensors.",
    "one sensor of": _ONE_SENSOR,
    "account of": "How far heat may be misplaced between origins: within this part of the tanks' heat × the root of "
    "share × (1 − share) 95 % of the errors lie in virtual houses; ÷ 1.96 for a standard uncertainty; × what of it is "
    "another one every day.",
    "lasting account of": "Of how far heat may be misplaced between origins, what is alike on all days, as seen over "
    "fortnights in virtual houses.",
    "ways of": "By how much more of the heat that left the tank it would be in plug flow, in which water keeps its "
    "order, than out of a stirred tank, both with the day's flows and heat: the tank lies between the two, by half of "
    "it either way.",
    "starts and stops of": "How well each start and each stop is known: its power may be off by a twentieth from that "
    "beside it, common practice, ÷ √3 since it may run for any part of its minute, or of the time that a longer mean "
    "is of, and a part of less than a tenth is lost; between instants further apart, to any moment of that time.",
    "whole steps of": "A counter shows whole steps: at the day's start and at its end up to one may not show yet.",
    "slow starts of": "How much longer than its mean power says a compressor may run at each start while its power "
    "climbs: limits, common practice, evenly spread.",
    "slow answer of": "How much less change the sensor shows at the beginnings of draws than in long draws near by, as "
    "a mean over all water drawn: it may answer slowly, or the pipe delays the water; anything from none to all of it.",
    "heat unheard": "As much as arrived at the taps of heat that came into the tanks, or may "
    "have come, while they were not heard: any of the stages may have brought it, evenly spread.",
    "short run of": "Half of what the compressor used in so short a run.",
    "assumed cold water": "Standard uncertainty of the cold water's assumed temperature.",
    "top of": "Standard uncertainty of a tank's top sensor in place of its outlet, common practice.",
    "assumed efficiency of the boiler": "Standard uncertainty of the boiler's assumed efficiency, common practice.",
}
_PER = {
    "kWh/(l K)": "kWh/(l K) is density × specific heat ÷ 3600, in kg/l and kJ/(kg K), at the mean entering temperature;"
    " l is what moved while heat went that way, each step by its mean flow.",
    "kWh/(kg K)": "kWh/(kg K) is the specific heat of water, 4.18 kJ/(kg K) ÷ 3600; kg is all water that passed there.",
    "kWh/(h K)": "kWh/(h K) is the loss coefficient in W/K ÷ 1000, shared by the tank's sensors; h is the time.",
    "kWh/K": "kWh/K is litres × density × specific heat ÷ 3600 of a tank's layer.",
}
_UNHEARD_DRAWS = (
    "What may have been drawn while nothing was read: its mean, its scatter by the sizes of the day's draws, and taps "
    "that stood open at a gap's edge, for a quarter of an hour at most (÷ 3)."
)
_HALF_STEPS = (
    "Between two readings a change may have come at any moment: half of what that makes in a step, or of what is left "
    "of it where power or temperatures tell the moment, as a root mean square, × the root of the number of steps ÷ 3."
)
_IN_STORE = (
    "What was in store, and what the room gave, is not known better than to this part of the tanks' heat, in 95 of 100 "
    "days, and falls on the others by their shares; ÷ 1.96 for a standard uncertainty; × what of it is another one "
    "every day."
)
_COUNTER = "The counter is read at the day's edges to within an interval (÷ 12), and shows whole steps (÷ 6)."
Errs = Literal["alike every day", "anew every day", "at the days' ends"]
_CARRIED: Mapping[Errs, str] = {
    "alike every day": "The days' own, added up, in the table.",
    "anew every day": "The root of the sum of the days' squares, in the table.",
    "at the days' ends": "What is too much at a day's end is too much at the next one's start: of days that follow "
    "each other the first one's start and the last one's end are left, in the table.",
}


def because(source: str, terms: Sequence[Term]) -> str:
    """
    Why there is doubt from a source, and what its numbers are.

    Args:
        terms: What its standard uncertainty was written from.
    """
    source = source.replace(OVER_COLD, "")
    sensors = [term for term in terms if term.point is not None]
    if sensors:
        return _limits(sensors)
    first = terms[0]
    if source.startswith("layers of") and len(first.pieces) == 1:
        return _ONE_SENSOR
    if source.startswith("moments of") and first.over:
        return _COUNTER
    if source.startswith("moments of") and first.pieces and first.pieces[0].numbers[-1:] == (3.0,):
        return _HALF_STEPS
    if source.startswith("gaps of") and first.over:
        return _UNHEARD_DRAWS
    if source.startswith("account of") and not any("√({} × {})" in piece.text for piece in first.pieces):
        return _IN_STORE
    return next((words for prefix, words in _SOURCES.items() if source.startswith(prefix)), "")


def carried(errs: Errs) -> str:
    """How the sources of days are carried into a sum of days."""
    return _CARRIED[errs]


def _limits(sensors: Sequence[Term]) -> str:
    point = sensors[0].point
    assert point is not None
    at = [place for place in dict.fromkeys(_at(point, term.at) for term in sensors) if place]
    stated, formula = accuracy_in_words(point.accuracy, point.unit), limit_in_words(point.accuracy)
    limits = f"Limits of error, {stated}{f' ({formula})' if formula else ''}{' and'.join(at)}, evenly spread"
    if point.quantity != "temperature":
        return f"{limits}; × the amount that this meter counted."
    return f"{limits}; × what the figure moves by per kelvin there."


def _at(point: Point, at_si: float) -> str:
    """At which value the limits are taken, where they depend on it."""
    accuracy = point.accuracy
    if point.quantity == "temperature":
        depends = accuracy is not None and accuracy.standard != "absolute"
        return f" at {at_si:.2f} °C" if depends else ""
    if accuracy is None or accuracy.standard != "absolute":
        return ""
    scale, shift = to_si(point.quantity, point.unit)
    return f" of {(at_si - shift) / scale:.5g} {point.unit}"


def hints(expressions: Sequence[str]) -> list[str]:
    """How the sums of the sources are read, as far as they need it."""
    text = " ".join(expressions)
    found = []
    if "÷ √3" in text:
        found.append("÷ √3 makes a standard uncertainty of limits within which an error lies evenly spread.")
    found += [words for unit, words in _PER.items() if unit in text]
    if re.search(r"× \((?!1 −)", text):
        found.append("In parentheses stand the parts of the figure in which one and the same error counts.")
    return found
