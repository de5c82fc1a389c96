"""The day's ledger: metered totals become figures, with their basis, interval and reason."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from math import fsum, isnan, nan, sqrt

import numpy as np

from analytics.coil_foot import has_cold_below, has_sensor_at_any_foot
from analytics.derived import quotient, ratio_moves, shown_over, shown_times, stated_own
from analytics.doubt import NO_DOUBT, Doubt, combined, from_limit
from analytics.expected.carnot_wrong import beyond_nature
from analytics.expected.conditions import day_conditions
from analytics.figures import (
    ALL_OF_IT,
    ANY_SHARE,
    COVERED,
    PLAIN_COVERAGE,
    Basis,
    DayLedger,
    Electricity,
    Figure,
    HeatPumpLine,
    HotWaterLine,
    StageLine,
    TankLine,
    unavailable,
)
from analytics.money import purchase, savings
from analytics.origins import CARRIED_OVER, CarriedState, Delivered, account_origins
from analytics.origins_gaps import not_followed
from analytics.origins_tank import LayersChange
from analytics.plant import HeatPumpDay, HotWaterDay, PlantDay, Signal, Total, not_known
from analytics.quiet_pairs import check_pairs
from analytics.segments import pieces_of, sum_over
from analytics.site import Stage, Tank
from analytics.spf import performance_factors
from analytics.units import kwh_from_j
from analytics.warm_front import by_layers

__all__ = ["close_day"]

_LEAST_HEAT_KWH = 0.2  # below this a fraction of the day's heat has no meaning; common practice
_LEAST_UNHEARD_J = 0.1 * 3.6e6  # heat of unknown origin that is worth a word
_NO_WAY_BACK = Figure(0.0, "kWh", 0.0, "derived", 1.0, "An element or a burner takes no heat from the tank.")
# Of how far the account by origin may be off apart from its meters, what is alike on all days. In virtual houses the
# error of fourteen days was 0.22 to 0.4 of a day's, where chance leaves 0.27: as of 0.2 that lasts, and the rest anew.
_LASTING = 0.2
_U_WAYS = 0.5  # of what the two ways in which a tank is followed are apart: the tank lies between them
_OF_THE_DAY = sqrt(1.0 - _LASTING**2)
_STARTS_PER_H = 2.0  # of a compressor, at most; common practice
_RANK: Sequence[Basis] = ("measured", "derived", "estimated", "unavailable")


def close_day(plant: PlantDay, state: CarriedState | None) -> tuple[DayLedger, CarriedState]:
    """The ledger of a metered day, and the state that it leaves to the next."""
    delivered = account_origins(plant, state)
    stages = [_stage_line(plant, stage, delivered) for stage in plant.site.stages.values()]
    hot_water = _hot_water(plant, delivered)
    bought = purchase(plant)
    changes = delivered.changes if delivered else {}
    ledger = DayLedger(
        site=plant.site.id,
        day=plant.day.date,
        coverage=_coverage(plant),
        stages=stages,
        hot_water=hot_water,
        backup_fraction=_backup_fraction(plant, stages),
        delivered_backup_fraction=_delivered_backup_fraction(plant, stages, hot_water),
        heat_pumps=[_heat_pump_line(plant, pump) for pump in plant.heat_pumps.values()],
        tanks=[_tank_line(plant, tank, changes.get(tank.id)) for tank in plant.site.tanks.values()],
        electricity=_electricity(plant),
        purchased=energy_figure(bought.total),
        saved=savings(plant, bought, hot_water.heat),
        notes=[fault.sentence for fault in plant.sensor_faults],
        pair_checks=check_pairs(plant),
        conditions=day_conditions(plant),
    )
    if delivered is None:
        return ledger, not_followed(plant, state) if state else CarriedState({}, nan)
    return ledger, delivered.state


def energy_figure(total: Total) -> Figure:
    """A total in J as a figure in kWh."""
    return _figure(total, "kWh", kwh_from_j(1.0))


def _figure(total: Total, unit: str, scale: float) -> Figure:
    if isnan(total.amount):
        return unavailable(unit, total.why or "It was not metered.")
    doubt = total.doubt.times(scale) if scale != 1.0 else total.doubt
    covered = min(total.covered, 1.0)
    why = total.why
    if not why and covered < PLAIN_COVERAGE:
        why = f"{COVERED} {covered:.0%} of the day."
    return Figure(total.amount * scale, unit, doubt.half_width, total.basis, covered, why, doubt)


def _stage_total(plant: PlantDay, stage: Stage) -> Total:
    return plant.loops[stage.loop].heat if stage.loop else plant.heaters[stage.heater or ""].heat


def _stage_line(plant: PlantDay, stage: Stage, delivered: Delivered | None) -> StageLine:
    heat = energy_figure(_stage_total(plant, stage))
    reverse = energy_figure(plant.loops[stage.loop].reverse) if stage.loop else _NO_WAY_BACK
    return StageLine(stage.id, heat, reverse, _delivered_figure(plant, stage.id, delivered))


def _delivered_figure(plant: PlantDay, origin: str, delivered: Delivered | None) -> Figure:
    water = plant.hot_water
    if delivered is None or water is None or plant.site.hot_water is None or isnan(water.heat.amount):
        why = water.heat.why if water is not None else "The site file has no hot_water table."
        return unavailable("kWh", why)
    stage = plant.site.stages.get(origin)
    if stage is not None and stage.tank is None and not plant.site.hot_water.heated:
        return unavailable("kWh", "It heats in passing, and no sensor stands after it (hot_water.heated).")
    unheard = [s.id for s in plant.site.stages.values() if isnan(_stage_total(plant, s).amount)]
    guessed = any(_stage_total(plant, s).basis == "estimated" for s in plant.site.stages.values())
    amount = delivered.by_origin[origin]
    doubt = _delivered_doubt(plant, water, origin, delivered)
    mixed = [tank for tank in plant.site.hot_water.tanks if tank not in delivered.state.layers]
    why = "Followed through the tanks layer by layer"
    why = f"{why}; {' and '.join(mixed)} taken as fully mixed." if mixed else f"{why}."
    bare = [tank for tank in plant.site.hot_water.tanks if not plant.site.tanks[tank].temperatures]
    if bare:
        why = f"{why} No sensor stands in {' and '.join(bare)}, so a usual store is assumed."
    if unheard:
        why = f"{why} The heat of {' and '.join(unheard)} is not known and counts as none."
    if delivered.unheard_j > _LEAST_UNHEARD_J:
        why = f"{why} What came into the tanks while readings were missing counts as carried over."
    basis: Basis = "estimated" if bare or unheard or guessed or water.heat.basis == "estimated" else "derived"
    return energy_figure(Total(amount, doubt, water.heat.covered, basis, why))


def _delivered_doubt(plant: PlantDay, water: HotWaterDay, origin: str, delivered: Delivered) -> Doubt:
    """Doubt of an origin's heat at the taps: of the water's heat, of the stages' heat, and of the account. [J]"""
    path = plant.site.hot_water
    is_told_apart = path is not None and path.heated is not None and bool(water.leaving_doubt)
    of_tanks = water.leaving_doubt[-1] if is_told_apart else water.heat.doubt
    amount = delivered.by_origin[origin]
    if origin not in delivered.account_doubt:
        return _gained_doubt(water.heat, of_tanks, amount) if is_told_apart else water.heat.doubt
    words = "Its share of the heat out of tanks"
    share = quotient(amount, delivered.of_tanks, words, units=("J", "J")) if amount else 0.0
    u_account = shown_over(delivered.account_doubt[origin], 1.96) * abs(delivered.of_tanks)
    lasting = shown_times(u_account, _LASTING, "{}", numbers=[_LASTING])
    of_the_day = shown_times(u_account, _OF_THE_DAY, "√(1 − {}²)", numbers=[_LASTING])
    ways = {
        f"ways of {tank}": shown_times(stated_own(apart_j), _U_WAYS, "{}", numbers=[_U_WAYS])
        for tank, apart_j in delivered.ways_j[origin].items()
        if apart_j
    }
    account = Doubt({f"lasting account of {origin}": lasting}, {f"account of {origin}": of_the_day, **ways})
    # What was drawn unheard may have been any origin's, as may what came unheard.
    drawn = [(share, of_tanks.apart_from_gaps()), (1.0, of_tanks.of_gaps())]
    unheard = Doubt(
        {}, {"heat unheard": from_limit(stated_own(delivered.unheard_j))} if delivered.unheard_j > 0 else {}
    )
    return combined([*drawn, (1.0, delivered.heat_doubt[origin]), (1.0, account), (1.0, unheard)])


def _gained_doubt(heat: Total, before: Doubt, gained_j: float) -> Doubt:
    """Of what a heater in passing adds: what tells both its ends counts for its part, the rest for either end. [J]"""
    share = quotient(gained_j, heat.amount, "Its share of the hot-water heat", units=("J", "J")) if gained_j else 0.0
    both, after = ({s: c for s, c in heat.doubt.steady.items() if (s in before.steady) is way} for way in (True, False))
    only_before = {source: c for source, c in before.steady.items() if source not in heat.doubt.steady}
    ends = [(1.0, Doubt(after)), (-1.0, Doubt(only_before))]
    return combined([(share, Doubt(both, heat.doubt.passing, heat.doubt.ends)), *ends])


def _hot_water(plant: PlantDay, delivered: Delivered | None) -> HotWaterLine:
    water = plant.hot_water
    if water is None:
        why = "The site file has no hot_water table."
        return HotWaterLine(unavailable("l", why), unavailable("kWh", why), unavailable("kWh", why))
    return HotWaterLine(
        _figure(water.volume, "l", 1000.0), energy_figure(water.heat), _delivered_figure(plant, CARRIED_OVER, delivered)
    )


def _coverage(plant: PlantDay) -> float:
    """Mean part of the day so far that the site's points cover."""
    if not plant.site.points:
        return 0.0
    covered_s = fsum(_covered_s(signal, plant.until_s) for signal in plant.signals.values())
    return min(covered_s / plant.until_s / len(plant.site.points), 1.0)


def _covered_s(signal: Signal, until_s: float) -> float:
    """Seconds of the day so far that a point's readings cover."""
    time_s = signal.time_s
    if signal.is_gapless and len(time_s) > 1:
        first_s = time_s[0] - (signal.point.interval_s if signal.point.sampling == "mean" else 0.0)
        return max(min(float(time_s[-1]), until_s) - max(float(first_s), 0.0), 0.0)
    pieces = pieces_of(signal, start_s=0.0, end_s=until_s)
    return sum_over(pieces.length_s, pieces.covered(signal.max_gap_s))


def _ratio(part: Figure, whole: Figure, *, none: str, all_of: Iterable[Figure]) -> Figure:
    """part / whole, what both share in doubt taken as one; unavailable where the whole is too little."""
    missing = [f for f in (part, whole) if isnan(f.value)]
    if missing:
        return unavailable("1", missing[0].why)
    if whole.value < _LEAST_HEAT_KWH:
        return unavailable("1", none)
    fraction = part.value / whole.value
    # A ratio moves faster the less there is below its line: what is wide there is taken at its lower end.
    least = max(whole.value - whole.plus_minus, 0.5 * whole.value)
    names = ("share", "heat from backup", "heat in all at the lower end of its interval")
    per_part, per_whole = ratio_moves(fraction, least, names, unit="kWh")
    doubt = combined([(per_part, part.doubt), (per_whole, whole.doubt)])
    if doubt.half_width >= ALL_OF_IT:
        return unavailable("1", ANY_SHARE)
    figures = list(all_of)
    worst = max((f.basis for f in figures), key=_RANK.index, default="derived")
    why = next((f.why for f in figures if f.basis == worst and f.why), "")
    basis: Basis = "estimated" if worst == "estimated" else "derived"
    coverage = min((f.coverage for f in figures), default=1.0)
    return Figure(fraction, "1", doubt.half_width, basis, coverage, why, doubt)


def _sum(figures: Sequence[Figure]) -> Figure:
    for figure in figures:
        if isnan(figure.value):
            return figure
    doubt = combined((1.0, f.doubt) for f in figures)
    coverage = min((f.coverage for f in figures), default=1.0)
    return Figure(sum(f.value for f in figures), "kWh", doubt.half_width, "derived", coverage, "", doubt)


def _backup_fraction(plant: PlantDay, lines: Sequence[StageLine]) -> Figure:
    if not lines:
        return unavailable("1", "The site file names no stages.")
    backups = {stage.id for stage in plant.site.stages.values() if stage.backup}
    heats = [line.heat for line in lines]
    part = _sum([line.heat for line in lines if line.stage in backups])
    none = f"All stages together gave less than {_LEAST_HEAT_KWH:g} kWh."
    return _ratio(part, _sum(heats), none=none, all_of=heats)


def _delivered_backup_fraction(plant: PlantDay, lines: Sequence[StageLine], water: HotWaterLine) -> Figure:
    backups = {stage.id for stage in plant.site.stages.values() if stage.backup}
    given = [line.delivered for line in lines if line.stage in backups]
    if not lines:
        return unavailable("1", "The site file names no stages.")
    none = f"The taps took less than {_LEAST_HEAT_KWH:g} kWh."
    return _ratio(_sum(given), water.heat, none=none, all_of=given or [water.heat])


def _heat_pump_line(plant: PlantDay, pump: HeatPumpDay) -> HeatPumpLine:
    said = "" if isnan(pump.heating_cop.amount) else beyond_nature(plant, plant.site.heat_pumps[pump.heat_pump])
    factors = performance_factors(plant, pump)
    return HeatPumpLine(
        heat_pump=pump.heat_pump,
        heating_heat=energy_figure(pump.heating),
        heating_electricity=energy_figure(pump.heating_elec),
        heating_cop=_figure(_with_word(pump.heating_cop, said), "1", 1.0),
        heating_run_hours=_figure(pump.heating_run, "h", 1 / 3600.0),
        heating_starts=_starts(pump.n_heating_starts, pump.heating_run),
        cooling=energy_figure(pump.cooling),
        cooling_electricity=energy_figure(pump.cooling_elec),
        cooling_cop=_figure(pump.cooling_cop, "1", 1.0),
        cooling_run_hours=_figure(pump.cooling_run, "h", 1 / 3600.0),
        cooling_starts=_starts(pump.n_cooling_starts, pump.cooling_run),
        source_heat=energy_figure(pump.source),
        spf={name: _figure(_with_word(factor, said), "1", 1.0) for name, factor in factors.items()},
    )


def _with_word(total: Total, said: str) -> Total:
    return replace(total, why=f"{total.why} {said}".strip()) if said and not isnan(total.amount) else total


def _starts(count: int, run: Total) -> Figure:
    """A count is known as its run time is; it may have started unheard as often as such machines do."""
    if isnan(run.amount):
        return unavailable("", run.why)
    per_s = quotient(_STARTS_PER_H, 3600.0, "Starts in a second while it was not heard, at most", units=("1", "1"))
    doubt = run.doubt.of_gaps().times(per_s)
    return Figure(float(count), "", doubt.half_width, run.basis, min(run.covered, 1.0), run.why, doubt)


def _tank_line(plant: PlantDay, tank: Tank, followed: LayersChange | None) -> TankLine:
    day = plant.tanks[tank.id]
    stored = by_layers(
        day.stored_change,
        tank,
        followed,
        has_sensor_at_foot=has_sensor_at_any_foot(plant.site, tank.id),
        has_cold_below=has_cold_below(plant.site, tank.id),
    )
    return TankLine(tank.id, energy_figure(stored), energy_figure(day.loss), _residual(plant, tank, stored))


def _residual(plant: PlantDay, tank: Tank, stored: Total) -> Figure:
    """Heat in - heat out - stored change - loss."""
    day, water, path = plant.tanks[tank.id], plant.hot_water, plant.site.hot_water
    if path is None or tank.id not in path.tanks:
        return unavailable("kWh", f"What leaves {tank.id} is not metered: no hot water that is metered passes it.")
    if water is None or water.leaving_j is None:
        return unavailable("kWh", water.heat.why if water else "The water's path is not metered.")
    stages = [_stage_total(plant, stage) for stage in plant.site.stages.values() if stage.tank == tank.id]
    reverse = [plant.loops[s.loop].reverse for s in plant.site.stages.values() if s.tank == tank.id and s.loop]
    lost_back = [total for total in reverse if not isnan(total.amount)]
    parts = [*stages, stored, day.loss]
    for total in parts:
        if isnan(total.amount):
            return unavailable("kWh", total.why)
    signed = [(1.0, t) for t in stages] + [(-1.0, t) for t in (*lost_back, stored, day.loss)]
    amount = sum(sign * total.amount for sign, total in signed)
    doubts = [(sign, total.doubt) for sign, total in signed]
    index = list(path.tanks).index(tank.id)
    for name, leaving in list(zip(path.tanks, water.leaving_j, strict=True))[max(index - 1, 0) : index + 1]:
        if np.logical_and.reduce(np.isnan(leaving)):
            return unavailable("kWh", f"No sensor tells how hot the water leaves {name}.")
    amount -= float(water.leaving_j[index].sum()) - (float(water.leaving_j[index - 1].sum()) if index else 0.0)
    doubts.append((-1.0, water.leaving_doubt[index]))
    doubts += [(1.0, water.leaving_doubt[index - 1])] if index else []
    why = "What the balance of the tank leaves unexplained."
    covered = min(t.covered for t in parts)
    basis: Basis = "estimated" if day.loss.basis == "estimated" else "derived"
    return energy_figure(Total(amount, combined(doubts), covered, basis, why))


def _electricity(plant: PlantDay) -> Electricity:
    heaters = [plant.heaters[h.id].input for h in plant.site.heaters.values() if h.kind == "electric"]
    pumps = {loop.id: plant.loops[loop.id].pump_elec for loop in plant.site.loops.values()}
    return Electricity(
        energy_figure(_added(heaters, "There is no electric heater.")),
        energy_figure(_added([p.elec for p in plant.heat_pumps.values()], "There is no heat pump.")),
        energy_figure(_pumps(pumps)),
    )


def _added(totals: Sequence[Total], none: str) -> Total:
    if not totals:
        return Total(0.0, NO_DOUBT, 1.0, "measured", none)
    unknown = [total for total in totals if isnan(total.amount)]
    if unknown:
        return unknown[0]
    worst = max((t.basis for t in totals), key=_RANK.index)
    why = next((t.why for t in totals if t.why), "")
    doubt = combined((1.0, t.doubt) for t in totals)
    return Total(sum(t.amount for t in totals), doubt, min(t.covered for t in totals), worst, why)


def _pumps(pumps: Mapping[str, Total]) -> Total:
    known = [total for total in pumps.values() if not isnan(total.amount)]
    if not known:
        return not_known("No pump's electricity is known.")
    left = [loop for loop, total in pumps.items() if isnan(total.amount)]
    added = _added(known, "")
    if not left:
        return added
    why = f"Without the pump of {' and '.join(left)}, whose power is not known."
    return replace(added, basis="estimated", why=why)
