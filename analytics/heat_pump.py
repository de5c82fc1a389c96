"""
Heat pumps: heat, cooling, electricity, COP, run time and starts over one day.

Heating and cooling are told apart run by run, by the sign of the heat exchanged with the source over the whole run,
since at a start the fluid may for a while go the other way. A run's heat is gathered from just before to just after
the compressor's time, because loops are read at instants and pumps run on.

The source loop's component is the heat pump: in heating the fluid leaves it colder than it entered, so heat from the
source is the loop's heat with its sign turned.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import isnan, nan

import numpy as np
from numpy.typing import NDArray

from analytics.courses import sum_of_known, unknown_as_none
from analytics.derived import part_of, quotient, stated_own, unheard_at_mean
from analytics.doubt import GAPS, NO_DOUBT, Doubt, combined, from_limit
from analytics.figures import Basis
from analytics.frame import DayFrame
from analytics.heat_pump_cop import LEAST_ELEC_J, cop_of, scraps_part
from analytics.heat_pump_runs import (
    Runs,
    compressor_electricity,
    hidden_run_s,
    on_part,
    ran_before_midnight,
    run_totals,
    runs_power_w,
    runs_where,
    starts_by_mode,
)
from analytics.plant import CELL_S, UNKNOWN, Course, HeatPumpDay, LoopDay, Signal, Total, not_known
from analytics.site import HeatPump, Site

__all__ = ["Exchanged", "exchanged", "from_source_w", "meter_heat_pump"]

Array = NDArray[np.float64]

_LEAST_UNTIMED_J = 0.1 * 3.6e6  # the edges of gaps lie within cells of a minute
_LEAST_HEARD = 0.05  # of the compressor's electricity, with usable readings of the loops beside it
_AROUND_CELLS = 3  # heat of a run is gathered from this many cells before it to this many after it


def meter_heat_pump(
    site: Site, pump: HeatPump, signals: Mapping[str, Signal], *, loops: Mapping[str, LoopDay], frame: DayFrame
) -> HeatPumpDay:
    """A heat pump's day from its power and the loops that it works on."""
    signal = signals.get(pump.power)
    if signal is None or len(signal.time_s) == 0:
        return _silent(pump, not_known(f"{pump.power} gave no usable reading."), loops, frame=frame)
    elec_w, elec = compressor_electricity(pump, signal, frame)
    if isnan(elec.amount):
        return _silent(pump, elec, loops, frame=frame)
    on = on_part(pump, elec_w, interval_s=signal.point.interval_s)
    runs = runs_where(on > 0)
    exchange = _exchange(pump, loops)
    mode = _mode(runs, exchange, frame.n_cells)
    return _account(
        site, pump, elec_w=elec_w, elec=elec, on=on, runs=runs, mode=mode, exchange=exchange,
        ran_before=ran_before_midnight(pump, signal), frame=frame,
    )  # fmt: skip


def _silent(pump: HeatPump, why: Total, loops: Mapping[str, LoopDay], *, frame: DayFrame) -> HeatPumpDay:
    unknown = frame.unknown()
    return HeatPumpDay(
        heat_pump=pump.id, elec_w=unknown, is_on=unknown, mode=unknown, useful_w=unknown,
        n_heating_starts=0, n_cooling_starts=0,
        elec=why, heating=why, heating_elec=why, heating_cop=why, cooling=why, cooling_elec=why, cooling_cop=why,
        source=_source_total(loops.get(pump.source_loop)), caused_elec=why, heating_run=why, cooling_run=why,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Exchange:
    """Loops that the pump works on; their heat counts as positive from the source, and toward load and tank."""

    source: LoopDay | None
    load: LoopDay | None
    desuperheater: LoopDay | None
    has_load_loop: bool
    has_desuperheater: bool

    @property
    def tells_mode(self) -> bool:
        return self.source is not None or self.load is not None

    def course(self, name: str) -> Array | None:
        loop: LoopDay | None = getattr(self, name)
        if loop is None or name != "source":
            return None if loop is None else loop.heat_w
        return from_source_w(loop)


def from_source_w(loop: LoopDay) -> Course:
    """Heat that a source loop brings to its heat pump; negative where it takes heat away. [W]"""
    # An energy counter alone counts one way, whatever the way is: from the source, in heating.
    return loop.heat_w if np.isnan(loop.reverse.amount) else -loop.heat_w


def _exchange(pump: HeatPump, loops: Mapping[str, LoopDay]) -> _Exchange:
    def usable(loop: str | None) -> LoopDay | None:
        day = loops.get(loop) if loop else None
        return None if day is None or bool(np.isnan(day.heat_w).all()) else day

    return _Exchange(
        usable(pump.source_loop),
        usable(pump.load_loop),
        usable(pump.desuperheater_loop),
        pump.load_loop is not None,
        pump.desuperheater_loop is not None,
    )


def _mode(runs: Runs, exchange: _Exchange, n_cells: int) -> Array:
    """+1 heating, -1 cooling over each run and just around it, else 0."""
    mode = np.zeros(n_cells)
    course = exchange.course("source")
    if course is None:
        course = exchange.course("load")
    heat = np.zeros(n_cells) if course is None else unknown_as_none(course)
    total = np.concatenate(([0.0], np.cumsum(heat)))
    for index, (first, last) in enumerate(zip(runs.first, runs.last, strict=True)):
        # Not into the neighbour's time: each pause is shared.
        low = max(first - _AROUND_CELLS, (runs.last[index - 1] + 1 + first) // 2 if index else 0)
        following = (last + 1 + runs.first[index + 1] + 1) // 2 if index + 1 < len(runs.first) else n_cells
        high = min(last + 1 + _AROUND_CELLS, following)
        mode[low:high] = -1.0 if total[high] - total[low] < 0 else 1.0
    return mode


@dataclass(frozen=True, slots=True)
class _Way:
    """
    One mode's useful heat as a course (None with the reason in `why`), and what it rests on.

    Args:
        loops: Each loop, and whether its heat counts by what the component gave to the fluid or by what it took.
        elec_sign: How the compressor's electricity counts in the course.
    """

    course: Array | None
    why: str
    loops: tuple[tuple[LoopDay, Total], ...] = ()
    elec_sign: float = 0.0


def _heating(exchange: _Exchange, elec_w: Array) -> _Way:
    load, desuperheater = exchange.course("load"), exchange.course("desuperheater")
    if load is not None:
        course = load if desuperheater is None else load + unknown_as_none(desuperheater)
        return _Way(course, "", (*_gives(exchange.load), *_gives(exchange.desuperheater)))
    source = exchange.course("source")
    if source is None:
        return _Way(None, "Neither the source loop nor the load loop gave usable readings.")
    why = "Heat from the source plus the compressor's electricity."
    return _Way(source + elec_w, why, _takes(exchange.source), elec_sign=1.0)


def _cooling(pump: HeatPump, exchange: _Exchange, elec_w: Array) -> _Way:
    source, desuperheater = exchange.course("source"), exchange.course("desuperheater")
    if source is None or exchange.source is None:
        return _Way(None, "The source loop gave no usable readings.")
    if np.isnan(exchange.source.reverse.amount) and any(rating.mode == "cooling" for rating in pump.rating):
        return _Way(None, "The heat meter of the source loop counts one way, so heat rejected is not known.")
    taken = np.zeros(len(elec_w)) if desuperheater is None else unknown_as_none(desuperheater)
    why = "Heat rejected plus desuperheater heat less the compressor's electricity."
    loops = (*_gives(exchange.source), *_gives(exchange.desuperheater))
    return _Way(-source + taken - elec_w, why, loops, elec_sign=-1.0)


def _gives(loop: LoopDay | None) -> tuple[tuple[LoopDay, Total], ...]:
    return () if loop is None else ((loop, loop.heat),)


def _takes(loop: LoopDay | None) -> tuple[tuple[LoopDay, Total], ...]:
    # An energy counter counts one way only, whatever it is called there.
    return () if loop is None else ((loop, loop.heat if np.isnan(loop.reverse.amount) else loop.reverse),)


def _source_total(source: LoopDay | None) -> Total:
    if source is None:
        return UNKNOWN
    given, taken = source.reverse, source.heat
    if np.isnan(given.amount) and np.isnan(taken.amount):
        return taken
    # An energy counter counts one way only, whatever it is called there.
    amount = (0.0 if np.isnan(given.amount) else given.amount) - (0.0 if np.isnan(taken.amount) else taken.amount)
    one_way = np.isnan(given.amount)
    if one_way:
        return Total(abs(amount), taken.doubt, taken.covered, taken.basis, taken.why)
    return Total(amount, combined([(1.0, given.doubt), (-1.0, taken.doubt)]), taken.covered, taken.basis, taken.why)


def _account(
    site: Site,
    pump: HeatPump,
    *,
    elec_w: Array,
    elec: Total,
    on: Array,
    runs: Runs,
    mode: Array,
    exchange: _Exchange,
    ran_before: bool,
    frame: DayFrame,
) -> HeatPumpDay:
    runs_w = runs_power_w(elec_w, on)
    ways = _heating(exchange, runs_w), _cooling(pump, exchange, runs_w)
    heats, cools = mode > 0, mode < 0
    # What a gap hid goes to the modes that were heard; where none was, to those that the machine has.
    ran = bool(heats.any()), bool(cools.any())
    may_hide = ran if any(ran) else (True, any(point.mode == "cooling" for point in pump.rating))
    heating, cooling = (
        _side(way, runs_w, cells, on=on > 0, elec=elec, may_hide=hides)
        for way, cells, hides in zip(ways, (heats, cools), may_hide, strict=True)
    )
    useful = np.zeros(frame.n_cells)
    for way, cells in zip(ways, (heats, cools), strict=True):
        useful = np.where(cells, nan if way.course is None else way.course, useful)
    caused = _caused(site, pump, exchange, elec_w=runs_w, heats=heats, cop=heating.cop, elec=heating.elec)
    hidden_s = hidden_run_s(elec_w[: int(frame.until_s // CELL_S)])
    heating_run, cooling_run = run_totals(
        pump, runs, mode, on=on, is_told=exchange.tells_mode, covered=elec.covered,
        point=site.points[pump.power],
        hidden_s=(hidden_s if may_hide[0] else 0.0, hidden_s if may_hide[1] else 0.0),
    )  # fmt: skip
    starts = starts_by_mode(runs, mode, ran_before=ran_before)
    return HeatPumpDay(
        heat_pump=pump.id,
        elec_w=elec_w,
        is_on=np.where(np.isnan(elec_w), nan, on),
        mode=np.where(np.isnan(elec_w), nan, np.where(on > 0, mode, 0.0)),
        useful_w=useful,
        n_heating_starts=starts[0],
        n_cooling_starts=starts[1],
        caused_elec_w=caused[0],
        elec=elec,
        heating=heating.heat,
        heating_elec=_of_mode(heating.elec, heating_run),
        heating_cop=heating.cop,
        cooling=cooling.heat,
        cooling_elec=_of_mode(cooling.elec, cooling_run),
        cooling_cop=cooling.cop,
        source=_source_total(exchange.source),
        caused_elec=caused[1],
        heating_run=heating_run,
        cooling_run=cooling_run,
    )


def _of_mode(elec: Total, run: Total) -> Total:
    """A mode's electricity is no better known than when it ran that way."""
    return replace(elec, basis=run.basis, why=run.why) if run.basis == "estimated" else elec


@dataclass(frozen=True, slots=True)
class _Side:
    heat: Total
    elec: Total
    cop: Total


def _side(
    way: _Way, elec_w: Array, cells: NDArray[np.bool_], *, on: NDArray[np.bool_], elec: Total, may_hide: bool
) -> _Side:
    """
    One mode's heat (or cooling), electricity and COP over the cells of that mode.

    Args:
        on: Cells in which the compressor ran.
        may_hide: Whether the machine may have run this way while it was not heard.
    """
    known_elec = cells & ~np.isnan(elec_w)
    elec_j = float(elec_w[known_elec].sum()) * CELL_S
    here = part_of(elec_j, elec.amount, "Part of its electricity in these runs")
    if may_hide and elec_j == 0.0:
        used = Total(0.0, elec.doubt.of_gaps(), elec.covered)
    else:
        used = Total(elec_j, elec.doubt.times(here), elec.covered)
    if way.course is None:
        return _Side(not_known(way.why), used, not_known(way.why))
    known = known_elec & ~np.isnan(way.course)
    heat_j, known_elec_j = (float(w[known].sum()) * CELL_S for w in (way.course, elec_w))
    share = known_elec_j / elec_j if elec_j > 0 else 1.0
    if share < _LEAST_HEARD:
        unknown = not_known("Its loops gave no usable readings while the compressor ran.")
        return _Side(unknown, used, unknown)
    unheard = Doubt({}, {f"{GAPS} beside the compressor": from_limit(unheard_at_mean(heat_j, max(share, 1e-9)))})
    parts = [(way.elec_sign, used.doubt), (1.0, unheard), *_loop_doubts(way, known)]
    basis: Basis = "derived" if way.why else "measured"
    if any(loop.flow_is_assumed for loop, _ in way.loops):
        basis = "estimated"
    beside = _beside(way, elec_w) if may_hide else NO_DOUBT
    gaps = combined((1.0, total.doubt.of_gaps()) for _, total in way.loops) if may_hide else NO_DOUBT
    doubt = combined([*parts, (1.0, beside)] if heat_j else [(1.0, gaps), (1.0, beside)])
    heat = Total(heat_j, doubt, elec.covered * share, basis, way.why)
    scraps = scraps_part(elec_w, heard=~np.isnan(elec_w) & ~np.isnan(way.course), on=cells & on)
    return _Side(heat, used, cop_of(heat, used, elec_j=known_elec_j, share=share, scraps=scraps))


def _beside(way: _Way, elec_w: Array) -> Doubt:
    """Of heat that meters counted while the compressor was not heard, or at times that they do not tell."""
    beside_j = 0.0
    for loop, total in way.loops:
        beside_j += sum_of_known(np.maximum(loop.heat_w[np.isnan(elec_w)], 0.0)) * CELL_S
        if total is loop.heat and not np.isnan(total.amount):
            untimed_j = total.amount - sum_of_known(np.maximum(loop.heat_w, 0.0)) * CELL_S
            beside_j += untimed_j if untimed_j > _LEAST_UNTIMED_J else 0.0
    return Doubt({}, {f"{GAPS} of the compressor": from_limit(stated_own(beside_j))}) if beside_j > 0 else NO_DOUBT


def _loop_doubts(way: _Way, cells: NDArray[np.bool_]) -> list[tuple[float, Doubt]]:
    """The doubt of each loop's heat that day, in the part of it that falls into this mode."""
    parts = []
    for loop, total in way.loops:
        turned = loop.heat_w if total is loop.heat else -loop.heat_w
        here_j = sum_of_known(np.maximum(turned[cells], 0.0)) * CELL_S
        part = part_of(here_j, total.amount, f"Part of the heat of loop {loop.loop} in these runs")
        parts.append((min(part, 1.0), total.doubt))
    return parts


def _caused(
    site: Site, pump: HeatPump, exchange: _Exchange, *, elec_w: Array, heats: NDArray[np.bool_], cop: Total, elec: Total
) -> tuple[Array, Total]:
    """Electricity that heat for the hot water caused: that heat in heating / COP; in cooling it is free."""
    stage_loops = {stage.loop for stage in site.stages.values() if stage.loop}
    named = {"desuperheater": pump.desuperheater_loop, "load": pump.load_loop}
    loops = [getattr(exchange, name) for name, loop in named.items() if loop in stage_loops]
    if None in loops:
        unknown = not_known("The loop that heats the tank gave no usable readings.")
        return np.full(len(elec_w), nan), unknown
    given = [loop.heat_w for loop in loops]
    heat_w = np.zeros(len(elec_w))
    for course in given:
        heat_w += np.where(heats & (course > 0), course, 0.0)
    total_j = float(heat_w.sum()) * CELL_S
    heating_elec_j = sum_of_known(np.where(heats, elec_w, 0.0)) * CELL_S
    if total_j == 0.0:
        return np.zeros(len(elec_w)), Total(0.0, elec.doubt.of_gaps(), elec.covered, "derived")
    if heating_elec_j < LEAST_ELEC_J:
        why = "All that the compressor used in its short run."
        used_w = np.where(heats & (heat_w > 0), unknown_as_none(elec_w), 0.0)
        doubt = Doubt({}, {f"short run of {pump.id}": stated_own(heating_elec_j / 2)})
        return used_w, Total(float(used_w.sum()) * CELL_S, doubt, cop.covered, "derived", why)
    if np.isnan(cop.amount) or cop.amount <= 0:
        return np.full(len(elec_w), nan), not_known("The heat pump's COP is not known.")
    amount = total_j / cop.amount
    way = _Way(None, "", tuple((loop, loop.heat) for loop in loops))
    per_heat = quotient(1.0, cop.amount, "Electricity for 1 kWh of heat to the tank, 1 ÷ COP")
    per_cop = quotient(-amount, cop.amount, "What a COP larger by 1 saves of it, electricity ÷ COP", units=("J", "1"))
    doubt = combined([(per_heat, combined(_loop_doubts(way, heats))), (per_cop, cop.doubt)])
    why = "Heat to the tank divided by the day's COP."
    return heat_w / cop.amount, Total(amount, doubt, cop.covered, "derived", why)


@dataclass(frozen=True, slots=True)
class Exchanged:
    """
    What a day's runs are made of, by cells.

    Args:
        mode: +1 heating, -1 cooling over each run and just around it, else 0: where its heat is gathered.
        run: Index of the run that each cell is nearest to, in time order.
        elec_w: Electricity of the runs; what it takes at rest counts as none.
        heat_w: By "source", "load", "desuperheater", as far as they are known; positive from the source, and toward
            load and tank.
    """

    mode: Course
    run: NDArray[np.intp]
    elec_w: Course
    heat_w: Mapping[str, Course]


def exchanged(pump: HeatPump, day: HeatPumpDay, loops: Mapping[str, LoopDay]) -> Exchanged:
    """The runs of a metered day, with the heat of the loops beside them."""
    exchange, runs = _exchange(pump, loops), runs_where(np.nan_to_num(day.is_on) > 0)
    pauses = (runs.last[:-1] + 1 + runs.first[1:]) // 2
    names = ("source", "load", "desuperheater")
    heat = {name: course for name in names if (course := exchange.course(name)) is not None}
    return Exchanged(
        _mode(runs, exchange, len(day.is_on)),
        np.searchsorted(pauses, np.arange(len(day.is_on)), side="right"),
        runs_power_w(day.elec_w, np.nan_to_num(day.is_on)),
        heat,
    )
