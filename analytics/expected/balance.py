"""
A heat pump's balance as a day's condition: what its load got is what the source gave and the compressor took.

Where source, load and electricity are all metered, one too many is known. What a compressor's shell and its controls
give to the room is lost; nothing else is, over a whole day of heating.
"""

from collections.abc import Sequence
from dataclasses import astuple, dataclass
from math import hypot, isnan, sqrt

from analytics.expected.bearing import loop_bearing, misread
from analytics.expected.limits import COUNTER_LIMIT
from analytics.expected.subjects import Seen, Subject
from analytics.figures import DayLedger, Figure, HeatPumpLine
from analytics.site import HeatPump, Loop, Site

__all__ = ["LOST_PART", "Balance", "balance_key", "balance_of", "balance_subjects", "mean_balance", "why_no_balance"]

LOST_PART = 0.15
"""Of its electricity, that a compressor and its controls may give to the room (5 to 15 %, common practice)."""

_LEAST_KWH = 2.0  # of a day's heat, from which midnights and starts no longer tell (common practice)
_LEAST_COVERAGE = 0.9
_LIMITS_PER_U = sqrt(3.0)  # an error evenly spread within limits, GUM 4.3.7
_EXPANDED = 2.0  # coverage factor for 95 %, GUM 6.3.3 (from memory)
# A day's scatter is never taken for less: sound virtual houses scatter by 0.002 to 0.005 of the heat.
_LEAST_U = 0.01


@dataclass(frozen=True, slots=True)
class Balance:
    """
    A day's heat to the load (and the desuperheater), heat from the source and electricity, all in heating. [kWh]

    Each with how far it may be off with all its sensors at their limits of error at once. [kWh]
    """

    heat_kwh: float
    source_kwh: float
    elec_kwh: float
    heat_limit_kwh: float
    source_limit_kwh: float
    elec_limit_kwh: float

    @property
    def apart_kwh(self) -> float:
        """By how much the load got more than source and electricity make."""
        return self.heat_kwh - self.source_kwh - self.elec_kwh

    @property
    def explained_kwh(self) -> float:
        """How far they may be apart with all meters at their limits at once, and what the compressor loses."""
        lost_kwh = LOST_PART * self.elec_kwh if self.apart_kwh < 0 else 0.0
        return self.heat_limit_kwh + self.source_limit_kwh + self.elec_limit_kwh + lost_kwh


def why_no_balance(site: Site, pump: HeatPump) -> str:
    """What the site file lacks for a heat pump's balance; "" where nothing."""
    load, source = site.loops.get(pump.load_loop or ""), site.loops[pump.source_loop]
    for name, loop in (("load", load), ("source", source)):
        if loop is None or not (loop.energy or loop.flow):
            return f"The heat of the {name} of heat pump {pump.id} is not metered."
    mine = {pump.load_loop, pump.source_loop}
    shared = [p.id for p in site.heat_pumps.values() if p is not pump and mine & {p.load_loop, p.source_loop}]
    return f"Its loops carry the heat of {' and '.join(shared)} as well." if shared else ""


def balance_of(site: Site, day: DayLedger, heat_pump: str) -> Balance | None:
    """A day's balance; None on a day of little heat, of cooling, or with something not known."""
    line = next((each for each in day.heat_pumps if each.heat_pump == heat_pump), None)
    if line is None or not _is_known(line):
        return None
    pump = site.heat_pumps[heat_pump]
    figures = (line.heating_heat, line.source_heat, line.heating_electricity)
    loops = (site.loops.get(pump.load_loop or ""), site.loops[pump.source_loop], None)
    limits = (_limit_kwh(figure, loop) for figure, loop in zip(figures, loops, strict=True))
    return Balance(*(each.value for each in figures), *limits)


def _limit_kwh(figure: Figure, loop: Loop | None) -> float:
    doubt = figure.doubt
    steady = _LIMITS_PER_U * sum(abs(each) for each in doubt.steady.values())
    if loop is not None and loop.energy is not None:
        steady = max(steady, COUNTER_LIMIT * figure.value)
    return steady + _EXPANDED * hypot(*doubt.passing.values(), *doubt.ends.values())


def _is_known(line: HeatPumpLine) -> bool:
    figures = (line.heating_heat, line.source_heat, line.heating_electricity)
    # Heat that is derived from the source is no third meter.
    if any(isnan(each.value) or each.coverage < _LEAST_COVERAGE or each.basis != "measured" for each in figures):
        return False
    has_cooled = line.cooling_electricity.value > 0
    return line.heating_heat.value >= _LEAST_KWH and line.heating_electricity.value > 0 and not has_cooled


def mean_balance(days: Sequence[Balance]) -> Balance:
    """Of an average day; errors of calibration do not average out."""
    return Balance(*(sum(column) / len(days) for column in zip(*map(astuple, days), strict=True)))


def balance_key(heat_pump: str) -> str:
    """Under which a heat pump's balance is carried from day to day."""
    return f"{heat_pump}.balance"


def balance_subjects(site: Site) -> Sequence[Subject]:
    """Of each heat pump that has one, what its meters are apart by, as a part of its heat."""
    return [_subject(site, pump) for pump in site.heat_pumps.values() if not why_no_balance(site, pump)]


def _subject(site: Site, pump: HeatPump) -> Subject:
    def see(day: DayLedger) -> Seen | str:
        found = balance_of(site, day, pump.id)
        if found is None:
            return "The heat pump heated too little, or a meter of it is not known."
        return Seen(found.apart_kwh / found.heat_kwh, 1.0, ())

    loops = [loop for loop in (pump.source_loop, pump.load_loop, pump.desuperheater_loop) if loop]
    checks = [misread(site, loop) for loop in loops]
    return Subject(
        component=pump.id,
        quantity="balance",
        unit="1",
        drivers=(),
        bearing=frozenset().union(*(loop_bearing(site, loop) for loop in loops)) | {pump.power},
        see=see,
        is_misread=lambda day: any(check(day) for check in checks),
        least_u=_LEAST_U,
    )
