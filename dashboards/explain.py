"""
How do you know? Every figure of a day with its formula in words, and the sensors that it rests on.

The words come from the site, so that they name the sensors of this very house; the basis, the coverage, the interval
and the reason come from the figure.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from analytics.figures import DayLedger, Figure, HeatPumpLine, StageLine, TankLine
from analytics.prices import BASELINE_EFFICIENCY
from analytics.site import HotWater, Loop, Site, Stage
from dashboards.figure_names import figure_label
from dashboards.names import heat_pump_name, heater_name, loop_name, tank_name

__all__ = [
    "BASES",
    "METRIC",
    "ROUNDING",
    "FigureGroup",
    "FigureRow",
    "doubt_reasons",
    "figure_groups",
    "is_fraction",
    "part_in_words",
]

_LEAST_PART = 0.01  # of a figure's variance, from which a source is named

_H3 = "(heat made in heating + the backup's heat) ÷ (electricity of compressor and source pump + the backup's energy"
_FACTORS = {
    "h1": "The heat pump alone: heat made in heating ÷ the compressor's electricity.",
    "h2": "With its source: heat made in heating ÷ (the compressor's electricity + the source pump's).",
    "h3": f"With the backup: {_H3}).",
    "h4": f"With all drives: {_H3} + electricity of the pumps that carry the heat away).",
}

ROUNDING = "Numbers are shown rounded; typed in as shown, a sum may differ in its last digit."
METRIC = "Amounts are in litres, °C and kWh, as they were metered; this house's pages show gallons and °F."

BASES = {
    "measured": "from calibrated meters at that spot",
    "derived": "from a balance of measured figures",
    "estimated": "with an assumed flow, loss or other stand-in",
    "unavailable": "it cannot be had from what is installed or was read",
}


@dataclass(frozen=True, slots=True)
class FigureRow:
    """One figure of the day: its path, how it is worked out, the points read for it, what it is called."""

    path: str
    figure: Figure
    how: str
    points: Sequence[str] = ()
    label: str = ""

    @property
    def as_percent(self) -> bool:
        return is_fraction(self.path)

    @property
    def doubts(self) -> str:
        """Where the interval comes from, the largest part first; empty where there is none."""
        told = [f"{100 * part:.0f} % {source}" for source, part in self.figure.doubt.shares() if part >= _LEAST_PART]
        return f"{', '.join(told)} (of its variance)." if told else ""


@dataclass(frozen=True, slots=True)
class FigureGroup:
    title: str
    rows: Sequence[FigureRow]


def figure_groups(site: Site, ledger: DayLedger) -> list[FigureGroup]:
    """
    All figures of a day's ledger, in the order of the heat's way from source to tap to bill.

    Days added up may have parts that the site has in another version only: of them there is nothing to tell.
    """
    pumps = [line for line in ledger.heat_pumps if line.heat_pump in site.heat_pumps]
    tanks = [line for line in ledger.tanks if line.tank in site.tanks]
    groups = [
        FigureGroup("Hot water", _hot_water(site, ledger)),
        FigureGroup(
            "Heat sources", [row for line in ledger.stages if line.stage in site.stages for row in _stage(site, line)]
        ),
        FigureGroup("Backup", _backup(ledger)),
        *(FigureGroup(heat_pump_name(site, h.heat_pump), _heat_pump(site, h)) for h in pumps),
        *(FigureGroup(tank_name(t.tank), _tank(site, t)) for t in tanks),
        FigureGroup("Bought and saved", _money(site, ledger)),
    ]
    return [
        replace(group, rows=[replace(row, label=figure_label(site, row.path)) for row in group.rows])
        for group in groups
        if group.rows
    ]


def is_fraction(path: str) -> bool:
    """Whether a figure is shown as percent."""
    return path.endswith("backup_fraction")


def doubt_reasons(sources: Iterable[Mapping[str, Any]]) -> list[tuple[str, str]]:
    """Why there is doubt: each sentence once, with the names of the sources that it is of."""
    named: dict[str, list[str]] = {}
    for source in sources:
        if source["because"]:
            named.setdefault(source["because"], []).append(source["source"])
    return [(", ".join(names), reason) for reason, names in named.items()]


def part_in_words(part: float) -> str:
    """A part of the variance."""
    return "less than 0.1 % of the variance" if part < 5e-4 else f"{part * 100:.1f} % of the variance"


def _present(points: Iterable[str | None]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(point for point in points if point))


def _outlet(water: HotWater) -> str:
    return next((name for name in (water.heated, water.hot, water.mixed) if name), "an outlet sensor")


def _hot_water(site: Site, ledger: DayLedger) -> list[FigureRow]:
    water, line = site.hot_water or HotWater(), ledger.hot_water
    meter, outlet = water.flow or water.volume, _outlet(water)
    points = _present((meter, water.cold, outlet if site.hot_water else None))
    heat = (
        f"Over each draw: density × volume ({meter or 'no meter'}) × specific heat × (water leaving, {outlet}, "
        f"− cold water, {water.cold or 'no sensor'}), added up over the day."
    )
    carried = (
        "The part of the hot-water heat that was already in the tanks when the account began, shared out as it moves."
    )
    return [
        FigureRow(
            "hot_water.volume", line.volume, "The water meter's volume over all draws of the day.", _present((meter,))
        ),
        FigureRow("hot_water.heat", line.heat, heat, points),
        FigureRow("hot_water.carried_over", line.carried_over, carried, points),
    ]


def _loop_how(loop: Loop) -> tuple[str, tuple[str, ...]]:
    if loop.energy:
        return f"The difference of the heat meter's counter ({loop.energy}) over the day.", (loop.energy,)
    flow = loop.flow or f"an assumed {loop.assumed_flow_l_per_s} l/s while the pump runs"
    how = f"Density × flow ({flow}) × specific heat × (leaving, {loop.leaving}, − entering, {loop.entering}), added up "
    return how, _present((loop.entering, loop.leaving, loop.flow, loop.pump))


def _stage_how(site: Site, stage: Stage) -> tuple[str, str, tuple[str, ...]]:
    """How its heat and its reverse heat are worked out, and from which points."""
    if stage.loop:
        how, points = _loop_how(site.loops[stage.loop])
        if site.loops[stage.loop].energy:
            return how, "What the same counter counted down.", points
        return f"{how}while it is positive.", f"{how}while it is negative: heat taken out of the tank.", points
    heater = site.heaters[stage.heater or ""]
    source = heater.power or f"{heater.rated_w} W while {heater.status} is on"
    how = f"Input power ({source}) × efficiency ({heater.efficiency:g}), added up over the day."
    return how, "A heater takes nothing out.", _present((heater.power, heater.status))


def _stage(site: Site, line: StageLine) -> list[FigureRow]:
    stage, path = site.stages[line.stage], f"stages.{line.stage}"
    how, reverse, points = _stage_how(site, stage)
    delivered = (
        "Each tank carries its heat by origin: what comes in counts for its source, water moving on takes the mix "
        "with it, losses fall on all in proportion. This is what the taps received of this source."
    )
    rows = [FigureRow(f"{path}.heat", line.heat, how, points)]
    if stage.loop:
        rows.append(FigureRow(f"{path}.reverse", line.reverse, reverse, points))
    return [*rows, FigureRow(f"{path}.delivered", line.delivered, delivered)]


def _backup(ledger: DayLedger) -> list[FigureRow]:
    return [
        FigureRow(
            "backup_fraction",
            ledger.backup_fraction,
            "Heat put in by backup stages ÷ heat put in by all stages.",
        ),
        FigureRow(
            "delivered_backup_fraction",
            ledger.delivered_backup_fraction,
            "Hot-water heat that came from backup ÷ all hot-water heat.",
        ),
    ]


def _heat_pump(site: Site, line: HeatPumpLine) -> list[FigureRow]:
    unit, path = site.heat_pumps[line.heat_pump], f"heat_pumps.{line.heat_pump}"
    load = unit.load_loop
    heat = (
        f"The {loop_name(load).lower()}'s heat, and the desuperheater's where there is one."
        if load
        else "Heat taken from the source + the compressor's electricity."
    )
    points, power = _loop_points(site, (load, unit.source_loop, unit.desuperheater_loop)), (unit.power,)
    electricity = f"The compressor's power ({unit.power}), added up while it "
    tells = _loop_points(site, (unit.source_loop, load)) + power
    ran = "Time in which the compressor drew its working power"
    started = "Times that the compressor's power rose from rest, of the runs that"
    cooling = "Heat given to the source + desuperheater heat − the compressor's electricity."
    source = f"Heat that left the ground or other source through the {loop_name(unit.source_loop).lower()}."
    return [
        FigureRow(f"{path}.heating.heat", line.heating_heat, heat, points + power),
        FigureRow(f"{path}.heating.electricity", line.heating_electricity, f"{electricity}heats.", power),
        FigureRow(f"{path}.heating.cop", line.heating_cop, "Heat made ÷ electricity for it.", points + power),
        FigureRow(f"{path}.heating.run_hours", line.heating_run_hours, f"{ran} and heated.", tells),
        FigureRow(f"{path}.heating.starts", line.heating_starts, f"{started} heated.", tells),
        FigureRow(f"{path}.cooling.cooling", line.cooling, cooling, points + power),
        FigureRow(f"{path}.cooling.electricity", line.cooling_electricity, f"{electricity}cools.", power),
        FigureRow(f"{path}.cooling.cop", line.cooling_cop, "Useful cooling ÷ electricity for it.", points + power),
        FigureRow(f"{path}.cooling.run_hours", line.cooling_run_hours, f"{ran} and cooled.", tells),
        FigureRow(f"{path}.cooling.starts", line.cooling_starts, f"{started} cooled.", tells),
        *(FigureRow(f"{path}.heating.spf.{name}", figure, _FACTORS[name]) for name, figure in line.spf.items()),
        FigureRow(f"{path}.source_heat", line.source_heat, source, _loop_points(site, (unit.source_loop,))),
    ]


def _loop_points(site: Site, loops: Iterable[str | None]) -> tuple[str, ...]:
    found = [site.loops[loop] for loop in loops if loop]
    return _present(point for loop in found for point in (loop.energy, loop.entering, loop.leaving, loop.flow))


def _tank(site: Site, line: TankLine) -> list[FigureRow]:
    tank, path = site.tanks[line.tank], f"tanks.{line.tank}"
    ua = "an unknown UA" if tank.ua_w_per_k is None else f"UA ({tank.ua_w_per_k:g} W/K)"
    points = tuple(tank.temperatures)
    loss = f"{ua} × (mean tank temperature − surroundings, {tank.ambient}), added up over the day."
    change = f"Over the tank's layers: density × specific heat × volume ({tank.volume_l:g} l in all) × (end − start)."
    if line.stored_change.basis == "derived":
        change = f"{change} They are followed with what flowed in and out, and held by the sensors."
    residual = "Heat in − heat out − stored change − loss: what the balance leaves unexplained."
    return [
        FigureRow(f"{path}.stored_change", line.stored_change, change, points),
        FigureRow(f"{path}.loss", line.loss, loss[:1].upper() + loss[1:], points),
        FigureRow(f"{path}.residual", line.residual, residual, points),
    ]


def _money(site: Site, ledger: DayLedger) -> list[FigureRow]:
    baseline = site.baseline.kind.replace("-", " ")
    shared = " + the heat pump's electricity that the hot water caused" if site.heat_pumps else ""
    bought = f"Backup input + circulators{shared}."
    efficiency = site.baseline.efficiency or BASELINE_EFFICIENCY[site.baseline.kind]
    standby = f" + its standby loss, {site.baseline.standby_w:g} W" if site.baseline.standby_w else ""
    heat = f"(heat in hot water{standby}) ÷ {efficiency:g}" if standby else f"heat in hot water ÷ {efficiency:g}"
    instead = f"What {_article(baseline)} would have bought for the same hot water, {heat}, − what was bought"
    heaters = _present(h.power or h.status for h in site.heaters.values())
    pumps = _present(loop.pump for loop in site.loops.values())
    return [
        FigureRow("electricity.heaters", ledger.electricity.heaters, _sum_of(site), heaters),
        FigureRow(
            "electricity.heat_pumps",
            ledger.electricity.heat_pumps,
            "Compressor power, added up over the day." if site.heat_pumps else "There is no heat pump.",
            _present(h.power for h in site.heat_pumps.values()),
        ),
        FigureRow(
            "electricity.pumps",
            ledger.electricity.pumps,
            "Measured pump power, or the stated power while a pump ran.",
            pumps,
        ),
        FigureRow("purchased", ledger.purchased, bought),
        FigureRow("saved.energy", ledger.saved.energy, f"{instead}."),
        FigureRow("saved.money", ledger.saved.money, f"{instead}, each at its price in the site file."),
        FigureRow("saved.co2", ledger.saved.co2, f"{instead}, each with its emission factor."),
    ]


def _article(words: str) -> str:
    return f"{'an' if words[0] in 'aeiou' else 'a'} {words}"


def _sum_of(site: Site) -> str:
    names = [heater_name(name) for name, heater in site.heaters.items() if heater.kind == "electric"]
    return f"Input power of {', '.join(names).lower()}, added up over the day." if names else "No electric heater."
