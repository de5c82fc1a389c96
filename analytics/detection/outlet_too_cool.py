"""`outlet-too-cool`: water leaves below a useful temperature, mixed so by the valve or for want of hot water."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from analytics.detection.drawn_water import Stretch, drawn_stretches
from analytics.detection.findings import Clear, Evidence, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import clock, duration, instant_ms
from analytics.figures import DayLedger
from analytics.plant import CELL_S, Draw, HotWaterDay, PlantDay, Signal
from analytics.site import HotWater, Site

__all__ = ["OutletTooCool"]

_PLACES = ("mixed", "heated", "hot")
"""Where the delivered water may be measured, the place nearest to the taps first."""


@dataclass(frozen=True, slots=True)
class _Drawn:
    """A draw that ran long enough: how long and how cool the delivered water was, by the sensor at `place`."""

    draw: Draw
    place: str
    cool_s: float
    settled_s: float
    delivered_degc: float

    @property
    def is_mostly_cool(self) -> bool:
        return self.cool_s >= 0.5 * self.settled_s


_Draws = Sequence[_Drawn]

_GIVES_W, _RESTED_KWH = 200.0, 0.05  # above what standing pipes and meters' offsets make (common practice)


@dataclass(frozen=True, kw_only=True)
class OutletTooCool:
    """
    Delivered water that stays below a useful temperature: although the tank gives hot water, or for want of it.

    Not this: a tank that is used up and warm again a few hours later, a heater in passing that works at its limit,
    the first litres of a draw, a valve set low on purpose, a pipe that cools between draws where the meter is read too
    seldom to tell them apart.
    """

    kind: ClassVar[str] = "outlet-too-cool"
    rejoin: ClassVar[timedelta] = timedelta(hours=24)
    useful_degc: float = 40.0  # EU tapping cycles, useful temperature of a shower (Reg. (EU) 812/2013, Tm)
    below_set_k: float = 6.0  # and this far below the valve's setting
    settling: timedelta = timedelta(seconds=45)  # pipes and sensors warm up first
    min_cool: timedelta = timedelta(minutes=3)  # of running, over all draws since a good one
    min_draws: int = 2
    # A heater of 2 kW warms the 70 l of a bath by 40 K in 1.6 h; who finds cold water twice as long, has none.
    min_want: timedelta = timedelta(hours=3)  # from the first to the last of the cold draws
    min_cold_draws: int = 3
    idle: timedelta = timedelta(hours=20)  # a timer lets a heater rest for less; by then none is coming
    min_want_idle: timedelta = timedelta(hours=1)

    def needs(self, site: Site) -> Sequence[Need]:
        path = site.hot_water
        if path is None:
            return []
        if not (path.mixed or path.heated or path.hot):
            return [Need("hot_water", "No sensor tells how warm the delivered water is.")]
        return [Need("hot_water", "" if path.flow or path.volume else "No flow of hot water is measured.")]

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        path, water = plant.site.hot_water, plant.hot_water
        if path is None or water is None or not any(place in water.sensors for place in _PLACES):
            return NotAssessed("The temperature of the delivered water is not known.")
        limit = min(self.useful_degc, path.mixed_set_c - self.below_set_k)
        meter = plant.signals.get(path.flow or path.volume or "")
        drawn = [
            each for draw in water.draws if (each := self._drawn(draw, water, meter, limit_degc=limit)) is not None
        ]
        # The tank has hot water to give: what is cool behind the valve was mixed so.
        has_tank_sensor = "hot" in water.sensors or "heated" in water.sensors
        by_valve = [d for d in drawn if has_tank_sensor and d.place == "mixed" and self._gave_hot(d, path, limit)]
        findings = [*self._mixed_cool(plant, by_valve, limit), *self._without_hot(plant, drawn, limit, history)]
        findings.sort(key=lambda finding: finding.began_ms)
        good = [instant_ms(plant, d.draw.start_s) for d in drawn if _is_good(d, path, limit)]
        if findings:
            before = [at_ms for at_ms in good if at_ms < findings[0].began_ms]
            return Fault(tuple(findings), before[0] if before else None)
        return Clear(good[0]) if good else NotAssessed(_NONE_TELLS)

    def _drawn(self, draw: Draw, water: HotWaterDay, meter: Signal | None, *, limit_degc: float) -> _Drawn | None:
        stretches = drawn_stretches(draw, meter, self.settling.total_seconds())
        # Between two instants of flow a tap may have been opened or shut at any moment.
        late_s = meter.point.interval_s if meter is not None and meter.point.sampling == "instant" else 0.0
        for place in _PLACES:
            signal = water.sensors.get(place)
            if signal is None:
                continue
            told = [(s, value) for s in stretches if len(value := _within(signal, s, late_s=late_s))]
            if told:
                settled_s = sum(s.seconds for s, _ in told)
                cool_s = sum(s.cool_part(value, limit_degc) * s.seconds for s, value in told)
                degc = sum(s.delivered_degc(value) * s.seconds for s, value in told) / settled_s
                return _Drawn(draw, place, cool_s, settled_s, degc)
        return None

    def _gave_hot(self, drawn: _Drawn, path: HotWater, limit: float) -> bool:
        """Water as warm as the valve is set to; or for most of the draw enough that a valve wide open passed it on."""
        is_warm = drawn.is_mostly_cool and drawn.draw.hot_degc >= limit + self.below_set_k
        return is_warm or _is_hot(drawn, path)

    def _mixed_cool(self, plant: PlantDay, drawn: _Draws, limit: float) -> list[Finding]:
        """Cool behind the valve although the tank gave hot water."""

        def proved(run: _Draws) -> bool:
            return len(run) >= self.min_draws and _cool_s(run) >= self.min_cool.total_seconds()

        runs = _runs(drawn, is_cool=lambda d: d.cool_s > 0, is_well=lambda d: d.cool_s <= 0)
        return [
            self._finding(plant, run, ended, limit=limit, found=(at, _MIXED, _MIXED_CAUSES))
            for run, ended in runs
            if (at := _proof(run, proved)) is not None
        ]

    def _without_hot(self, plant: PlantDay, drawn: _Draws, limit: float, history: Sequence[DayLedger]) -> list[Finding]:
        """Cool because what leaves the tank, or the heater after it, is cool."""

        def proved(run: _Draws) -> bool:
            long_s = run[-1].draw.end_s - run[0].draw.start_s
            if len(run) < self.min_cold_draws or _cool_s(run) < self.min_cool.total_seconds():
                return False
            if long_s >= self.min_want.total_seconds():
                return True
            is_idle = _idle_s(plant, history, until_s=run[-1].draw.end_s) >= self.idle.total_seconds()
            return is_idle and long_s >= self.min_want_idle.total_seconds()

        def is_cool(d: _Drawn) -> bool:
            is_hot = d.place == "mixed" and d.draw.hot_degc >= limit
            return d.is_mostly_cool and not is_hot and not _heats_in_passing(plant, d.draw)

        runs = _runs(drawn, is_cool=is_cool, is_well=lambda d: not d.is_mostly_cool)
        return [
            self._finding(plant, run, ended, limit=limit, found=(at, _WANTING, _WANTING_CAUSES))
            for run, ended in runs
            if (at := _proof(run, proved)) is not None
        ]

    def _finding(
        self,
        plant: PlantDay,
        run: _Draws,
        ended: _Drawn | None,
        *,
        limit: float,
        found: tuple[int, str, Sequence[str]],
    ) -> Finding:
        proved, template, causes = found
        began_ms = instant_ms(plant, run[0].draw.start_s)
        return Finding(
            began_ms=began_ms,
            ended_ms=None if ended is None else instant_ms(plant, ended.draw.start_s),
            detected_ms=instant_ms(plant, run[proved].draw.end_s),
            severity="soon",
            template=template,
            evidence=self._evidence(plant, run, limit),
            likely_causes=causes,
            checks=_CHECKS if template is _MIXED else _WANTING_CHECKS,
            cost_per_day=None,
            weight_s=_cool_s(run),
        )

    def _evidence(self, plant: PlantDay, run: _Draws, limit: float) -> Evidence:
        hot_degc = float(np.mean([each.draw.hot_degc for each in run]))
        return {
            "since": clock(instant_ms(plant, run[0].draw.start_s), plant.day.timezone),
            "draws": len(run),
            "cool": duration(_cool_s(run)),
            "cool_s": round(_cool_s(run)),
            "over": duration(run[-1].draw.end_s - run[0].draw.start_s),
            "lowest_degc": round(min(each.delivered_degc for each in run), 1),
            "highest_degc": round(max(each.delivered_degc for each in run), 1),
            "measured_at": run[-1].place,
            "hot_degc": None if np.isnan(hot_degc) else round(hot_degc, 1),
            "limit_degc": limit,
            "min_cool_s": self.min_cool.total_seconds(),
            "min_draws": self.min_draws,
            "min_cold_draws": self.min_cold_draws,
            "min_want_h": self.min_want / timedelta(hours=1),
            "idle_h": self.idle / timedelta(hours=1),
            "min_want_idle_h": self.min_want_idle / timedelta(hours=1),
        }


def _within(signal: Signal, stretch: Stretch, *, late_s: float) -> NDArray[np.float64]:
    """A sensor's readings in a stretch of the day, means that lie in it wholly."""
    from_s, to_s = stretch.start_s, stretch.end_s
    if signal.point.sampling == "mean":
        from_s, to_s = from_s + late_s + signal.point.interval_s, to_s - late_s
    return signal.value[signal.time_s.searchsorted(from_s) : signal.time_s.searchsorted(to_s, side="right")]


def _is_hot(drawn: _Drawn, path: HotWater) -> bool:
    return drawn.draw.hot_degc >= path.mixed_set_c


def _is_good(drawn: _Drawn, path: HotWater, limit_degc: float) -> bool:
    """Useful water; all the while, where the tank had hot water to give."""
    return drawn.cool_s <= 0 or not (drawn.is_mostly_cool or _is_hot(drawn, path))


def _cool_s(run: _Draws) -> float:
    return sum(each.cool_s for each in run)


def _heats_in_passing(plant: PlantDay, draw: Draw) -> bool:
    """Whether a heater after the last tank gives heat while the draw runs: it may be too small, but it works."""
    heaters = [stage.heater for stage in plant.site.stages.values() if stage.heater and not stage.tank]
    cells = slice(int(draw.start_s // CELL_S), int(draw.end_s // CELL_S) + 1)
    return any(bool(np.any(plant.heaters[each].heat_w[cells] > _GIVES_W)) for each in heaters if each in plant.heaters)


def _idle_s(plant: PlantDay, history: Sequence[DayLedger], *, until_s: float) -> float:
    """How long no stage had given heat by then, as far as the day and the day before tell; what is unknown gave. [s]"""
    cells = int(until_s // CELL_S)
    parts = [
        plant.loops.get(stage.loop) if stage.loop else plant.heaters.get(stage.heater or "")
        for stage in plant.site.stages.values()
    ]
    if not parts or any(part is None for part in parts):
        return 0.0
    gave = np.flatnonzero(np.any([~(part.heat_w[:cells] <= _GIVES_W) for part in parts if part is not None], axis=0))
    if len(gave):
        return until_s - (float(gave[-1]) + 1) * CELL_S
    rested = [day for day in history[-1:] if day.day == plant.day.date - timedelta(days=1) and _rested(day)]
    return until_s + (86400.0 if rested else 0.0)


def _rested(day: DayLedger) -> bool:
    """Whether no stage gave heat for more than minutes of that day."""
    return all(line.heat.value <= _RESTED_KWH for line in day.stages)


def _runs(
    drawn: _Draws, *, is_cool: Callable[[_Drawn], bool], is_well: Callable[[_Drawn], bool]
) -> list[tuple[list[_Drawn], _Drawn | None]]:
    """Cool draws with no good one between them, each row with the good one that ended it."""
    runs: list[tuple[list[_Drawn], _Drawn | None]] = []
    row: list[_Drawn] = []
    for each in drawn:
        if is_cool(each):
            row.append(each)
        elif is_well(each):
            runs += [(row, each)] if row else []
            row = []
    return [*runs, (row, None)] if row else runs


def _proof(run: _Draws, proved: Callable[[_Draws], bool]) -> int | None:
    """Index of the draw by whose end a row is proved; None where it is not."""
    return next((n for n in range(len(run)) if proved(run[: n + 1])), None)


_NONE_TELLS = (
    "No draw was long enough, with hot water in the tank, to tell; a meter that is read seldom does not say when water "
    "ran."
)
_MIXED = (
    "Water behind the mixing valve is too cool since {since}: down to {lowest_degc:.0f} degC in {draws} draws, "
    "although the tank gave water of {hot_degc:.0f} degC."
)
_WANTING = (
    "There has been no hot water since {since}: in {draws} draws over {over} the delivered water reached "
    "{highest_degc:.1f} degC at most, where {limit_degc:.0f} degC and more is useful."
)
_MIXED_CAUSES = (
    "mixing valve jammed toward cold, scaled or set too low",
    "check valve of the hot side stuck",
    "a cross connection lets cold water in behind the valve",
)
_WANTING_CAUSES = (
    "the heat source is off, tripped or locked out: heat pump, boiler, element, their breakers and timers",
    "thermostat set too low or failed, circulator between heat source and tank failed",
    "more hot water was drawn than the tank and its heaters can give",
)
_WANTING_CHECKS = (
    "Look for a fault code on the heat source, a switched-off breaker or timer, and the thermostat's setting.",
    "See whether the heat source starts when the tank calls for heat, and whether the loop to the tank gets warm.",
    "Live panels are for licensed electricians, the refrigerant circuit and gas for certified technicians.",
    "Lukewarm water lets Legionella grow: once the tank is hot again, flush the pipes hot, as local rules ask.",
)
_CHECKS = (
    "Measure at the nearest tap with a thermometer, after it has run for a minute.",
    "Clean or replace the mixing valve's cartridge, then set it with a thermometer: never above what local rules allow "
    "at the taps; by a licensed plumber.",
    "Lukewarm water lets Legionella grow: flush the pipes hot, as local rules ask.",
)
