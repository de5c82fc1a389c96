"""
What is expected of each part of a house, and from which of a day's conditions.

A day's value is a scale times a straight-line model of a few conditions: a collector's heat is what its coefficients
allow while its loop ran, times a factor; a desuperheater's and a load loop's the compressor's electricity, a boiler's
its fuel, times heat per kWh; a heat pump's COP and a ground loop's temperature stand for themselves.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from math import isnan, nan

import numpy as np

from analytics.boiler_loop import boiler_behind
from analytics.expected.bearing import loop_bearing, misread
from analytics.expected.boiler import is_fuel_known
from analytics.expected.collector import SKY_PARTS
from analytics.expected.conditions import DayConditions, conditions_of
from analytics.expected.ground import ground_inputs
from analytics.figures import DayLedger, Figure
from analytics.site import Collector, HeatPump, Site, Stage

__all__ = ["Seen", "Sky", "Subject", "at_a_stand", "stage_subject", "subjects_of", "why_no_expectation"]

_LEAST_FALL_U = (
    0.02  # K/kW: noise of a sensor over some kilowatts; water of a well may not fall at all (common practice)
)
_LEAST_COVERAGE = 0.9
_ALLOWED_KWH = 1.5  # of a day from which a collector's heat can be told from its start and its pipes
# The least scatter of a day. By neighbours it is wider: clouds differ within 30 km, and within the day. Of 460 days of
# sound virtual houses beside neighbours good to 3 %, four in a hundred lie beyond the interval (with 0.08 ten).
_BY_OWN_PART, _BY_NEIGHBOURS_PART = 0.05, 0.12
_ELECTRICITY_KWH = 0.7
_FUEL_KWH = 3.0  # of a day from which a boiler's heat can be told from its starts
_BESIDE_PART = 0.1  # of a boiler's fuel that may be burned for something else
_STEADY_H = 0.75
_ONE_MODE = 0.05  # of the compressor's hours that the other mode may have


@dataclass(frozen=True, slots=True)
class Seen:
    """A part's day: value = scale x (model of the inputs), with a model for each mode."""

    value: float
    scale: float
    inputs: tuple[float, ...]
    mode: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """
    Args:
        component: A stage, a heat pump or a loop.
        quantity: "heat" [kWh], "cop" [-], "entering" [degC], "fall" [K/kW] or "balance" [-].
        drivers: What the inputs are, as words for a sentence.
        bearing: Ids of parts and sensors whose alerts explain its deviation; of other stages whether they stand still
            (`at_a_stand`), which leaves this one more or less to do than its first weeks did.
        least_part, least_u: A day's scatter is never taken for less than this part of the usual, nor than this.
        learns_every_days: Not only days that are new to the model widen it, but each of so many; 0 where none: for what
            drifts with the seasons in a way that no weeks can tell. Sudden shifts are found all the same.
        rests_on_sky: Whether the sun that neighbours measured stands in for its own sensor.
        see: A day, or a sentence why it cannot be judged.
        is_misread: Whether a day showed that a pair of sensors that its value comes from disagrees.
    """

    component: str
    quantity: str
    unit: str
    drivers: Sequence[str]
    bearing: frozenset[str]
    see: Callable[[DayLedger], Seen | str]
    is_misread: Callable[[DayLedger], bool]
    least_part: float = 0.05
    least_u: float = 0.0
    learns_every_days: int = 0
    rests_on_sky: bool = False

    @property
    def key(self) -> str:
        return f"{self.component}.{self.quantity}"


Sky = Mapping[date, float]
"""By day, the part of a cloudless sky's irradiation that neighbours measured."""


def subjects_of(site: Site, *, sky: Sky | None = None) -> Sequence[Subject]:
    """
    Every part of the house of which something can be expected, stages first.

    Args:
        sky: Of neighbours, for collectors without a sensor of their own; without it nothing is expected of them.
    """
    stages = [stage_subject(site, stage, sky=sky) for stage in site.stages.values()]
    known = [pump for pump in site.heat_pumps.values() if not _why_no_pump(site, pump)]
    pumps = [make(site, pump) for pump in known for make in (_cop, _ground, _fall)]
    return [*(each for each in stages if each is not None), *pumps]


def stage_subject(site: Site, stage: Stage, *, sky: Sky | None = None) -> Subject | None:
    """What a stage's heat follows from; None where that is not known."""
    if why_no_expectation(site, stage, has_sky=sky is not None):
        return None
    collector = _collector_of(site, stage)
    if collector is not None:
        return _sun(site, stage, collector, sky)
    pump = _pump_of(site, stage)
    if pump is None:
        return _boiler(site, stage)
    return _desuperheater(site, stage, pump) if pump.desuperheater_loop == stage.loop else _load(site, stage, pump)


def why_no_expectation(site: Site, stage: Stage, *, has_sky: bool = False) -> str:
    """One sentence why a stage's heat cannot be expected; "" where it can."""
    if stage.loop is None:
        return (
            "A heater's heat is computed from its input, so only what the taps and the other stages left can be told."
        )
    collector = _collector_of(site, stage)
    if collector is None:
        return "" if is_fuel_known(site, stage) else _why_no_pump(site, _pump_of(site, stage))
    if collector.eta0 is None:
        return f"Collector {collector.id} has no eta0, a1, a2 in the site file."
    if collector.outdoor is None:
        return f"Collector {collector.id} has no outdoor temperature."
    if collector.irradiance is None and not has_sky:
        return (
            f"Collector {collector.id} has no irradiance sensor, and no house within 30 km tells of the sun: only the "
            "ceiling of a cloudless sky is known."
        )
    return ""


def _why_no_pump(site: Site, pump: HeatPump | None) -> str:
    if pump is None:
        return "What its source should give is not modelled."
    if site.loops[pump.source_loop].entering is None:
        return f"Loop {pump.source_loop} has no sensor of the fluid that enters the heat pump."
    return ""


def _collector_of(site: Site, stage: Stage) -> Collector | None:
    return next((each for each in site.collectors.values() if stage.loop and each.loop == stage.loop), None)


def _pump_of(site: Site, stage: Stage) -> HeatPump | None:
    pumps = site.heat_pumps.values()
    return next((p for p in pumps if stage.loop and stage.loop in (p.desuperheater_loop, p.load_loop)), None)


def _sun(site: Site, stage: Stage, collector: Collector, sky: Sky | None) -> Subject:
    name = f"collector.{collector.id}."

    def see(day: DayLedger) -> Seen | str:
        conditions = conditions_of(day)
        heat, hours = _stage_heat(day, stage.id), conditions.get(f"{name}running_h", nan)
        allowed = _allowed(conditions, name, None if sky is None else sky.get(day.day, nan))
        air = conditions.get(f"{name}air_degc", nan)
        if isnan(allowed + air):
            return "Sun or air of the day are not known."
        if allowed < _ALLOWED_KWH or hours <= 0:
            return "Too little sun while the pump ran."
        return _checked(heat, Seen(heat.value, allowed, (hours * collector.area_m2 / allowed, air)))

    points = {collector.irradiance or "", collector.outdoor or ""}
    is_neighbours = collector.irradiance is None
    return Subject(
        component=stage.id,
        quantity="heat",
        unit="kWh",
        drivers=(
            "what its coefficients allow under the sun that the neighbours measured"
            if is_neighbours
            else "what its coefficients allow under the measured sun",
            "how strong the sun was while the pump ran",
            "the air",
        ),
        bearing=loop_bearing(site, stage.loop) | points | {stage.id, collector.id} | _others_at_a_stand(site, stage),
        see=see,
        is_misread=misread(site, stage.loop),
        least_part=_BY_NEIGHBOURS_PART if is_neighbours else _BY_OWN_PART,
        rests_on_sky=is_neighbours,
    )


def _allowed(conditions: DayConditions, name: str, sky: float | None) -> float:
    """Heat that the coefficients allow while the loop ran, under its own sun or the neighbours'. [kWh]"""
    own = conditions.get(f"{name}running_allowed_kwh")
    if own is not None or sky is None:
        return nan if own is None else own
    clear = [conditions.get(f"{name}running_clear_{part}_kwh", nan) for part in SKY_PARTS]
    return float(np.interp(sky, [0.0, *(part / 100 for part in SKY_PARTS)], [0.0, *clear]))


def _desuperheater(site: Site, stage: Stage, pump: HeatPump) -> Subject:
    names = {mode: f"heat_pump.{pump.id}.{mode}." for mode in ("heating", "cooling")}

    def see(day: DayLedger) -> Seen | str:
        conditions, heat = conditions_of(day), _stage_heat(day, stage.id)
        hours = {mode: conditions.get(f"{name}desuperheater_h", 0.0) for mode, name in names.items()}
        mode = max(hours, key=lambda each: hours[each])
        if sum(hours.values()) > hours[mode] * (1 + _ONE_MODE):
            return "The heat pump both heated and cooled."
        told = ("desuperheater_elec_kwh", "desuperheater_entering_degc", "entering_degc", "steady_elec_w")
        elec, own, source, power = (conditions.get(names[mode] + each, nan) for each in told)
        if not elec >= _ELECTRICITY_KWH:
            return "The compressor ran too little while the desuperheater's pump ran."
        return _checked(heat, Seen(heat.value, elec, (own, source, power / 1000), mode))

    return Subject(
        component=stage.id,
        quantity="heat",
        unit="kWh",
        drivers=("the compressor's electricity", "the water entering", "the source", "the compressor's power"),
        bearing=loop_bearing(site, stage.loop) | {stage.id, pump.id, pump.power} | _others_at_a_stand(site, stage),
        see=see,
        is_misread=misread(site, stage.loop),
        least_part=0.08,  # hot gas follows more than what is measured of it
    )


def _load(site: Site, stage: Stage, pump: HeatPump) -> Subject:
    name = f"heat_pump.{pump.id}.heating."

    def see(day: DayLedger) -> Seen | str:
        conditions, heat = conditions_of(day), _stage_heat(day, stage.id)
        told = ("run_elec_kwh", "entering_degc", "steady_elec_w")
        elec, source, power = (conditions.get(name + each, nan) for each in told)
        if not elec >= _ELECTRICITY_KWH:
            return "The compressor ran too little."
        return _checked(heat, Seen(heat.value, elec, (source, power / 1000)))

    return Subject(
        component=stage.id,
        quantity="heat",
        unit="kWh",
        drivers=("the compressor's electricity", "the source", "the compressor's power"),
        bearing=loop_bearing(site, stage.loop) | {stage.id, pump.id, pump.power} | _others_at_a_stand(site, stage),
        see=see,
        is_misread=misread(site, stage.loop),
        least_part=0.03,
    )


def _boiler(site: Site, stage: Stage) -> Subject:
    name, has_entering = f"boiler.{stage.id}.", site.loops[stage.loop or ""].entering is not None

    def see(day: DayLedger) -> Seen | str:
        conditions, heat = conditions_of(day), _stage_heat(day, stage.id)
        fuel, beside, lit, entering = (
            conditions.get(name + each, nan) for each in ("fuel_kwh", "beside_kwh", "lit", "entering_degc")
        )
        if not fuel >= _FUEL_KWH:
            return "The boiler burned too little, or its fuel is not known."
        if beside > _BESIDE_PART * fuel:
            return "The boiler also burned while the loop stood still, for something else."
        return _checked(heat, Seen(heat.value, fuel, (lit / fuel, entering) if has_entering else (lit / fuel,)))

    boiler = boiler_behind(site)
    parts = () if boiler is None else (boiler[0].id, boiler[0].power or boiler[0].status or "")
    return Subject(
        component=stage.id,
        quantity="heat",
        unit="kWh",
        drivers=("the fuel that its boiler took", "how often it was lit", "the water entering")[: 2 + has_entering],
        bearing=loop_bearing(site, stage.loop) | {stage.id, *parts} | _others_at_a_stand(site, stage),
        see=see,
        is_misread=misread(site, stage.loop),
    )


def _cop(site: Site, pump: HeatPump) -> Subject:
    name = f"heat_pump.{pump.id}.heating."

    def see(day: DayLedger) -> Seen | str:
        told = ("steady_h", "steady_cop", "entering_degc", "steady_elec_w")
        hours, cop, source, power = (conditions_of(day).get(name + each, nan) for each in told)
        if not hours >= _STEADY_H:
            return "It did not heat steadily for long enough."
        return _whole(Seen(cop, 1.0, (source, power / 1000)))

    loops = (pump.source_loop, pump.load_loop, pump.desuperheater_loop)
    bearing = frozenset().union(*(loop_bearing(site, loop) for loop in loops if loop))
    return Subject(
        component=pump.id,
        quantity="cop",
        unit="1",
        drivers=("the source", "the compressor's power"),
        bearing=bearing | {pump.id, pump.power},
        see=see,
        is_misread=misread(site, pump.load_loop or pump.source_loop),
        least_part=0.03,
    )


def _ground(site: Site, pump: HeatPump) -> Subject:
    name = f"heat_pump.{pump.id}.heating."

    def see(day: DayLedger) -> Seen | str:
        told = ("steady_h", "entering_degc", "source_mean_w")
        hours, entering, load = (conditions_of(day).get(name + each, nan) for each in told)
        if not hours >= _STEADY_H:
            return "The heat pump did not heat steadily for long enough."
        season, load = _season(day.day, site.latitude_deg < 0), load / 1000
        return _whole(Seen(entering, 1.0, (season, load)))

    return Subject(
        component=pump.source_loop,
        quantity="entering",
        unit="degC",
        drivers=("the season", "the heat taken that day"),
        bearing=loop_bearing(site, pump.source_loop) | {pump.power},
        see=see,
        is_misread=misread(site, pump.source_loop),
        least_u=1.0,
        learns_every_days=2,
    )


def _fall(site: Site, pump: HeatPump) -> Subject:
    """How far a ground loop's fluid falls within a run: its first weeks stay the reference, for no season moves it."""

    def see(day: DayLedger) -> Seen | str:
        fall = conditions_of(day).get(f"heat_pump.{pump.id}.heating.fall_k_per_kw", nan)
        return "No run lasted long enough after a rest." if isnan(fall) else Seen(fall, 1.0, ())

    return Subject(
        component=pump.source_loop,
        quantity="fall",
        unit="K/kW",
        drivers=("the heat taken from it",),
        bearing=loop_bearing(site, pump.source_loop) | {pump.id, pump.power},
        least_u=_LEAST_FALL_U,
        see=see,
        is_misread=misread(site, pump.source_loop),
    )


@lru_cache(maxsize=1024)
def _season(day: date, is_south: bool) -> float:
    return float(ground_inputs([day], [0.0], is_south=is_south)[0, 0])


def at_a_stand(part: str) -> str:
    """How a loop or heater that moves or heats nothing is named among what bears on other stages."""
    return f"the standing {part}"


def _others_at_a_stand(site: Site, stage: Stage) -> frozenset[str]:
    others = (each for each in site.stages.values() if each.id != stage.id and each.loop != stage.loop)
    return frozenset(at_a_stand(each.heater or each.loop or each.id) for each in others)


def _stage_heat(day: DayLedger, stage: str) -> Figure:
    return next((line.heat for line in day.stages if line.stage == stage), _NO_HEAT)


_NO_HEAT = Figure(nan, "kWh", coverage=0.0)


def _checked(heat: Figure, seen: Seen) -> Seen | str:
    if heat.coverage < _LEAST_COVERAGE:
        return "Readings cover too little of the day."
    return _whole(seen)


def _whole(seen: Seen) -> Seen | str:
    return "A condition of the day is not known." if isnan(seen.value + sum(seen.inputs)) else seen
